"""What the commands of a session do."""

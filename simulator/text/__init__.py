"""Results as text for people, and as JSON."""

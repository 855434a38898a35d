"""What the desk shows: screens, status bar, the stage above the prompt."""

"""The work behind the commands, loaded when a command runs: help and completion stay quick."""

"""What the commands of a session do. Nothing rises by more than 3 dB at once (`level_guard`)."""

"""The listening session as values: state, commands, levels, the log."""

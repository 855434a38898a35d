"""Blind trials at the prompt: offered, run, answered, revealed."""

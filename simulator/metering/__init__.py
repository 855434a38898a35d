"""Loudness, peaks and dynamics as the published standards define them."""

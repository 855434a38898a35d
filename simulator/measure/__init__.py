"""Arrays in, numbers out: loudness, peaks and dynamics as the published standards define them."""

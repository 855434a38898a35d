"""Versions of one song: which moments belong together, and what differs between them."""

"""Playlists: the model and the formats."""

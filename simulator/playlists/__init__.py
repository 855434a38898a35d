"""Playlists: the model and the formats.

`song` ties versions, `album` ties tracks; `Track.problem` says why an entry cannot be read.
"""

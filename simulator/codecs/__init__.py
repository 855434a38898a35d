"""Lossy codecs: encode, decode, and deliver a master the way it reaches the listener."""

"""Audibility."""

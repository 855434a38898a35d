"""Blind listening tests as values: the draw, the result, exact statistics, the ballot of a page."""

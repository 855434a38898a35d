"""Blind listening tests as values: the draw, the result, exact statistics, the ballot of a page.

The log and a page's ballot hold the draws themselves; what a vote decodes by is never drawn again.
"""

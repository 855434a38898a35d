"""Results as text for people, and as JSON.

Sentences are made by rule from figures; keys are only ever added.
"""

"""fairhearing: masters heard and measured as loudness-normalising players will play them."""

__version__ = "0.1.0"

"""Two versions of one song as a playlist names them; a test puts its own head before them."""

TWO_VERSIONS = """[[tracks]]
path = "open.wav"
title = "Song (open)"
song = "song"
[[tracks]]
path = "loud.wav"
title = "Song (loud)"
song = "song"
"""

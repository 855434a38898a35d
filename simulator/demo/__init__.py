"""The demo's music: a score (data in demo_playlist/) becomes sound.

`score` → `pattern` → `players` → `mixdown` → `mastering`. Raise `demo.SYNTHESIS_VERSION` when the sound
changes.
"""

"""The demo's music: a score (data in demo_playlist/) becomes sound.

`score` (with `pattern`) → `performance` (`instruments`, `drums`) → mixdown and masters (`demo`).
Raise `demo.SYNTHESIS_VERSION` when the sound changes.
"""

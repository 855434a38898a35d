"""The listening prompt: session, deck and terminal held together.

- The prompt runs ticks and lines in one thread (asyncio), so it needs no lock; work that takes longer
  (another player, a new revision, aligning) runs in one thread and is taken between ticks.
- The desk ticks right before every line, and a switch passes the deck's clock of that tick: sample-exact.
- The live meter computes each reading from the last 3.5 s that left the program, five times a second.
- Tab completes by hand: prompt_toolkit's own list leaves copies of the toolbar in the scrollback.
- For a session descriptor 2 leads to `listen.log` in the cache folder.
"""

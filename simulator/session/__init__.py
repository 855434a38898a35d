"""The listening session as values: `step(session, event) → (session, effects)` is pure.

- Levels "as heard" count a mono file from both loudspeakers (+3.01 LU): matching, the 3 dB guard and the
  toolbar's difference rest on it.
- Ways of a codec (master, decode, residual) are players made from a player, so that levels, matching, the
  guard and the log know them without a word of their own.
- What a note, decision or trial rests on (`provenance`): the list with content hashes and figures, and all
  numbers of the player, each written once under an id made from what it holds.
"""

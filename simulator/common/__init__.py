"""Shared by every room: units, numbers as text, errors, channel layouts, TOML tables.

`units.SILENCE_DB` is the one floor: nothing below −200 dB has a level. Text from outside passes
`text.visible` where it is made (titles) or shown (paths, notes), and `text.as_utf8` where it is stored or
compared.
"""

"""What every room uses: units, how a number is written, errors, channel layouts, TOML tables.

`units.SILENCE_DB` is the one floor: nothing under −200 dB has a level. Texts from outside pass
`text.visible` where they are made (titles) or shown (paths, notes), and `text.as_utf8` where they are kept
or compared.
"""

"""The delivery check's findings as values.

- One move for a master (or an album): the first try lowers by the largest excess, each further one by what
  is missing + 0.05 dB, in tenths, six tries at most; every step is converted or encoded again each time.
- A "fix" needs more than the meter's own 0.05 dB. After a codec it needs a decoder that cuts the peak.
  Without a decision only peaks and samples above full scale, a silent or inverted channel and (in albums) a
  rate of its own or a number given twice are a fix; the rest is "look".
- Missing dither is seen only in files of 16 bits and fewer (really used), where three windows of 1024
  frames in a row change, yet by less (variance of the first difference < 0.25 steps²) than any dither
  allows.
"""

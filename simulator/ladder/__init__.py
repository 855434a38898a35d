"""One mix at several loudnesses: the search for each rung, and what it costs.

The closed form on the 100 ms series is exact up to where the limiter begins to act; what passes miss
against it is carried along as a line or parabola. Rungs under the limiter take no search pass, most others
one or two, never more than four; each pass streams the file again. Given up at 24 dB of drive, or under
0.05 LU per dB.
"""

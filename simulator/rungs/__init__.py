"""One mix at several loudnesses: the search for each rung, and what it costs.

The closed form on the 100 ms series is exact up to where the limiter begins to act; what passes miss
against it is carried along as a line or parabola. For true-peak limiting the passes of the search run over
the mix's envelope, made once for all rungs (0.02 s a pass over 2:24, within 0.03 LU of the whole one at up to
15 dB of drive); one whole pass then makes and measures the rung, and another one follows only where it
misses. Under the limiter a rung is plain gain, and its figures are arithmetic. With a clip, or limiting
sample peaks, each pass streams the file again, four at most. Given up at 24 dB of drive, or under 0.05 LU
per dB.
"""

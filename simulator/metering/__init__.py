"""Loudness, peaks and dynamics as the published standards define them: arrays in, numbers out.

One pass (`meter`): levels, true peak, clipping and K-weighted energy of one channel at a time. A caller may
pass in `each` (`engine/measure`): a process that measures alone has a thread for every other channel, which
may be a segment ahead of the others while the next one is read (a tenth quicker than waiting for both);
workers do not.

- True peak: a 2× screen as matrix products over rows of 16 samples; the rows within 3.2 dB of the top of
  their 100 ms step or of the ceiling (2× under-reads by 3.01 dB at most) at 4×; then 32× around every local
  maximum within 0.8 dB (4×: 0.69 dB). Series keep the maximum of each 100 ms, for PSR; a row across the
  edge of two steps raises the bar of neither, and the places at the edge are always read.
- What bounds it (a song of 4 min, 44.1/24, shares of one thread's time): K-weighting and energy 28 %, the
  2× look 17 %, the 4× one and the fine readings 20 % (a third in a dense master, of whose rows 44 % come to
  the 4× look), clipping and levels 14 %, the content hash 9 %, reading the samples 7 %. All are products
  and passes over memory that numpy does at the machine's speed. Meters work on segments of 262,144 frames:
  with two threads every step costs a hand-over of Python's lock, so fewer, longer steps are quicker
  although they leave the core's cache. Tried and no quicker: segments four times as long, one memory arena
  for all threads, a three-level scan of the states.
- One copy of the samples: a channel is taken out of its block behind the frames before it, so that the true
  peak and the clip detector look at the same memory. The first look takes three products over every third
  row, whose windows do not overlap, so that no sample is copied; the samples themselves come from running
  maxima.
- Clipped runs: smooth tops are told from cuts for all runs of a segment at once; one at a time, a real
  song's 14,000 equal triples took a third of its measuring.
- Chance is no clip: up to five equal samples on one crest, far below the peak and alone at their level, are
  not counted (up to 23 such crests in a song without a clip); 16 bits in a file of 24 are judged by steps
  of 16.
- Known differences from other meters: libebur128 looks at the loudness range each second, this one each 100
  ms (whole songs differ by up to 0.1 LU), and keeps the 48 kHz numerator at other rates (0.003 LU at 44.1,
  0.03 at 192 kHz).
- Raise `measurement.METHOD` when any number may change: cached measurements are then taken again.
"""

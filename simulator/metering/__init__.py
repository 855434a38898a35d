"""Loudness, peaks and dynamics as the published standards define them: arrays in, numbers out.

One pass (`meter`) takes levels, true peak, clipping and K-weighted energy of each channel. A process that
measures alone passes in an `each` with a thread for every other channel (`engine/measure`), which may be a
segment ahead while the next one is read: a tenth quicker than waiting for both. Workers do not.

- Shares of one thread's time (a 4 min song, 44.1/24): K-weighting and energy 28 %, the 2× reading of the true
  peak 17 %, the 4× and the fine ones 20 % (a third in a dense master, 44 % of whose rows go to 4×), clipping
  and levels 14 %, the content hash 9 %, reading the samples 7 %. All run at numpy's speed. Segments are
  262,144 frames long: with two threads every step costs a hand-over of Python's lock, so fewer, longer steps
  are quicker although they leave the core's cache. Tried, and no quicker: segments four times as long, one
  memory arena for all threads, a three-level scan of the states.
- Samples are copied once: a channel is written behind its earlier frames, and the true peak and the clip
  detector read the same memory.
- Clipped runs are judged for all runs of a segment at once: one at a time, a real song's 14,000 equal triples
  took a third of its measuring. Songs without a clip have up to 23 crests of equal samples by chance.
- Known differences from other meters: libebur128 takes the loudness range every second, this one every 100 ms
  (whole songs differ by up to 0.1 LU), and it keeps the 48 kHz numerator at other rates (0.003 LU at 44.1,
  0.03 at 192 kHz).
- Raise `measurement.METHOD` when any number may change: cached measurements are then taken again.
"""

"""Versions of one song: aligned, and what differs between them.

The first version is the open master and stays in place; gains are applied to the second (see `alignment`).

- Similarity (0 to 1; see `align_fine`), border 0.25. Measured (20–30 s of four songs): unrelated pairs up to
  0.06, limited and clipped by 9 to 14 dB 0.87 to 0.98.
- Ambiguous: a second place with at least 0.9 of the best similarity. Snapping to a whole frame: if the two
  cancel at least as well there, or within 0.02 frame if no worse than 0.01 dB. Drift up to about ±300 ppm.
- One least-squares gain on the K-weighted common part. Residual = gain riding + waveform change as signals;
  their powers add up to within about 0.5 LU. The passes work on fixed parts, so any thread pool gives the
  same bits.
- Tonal balance: the filter is fitted from the open to the other version, so that distortion counts as
  unexplained, and twice: on the open version as it is, and following the other one's level frame by frame;
  the fit with the smaller remainder counts. Measured on four songs: 14 pure gains leave a filter up to 5 %,
  five equalisers at least 90 %.
- Edits: where under 97 % of the windows match well, `align_edits` searches each unmatched stretch, takes the
  best path in the second's order and sets each cut to the frame. `Alignment.fits` says whether moments may be
  compared.
- What a conversion leaves (measured: −53 to −74 LU, nearly all above 4 kHz) is `conversion_only`, not a
  changed waveform.
"""

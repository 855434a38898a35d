"""Where a change is likely to be heard: arrays in, numbers out.

The other version (a loud master, a rung, a codec's decode) is compared with the open one, after alignment.

    meter = AudibilityMeter(sample_rate, channels)       # audibility/noise_to_mask
    meter.push(open_block, other_block)                  # (frames, channels) each, in step; any block sizes
    audibility = meter.finish()                          # shares, bands, moments, a strip
    audibility.worst(3)                                  # the worst of each kind in turn, 8 s apart

For several versions of one mix, `kept_masks` keeps the open version's thresholds and gives the share alone.
The result is an estimate by a model and never a score: what changed, and whether it is likely to be heard.

The model: ear and noise-to-mask ratio of ITU-R BS.1387, rather than psychoacoustic model 1 of ISO/IEC
11172-3. Its threshold was made to judge a given change, the other to share out a coder's bits; its spreading
depends on level; it has forward masking; and it is arithmetic on whole arrays, where model 1 picks maskers
one by one. Formulas from memory (see `masking_threshold`). Departures from the standard: the distance under
tones (see there); a gain for each frame, to separate gain riding (see `noise_to_mask`); one threshold per
frame, no median over listeners, no mapping to a grade. Without a model: hits, pumping and held notes
(`moments`).

Measured against thresholds from the literature (20 s each, share of audible frames; 10 dB below the
threshold, 10 dB above): tone in white noise at 0.5, 1, 2 and 4 kHz, critical ratios of 17 to 23 dB: up to 0.4
%, at least 94 %; tone in a critical band of noise at 0.25, 1 and 4 kHz: up to 3 %, at least 76 %; a critical
band of noise under a tone at 0.25 to 4 kHz: up to 8 %, at least 80 %. Four songs, share of audible frames:
clipped by 0, 6 and 12 dB: 0, 1 to 23 and 29 to 71 %; MP3 at 320, 128 and 64 kbit/s: 0 to 4, 9 to 63 and 84 to
100 %, rising at every step between. 240 s of stereo take 2.9 s of one core.

Where it fails:
- It knows no playback level: a full-scale sine counts as 92 dB SPL. Louder listening reveals more.
- Steady noise fluctuates from frame to frame: within about 5 dB of a threshold it cannot decide, and a few
  frames in a thousand count as audible 10 dB below it.
- Each channel is masked only by itself, with one gain for all: a different balance or width counts as a
  change everywhere (one channel 1 dB down: 62 % of a song's frames; width 0.7: 86 %). Spatial unmasking is
  not modelled.
- Phase is ignored: one channel inverted counts as 0 %, one channel 3 samples late as 0.2 %. An attack smeared
  within 43 ms shows in the hits alone.
- A level that moves in one band only counts as an added sound. On a held note it counts from 1.5 dB at 200
  Hz, 1 dB at 500 Hz and 0.5 dB from 2 kHz (listeners: 0.5 to 1 dB, from memory); on an octave of noise 2 dB
  count in up to 6 % of the frames, 4 dB in 14 to 27 %, 6 dB in 46 to 97 %, where listeners hear about 1 dB.
  So it misses slow changes of tonal balance in dense music (a multiband compressor's).
- A single narrow masker masks too little: a critical band of noise at 1 kHz, 80 dB, has a threshold of 71 dB
  in the band, 47 dB at 1.5 kHz and 27 dB at 2 kHz, where curves have some 77, 58 and 40 dB (E. Zwicker, H.
  Fastl, Psychoacoustics, 4.1; from memory). In sparse music changes count a little too readily.
- It measures the excess over the mask and knows no harshness. At the same loudness gained, soft clipping
  changes the wave more than hard clipping and counts as more audible: four songs, 6 dB of peaks taken, hard 0
  to 62 %, a soft knee 0 to 67 %, a tanh curve 2 to 85 % of the frames.
- A fixed equaliser counts as a change unless its balance is given; its effect on hits always counts.
- Slow changes of level count as gain riding, and so as nothing, even where they are heard.
- Hits are sudden rises of any instrument; dense music hides some. Held notes are those of the strongest
  partial.
"""

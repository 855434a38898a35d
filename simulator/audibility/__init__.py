"""Where a change is likely to be heard: arrays in, numbers out.

The other version (a loud master, a rung, a codec's decode) is held against the open one, after alignment.

    meter = AudibilityMeter(sample_rate, channels)       # audibility/noise_to_mask
    meter.push(open_block, other_block)                  # (frames, channels) each, in step; any block sizes
    found = meter.finish()                               # Audibility: shares, bands, moments, a strip
    found.worst(3)                                       # the worst of each kind in turn, 8 s apart

For several versions of one mix, `kept_masks` keeps the open version's thresholds; the share alone comes out.
Words for all of it are in text/audibility. It is an estimate by a model and never a score: it says what
changed, and whether that is likely to be heard.

The model: ear and noise-to-mask ratio of ITU-R BS.1387, rather than psychoacoustic model 1 of
ISO/IEC 11172-3. Its threshold was made for judging a change that is there, where the other was made to share
out a coder's bits; its spreading depends on level; forward masking is in it; and all of it is arithmetic on
whole arrays, where model 1 picks maskers one by one. Formulas from memory (see `masking_threshold`).
Departures from the standard: the distance under tones (see there); a gain of each frame's own, so that riding
is apart (see `noise_to_mask`); one threshold for the frame, no median over listeners, no mapping to a grade.
Beside it without a model: hits, pumping and held notes (`moments`).

Measured against thresholds from the literature (20 s each, share of the frames that are said to be audible;
10 dB under the threshold, 10 dB over): tone in white noise at 0.5, 1, 2 and 4 kHz, critical ratios of 17 to
23 dB: at most 0.4 %, at least 94 %; tone in a critical band of noise at 0.25, 1 and 4 kHz: at most 3 %, at
least 76 %; a critical band of noise under a tone at 0.25 to 4 kHz: at most 8 %, at least 80 %.
Four songs, share of the frames: clipped by 0, 6 and 12 dB 0, 1 to 23 and 29 to 71 %; MP3 at 320, 128 and 64
kbit/s 0 to 4, 9 to 63 and 84 to 100 %, rising at every step between. 240 s of stereo take 2.9 s of one core.

Where it fails:
- It knows no playback level: a full-scale sine is taken as 92 dB SPL. Louder listening hears more.
- Steady noise fluctuates from frame to frame: within about 5 dB of a threshold it cannot decide, and a few
  frames in a thousand are said to be audible 10 dB under it.
- Each channel is masked by itself alone, with one gain for all: a balance or width that differs counts as a
  change wherever it lies (one channel 1 dB down: 62 % of a song's frames; width 0.7: 86 %). Unmasking by
  direction is unseen.
- A phase that is turned is no error to it: one channel inverted counts as 0 %, one channel 3 samples late as
  0.2 %. A smeared attack within 43 ms shows in the hits alone.
- A level that moves in one band only is taken for an added sound. Of a held note it counts from 1.5 dB at
  200 Hz, 1 dB at 500 Hz and half a dB from 2 kHz on (listeners: 0.5 to 1 dB, from memory); of an octave of
  noise 2 dB count in 6 % of the frames at most, 4 dB in 14 to 27 %, 6 dB in 46 to 97 %, where listeners hear
  about 1 dB. So it misses slow changes of the tonal balance in dense music (a multiband compressor's).
- A single narrow masker masks too little: a critical band of noise at 1 kHz, 80 dB, has a threshold of 71 dB
  in the band, 47 dB at 1.5 kHz and 27 dB at 2 kHz, where curves have some 77, 58 and 40 dB (E. Zwicker,
  H. Fastl, Psychoacoustics, 4.1; from memory). Sparse music is said to be changed a little too readily.
- It counts how much is above the mask, and knows no harshness. At the same loudness gained, soft clipping
  does more to the wave than hard clipping, and is said to be more audible: four songs, 6 dB of peaks taken,
  hard 0 to 62 %, a soft knee 0 to 67 %, a tanh curve 2 to 85 % of the frames.
- A fixed equaliser counts as a change unless its balance is given; then its effect on hits still counts.
- Slow changes of level are nothing to it (they are gain riding), whatever one hears of them.
- Hits are sudden rises of any instrument; dense music hides some of them. Held notes are those of the
  strongest partial only.
"""

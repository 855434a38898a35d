"""The client's page: what goes on it.

- Two tiers of words: the first level, for an artist on a phone, has no unit but dB and no term of measuring
  (a test checks it); what the engineer needs is folded away.
- A claim ("7 dB louder as a file") is a button that plays what it says. The picture is the player: a tap
  plays the passage there, and a change of level moves its lines.
- A passage is stored once where the chain is only a gain, twice where a codec, limiter or converter acts; one
  channel where both are the same. A reference brings its loudest passage alone. Two versions and two
  references come to 9.0 MB, of which the three moments of "Hear what was lost" take 2.7.
  FLAC, 16 bits, triangular dither. Chromium divides positive 16-bit samples by 32767 and negative ones by
  32768; the test allows for it.
- Switching is scheduled in whole frames: 5 ms out, then 5 ms in, loop edges worked into the buffer.
- What would give the names away is combined by exclusive-or with a key stored beside it: hidden, not
  encrypted, as the page says.
- A strict content security policy: the one script by its hash, nothing else.
- Tested in Chromium (Debian's package, desktop and phone sizes) and, once through a vote, switching and a
  comment, in the Gecko engine (Debian's firefox-esr 153, headless, into a sound server). Where there is no
  sound device at all that engine never starts its audio, and the page waits. WebKit and real phones:
  untested.
"""

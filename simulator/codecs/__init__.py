"""Lossy codecs: encode, decode, and deliver a master the way it reaches the listener.

- Encoders write a file in a temporary folder; `AudioReader` reads it back, so that a decode is read like any
  other file.
- The decode has the frames that went in, in place. Its shift is found by cross-correlation of the loudest
  segment, both differentiated so that the peak is sharp (plain where a codec has discarded too much treble
  for that); anything but 0 is an error. A shift counts only where its correlation is clearly above that at 0:
  music that repeats, or noise that the codec replaced, shows none.
- The encoded file is kept in the cache folder (`encoded/`, up to 2 GB, oldest out), by content, delivery and
  library version; an entry carries a hash of itself, and one that is wrong is encoded again. Raise
  `deliver.METHOD` when what comes out changes.
- AAC without noise substitution (`aac_pns` 0): with it two decoders differed by up to 0.55 dB in true peak.
- libsndfile's `compression_level`: MP3 (high − kbps)/(high − low) with the MPEG version's own range of bit
  rates (32–320, 8–160, 8–64); Opus per channel; Vorbis from its nominal table. Measured.
- MP3 under 64 kbit/s (44.1 and 48 kHz; lower rates: less) has no room in a frame for the tag that states the
  delay, so the decoder returns the music 1105 frames late (576 + 529; measured the same at all rates, mono
  and stereo); `codec.decode` drops them where the tag is missing, and the alignment still checks the result.
"""

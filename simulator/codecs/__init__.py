"""Lossy codecs: encode, decode, and deliver a master the way it reaches the listener.

- A delivery is a function passed to `chain.play(..., deliver=)`: blocks of the master in, decoded blocks
  out. Encoders write a file in a temporary folder; `AudioReader` reads it back, so that a decode is read
  like any other file. Length is cut to the frames that went in; the shift is found by cross-correlation of
  the loudest segment, and anything but 0 is an error.
- The encoded file is kept in the cache folder (`encoded/`, 2 GB at most, oldest out), by content, delivery
  and library version; entries carry a hash of themselves, a wrong one is made anew. Raise `deliver.METHOD`
  when what comes out changes.
- AAC without noise substitution (`aac_pns` 0): with it two decoders differed by up to 0.55 dB in true peak.
- libsndfile's `compression_level`: MP3 (high − kbps)/(high − low) with the MPEG version's own range of bit
  rates (32–320, 8–160, 8–64); Opus per channel; Vorbis from its nominal table.
- MP3 under 64 kbit/s (44.1 and 48 kHz; lower rates: less) has no room in a frame for the tag that tells the
  delay, so the decoder gives the music 1105 frames late (576 + 529; measured the same at all rates, mono
  and stereo); `codec.decode` takes them off where the tag is missing, and the alignment still checks the
  result.
"""

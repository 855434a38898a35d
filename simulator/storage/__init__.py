"""What is kept on disk: caches, session files, settings, and safe writing.

- Nothing is lost: no result replaces a file that it is made from, even with --force
  (`writing.refuse_existing`, `refuse_sources`; `small_files.read_small` notes what a command has read for
  that). A file being written is called `.NAME.MARK.part`, with the mark of its run. A replaced file passes on
  its mode; a linked session file stays a link. What a killed run left half-written (part files, temporary
  folders, decodes, the demo) the next one removes, if the mark in the name says that the run is dead. A
  worker ends with its parent, by a thread that waits for the parent's pipe.
- Measurement cache: (path, size, mtime, inode) → content hash of the decoded samples → packed measurement, by
  method version and settings. No pickle. A long run is kept file by file, so the next one continues where it
  was stopped.
"""

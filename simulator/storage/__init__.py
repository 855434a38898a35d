"""What is kept on disk: caches, session files, settings, and safe writing.

- Nothing lost: `writing.refuse_existing` and `refuse_sources`: no result takes the place of a file it is
  made from, even with --force; `small_files.read_small` notes what a command has read for that. A file in
  work is called `.NAME.MARK.part`, the mark being its run's. A file that is replaced passes on its mode, a
  linked session file stays a link. Locks hold pid, process start, boot and pid namespace. `temporary`
  sweeps what ended workers left. A worker ends with its parent, by a thread that waits for the parent's
  pipe; what a run that was killed left half-written (files in work, temporary folders, decodes, the demo)
  the next one removes, if the mark in the name says that the run is dead. Names are cut by bytes
  (`cut_to_bytes`).
- Measurement cache: (path, size, mtime, inode) → content hash of the decoded samples → packed measurement,
  by method version and settings. No pickle. A long run is kept file by file: whoever stops a catalogue goes
  on from there.
"""

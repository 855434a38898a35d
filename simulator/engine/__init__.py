"""The work: measure, predict, align, compare, render and check files, with worker processes.

- A file that has never been decoded to its end (`Store.was_decoded`), and every codec, has a spawned
  worker, whose death costs that file alone; every command measures before it opens a file itself, so no
  header is read before. After a crash the files in progress are repeated one by one, the others go on
  together. `FAIRHEARING_IN_PROCESS` (set by the tests that are not heavy) keeps all of it in one
  process.
- Call `workers.start_tracker()` before spawning: a terminal that closes sends SIGHUP to its whole group,
  and Python's resource tracker, which ignores only SIGINT and SIGTERM, would die first.
- `streams.prepare_streams` takes descriptors 0 to 2 before anything is opened, and what cannot be printed is
  dropped where it is written: so no `print` ends the work.
- The C library keeps what is freed (`workers.keep_freed_memory`): fresh pages cost a tenth of the time.
"""

"""The outside world: files, cache, worker processes, data folders."""

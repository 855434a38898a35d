"""What is kept on disk: caches, session files, settings, and safe writing."""

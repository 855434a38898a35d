"""Audio files: read as blocks of samples, judged, and written."""

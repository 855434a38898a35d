"""Folders of the user, as the platform has them: cache, configuration, data."""

from __future__ import annotations

from pathlib import Path


def cache_folder() -> Path:
    """Where the program may keep what it can make again."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("fairhearing", appauthor=False))


def config_folder() -> Path:
    """Where the program may keep what the user has chosen."""
    import platformdirs

    return Path(platformdirs.user_config_dir("fairhearing", appauthor=False))


def data_folder_of_user() -> Path:
    """Where the program may keep what the user has made: records of sessions, lines of the prompt."""
    import platformdirs

    return Path(platformdirs.user_data_dir("fairhearing", appauthor=False))

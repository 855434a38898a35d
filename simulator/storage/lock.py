"""Lock file: of several processes, the one that holds it may write a session file or a folder.

The lock appears with its content at once, so that none meets an empty one; it holds the mark of its process
(`process_life`), and one whose process is gone is taken over.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from pathlib import Path

from simulator.storage.process_life import mark, marked_lives
from simulator.storage.small_files import MEBIBYTE, read_small


def lock_path(path: Path) -> Path:
    """The lock of a session file: beside the file itself, by whatever link it was named."""
    real = real_path(path)
    return real.with_name(f".{real.name}.lock")


def real_path(path: Path) -> Path:
    """The file that a link leads to (into a synchronised folder, say): that is written and locked, and the
    link stays."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def acquire_lock(lock: Path) -> bool:
    """Makes the lock file, or takes over one whose process is gone; False where another process holds it.
    True where no lock can be written: then there is nothing to protect, since no session file can be
    either."""
    mine = json.dumps(mark()).encode()
    own = f"{lock.name}.{os.getpid()}-{threading.get_ident()}"  # a file for each thread
    for _ in range(3):
        passing = lock.with_name(own)
        try:
            passing.write_bytes(mine)
            _put(passing, lock)
        except FileExistsError:
            if _lives(lock):
                return False
            with contextlib.suppress(OSError):
                dead = lock.with_name(f"{own}.dead")
                os.rename(lock, dead)  # of two processes only one can move it
                if _lives(dead):  # another one had taken it over in between: put it back
                    with contextlib.suppress(FileExistsError):
                        os.link(dead, lock)
                dead.unlink()
            continue
        except OSError:
            return True
        finally:
            with contextlib.suppress(OSError):
                passing.unlink()
        return True
    return False


def release_lock(lock: Path) -> None:
    """Removes the lock, if this process holds it."""
    with contextlib.suppress(OSError, ValueError):
        if json.loads(read_small(lock, MEBIBYTE)) == json.loads(json.dumps(mark())):
            lock.unlink()


def _put(passing: Path, lock: Path) -> None:
    """Puts the lock in place. Raises FileExistsError. Without hard links, os.rename refuses on Windows too;
    elsewhere an exclusively created file has to do."""
    try:
        os.link(passing, lock)
    except FileExistsError:
        raise
    except OSError:
        if os.name == "nt":
            os.rename(passing, lock)
            return
        with open(lock, "xb") as file:
            file.write(passing.read_bytes())


def _lives(lock: Path) -> bool:
    """True while the process that holds the lock is running. A lock without a mark is nobody's."""
    try:
        return marked_lives(json.loads(read_small(lock, MEBIBYTE)))
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return False

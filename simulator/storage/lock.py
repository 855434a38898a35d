"""Lock file: of several processes, the one that holds it may write a session file or a folder.

The lock appears with its content at once, so that no desk meets an empty one; it holds the mark of its
process (`process_life`), and one whose process is gone is taken over. Of several desks that open at once one
gets it.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from pathlib import Path

from simulator.storage.process_life import mark, marked_lives
from simulator.storage.small_files import MEBIBYTE, read_small


def lock_of(path: Path) -> Path:
    """The lock of a record: beside the file itself, by whatever link it was named."""
    real = real_path(path)
    return real.with_name(f".{real.name}.lock")


def real_path(path: Path) -> Path:
    """The file itself where the path is a link to it (into a folder that is synchronised, say): that is what
    is written and locked, and the link stays."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def take(lock: Path) -> bool:
    """Makes the lock file, or takes over one whose process is gone. Where locks cannot be written at all the
    record cannot be written either, and there is nothing to protect."""
    mine = json.dumps(mark()).encode()
    own = f"{lock.name}.{os.getpid()}-{threading.get_ident()}"  # of two threads each has a file of its own
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
                os.rename(lock, dead)  # of two desks only one can move it
                if _lives(dead):  # the other one had taken it over in between: put it back
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


def give_back(lock: Path) -> None:
    """Takes the lock away, if this process holds it."""
    with contextlib.suppress(OSError, ValueError):
        if json.loads(read_small(lock, MEBIBYTE)) == json.loads(json.dumps(mark())):
            lock.unlink()


def _put(passing: Path, lock: Path) -> None:
    """The lock under its name. Raises FileExistsError. Where there are no hard links, os.rename on Windows
    refuses as well; elsewhere an exclusive file has to do."""
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
    """True while the process that holds the lock is running. A lock that holds no mark is nobody's."""
    try:
        return marked_lives(json.loads(read_small(lock, MEBIBYTE)))
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return False

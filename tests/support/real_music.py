"""Real music for the checks: a Debian package with four songs under the MIT licence.

Nothing of it stands in the repository. `python -m tests.support.real_music` (in the checkout) fetches the
package with `apt-get download`, compares its checksum and unpacks it into a folder: the one that
FAIRHEARING_MUSIC names, else .ci/cache/music in the checkout. Without it the checks are skipped.
The package holds four folders with two Ogg Vorbis files each: `song.ogg`, the backing, and
`guitar.ogg`, the guitar that belongs to it; 44.1 kHz, two channels. Decode them whole: seeking in Ogg
Vorbis is not reliable.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from functools import lru_cache
from pathlib import Path

PACKAGE = "fretsonfire-songs-sectoid"
VERSION = "1.dfsg-3.1"
SHA256 = "14c1ed3e43c1a6a80eae7698f0469a0825cd1184e441968d62df89ca418aa0b4"
ARCHIVE = f"{PACKAGE}_{VERSION}_all.deb"
VARIABLE = "FAIRHEARING_MUSIC"
SONGS = {
    "chaosland": "Escape from chaosland",
    "feelings": "Feelings",
    "madness": "Metal madness",
    "freedom": "War of freedom",
}
STEMS = ("song", "guitar")
INSIDE = Path("usr/share/games/fretsonfire/data/songs/sectoid")


def folder() -> Path:
    named = os.environ.get(VARIABLE)
    return Path(named) if named else Path(__file__).resolve().parents[2] / ".ci" / "cache" / "music"


@lru_cache(maxsize=1)
def files() -> dict[str, Path] | None:
    """Paths by name (`chaosland-song`, `chaosland-guitar`, …), or None where the verified package has
    not been fetched."""
    if not _verified(folder() / ARCHIVE):
        return None
    paths = {
        f"{name}-{stem}": folder() / INSIDE / title / f"{stem}.ogg"
        for name, title in SONGS.items()
        for stem in STEMS
    }
    return paths if all(path.is_file() for path in paths.values()) else None


def fetch(tries: int = 3) -> None:
    """Downloads, verifies and unpacks the package; does nothing where that has been done."""
    if files() is not None:
        return
    target = folder()
    target.mkdir(parents=True, exist_ok=True)
    for attempt in range(1, tries + 1):
        if _verified(target / ARCHIVE):
            break
        (target / ARCHIVE).unlink(missing_ok=True)
        subprocess.run(
            ["apt-get", "-q", "download", "-o", "APT::Sandbox::User=root", f"{PACKAGE}={VERSION}"],
            cwd=target,
            stdin=subprocess.DEVNULL,
            timeout=120,
            check=False,
        )
        if not _verified(target / ARCHIVE) and attempt < tries:
            time.sleep(5 * attempt)
    if not _verified(target / ARCHIVE):
        raise SystemExit(f"{PACKAGE} {VERSION} could not be fetched whole (run apt-get update first)")
    subprocess.run(["dpkg-deb", "-x", ARCHIVE, "."], cwd=target, timeout=60, check=True)
    files.cache_clear()
    if files() is None:
        raise SystemExit(f"{ARCHIVE} does not hold the files that it should")


def _verified(archive: Path) -> bool:
    return archive.is_file() and hashlib.sha256(archive.read_bytes()).hexdigest() == SHA256


if __name__ == "__main__":
    fetch()
    sys.stdout.write(f"{PACKAGE} {VERSION} is ready\n")

"""What was encoded is known again by its bytes; an entry that is not what was put there costs no master."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from simulator.codecs import codec
from simulator.codecs.deliver import Delivering, find_encoded, keep_encoded
from simulator.normalizer.profile import Delivery


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Path, Path]:
    """A cache with one entry, of the key "a" and 100 frames."""
    encoded, folder = tmp_path / "encoded.opus", tmp_path / "cache"
    encoded.write_bytes(b"some bytes")
    keep_encoded(folder, "a", encoded, 100)
    (entry,) = folder.iterdir()
    return folder, entry


def test_an_entry_is_found_with_its_frames_under_its_key_alone(kept: tuple[Path, Path]) -> None:
    folder, entry = kept
    assert find_encoded(folder, "a") == (entry, 100)
    assert find_encoded(folder, "b") is None


def test_the_same_encoded_once_more_takes_the_place_of_the_first(
    kept: tuple[Path, Path], tmp_path: Path
) -> None:
    folder, entry = kept
    again = tmp_path / "encoded.opus"
    again.write_bytes(b"other bytes")
    keep_encoded(folder, "a", again, 100)
    assert not entry.exists()
    found = find_encoded(folder, "a")
    assert found is not None
    assert (found[0].read_bytes(), found[1]) == (b"other bytes", 100)


def renamed(old: str, new: str) -> Callable[[Path], object]:
    return lambda entry: entry.rename(entry.with_name(entry.name.replace(old, new)))


@pytest.mark.parametrize(
    "damage",
    [
        lambda entry: entry.write_bytes(b"some"),
        lambda entry: entry.write_bytes(b""),
        lambda entry: os.truncate(entry, 10**11),
        lambda entry: (entry.unlink(), os.mkfifo(entry)),
        lambda entry: (entry.unlink(), entry.mkdir()),
        renamed("-100-", "-10-"),
        renamed("-100-", "-²-"),
        renamed("-100-", f"-{'9' * 99}-"),
    ],
    ids=["cut", "empty", "sparse", "pipe", "folder", "other frames", "odd digits", "endless digits"],
)
def test_an_entry_that_is_not_what_was_kept_is_no_answer(
    kept: tuple[Path, Path], damage: Callable[[Path], object]
) -> None:
    folder, entry = kept
    damage(entry)
    assert find_encoded(folder, "a") is None
    assert not [one for one in folder.iterdir() if one.is_file()]


@pytest.mark.parametrize("vanishes", [False, True], ids=["cut short", "gone once it was found"])
def test_a_master_whose_entry_is_damaged_is_encoded_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vanishes: bool
) -> None:
    samples = np.random.default_rng(3).standard_normal((24_000, 1)).astype(np.float32) * np.float32(0.1)
    trip = Delivering(
        48_000, 1, Delivery(codec="opus", bit_rate_kbps=64.0), content=lambda: "abc", keep_in=tmp_path
    )
    first = np.concatenate(list(trip([samples])))
    (entry,) = tmp_path.iterdir()
    whole = entry.read_bytes()
    if vanishes:
        decode = codec.decode

        def taken_away(path: Path, frames: int) -> Iterator[np.ndarray]:
            if path == entry:
                entry.unlink()
            return decode(path, frames)

        monkeypatch.setattr(codec, "decode", taken_away)
    else:
        entry.write_bytes(whole[: len(whole) // 2])
    assert np.array_equal(np.concatenate(list(trip([samples]))), first)
    assert len(list(tmp_path.iterdir())) == 1

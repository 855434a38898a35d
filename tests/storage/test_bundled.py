"""Where the bundled files are, which profile a name means, and the copying of one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from simulator.common.errors import ProfileError, SimulatorError, WriteError
from simulator.storage.bundled import (
    bundled_folder,
    bundled_profile_ids,
    load_profile,
    load_profiles,
    new_profile,
)


def test_the_folder_inside_the_package_wins_over_the_one_beside_it(tmp_path):
    package = tmp_path / "simulator"
    (package / "_data" / "profiles").mkdir(parents=True)
    (tmp_path / "profiles").mkdir()
    (tmp_path / "pyproject.toml").write_text("", encoding="utf-8")
    assert bundled_folder("profiles", package) == package / "_data" / "profiles"


def test_the_folder_beside_the_package_counts_only_in_a_source_tree(tmp_path):
    package = tmp_path / "simulator"
    package.mkdir()
    (tmp_path / "profiles").mkdir()
    with pytest.raises(SimulatorError, match="program's own folder profiles is missing"):
        bundled_folder("profiles", package)
    (tmp_path / "pyproject.toml").write_text("", encoding="utf-8")
    assert bundled_folder("profiles", package) == tmp_path / "profiles"


def test_every_bundled_id_loads_and_keeps_its_name():
    ids = bundled_profile_ids()
    assert ids == sorted(ids)
    assert "minus14-headroom" in ids
    assert [load_profile(profile_id).id for profile_id in ids] == ids


@pytest.mark.parametrize(
    ("name", "cure"),
    [
        ("minus14-hedroom", "Did you mean minus14-headroom?"),
        ("r128s2", "Did you mean r128-s2?"),
        ("xyzzyx", "Known: a85, "),
    ],
)
def test_an_unknown_id_is_refused_with_the_nearest(name, cure):
    with pytest.raises(ProfileError, match=f'Unknown profile "{name}"') as caught:
        load_profile(name)
    assert caught.value.hint.startswith(cure)


def test_a_profile_is_loaded_by_path_and_named_so_in_errors(tmp_path):
    path = new_profile("r128", str(tmp_path / "late-night.toml"))
    assert load_profile(str(path)).id == "late-night"
    path.write_text(path.read_text(encoding="utf-8").replace("[gain]", "[gian]"), encoding="utf-8")
    with pytest.raises(ProfileError, match="unknown key `gian`") as caught:
        load_profile(str(path))
    assert caught.value.message.startswith(str(path))


@pytest.mark.parametrize(
    ("content", "says"),
    [(None, "cannot read this profile"), (b"\xff\xfe", "byte 1 is not UTF-8")],
)
def test_an_unreadable_profile_is_an_error_with_its_path(tmp_path, content, says):
    path = tmp_path / "x.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ProfileError, match=says) as caught:
        load_profile(str(path))
    assert str(path) in caught.value.message


def test_a_profile_with_a_byte_order_mark_is_read(tmp_path):
    path = new_profile("r128", str(tmp_path / "marked.toml"))
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_profile(str(path)).target_lufs == -23.0


@pytest.mark.parametrize(
    ("wanted", "ids"),
    [
        (["r128"], ["r128"]),
        (["r128,a85", "untouched"], ["r128", "a85", "untouched"]),
        ([" r128 , a85 ", "r128"], ["r128", "a85"]),
        (["a85", "all"], ["a85", *(one for one in bundled_profile_ids() if one != "a85")]),
    ],
)
def test_profiles_are_named_once_in_a_list_repeated_or_all(wanted, ids):
    assert [profile.id for profile in load_profiles(wanted)] == ids


def test_a_comma_in_the_path_of_a_profile_is_part_of_it(tmp_path):
    (tmp_path / "a,b").mkdir()
    path = new_profile("r128", str(tmp_path / "a,b" / "mine.toml"))
    assert [profile.id for profile in load_profiles([str(path)])] == ["mine"]


@pytest.mark.parametrize("wanted", [[], [""], [" , "]])
def test_no_profile_at_all_is_an_error_that_lists_them(wanted):
    with pytest.raises(ProfileError, match="No profile given") as caught:
        load_profiles(wanted)
    assert "minus14-headroom" in caught.value.hint


def test_a_new_profile_is_the_same_text_under_another_name(tmp_path):
    path = new_profile("minus14-limited", str(tmp_path / "mine.toml"))
    source = bundled_folder("profiles") / "minus14-limited.toml"
    assert path.read_bytes() == source.read_bytes()
    again = new_profile(str(path), str(tmp_path / "mine-2.toml"))
    assert load_profile(str(again)).id == "mine-2"


def test_a_new_profile_overwrites_nothing(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(WriteError, match="not overwritten"):
        new_profile("r128", str(path))
    assert path.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("from_id", "name", "error", "says"),
    [
        ("r128", "mine", ProfileError, "must end in .toml"),
        ("r128", "My Own.toml", ProfileError, "lower-case letters"),
        ("r129", "mine.toml", ProfileError, 'Unknown profile "r129"'),
        ("r128", "no/such/mine.toml", WriteError, "cannot be written: No such file"),
    ],
)
def test_a_new_profile_that_cannot_be_is_refused_and_leaves_nothing(tmp_path, from_id, name, error, says):
    with pytest.raises(error, match=says):
        new_profile(from_id, str(tmp_path / name))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("stopped", [OSError(28, os.strerror(28)), KeyboardInterrupt()])
def test_a_copy_that_is_not_whole_is_taken_away_again(tmp_path, monkeypatch, stopped):
    """A full disk, or a signal between the opening and the writing."""

    def half(self, text, **_):
        self.write_bytes(text.encode()[:10])
        raise stopped

    monkeypatch.setattr(Path, "write_text", half)
    with pytest.raises((WriteError, KeyboardInterrupt)):
        new_profile("r128", str(tmp_path / "mine.toml"))
    assert list(tmp_path.iterdir()) == []

"""No file of the user's is replaced without being asked, by whatever name the program meets it."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
import soundfile
from support.signals import both, pink_noise

from simulator.cli import app

RATE = 44_100


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A master, a symlink and a hard link to it, and a folder that leads to this one."""
    monkeypatch.setenv("XDG_CACHE_HOME", os.fspath(tmp_path / "cache"))
    place = tmp_path / "masters"
    place.mkdir()
    noise = both(0.1 * pink_noise(RATE, seed=9, sample_rate=RATE))
    soundfile.write(place / "a.wav", noise, RATE, subtype="PCM_24")
    soundfile.write(place / "b.wav", 0.5 * noise, RATE, subtype="PCM_24")
    (place / "link.wav").symlink_to("a.wav")
    os.link(place / "a.wav", place / "hard.wav")
    (tmp_path / "round").symlink_to("masters")
    monkeypatch.chdir(place)
    return place


def state(folder: Path) -> dict[str, bytes]:
    """Every name with its content."""
    return {path.name: hashlib.sha256(path.read_bytes()).digest() for path in folder.iterdir()}


@pytest.mark.parametrize("target", ["a.wav", "link.wav", "hard.wav", "../round/a.wav", "b.wav"])
@pytest.mark.parametrize(
    "words", ["page a.wav b.wav --output {}", "listen a.wav --to-file {}"], ids=["page", "listen"]
)
def test_a_result_named_like_a_master_is_refused_before_any_work(
    folder: Path, capsys: pytest.CaptureFixture[str], words: str, target: str
) -> None:
    before = state(folder)
    code = app.run(words.format(target).split())
    said = capsys.readouterr().err
    assert code in (2, 4)
    assert os.path.basename(target) in said
    assert "not overwritten" in said or "end" in said
    assert state(folder) == before


@pytest.mark.parametrize("target", ["note.svg", "link.svg", "gone.svg"])
def test_a_figure_replaces_nothing_that_is_there(
    folder: Path, capsys: pytest.CaptureFixture[str], target: str
) -> None:
    (folder / "note.svg").write_text("the user's own", encoding="utf-8")
    (folder / "link.svg").symlink_to("note.svg")
    (folder / "gone.svg").symlink_to("nowhere")  # a link to nothing is a name of the user's, too
    assert app.run(["compare", "a.wav", "b.wav", "--figure", target]) == 4
    assert f"{target} already exists and was not overwritten" in capsys.readouterr().err
    assert (folder / "note.svg").read_text(encoding="utf-8") == "the user's own"
    assert not (folder / "nowhere").exists()


@pytest.mark.parametrize("link", ["symlink", "hard link"])
def test_a_forced_render_replaces_the_name_and_never_writes_through_a_link_into_a_master(
    folder: Path, capsys: pytest.CaptureFixture[str], link: str
) -> None:
    out = folder / "out"
    out.mkdir()
    if link == "symlink":
        (out / "01-a.wav").symlink_to(folder / "a.wav")
    else:
        os.link(folder / "a.wav", out / "01-a.wav")
    before = (folder / "a.wav").read_bytes()
    assert app.run(["render", "a.wav", "--out", "out", "--force", "--workers", "0"]) == 0, capsys.readouterr()
    assert (folder / "a.wav").read_bytes() == before
    assert (out / "01-a.wav").read_bytes() != before
    assert not (out / "01-a.wav").is_symlink()


@pytest.mark.parametrize("name", ["01-a.wav", "montage-played.wav", "montage-delivered.wav"])
def test_a_forced_render_never_replaces_a_file_that_it_reads(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """A source in the render's own folder that bears the name of a result."""
    os.rename(folder / "b.wav", folder / name)
    before = state(folder)
    code = app.run(["render", "a.wav", name, "--out", ".", "--force", "--workers", "0"])
    assert state(folder)[name] == before[name], "a source was replaced by a result"
    assert code == 4
    assert name in capsys.readouterr().err

"""The command line as its users and their scripts meet it: exit codes, answers, and Ctrl-C."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import psutil
import pytest
import soundfile
from support.schemas import valid
from support.signals import both, pink_noise

SCHEMAS = Path(__file__).resolve().parents[2] / "simulator" / "schemas"
RATE = 44_100

# The keys that scripts may rely on since the first version: the promise, not a copy of the code.
MEASURED = (
    "schema path sample_rate channels frames duration_s integrated_lufs loudness_range_lu max_momentary_lufs "
    "max_short_term_lufs quietest_passage_lufs sample_peak_dbfs true_peak_dbtp peak_to_loudness_db "
    "min_peak_to_short_term_db median_peak_to_short_term_db crest_factor_db inter_sample_overs clipped_runs "
    "dc_offset correlation warnings"
)
PLAYED = (
    "path title wanted_gain_db gain_db limited_by reason target_shortfall_lu played_integrated_lufs "
    "played_max_short_term_lufs played_quietest_passage_lufs played_true_peak_dbtp unused_headroom_db "
    "limiter_max_reduction_db limiter_mean_reduction_db limiter_share_over_1_db gain_from"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two masters of one song, a reference, silence, a text called .wav, and playlists."""
    made = tmp_path_factory.mktemp("masters")
    noise = pink_noise(4 * RATE, seed=70, sample_rate=RATE)
    quiet, loud = 0.08 * noise, np.clip(0.9 * noise, -1.0, 1.0)
    soundfile.write(made / "open.wav", both(quiet), RATE, subtype="PCM_24")
    soundfile.write(made / "crushed.wav", both(loud), RATE, subtype="PCM_24")
    soundfile.write(made / "silence.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_16")
    long = "a reference whose name is far too long to be shown whole in any table of eighty columns"
    soundfile.write(made / f"{long}.wav", both(0.2 * noise), RATE, subtype="PCM_24")
    (made / "text.wav").write_text("this is no audio", encoding="utf-8")
    (made / "list.toml").write_text(
        'format = 1\ntitle = "Ferry"\nprofile = "minus14-limited"\n'
        '[[tracks]]\npath = "open.wav"\nsong = "ferry"\n'
        '[[tracks]]\npath = "gone.wav"\n'
        f'[[tracks]]\npath = "{long}.wav"\nrole = "reference"\n'
        '[[tracks]]\npath = "crushed.wav"\nsong = "ferry"\n',
        encoding="utf-8",
    )
    (made / "broken.toml").write_text('format = 1\ntitle = "unclosed\n', encoding="utf-8")
    return made


@pytest.fixture(autouse=True)
def inside(folder: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    monkeypatch.chdir(folder)


def schema(name: str) -> Any:
    return json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))


# --- exit codes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "",
        "--help",
        "--version",
        "measure --help",
        "measure open.wav",
        "measure open.wav crushed.wav --csv",
        "predict open.wav crushed.wav",
        "predict open.wav --profile minus14-limited,r128 --reasons",
        "profiles list",
        "profiles show r128-s2",
    ],
)
def test_what_can_be_done_whole_ends_with_0_and_no_word_on_standard_error(answer: Any, line: str) -> None:
    code, out, err = answer(line)
    assert (code, err) == (0, "")
    assert out.strip()


@pytest.mark.parametrize("bad", ["gone.wav", "text.wav"])
@pytest.mark.parametrize("order", ["{bad} open.wav", "open.wav {bad}"])
def test_one_unreadable_file_of_two_ends_with_1_and_the_rest_is_complete(
    answer: Any, folder: Path, bad: str, order: str
) -> None:
    names = order.format(bad=bad).split()
    code, out, _ = answer(f"measure --json {' '.join(names)}")
    found = valid(out, "measure")
    assert code == 1
    assert [Path(one["path"]).name for one in found] == names
    wrong, right = found[names.index(bad)], found[1 - names.index(bad)]
    assert set(wrong) == {"schema", "path", "error"}
    assert str(folder / bad) in wrong["error"]
    assert right["frames"] == 4 * RATE


def test_an_unreadable_file_is_named_with_its_cure_on_standard_error(answer: Any) -> None:
    code, out, err = answer("measure text.wav open.wav")
    assert code == 1
    assert out.startswith("open measures ")
    assert "text.wav: cannot read this as audio" in err
    assert "Convert it first" in err


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("predicate open.wav", "predicate"),
        ("measure --loud open.wav", "--loud"),
        ("measure", "FILES"),
        ("measure open.wav --json --csv", "Use either --json or --csv, not both"),
        ("predict open.wav --json --csv", "Use either --json or --csv, not both"),
        ("measure open.wav --over-above high", "--over-above"),
        ("measure open.wav --ceiling high", "--ceiling"),
        ("predict open.wav crushed.wav --against 3", "not one of the versions"),
        ("predict open.wav crushed.wav --names a", "2 different names are needed"),
        ("predict open.wav --against open", "--against needs two versions"),
        ("predict open.wav --figure players.gif", "an .svg or .png file"),
        ("predict open.wav --profile minus14-limitd", "minus14-limited"),
        ("predict broken.toml", "broken.toml"),
        ("predict gone.toml", "gone.toml"),
        ("render open.wav", "--out"),
        ("profiles show minus14-headrom", "minus14-headroom"),
    ],
)
def test_wrong_use_ends_with_2_and_says_what_is_wrong(answer: Any, line: str, words: str) -> None:
    code, out, err = answer(line)
    assert (code, out) == (2, "")
    assert words in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("command", "form"),
    [
        ("measure", ""),
        ("measure", "--json"),
        ("predict", ""),
        ("predict", "--json"),
        ("check", ""),
        ("check", "--json"),
        ("page -o out4.html", ""),
        ("listen --to-file out4.wav", ""),
        ("render --out out4", ""),
    ],
)
def test_where_nothing_could_be_done_it_ends_with_4(answer: Any, command: str, form: str) -> None:
    code, out, err = answer(f"{command} {form} gone.wav text.wav")
    assert code == 4
    if form:
        found = valid(out, command)
        rows = found[0]["tracks"] if command == "predict" else found
        assert [Path(row["path"]).name for row in rows if row["error"]] == ["gone.wav", "text.wav"]
    else:
        assert "gone.wav" in err
        assert "text.wav" in err
        assert "See the messages above." in err
    assert not [name for name in ("out4", "out4.html", "out4.wav") if Path(name).exists()]


@pytest.fixture(scope="module")
def no_surround(folder: Path) -> str:
    """A player that gets MP3, which carries no surround; the surround file beside it."""
    text = (Path(__file__).parents[2] / "profiles" / "minus14-opus128.toml").read_text(encoding="utf-8")
    (folder / "minus14-mp3.toml").write_text(text.replace('"opus"', '"mp3"'), encoding="utf-8")
    noise = 0.05 * np.random.default_rng(71).standard_normal((RATE, 6))
    soundfile.write(folder / "surround.wav", noise, RATE, subtype="PCM_24")
    return "minus14-mp3.toml"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("predict surround.wav --profile {0}", 4),
        ("predict surround.wav --json --profile {0}", 4),
        ("predict surround.wav --profile {0},minus14-down", 1),
        ("predict surround.wav open.wav --profile {0}", 1),
        ("page surround.wav -o out5.html --profile {0}", 4),
        ("render surround.wav --out out5 --profile {0}", 4),
        ("check surround.wav --for {0}", 1),
    ],
)
def test_a_track_that_no_player_can_play_is_nothing_done_and_its_reason_is_said(
    answer: Any, no_surround: str, line: str, code: int
) -> None:
    """A check has findings all the same."""
    found, out, err = answer(line.format(no_surround))
    assert found == code
    said = err if "--json" not in line else out
    assert said.count("MP3 carries up to 2 channels") == 1
    assert ("No track could be" in err) == (code == 4 and "--json" not in line)
    assert not Path("out5.html").exists()
    assert not list(Path("out5").glob("*"))


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("measure open.wav", "simulator.engine.predict.measure_all"),
        ("predict open.wav --json", "simulator.engine.predict.measure_all"),
        ("render open.wav --out out130", "simulator.engine.render.render"),
        ("profiles list", "simulator.storage.bundled.bundled_profile_ids"),
    ],
)
def test_an_interrupt_anywhere_in_a_command_ends_with_130(
    answer: Any, monkeypatch: pytest.MonkeyPatch, line: str, place: str
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(place, interrupted)
    code, out, err = answer(line)
    assert (code, out) == (130, "")
    assert err.strip() == "Interrupted. Nothing half-written is left behind."


# --- Ctrl-C in a process of its own -----------------------------------------------------------------

# A shell's background job hands down an ignored SIGINT; a user's terminal does not.
START = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from simulator.cli.app import main; main(sys.argv[1:])"
)


def hour_of_silence(path: Path, hours: float) -> Path:
    """A WAV file that takes no room: a header, and a hole for the samples (16 bits, stereo)."""
    size = int(hours * 3600) * RATE * 4
    header = struct.pack(
        "<4sI4s4sIHHIIHH", b"RIFF", size + 36, b"WAVE", b"fmt ", 16, 1, 2, RATE, RATE * 4, 4, 16
    )
    path.write_bytes(header + struct.pack("<4sI", b"data", size))
    os.truncate(path, len(header) + 8 + size)
    return path


def started(arguments: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", START, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
    )


def wait_for(seen: Any, process: subprocess.Popen[str]) -> None:
    end = time.monotonic() + 30.0
    while not seen():
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < end
        time.sleep(0.01)


def interrupt(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Ctrl-C goes to the whole group of processes in the foreground."""
    os.killpg(process.pid, signal.SIGINT)
    try:
        _, err = process.communicate(timeout=20)
    finally:
        process.kill()
    return process.returncode, err


@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a group of processes")
@pytest.mark.parametrize("command", ["measure", "render --out {out}"])
def test_ctrl_c_while_a_long_file_is_measured_ends_with_130(tmp_path: Path, command: str) -> None:
    long, out = hour_of_silence(tmp_path / "long.wav", 5.0), tmp_path / "out"
    process = started([*command.format(out=out).split(), str(long)])
    reading = psutil.Process(process.pid)
    wait_for(lambda: any(file.path == str(long) for file in reading.open_files()), process)
    time.sleep(0.1)
    code, err = interrupt(process)
    assert code == 130, err
    assert err.strip() == "Interrupted. Nothing half-written is left behind."
    assert not out.exists() or os.listdir(out) == []


@pytest.mark.heavy
@pytest.mark.skipif(os.name != "posix", reason="sends signals")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_render_that_is_ended_leaves_no_half_file(tmp_path: Path, name: str) -> None:
    long, out = hour_of_silence(tmp_path / "long.wav", 0.08), tmp_path / "out"
    process = started(["render", "--no-cache", "--out", str(out), str(long)])
    try:
        wait_for(lambda: out.exists() and any(".part" in file for file in os.listdir(out)), process)
        process.send_signal(getattr(signal, name))
        process.communicate(timeout=20)
    finally:
        process.kill()
    assert process.returncode == 128 + getattr(signal, name)
    assert not any(".part" in file for file in os.listdir(out))


@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a group of processes")
def test_ctrl_c_while_workers_measure_ends_them_too(tmp_path: Path) -> None:
    files = [str(hour_of_silence(tmp_path / f"{name}.wav", 5.0)) for name in "ab"]
    process = started(["measure", "--workers", "2", *files])
    parent = psutil.Process(process.pid)
    busy: list[psutil.Process] = []

    def both_read() -> bool:
        busy[:] = [one for one in parent.children() if any(f.path in files for f in one.open_files())]
        return len(busy) == 2

    wait_for(both_read, process)
    code, err = interrupt(process)
    assert code == 130, err
    assert err.strip() == "Interrupted. Nothing half-written is left behind."
    psutil.wait_procs(busy, timeout=5)
    assert not any(one.is_running() for one in busy)


@pytest.mark.heavy
@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a group of processes")
def test_ctrl_c_while_a_render_is_written_leaves_no_half_file(tmp_path: Path) -> None:
    noise = np.tile(0.02 * pink_noise(60 * RATE, seed=71, sample_rate=RATE), 5)  # long enough to be met
    noise[:: 5 * RATE] = 0.9  # peaks that the limiter has to hold
    soundfile.write(tmp_path / "quiet.wav", both(noise), RATE, subtype="PCM_16")
    out = tmp_path / "out"
    process = started(
        ["render", "--profile", "minus14-limited", "--out", str(out), str(tmp_path / "quiet.wav")]
    )
    wait_for(lambda: out.is_dir() and any(not one.endswith(".lock") for one in os.listdir(out)), process)
    code, err = interrupt(process)
    assert code == 130, err
    assert err.strip() == "Interrupted. Nothing half-written is left behind."
    assert os.listdir(out) == []


@pytest.mark.heavy
@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a group of processes")
def test_ctrl_c_while_workers_render_leaves_no_half_file(tmp_path: Path) -> None:
    """The workers are ended in the midst of their files; the parent sweeps up after them."""
    noise = np.tile(0.02 * pink_noise(5 * RATE, seed=72, sample_rate=RATE), 12)
    noise[:: 5 * RATE] = 0.9
    files = [str(tmp_path / f"{name}.wav") for name in "abcd"]
    for file in files:
        soundfile.write(file, noise, RATE, subtype="PCM_16")
    out = tmp_path / "out"
    line = ["render", "--profile", "minus14-limited", "--workers", "2", "--out", str(out)]
    process = started([*line, *files])
    wait_for(lambda: out.is_dir() and any(name.endswith(".part") for name in os.listdir(out)), process)
    code, err = interrupt(process)
    assert code == 130, err
    assert err.strip() == "Interrupted. Nothing half-written is left behind."
    assert [name for name in os.listdir(out) if name.startswith(".")] == []


# --- JSON and CSV -----------------------------------------------------------------------------------


def test_the_schemas_require_every_key_that_was_promised() -> None:
    """Keys are only ever added: these lists may grow, and never lose one."""
    assert set(MEASURED.split()) <= set(schema("measure")["$defs"]["measured"]["required"])
    assert set(PLAYED.split()) <= set(schema("predict")["$defs"]["played"]["required"])
    assert {"schema", "profile", "target_lufs", "tracks"} <= set(schema("predict")["items"]["required"])
    for name in ("measure", "predict"):
        assert "additionalProperties" not in json.dumps(schema(name))


@pytest.mark.parametrize("missing", MEASURED.split())
def test_an_answer_without_one_key_is_against_the_schema(answer: Any, missing: str) -> None:
    _, out, _ = answer("measure --json open.wav")
    found = valid(out, "measure")
    del found[0][missing]
    with pytest.raises(jsonschema.ValidationError, match=missing):
        jsonschema.validate(found, schema("measure"))


def test_measure_json_holds_to_its_schema_in_the_order_given(answer: Any) -> None:
    code, out, _ = answer("measure --json crushed.wav silence.wav open.wav")
    found = valid(out, "measure")
    assert code == 0
    assert [Path(one["path"]).name for one in found] == ["crushed.wav", "silence.wav", "open.wav"]
    assert found[1]["integrated_lufs"] is None
    assert found[1]["true_peak_dbtp"] is None
    assert found[1]["warnings"]
    assert found[0]["clipped_runs"] > 0


def test_an_album_is_measured_as_one_programme_and_by_its_loudest_track(answer: Any, tmp_path: Path) -> None:
    """Two sines of equal length 6 dB apart; the programme is their power mean, worked by hand:
    10 lg((1 + 10^−0.6) / 2) = −2.04 dB under the louder one."""
    sine = np.sin(2.0 * np.pi * 997.0 * np.arange(4 * 48_000) / 48_000.0)
    for name, amplitude_db in (("a", -20.0), ("b", -26.0)):
        wave = np.stack([sine, sine], axis=1) * 10.0 ** (amplitude_db / 20.0)
        soundfile.write(tmp_path / f"{name}.wav", wave, 48_000, subtype="FLOAT")
    files = f"{tmp_path / 'a.wav'} {tmp_path / 'b.wav'}"
    found = valid(answer(f"measure {files} --album --json")[1], "measure")
    assert found[0]["album"] == "Album"
    wanted = found[0]["integrated_lufs"] - 2.04
    assert [one["album_programme_lufs"] for one in found] == [pytest.approx(wanted, abs=0.01)] * 2
    said = " ".join(answer(f"measure {files} --album")[1].split())
    figures = [f"{value:.1f}".replace("-", "−") for value in (wanted, wanted + 2.04)]
    assert f"Album: {figures[0]} LUFS as a programme; loudest track “a”, {figures[1]} LUFS." in said
    assert "programme" not in answer(f"measure {files}")[1]
    assert "album" not in valid(answer(f"measure {files} --json")[1], "measure")[0]


@pytest.mark.heavy
def test_predict_json_holds_to_its_schema_for_every_profile(answer: Any) -> None:
    code, out, _ = answer("predict --json --profile all open.wav crushed.wav silence.wav")
    found = valid(out, "predict")
    assert code == 0
    assert len({one["profile"] for one in found}) == len(found) >= 15
    by_id = {one["profile"]: one for one in found}
    assert by_id["untouched"]["target_lufs"] is None
    assert by_id["minus14-limited"]["tracks"][0]["limiter_max_reduction_db"] >= 0.0
    for one in found:
        assert [row["title"] for row in one["tracks"]] == ["open", "crushed", "silence"]
        assert one["tracks"][2]["played_integrated_lufs"] is None


def test_profiles_may_be_repeated_or_stand_in_a_list_with_commas(answer: Any) -> None:
    _, listed, _ = answer("predict --json open.wav --profile r128,a85")
    _, repeated, _ = answer("predict --json open.wav --profile r128 --profile a85")
    assert [one["profile"] for one in json.loads(listed)] == ["r128", "a85"]
    assert listed == repeated


def test_a_missing_track_of_a_playlist_keeps_its_place(answer: Any) -> None:
    code, out, _ = answer("predict --json list.toml")
    (one,) = valid(out, "predict")
    assert code == 1
    assert one["profile"] == "minus14-limited"  # the playlist's own
    names = [Path(row["path"]).name for row in one["tracks"]]
    assert (names[0], names[1], names[3]) == ("open.wav", "gone.wav", "crushed.wav")
    assert set(one["tracks"][1]) == {"path", "error"}
    assert "file not found" in one["tracks"][1]["error"]
    assert all("error" not in one["tracks"][place] for place in (0, 2, 3))


def test_a_render_keeps_the_numbers_of_a_list_with_a_missing_track(answer: Any, tmp_path: Path) -> None:
    code, out, err = answer(f"render list.toml --out {tmp_path / 'played'}")
    assert code == 1
    assert "gone.wav: file not found" in err
    assert str(tmp_path / "played") in out
    assert [name[:3] for name in sorted(os.listdir(tmp_path / "played"))] == ["01-", "03-", "04-"] + 3 * [
        "mon"
    ]


def test_a_render_that_would_overwrite_ends_with_4_and_names_the_option(answer: Any, tmp_path: Path) -> None:
    (tmp_path / "01-open.wav").write_bytes(b"mine")
    code, _, err = answer(f"render open.wav --out {tmp_path}")
    assert code == 4
    assert "--force" in err
    assert os.listdir(tmp_path) == ["01-open.wav"]
    assert (tmp_path / "01-open.wav").read_bytes() == b"mine"


def test_csv_says_what_json_says(answer: Any) -> None:
    _, as_json, _ = answer("measure --json open.wav gone.wav")
    code, as_csv, _ = answer("measure --csv open.wav gone.wav")
    whole, bad = json.loads(as_json)
    first, second = csv.DictReader(io.StringIO(as_csv))
    assert code == 1
    assert set(first) == {*whole, "error"}
    assert float(first["integrated_lufs"]) == whole["integrated_lufs"]
    assert int(first["frames"]) == whole["frames"]
    assert (first["error"], second["error"]) == ("", bad["error"])
    assert second["integrated_lufs"] == ""


def test_csv_of_predictions_has_a_line_for_every_profile_and_track(answer: Any) -> None:
    line = "open.wav gone.wav --profile r128,minus14-limited"
    _, as_json, _ = answer(f"predict --json {line}")
    code, as_csv, _ = answer(f"predict --csv {line}")
    rows = list(csv.DictReader(io.StringIO(as_csv)))
    assert code == 1
    assert [row["profile"] for row in rows] == ["r128", "r128", "minus14-limited", "minus14-limited"]
    expected = [row for one in json.loads(as_json) for row in one["tracks"]]
    for row, whole in zip(rows, expected, strict=True):
        assert row["path"] == whole["path"]
        assert row["error"] == whole.get("error", "")
        if "gain_db" in whole:
            assert float(row["gain_db"]) == whole["gain_db"]


# --- the screen -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "predict list.toml --profile all --reasons",
        "predict list.toml --profile all --detail",
        "predict open.wav crushed.wav --profile all",
        "predict open.wav --profile all",
        "measure open.wav crushed.wav silence.wav --detail",
        "predict open.wav crushed.wav silence.wav",
        "measure open.wav crushed.wav silence.wav",
    ],
)
def test_a_piped_screen_fits_80_columns(answer: Any, line: str) -> None:
    _, out, _ = answer(line)
    assert len(out.splitlines()) >= 7
    assert [row for row in out.splitlines() if len(row) > 80 and os.sep not in row] == []


def test_the_screen_answers_first_and_keeps_every_track_in_its_place(answer: Any) -> None:
    _, out, err = answer("predict list.toml")
    assert out.startswith("As a file crushed is ")
    assert "vs open" in out
    (gone,) = [line for line in out.splitlines() if " gone " in line]
    assert gone.split()[0] == "2"  # the missing track, in its place in the list
    assert "gone.wav: file not found" in err
    _, whole, _ = answer("predict list.toml --detail")
    assert "difference" in whole
    assert "Reasons: " in whole


def test_the_answer_alone_is_the_first_lines_of_the_screen(answer: Any) -> None:
    for line in ("predict open.wav crushed.wav --profile all", "measure open.wav crushed.wav"):
        _, alone, _ = answer(f"{line} --quiet")
        _, screen, _ = answer(line)
        assert 0 < len(alone.splitlines()) <= 3
        assert screen.startswith(alone)
        assert len(screen.splitlines()) <= 23


def test_the_version_that_others_are_held_against_is_named_or_numbered(answer: Any) -> None:
    line = "predict open.wav crushed.wav --names quiet,hot"
    first, second = (answer(f"{line} --against {word}")[1] for word in ("hot", "2"))
    assert first == second
    assert "vs hot" in first
    assert "vs quiet" in answer(line)[1]


def test_two_files_of_one_song_are_no_album_of_two(answer: Any) -> None:
    """An album player turns each version as if the other were not there."""
    _, out, _ = answer("predict --json --profile td1008-album,td1008-track open.wav crushed.wav")
    album, track = json.loads(out)
    wanted = [[row["wanted_gain_db"] for row in one["tracks"]] for one in (album, track)]
    assert wanted[0] == pytest.approx([gain + 2.0 for gain in wanted[1]])  # to −14 instead of −16


def test_a_picture_of_the_players_is_written_and_the_same_figures_give_the_same_file(
    answer: Any, tmp_path: Path
) -> None:
    line = f"predict open.wav crushed.wav --profile r128,untouched --figure {tmp_path}/a.svg"
    assert answer(f"{line} --figure {tmp_path}/a.png")[0] == 0
    drawn = (tmp_path / "a.svg").read_bytes()
    assert b"r128" in drawn
    assert b"crushed" in drawn
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"
    code, _, err = answer(line)
    assert code == 4
    assert "--force" in err
    assert answer(f"{line} --force")[0] == 0
    assert (tmp_path / "a.svg").read_bytes() == drawn


def test_the_old_word_for_the_level_of_overs_goes_on_working(answer: Any) -> None:
    counts = [
        json.loads(answer(f"measure open.wav --json --no-cache {option} -20")[1])[0]["inter_sample_overs"]
        for option in ("--over-above", "--ceiling")
    ]
    assert counts[0] == counts[1] > 0
    assert "--ceiling" not in answer("measure --help")[1]


# --- profiles ---------------------------------------------------------------------------------------


def test_profiles_list_shows_every_bundled_profile(answer: Any) -> None:
    _, words, _ = answer("profiles list")
    _, data, _ = answer("profiles list --json")
    rows = json.loads(data)
    assert all(row["schema"] == 1 for row in rows)
    assert {"untouched", "minus14-headroom", "td1008-album", "quieter-setting"} <= {row["id"] for row in rows}
    for row in rows:
        assert any(text.startswith(f"{row['id']} ") and row["title"] in text for text in words.splitlines())


def test_profiles_show_gives_every_number_with_its_source(answer: Any) -> None:
    _, out, _ = answer("profiles show minus14-limited")
    assert "limiter.release_ms = 150.0" in out
    assert "limiter.release_ms: project choice" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_new_profile_is_a_copy_that_can_be_used_and_is_never_overwritten(
    answer: Any, tmp_path: Path
) -> None:
    path = tmp_path / "my-player.toml"
    assert answer(f"profiles new {path} --from r128")[0] == 0
    path.write_text(path.read_text(encoding="utf-8").replace("-23.0", "-21.5"), encoding="utf-8")
    code, out, _ = answer(f"predict open.wav --json --profile {path}")
    (found,) = valid(out, "predict")
    assert (code, found["profile"], found["target_lufs"]) == (0, "my-player", -21.5)
    edited = path.read_text(encoding="utf-8")
    code, _, err = answer(f"profiles new {path}")
    assert code in (2, 4)
    assert "my-player.toml" in err
    assert path.read_text(encoding="utf-8") == edited


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        ("=1+1.wav", "'=1+1.wav"),
        ("+a", "'+a"),
        ("-a", "'-a"),
        ("@a", "'@a"),
        ("\t=a", "'\\x09=a"),
        ("a\x1b[31m\nb", "a\\x1b[31m\\x0ab"),
        ("/a=b-c@d", "/a=b-c@d"),
        (-14.5, "-14.5"),
        (None, ""),
    ],
)
def test_a_cell_of_csv_is_no_formula_and_steers_nothing(
    capsys: pytest.CaptureFixture[str], value: Any, cell: str
) -> None:
    """Texts alone: a number may be negative. Every line ends with one character."""
    from simulator.cli.output import print_csv

    print_csv([{"title": value, "x": 1}])
    out = capsys.readouterr().out
    assert next(csv.DictReader(io.StringIO(out)))["title"] == cell
    assert out.count("\n") == 2
    assert "\r" not in out


def test_csv_names_the_limiter_where_the_table_does(answer: Any, tmp_path: Path) -> None:
    """And JSON keeps what held the gain alone, beside what the limiter took."""
    wave = 0.02 * np.random.default_rng(5).standard_normal((4 * 44_100, 2))
    wave[22_050::44_100] = 0.7
    soundfile.write(tmp_path / "peaky.wav", wave, 44_100)
    line = f"predict {tmp_path / 'peaky.wav'} --profile minus14-limited"
    (row,) = csv.DictReader(io.StringIO(answer(f"{line} --csv")[1]))
    (one,) = json.loads(answer(f"{line} --json")[1])
    assert float(row["limiter_max_reduction_db"]) >= 0.05
    assert row["limited_by"] == "limiter"
    assert one["tracks"][0]["limited_by"] == "nothing"
    assert "limiter" in answer(line)[1]

"""`fairhearing check`: each crafted defect is found, and nothing else is found in it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import signals

from simulator.cli import app
from simulator.cli.commands.check import _decided
from simulator.metering.meter import measure_array
from simulator.playlists.playlist import Track
from simulator.session.log import Act, Record, to_json

RATE = 44_100
SECONDS = 6.0
SCHEMA = Path(__file__).resolve().parents[2] / "simulator" / "schemas" / "check.json"
Audio = NDArray[np.float64]


def clean(peak_dbtp: float = -1.5) -> Audio:
    """A master without a defect: two channels with much in common, silence before and after, faded."""
    middle, left, right = (
        signals.band_limited(signals.pink_noise(round(SECONDS * RATE), seed, RATE)) for seed in (1, 2, 3)
    )
    wave = np.stack([middle + 0.3 * left, middle + 0.3 * right], axis=1)
    wave *= np.sqrt(np.mean(wave[:, :1] ** 2) / np.mean(wave**2, axis=0))  # of one level
    wave -= wave.mean(axis=0)
    fade = np.minimum(np.arange(wave.shape[0]) / (0.2 * RATE), 1.0)
    wave *= (fade * fade[::-1] ** 2)[:, np.newaxis]
    wave = np.concatenate([np.zeros((4410, 2)), wave, np.zeros((22_050, 2))])
    return at_peak(wave, peak_dbtp)


def at_peak(wave: Audio, peak_dbtp: float) -> Audio:
    found = measure_array(wave.astype(np.float32), RATE).true_peak_dbtp
    assert found is not None
    return wave * 10.0 ** ((peak_dbtp - found) / 20.0)


def clipped_below_full_scale(wave: Audio) -> Audio:
    """Twelve samples at the top, cut flat at 0.8 of the highest."""
    wave = wave.copy()
    top = int(np.argmax(np.abs(wave[:, 0])))
    level = 0.999 * np.abs(wave[:, 0]).max()
    wave[top - 6 : top + 6, 0] = np.sign(wave[top, 0]) * level
    return wave


def dithered_16(wave: Audio) -> Audio:
    noise = np.random.default_rng(9).random((*wave.shape, 2))
    return np.rint(wave * 32768.0 + noise[..., 0] - noise[..., 1]) / 32768.0


def truncated_16(wave: Audio) -> Audio:
    """After a fade-out as mixes have it, to −120 dB in three seconds."""
    fade_db = np.clip((np.arange(wave.shape[0]) / RATE - 3.0) * -40.0, -200.0, 0.0)
    return np.floor(wave * 10.0 ** (fade_db[:, np.newaxis] / 20.0) * 32768.0) / 32768.0


def pressed(wave: Audio) -> Audio:
    """Driven hard into a soft clipper, up to −0.1 dBTP: a codec's noise then passes full scale."""
    return at_peak(np.tanh(6.0 * wave), -0.1)


def one_channel_down(wave: Audio) -> Audio:
    return wave * np.array([1.0, 10.0 ** (-1.0 / 20.0)])


def upsampled(wave: Audio) -> Audio:
    """Through 32 kHz and back."""
    import soxr

    there = soxr.resample(wave, RATE, 32_000, quality="VHQ")
    return np.asarray(soxr.resample(there, 32_000, RATE, quality="VHQ"))


def with_click(wave: Audio) -> Audio:
    wave = wave.copy()
    wave[2000:2010] = 0.05 * np.hanning(10)[:, np.newaxis]
    return wave


def gap(wave: Audio, at_s: float, seconds: float, channels: slice = slice(None)) -> Audio:
    wave = wave.copy()
    wave[round(at_s * RATE) : round((at_s + seconds) * RATE), channels] = 0.0
    return wave


def with_silence(wave: Audio) -> Audio:
    """5 s in the middle, faded out and in."""
    middle, ramp = round(3.0 * RATE), np.linspace(1.0, 0.0, RATE // 10)[:, np.newaxis]
    before, after = wave[:middle].copy(), wave[middle:].copy()
    before[-ramp.shape[0] :] *= ramp
    after[: ramp.shape[0]] *= ramp[::-1]
    return np.concatenate([before, np.zeros((5 * RATE, 2)), after])


def wide_turned(wave: Audio) -> Audio:
    """Sides nearly as strong as the middle, above the bass; then one channel is turned."""
    import soxr

    side = signals.band_limited(signals.pink_noise(wave.shape[0], 8, RATE))
    side -= soxr.resample(soxr.resample(side, RATE, 1000, quality="VHQ"), 1000, RATE, quality="VHQ")[
        : len(side)
    ]
    envelope = np.abs(wave).max(axis=1) > 0.0
    side *= envelope * np.sqrt(np.mean(wave**2) / np.mean(side**2)) * 0.7
    return at_peak(np.stack([wave[:, 0] + side, -(wave[:, 1] - side)], axis=1), -1.5)


def turned(wave: Audio) -> Audio:
    return wave * np.array([1.0, -1.0])


DEFECTS: dict[str, tuple[Callable[[Audio], Audio], dict[str, str]]] = {
    "clean": (lambda wave: wave, {}),
    "clipped": (clipped_below_full_scale, {"clipped_runs": "look"}),
    "bits": (dithered_16, {"word_length": "look"}),
    "undithered": (truncated_16, {"word_length": "look", "dither": "look"}),
    "balance": (one_channel_down, {"balance": "look"}),
    "dc": (lambda wave: wave + 0.004, {"dc": "look"}),
    "cut": (lambda wave: wave[: round(4.0 * RATE)], {"end": "look"}),
    "start": (lambda wave: wave[round(2.0 * RATE) + 13 :], {"start": "look"}),
    "over": (lambda wave: at_peak(wave, 0.2), {"true_peak": "fix", "sample_peak": "fix", "overs": "look"}),
    "hot": (lambda wave: at_peak(wave, -0.5), {"true_peak": "look"}),
    "upsampled": (upsampled, {"upsampled": "look"}),
    "click": (with_click, {"edge_clicks": "look"}),
    "head": (lambda wave: np.concatenate([np.zeros((2 * RATE, 2)), wave]), {"head_silence": "look"}),
    "tail": (lambda wave: np.concatenate([wave, np.zeros((6 * RATE, 2))]), {"tail_silence": "look"}),
    "dropout": (lambda wave: gap(wave, 3.0, 0.012), {"dropouts": "look"}),
    "side_out": (lambda wave: gap(wave, 3.0, 0.012, slice(1)), {"dropouts": "look"}),
    "middle": (with_silence, {"middle_silence": "look"}),
    "wide": (wide_turned, {"correlation": "fix"}),
    "polarity": (turned, {"correlation": "fix"}),
    "same": (lambda wave: wave[:, [0, 0]], {"correlation": "look"}),
    "silent_side": (lambda wave: wave * np.array([1.0, 0.0]), {"balance": "fix"}),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("masters")
    wave = clean()
    for name, (spoil, _) in DEFECTS.items():
        soundfile.write(made / f"{name}.wav", np.clip(spoil(wave), -2.0, 2.0), RATE, subtype="PCM_24")
    soundfile.write(made / "over.wav", DEFECTS["over"][0](wave), RATE, subtype="FLOAT")
    soundfile.write(made / "pressed.wav", pressed(wave), RATE, subtype="PCM_24")
    soundfile.write(made / "odd.wav", wave, 37_000, subtype="PCM_24")
    soundfile.write(made / "mono.flac", wave[:, 0], RATE, subtype="PCM_24")
    soundfile.write(made / "surround.wav", np.tile(wave, 3) * 0.5, 48_000, subtype="PCM_24")
    soundfile.write(made / "silence.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_24")
    (made / "text.wav").write_text("no audio", encoding="utf-8")
    return made


@pytest.fixture
def answer(
    folder: Path, cache: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Any:
    monkeypatch.chdir(folder)
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))

    def run(line: str) -> tuple[int, str, str]:
        code = app.run(["check", *line.split()])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def parsed(out: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(out)
    jsonschema.validate(found, json.loads(SCHEMA.read_text(encoding="utf-8")))
    return found


def serious(master: dict[str, Any]) -> dict[str, str]:
    return {one["check"]: one["level"] for one in master["findings"] if one["level"] != "fine"}


def of(master: dict[str, Any], check: str) -> dict[str, Any]:
    (found,) = [one for one in master["findings"] if one["check"] == check]
    return dict(found)


@pytest.mark.parametrize("name", list(DEFECTS))
def test_each_defect_is_found_and_nothing_else(answer: Any, name: str) -> None:
    code, out, err = answer(f"{name}.wav --json")
    (master,) = parsed(out)
    wanted = DEFECTS[name][1]
    assert err == ""
    assert serious(master) == wanted
    assert code == (3 if "fix" in wanted.values() else 0)
    for one in master["findings"]:
        assert bool(one["advice"]) == (one["level"] != "fine"), one


def test_the_figures_of_the_defects_are_those_that_were_made(answer: Any) -> None:
    names = ("clean", "clipped", "bits", "balance", "dc", "cut", "over", "upsampled", "click", "head")
    names += ("dropout", "side_out", "middle", "wide")
    _, out, _ = answer("--json " + " ".join(f"{name}.wav" for name in names))
    found = dict(zip(names, parsed(out), strict=True))
    assert of(found["bits"], "word_length")["value"] == 16
    assert of(found["bits"], "word_length")["against"] == 24
    assert of(found["clean"], "word_length")["value"] == 24
    assert of(found["balance"], "balance")["value"] == pytest.approx(1.0, abs=0.01)
    assert of(found["dc"], "dc")["value"] == pytest.approx(0.4, abs=0.001)
    assert of(found["upsampled"], "upsampled")["value"] == 32_000
    assert of(found["over"], "true_peak")["value"] == pytest.approx(0.2, abs=0.005)
    assert of(found["click"], "edge_clicks")["at_s"] == [pytest.approx(2000 / RATE, abs=1e-4)]
    assert of(found["head"], "head_silence")["value"] == pytest.approx(2.1, abs=0.1)
    (sample,) = [one for one in found["over"]["findings"] if one["check"] == "sample_peak"]
    assert 0.0 < sample["value"] <= 0.2
    assert f"clip in a 16- or 24-bit file, by up to {sample['value']:.2f} dB" in sample["text"]
    assert of(found["over"], "overs")["name"] == "Overs, samples included"
    assert not [one for one in found["clean"]["findings"] if one["check"] == "sample_peak"]
    assert of(found["clean"], "overs")["name"] == "Inter-sample overs"
    assert (of(found["dropout"], "dropouts")["value"], of(found["side_out"], "dropouts")["value"]) == (1, 1)
    assert "in channels 1, 2. The longest: 12.0 ms at 0:03.0." in of(found["dropout"], "dropouts")["text"]
    assert "in channel 1. The longest" in of(found["side_out"], "dropouts")["text"]
    assert of(found["middle"], "middle_silence")["value"] == pytest.approx(5.0, abs=0.1)
    assert of(found["middle"], "middle_silence")["at_s"] == [pytest.approx(3.0, abs=0.1)]
    assert -0.9 < of(found["wide"], "correlation")["value"] < -0.1
    run = of(found["clipped"], "clipped_runs")
    assert run["value"] == 1
    assert re.search(r"The longest: 1[0-9] samples at −1\.\d\d dBFS, channel 1", run["text"])
    cut = of(found["cut"], "end")
    assert cut["at_s"] == [pytest.approx(4.0, abs=1e-3)]


def test_an_over_of_a_fifth_of_a_db_is_cured_by_lowering_the_output_by_that(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    _, out, _ = answer("over.wav --json --ceiling 0")
    found = of(parsed(out)[0], "true_peak")
    by = float(re.findall(r"Turn the output down (\d+\.\d+) dB", found["advice"])[0])
    assert by == pytest.approx(0.2, abs=0.0101)
    samples, _ = soundfile.read(folder / "over.wav")
    soundfile.write(tmp_path / "cured.wav", samples * 10.0 ** (-by / 20.0), RATE, subtype="FLOAT")
    code, out, _ = answer(f"{tmp_path / 'cured.wav'} --json --ceiling 0")
    assert (code, serious(parsed(out)[0])) == (0, {})


@pytest.mark.parametrize(
    ("away", "level"),
    [(0.1, "fine"), (-0.1, "fine"), (0.5, "look"), (-0.4, "look"), (2.0, "fix"), (-2.0, "look")],
)
def test_loudness_is_held_against_the_decided_target(answer: Any, away: float, level: str) -> None:
    _, out, _ = answer("clean.wav --json")
    lufs = of(parsed(out)[0], "loudness")["value"]
    code, out, _ = answer(f"clean.wav --json --target {lufs - away}")
    found = of(parsed(out)[0], "loudness")
    assert (found["level"], code) == (level, 3 if level == "fix" else 0)
    assert found["against"] == pytest.approx(lufs - away)
    if level != "fine":
        way = "down" if away > 0 else "up"
        wanted = f"Turn the output {way} {abs(away):.2f} dB" if away > -1.0 else "raise it by 0.50 dB"
        assert wanted in found["advice"]


CODED = """
format = 1
title = "Coded"
sentence = "A codec and nothing else."
[loudness]
target_lufs = "none"
[gain]
upward = "never"
[delivery]
codec = "{codec}"
bit_rate_kbps = {kbps}
{more}
[sources]
delivery.bit_rate_kbps = "project choice"
delivery.bits = "project choice"
"""


CUTS = 'bits = 24\nfull_scale = "before_gain"'


@pytest.mark.parametrize("codec", ["vorbis", pytest.param("mp3", marks=pytest.mark.heavy)])
def test_a_codec_s_over_is_cured_by_what_the_check_says_proved_by_encoding_again(
    answer: Any, folder: Path, tmp_path: Path, codec: str
) -> None:
    """The output lowered as advised and checked again shows the very peak that was promised."""
    profile = tmp_path / "coded.toml"
    profile.write_text(CODED.format(codec=codec, kbps="96.0", more=CUTS), encoding="utf-8")
    code, out, _ = answer(f"pressed.wav --json --for {profile}")
    found = [one for one in parsed(out)[0]["findings"] if one["check"] == "true_peak_after"]
    assert [one["level"] for one in found] == ["fine", "fix"]
    assert code == 3
    advice = re.fullmatch(
        r"Turn the output down (\d+\.\d) dB\. Verified: it then peaks at (−?\d+\.\d\d) dBTP at this step\.",
        found[1]["advice"],
    )
    assert advice is not None, found[1]
    by, promised = float(advice[1]), float(advice[2].replace("−", "-"))
    samples, _ = soundfile.read(folder / "pressed.wav")
    soundfile.write(tmp_path / "x.wav", samples * 10.0 ** (-by / 20.0), RATE, subtype="FLOAT")
    code, out, _ = answer(f"{tmp_path / 'x.wav'} --json --for {profile}")
    again = [one for one in parsed(out)[0]["findings"] if one["check"] == "true_peak_after"][1]
    assert again["level"] == "fine"
    assert again["value"] == pytest.approx(promised, abs=0.011)
    assert again["value"] <= 0.0


def test_odd_rates_mono_surround_and_silence_are_checked(answer: Any) -> None:
    code, out, _ = answer("odd.wav mono.flac surround.wav silence.wav --json --for minus14-vorbis160")
    odd, mono, surround, silence = parsed(out)
    assert code == 0
    assert serious(odd) == {"sample_rate": "look"}
    assert {one["check"] for one in mono["findings"]}.isdisjoint({"balance", "correlation"})
    assert serious(mono) == {}
    assert "true_peak_after" in {one["check"] for one in surround["findings"]}
    assert serious(silence) == {"loudness": "look"}


def test_exit_codes_and_unreadable_files(answer: Any) -> None:
    code, out, _ = answer("text.wav over.wav --json")
    found = parsed(out)
    assert code == 1  # a file that could not be read comes before a fix
    assert "error" in found[0]
    assert found[1]["level"] == "fix"
    assert answer("text.wav")[0] == 4
    assert answer("clean.wav --for nosuch")[0] == 2
    assert answer("clean.wav --decision nosuch.json")[0] == 2


def decision(folder: Path, **data: object) -> Path:
    record = Record("Song", (Act("2026-01-02T10:00:00+01:00", "note", {"text": "x"}),))
    record = record.with_act(Act("2026-01-02T11:00:00+01:00", "decision", {"target_lufs": -30.0}))
    record = record.with_act(Act("2026-02-03T11:00:00+01:00", "decision", dict(data)))
    path = folder / "song.session.json"
    path.write_bytes(to_json(record))
    return path


def test_the_last_decision_of_a_record_is_what_counts(answer: Any, tmp_path: Path) -> None:
    _, out, _ = answer("clean.wav --json")
    lufs = of(parsed(out)[0], "loudness")["value"]
    path = decision(tmp_path, destination="vinyl and files", target_lufs=lufs, ceiling_dbtp=-2.0, why="so")
    code, out, _ = answer(f"clean.wav --json --decision {path}")
    (master,) = parsed(out)
    assert (code, serious(master)) == (3, {"true_peak": "fix"})
    peak = of(master, "true_peak")
    assert (peak["against"], peak["source"]) == (-2.0, "ceiling: yours, decided on 2026-02-03")
    assert re.search(r"down 0\.5[01] dB", peak["advice"])  # never shown less than it is
    code, out, _ = answer(f"clean.wav --decision {path}")
    assert "(decided on 2026-02-03 for vinyl and files)" in " ".join(out.split())


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ("", "target −20.25 LUFS, ceiling −2.00 dBTP (decided on 2026-02-03 for vinyl)"),
        ("--target -14.25", "target −14.25 LUFS (decided on the command line); "
         "ceiling −2.00 dBTP (decided on 2026-02-03 for vinyl)"),
        ("--target -14 --ceiling -0.04",
         "target −14.00 LUFS, ceiling −0.04 dBTP (decided on the command line)"),
        ("--ceiling -0.001", "target −20.25 LUFS (decided on 2026-02-03 for vinyl); "
         "ceiling 0.00 dBTP (decided on the command line)"),
    ],
)  # fmt: skip
def test_a_number_of_the_command_line_is_not_said_to_be_the_session_file_s(
    tmp_path: Path, options: str, line: str
) -> None:
    from simulator.cli.commands.check import command
    from simulator.text.findings import decided_line

    path = decision(tmp_path, destination="vinyl", target_lufs=-20.25, ceiling_dbtp=-2.0)
    context = command.make_context("check", ["x.wav", "--decision", str(path), *options.split()])
    [decided] = _decided(
        str(path), context.params["target"], context.params["ceiling"], [Track("x.wav", "x")]
    )
    assert decided_line({decided: ["x"]}, []).startswith(f"Checked against: {line}; no destinations")
    command_line = "--ceiling" in options
    source = f"ceiling: yours, decided on {'the command line' if command_line else '2026-02-03'}"
    assert decided.ceiling_source == source


def test_a_decision_is_taken_by_the_name_of_its_destination(answer: Any, tmp_path: Path) -> None:
    """The exact name before how a name begins; the last of several; without a name the last of all."""
    acts = tuple(
        Act(f"2026-01-0{day}T10:00:00+01:00", "decision", {"destination": name, "ceiling_dbtp": ceiling})
        for day, (name, ceiling) in enumerate(
            [("club", -0.2), ("Club", -0.3), ("clubs", -0.4), ("streaming", -1.0)], 1
        )
    )
    path = tmp_path / "s.session.json"
    path.write_bytes(to_json(Record("Song", acts)))
    for word, ceiling in (("", -1.0), (":club", -0.3), (":clubs", -0.4), (":stream", -1.0)):
        _, out, _ = answer(f"clean.wav --json --decision {path}{word}")
        assert of(parsed(out)[0], "true_peak")["against"] == ceiling
    code, _, err = answer(f"clean.wav --decision {path}:vinyl")
    assert code == 2
    assert "no decision for “vinyl”" in err
    assert "club, Club, clubs, streaming" in err


def test_each_master_is_held_to_the_decision_that_its_playlist_names(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    """One file three times: by its own name, by the playlist's, by its own name where --decision names
    another; two decisions are two albums, each moved on its own."""
    lufs = of(parsed(answer("clean.wav --json")[1])[0], "loudness")["value"]
    acts = tuple(
        Act(f"2026-01-0{day}T10:00:00+01:00", "decision",
            {"destination": name, "target_lufs": lufs - below, "ceiling_dbtp": 0.0, "who": "Anna"})
        for day, (name, below) in enumerate([("club", 2.0), ("streaming", 5.0)], 1)
    )  # fmt: skip
    session = tmp_path / "s.session.json"
    session.write_bytes(to_json(Record("Song", acts)))
    path = tmp_path / "list.toml"
    lines = ["format = 1", 'decision = "streaming"']
    for title, own in (("Open", ""), ("Loud", "club"), ("Open two", ""), ("Loud two", "Club")):
        lines += ["[[tracks]]", f'path = "{folder / "clean.wav"}"', f'title = "{title}"', 'album = "A"']
        lines += [f'decision = "{own}"'] if own else []
    path.write_text("\n".join(lines), encoding="utf-8")
    found = parsed(answer(f"{path} --json --decision {session}:club")[1])
    assert [one["decided"]["destination"] for one in found] == ["streaming", "club"] * 2
    assert [one["move"]["gain_db"] for one in found] == [-5.0, -2.0] * 2
    assert [one["album"]["name"] for one in found] == ["A (streaming)", "A (club)"] * 2
    code, out, _ = answer(f"{path} --decision {session}")
    said = " ".join(out.split())
    assert code == 3
    assert re.search(r"2 +Loud +club +fix .* −2\.0 dB", out)
    assert "Loud, Loud two: target" in said
    assert "(decided on 2026-01-02 for streaming)" in said
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    assert "the playlist names decisions: add --decision FILE" in " ".join(answer(str(path))[1].split())
    path.write_text(path.read_text(encoding="utf-8").replace('"club"', '"vinyl"'), encoding="utf-8")
    code, _, err = answer(f"{path} --decision {session}")
    assert code == 2
    assert "no decision for “vinyl”" in err


@pytest.mark.parametrize(
    ("data", "words"),
    [({"destination": "x"}, "sets neither loudness"), ({"target_lufs": "loud"}, "is 'loud', not a number")],
)
def test_a_decision_without_numbers_is_refused(answer: Any, tmp_path: Path, data: Any, words: str) -> None:
    code, out, err = answer(f"clean.wav --decision {decision(tmp_path, **data)}")
    assert (code, out) == (2, "")
    assert words in err


def test_a_decided_ceiling_is_kept_by_every_step_too(answer: Any, tmp_path: Path) -> None:
    profile = tmp_path / "coded.toml"
    profile.write_text(CODED.format(codec="mp3", kbps="128.0", more="bits = 16"), encoding="utf-8")
    code, out, _ = answer(f"clean.wav --json --ceiling -1.5 --for {profile}")
    found = [one for one in parsed(out)[0]["findings"] if one["check"] == "true_peak_after"]
    assert code == 0
    assert [(one["name"], one["level"]) for one in found] == [
        ("True peak after conversion to 16 bit", "fine"),
        ("True peak after MP3 at 128 kbit/s", "look"),
    ]
    assert found[1]["against"] == -1.5
    assert "Verified: it then peaks at" in found[1]["advice"]


def album(folder: Path, names: list[str], orders: list[int | None]) -> Path:
    lines = ["format = 1", 'title = "Album"']
    for name, order in zip(names, orders, strict=True):
        lines += ["[[tracks]]", f'path = "{folder / name}"', f'title = "{name}"', 'album = "A"']
        lines += [] if order is None else [f"album_order = {order}"]
    lines += ["[[tracks]]", f'path = "{folder / "over.wav"}"', 'title = "r"', 'role = "reference"']
    path = folder / f"{'-'.join(str(order) for order in orders)}.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_an_album_is_held_together(answer: Any, folder: Path) -> None:
    quiet, _ = soundfile.read(folder / "clean.wav")
    soundfile.write(folder / "quiet.wav", quiet * 0.4, RATE, subtype="PCM_24")
    soundfile.write(folder / "cd.wav", dithered_16(quiet), RATE, subtype="PCM_16")
    names = ["clean.wav", "cd.wav", "odd.wav", "quiet.wav", "clean.wav"]
    _, out, _ = answer(f"{album(folder, names, [1, 2, 2, 4, 6])} --json")
    found = parsed(out)
    assert len(found) == 5  # the reference is left out
    assert [serious(one) for one in found] == [
        {},
        {"album_bits": "look", "album_order": "fix"},
        {"sample_rate": "look", "album_rate": "fix", "album_order": "fix"},
        {},
        {"album_order": "look"},
    ]
    _, out, _ = answer("clean.wav tail.wav clean.wav --playlist --json")
    assert [serious(one) for one in parsed(out)] == [
        {},
        {"tail_silence": "look", "album_gap": "look"},
        {},
    ]


def test_files_without_an_album_are_not_held_together(answer: Any) -> None:
    _, out, _ = answer("clean.wav odd.wav --json")
    assert not any(one["check"].startswith("album") for master in parsed(out) for one in master["findings"])


def test_a_track_that_runs_on_into_the_next_is_no_cut_fade(answer: Any) -> None:
    _, out, _ = answer("cut.wav start.wav --playlist --json")
    first, second = parsed(out)
    assert serious(first) == {}
    assert of(first, "album_gap")["text"] == "Runs into the next track."
    assert serious(second) == {"start": "look"}


def test_the_answer_for_several_masters_then_their_table_then_those_with_something(answer: Any) -> None:
    code, out, _ = answer("over.wav clean.wav dc.wav --for minus14-vorbis160,minus14-headroom")
    assert code == 3
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    lines = out.splitlines()
    assert lines[0] == "Not ready: 1 of 3 masters needs fixing. Plain gain is enough."
    assert re.search(r"1 +over +fix .* −1\.\d dB", out)
    assert re.search(r"2 +clean +ready  ", out)
    assert re.search(r"3 +dc +ready, check  ", out)
    assert "\ndc\nlook  DC offset" in out
    assert "\nclean\n" not in out
    assert "−0.0 " not in out
    for word in ("accept", "reject"):
        assert word not in out


def test_one_master_verdict_first_then_the_move_that_passes_when_it_is_made(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    """The move is made in the file by another library, and the check then finds nothing to fix."""
    options = "--target -30 --ceiling -1 --for minus14-vorbis160"
    code, out, _ = answer(f"pressed.wav {options}")
    said = " ".join(out.split())
    assert code == 3
    assert out.startswith("Not ready: two things to fix in pressed.wav.\nLoudness is ")
    by = re.search(
        r"Turn the output down (\d+\.\d) dB: then loudness and peaks pass at every step "
        r"\(verified: −30\.0 LUFS, ",
        said,
    )
    assert by is not None, said
    code, quiet, _ = answer(f"pressed.wav {options} --quiet")
    assert out.startswith(quiet)
    assert len(quiet.splitlines()) <= 5
    samples, _ = soundfile.read(folder / "pressed.wav")
    soundfile.write(tmp_path / "x.wav", samples * 10.0 ** (-float(by[1]) / 20.0), RATE, subtype="FLOAT")
    code, out, _ = answer(f"{tmp_path / 'x.wav'} {options}")
    assert code == 0
    assert out.startswith("Ready: nothing to fix")


def test_what_no_gain_answers_remains_with_two_lines_at_most(answer: Any) -> None:
    _, out, _ = answer("wide.wav")
    head, *remaining = re.split(r"\n(?=fix |look )", out.split("\nFine:")[0])
    assert head.startswith("Not ready: one thing to fix")
    assert remaining[0].startswith("fix   L/R correlation")
    assert all(len(one.strip().splitlines()) <= 3 for one in remaining)
    _, detail, _ = answer("wide.wav --detail")
    assert "Source: common practice, no source." in detail
    assert "Source" not in out


def test_an_album_is_moved_as_one_and_its_quiet_songs_are_fine(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    """The target is the loudest song's, or that of the album as one programme (independent: pyloudnorm-free
    arithmetic on two songs of one loudness, whose programme is that loudness)."""
    wave, _ = soundfile.read(folder / "clean.wav")
    for name, gain_db in (("a", 0.0), ("b", -9.0), ("c", 0.0)):
        soundfile.write(tmp_path / f"{name}.wav", wave * 10.0 ** (gain_db / 20.0), RATE, subtype="FLOAT")
    lufs = of(parsed(answer(f"{tmp_path / 'a.wav'} --json")[1])[0], "loudness")["value"]
    files = f"{tmp_path / 'a.wav'} {tmp_path / 'b.wav'}"
    code, out, _ = answer(f"{files} --album --target {lufs - 3.0:.2f} --json")
    loud, quiet = parsed(out)
    assert code == 3
    assert [one["move"]["gain_db"] for one in (loud, quiet)] == [-3.0, -3.0]
    assert of(quiet, "loudness")["level"] == "fine"
    assert loud["album"]["loudest_lufs"] == pytest.approx(lufs, abs=1e-9)
    _, out, _ = answer(f"{files} --album --target {lufs:.2f}")
    assert out.startswith("Ready: nothing to fix in 2 masters")
    assert f"loudest track “a”, {lufs:.1f} LUFS".replace("-", "−") in " ".join(out.split())
    twins = (
        f"{tmp_path / 'a.wav'} {tmp_path / 'c.wav'} --album --target-of programme --target {lufs - 2.0:.2f}"
    )
    first, _ = parsed(answer(f"{twins} --json")[1])
    assert of(first, "album_loudness")["value"] == pytest.approx(lufs, abs=0.01)
    assert of(first, "album_loudness")["level"] == "fix"
    assert of(first, "loudness")["level"] == "fine"  # the programme has the target, not the song


def test_a_ready_master_is_named_with_its_figures_and_an_unread_one_comes_first(answer: Any) -> None:
    master = parsed(answer("clean.wav --json")[1])[0]
    lufs, peak = (
        f"{of(master, check)['value']:.1f}".replace("-", "−") for check in ("loudness", "true_peak")
    )
    assert answer("clean.wav -q")[1] == f"Ready: nothing to fix in clean.wav ({lufs} LUFS, {peak} dBTP).\n"
    code, out, _ = answer("clean.wav gone.wav -q")
    assert code == 1
    assert out.startswith("Incomplete: 1 of 2 masters could not be read. Ready: nothing to fix in")
    assert "Fine: loudness" not in answer("clean.wav")[1]  # nothing was decided


def test_what_the_move_brings_within_its_limit_does_not_remain(answer: Any, tmp_path: Path) -> None:
    """A first sample at −39 dBFS (limit −40) beside a peak at +0.97 dBTP: 2 dB down answers both."""
    wave = clean(0.97)
    wave[0] = 10.0 ** (-39.0 / 20.0)
    soundfile.write(tmp_path / "x.wav", wave, RATE, subtype="FLOAT")
    _, out, _ = answer(f"{tmp_path / 'x.wav'}")
    assert "Turn the output down 2.0 dB" in out
    assert "First sample" not in out
    _, out, _ = answer(f"{tmp_path / 'x.wav'} --ceiling 0")
    assert "Turn the output down 1.0 dB" in out  # exactly at the limit
    wave[0] = 10.0 ** (-37.0 / 20.0)
    soundfile.write(tmp_path / "x.wav", wave, RATE, subtype="FLOAT")
    assert "look  First sample: −37.00 dBFS" in answer(f"{tmp_path / 'x.wav'}")[1]


def test_a_peak_that_no_decoder_cuts_says_why_beside_an_optional_move(answer: Any, tmp_path: Path) -> None:
    """The same file and codec: a decoder that cuts before its gain, one that never does."""
    for name, how in (("cuts", "before_gain"), ("floats", "none")):
        more = f'bits = 24\nfull_scale = "{how}"'
        text = CODED.format(codec="vorbis", kbps="96.0", more=more).replace("Coded", name.capitalize())
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    _, out, _ = answer(f"pressed.wav --ceiling 0 --for {tmp_path / 'cuts.toml'}")
    assert out.startswith("Not ready: one thing to fix")
    assert "Cuts clips it before its gain. Turn the output down" in " ".join(out.split())
    _, out, _ = answer(f"pressed.wav --ceiling 0 --for {tmp_path / 'floats.toml'}")
    assert out.startswith("Ready: nothing to fix in pressed.wav")
    assert "Floats does not clip it; other decoders may. Optional: turn the output down" in " ".join(
        out.split()
    )
    _, out, _ = answer(f"pressed.wav clean.wav --ceiling 0 --for {tmp_path / 'floats.toml'}")
    assert "\npressed\nlook  The true peak after Vorbis at 96 kbit/s is" in out


def test_a_narrow_terminal_keeps_the_advice(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    _, out, _ = answer("start.wav")
    assert "start earlier." in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 40


@pytest.mark.heavy
@pytest.mark.external
def test_hints_about_open_music_do_not_cry_wolf(
    music_files: dict[str, Path], libebur128: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody said that these songs have a fault, so a "fix" must be true by another meter: libebur128 reads a
    true peak above full scale too, or the decoded samples lie above it. At most one may be false."""
    app.run(["check", "--json", "--no-cache", *map(str, music_files.values())])
    out, false = capsys.readouterr().out, []
    for path, master in zip(music_files.values(), parsed(out), strict=True):
        fixes = [one for one in master["findings"] if one["level"] == "fix"]
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        true = {
            "true_peak": libebur128.true_peak_dbtp(samples, rate) > 0.0,
            "sample_peak": bool(np.abs(samples).max() > 1.0),  # as libsndfile decodes it
        }
        false += [(path.name, one["check"]) for one in fixes if not true.get(one["check"], False)]
    assert len(false) <= 1, false


@pytest.mark.heavy
def test_twenty_minutes_are_checked_to_their_end_in_little_memory(tmp_path: Path) -> None:
    """One sample above the rest ten seconds before the end is found there. What twenty minutes take beyond
    one is what the series of measurements hold; their samples would be 307 MB."""
    rate, minute = 32_000, 60 * 32_000
    noise = signals.pink_noise(minute, 5, rate)
    noise = 0.25 * noise / np.abs(noise).max()
    for name, minutes in (("minute.wav", 1), ("long.wav", 20)):
        with soundfile.SoundFile(tmp_path / name, "w", rate, 2, subtype="PCM_16") as file:
            for number in range(minutes):
                part = signals.both(noise).copy()
                if number == minutes - 1:
                    part[50 * rate : 50 * rate + 8] = 0.99
                file.write(part)
    code = (
        "import sys; from simulator.cli.app import run; run(['check', sys.argv[1], '--json', '--no-cache']);"
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    kilobytes = {}
    for name in ("minute.wav", "long.wav"):
        done = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / name)], check=True, capture_output=True, text=True
        )
        text, _, kilobytes[name] = done.stdout.strip().rpartition("\n")
        (one,) = json.loads(text)
        runs = next(found for found in one["findings"] if found["check"] == "clipped_runs")
        end = 60.0 if name == "minute.wav" else 1200.0
        assert runs["at_s"][0] == pytest.approx(end - 10.0, abs=0.001)
    assert int(kilobytes["long.wav"]) - int(kilobytes["minute.wav"]) < 20_000


def test_a_delivery_that_cannot_be_made_costs_its_own_findings_alone(answer: Any, tmp_path: Path) -> None:
    """MP3 holds two channels at most."""
    text = (Path(__file__).parents[2] / "profiles" / "minus14-opus128.toml").read_text(encoding="utf-8")
    profile = tmp_path / "minus14-mp3.toml"
    profile.write_text(text.replace('codec = "opus"', 'codec = "mp3"'), encoding="utf-8")
    code, out, _ = answer(f"surround.wav --json --for {profile},minus14-headroom")
    (master,) = parsed(out)
    assert code == 1
    assert "surround.wav" in master["incomplete"]
    assert len(master["findings"]) > 10
    assert any(
        one["check"] == "player" and "boosted to the ceiling" in one["name"] for one in master["findings"]
    )
    _, out, _ = answer(f"clean.wav --json --for {profile}")
    after = [one["text"] for one in parsed(out)[0]["findings"] if "MP3" in one["name"]]
    assert "This encoder lowers the music by 0.45 dB at this bit rate" in " ".join(after)
    assert "This encoder lowers the music by 0.45 dB" in " ".join(
        answer(f"clean.wav --for {profile} --detail")[1].split()
    )
    code, said, err = answer(f"surround.wav --for {profile}")
    assert code == 1
    assert "surround.wav" in err
    assert "Ready: nothing to fix" in said

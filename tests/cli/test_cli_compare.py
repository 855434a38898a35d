"""`fairhearing compare` as a user meets it: the screen, the data, the files it writes, and its refusals."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import signals
from support.schemas import valid
from support.sentence_claims import Claims

from simulator.metering.figures import figure

SCHEMA = Path(__file__).resolve().parents[2] / "simulator" / "schemas" / "compare.json"
RATE = 44_100


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An open master that swells, a loud one made of it by clipping, another song, and playlists."""
    made = tmp_path_factory.mktemp("masters")
    frames = 10 * RATE
    swell = 10.0 ** ((-8.0 + 6.0 * np.sin(2.0 * np.pi * np.arange(frames) / (5.0 * RATE))) / 20.0)
    songs = [
        np.stack([signals.pink_noise(frames, seed + side, RATE) for side in (0, 1)], axis=1) * 0.08
        for seed in (20, 30)
    ]
    open_ = songs[0] * swell[:, np.newaxis]
    soundfile.write(made / "ferry-open.wav", open_, RATE, subtype="FLOAT")
    soundfile.write(made / "ferry-loud.wav", np.clip(open_ * 14.0, -0.9, 0.9), RATE, subtype="FLOAT")
    soundfile.write(made / "ferry-mid.wav", np.clip(open_ * 5.0, -0.9, 0.9), RATE, subtype="FLOAT")
    soundfile.write(made / "other.wav", songs[1], RATE, subtype="FLOAT")
    (made / "text.wav").write_text("this is no audio", encoding="utf-8")
    (made / "list.toml").write_text(
        'format = 1\ntitle = "Ferry"\n'
        '[[tracks]]\npath = "ferry-open.wav"\ntitle = "Ferry (open master)"\nsong = "ferry"\n'
        '[[tracks]]\npath = "other.wav"\nrole = "reference"\n'
        '[[tracks]]\npath = "ferry-loud.wav"\ntitle = "Ferry (loud master)"\nsong = "ferry"\n',
        encoding="utf-8",
    )
    return made


@pytest.fixture(autouse=True)
def inside(folder: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    monkeypatch.chdir(folder)


def test_the_answer_comes_first_then_one_table_and_a_few_sentences(answer: Any) -> None:
    code, out, err = answer("compare ferry-loud.wav ferry-open.wav")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert re.match(r"loud is \d+\.\d LU louder than open where nothing is normalised\. On this player", out)
    assert lines[3] == ""
    assert len(lines) <= 24
    assert max(len(line.rstrip()) for line in lines) <= 80
    assert out.count("minus14-headroom") == 1
    assert sum(line.startswith("• ") for line in lines) <= 5
    table = " ".join(lines[4 : lines.index("", 4)])
    for key in ("integrated_lufs", "max_short_term_lufs", "true_peak_dbtp", "inter_sample_overs"):
        assert figure(key).beside in table
    quiet = answer("compare ferry-loud.wav ferry-open.wav -q")[1].splitlines()
    assert quiet == lines[:3]


def test_the_differences_are_those_of_the_printed_figures(answer: Any) -> None:
    rows = [line.split() for line in answer("compare ferry-loud.wav ferry-open.wav")[1].splitlines()]
    tried = 0
    for cells in rows:
        numbers = [cell.replace("−", "-") for cell in cells[-6:]]
        if len(cells) > 6 and all(re.fullmatch(r"[+-]?\d+\.\d", cell) for cell in numbers):
            values = [float(cell) for cell in numbers]
            assert [values[2], values[5]] == [
                pytest.approx(values[0] - values[1]),
                pytest.approx(values[3] - values[4]),
            ]
            tried += 1
    assert tried >= 6


def test_detail_shows_every_sentence_the_split_difference_and_the_player(answer: Any) -> None:
    out = answer("compare ferry-loud.wav ferry-open.wav --detail")[1]
    found = valid(answer("compare ferry-loud.wav ferry-open.wav --json")[1], "compare")
    flat = " ".join(out.split())
    for one in [*found["answer"], *found["sentences"], *found["played"][0]["sentences"]]:
        assert one["text"] in flat, one["rule"]
    for words in (
        "Difference signal (null test), LU relative to the open version",
        "gain movement",
        "Minus 14, boosted to the ceiling (minus14-headroom)",
        "Player gain",
        "Below full scale",
    ):
        assert words in flat, words
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_json_holds_to_its_schema_and_to_the_order_of_the_words(answer: Any) -> None:
    code, out, _ = answer("compare ferry-loud.wav ferry-open.wav --json --profile untouched,r128")
    found = valid(out, "compare")
    assert code == 0
    assert Path(found["loud"]["path"]).name == "ferry-loud.wav"
    assert found["delivered"]["loud_minus_open"]["integrated_lu"] > 9.0
    assert found["alignment"]["kind"] == "aligned"
    assert found["difference"]["bands"]
    untouched = found["played"][0]
    assert untouched["loud_minus_open"] == found["delivered"]["loud_minus_open"]


def test_every_claim_of_the_data_holds(answer: Any) -> None:
    Claims(valid(answer("compare ferry-loud.wav ferry-open.wav --json")[1], "compare")).check()


def test_the_wrong_order_is_noticed(answer: Any) -> None:
    """The louder one is the loud one, whatever was named first; a playlist has no order to get wrong."""
    found = valid(answer("compare ferry-open.wav ferry-loud.wav --json")[1], "compare")
    assert Path(found["loud"]["path"]).name == "ferry-loud.wav"
    assert [one["name"] for one in found["versions"]] == ["open", "loud"]
    assert found["answer"][-1] == {
        "rule": "roles",
        "text": "Named the other way round: loud is the louder one.",
    }
    Claims(found).check()
    assert "Named the other way round" in answer("compare ferry-open.wav ferry-loud.wav")[1]
    assert "Named the other way" not in answer("compare ferry-loud.wav ferry-open.wav")[1]
    assert "Named the other way" not in answer("compare list.toml")[1]


def test_three_versions_have_a_column_each_and_a_pair_chosen_openly(answer: Any) -> None:
    """The first is held against the second; --against names another, by its name, number or file."""
    files = "ferry-loud.wav ferry-open.wav ferry-mid.wav"
    code, out, _ = answer(f"compare {files}")
    assert code == 0
    assert out.startswith("loud is ")
    assert "louder than open" in out
    heads = next(line for line in out.splitlines() if line.startswith("minus14-headroom"))
    assert heads.split()[1:] == ["loud", "open", "mid"]
    assert "• Against open, mid is " in out
    assert len(re.findall(r"^(?:loud|open|mid) +[▁-█ ]+", out, re.MULTILINE)) == 3
    for word in ("mid", "3", "ferry-mid.wav"):
        assert "louder than mid" in answer(f"compare {files} --against {word} -q")[1]
    assert "a is " in answer(f"compare {files} --names a,b,c -q")[1]
    found = valid(answer(f"compare {files} --json")[1], "compare")
    assert [one["name"] for one in found["versions"]] == ["loud", "open", "mid"]
    assert found["versions"][0]["delivered"] == found["delivered"]["loud"]
    assert found["versions"][1]["played"][0]["gain_db"] == found["played"][0]["open"]["gain_db"]
    assert (
        found["versions"][2]["delivered"]["integrated_lufs"] > found["delivered"]["open"]["integrated_lufs"]
    )


@pytest.mark.parametrize("columns", ["40", "80", "120"])
def test_it_can_be_read_at_any_width(answer: Any, monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    for line in ("ferry-loud.wav ferry-open.wav", "ferry-loud.wav ferry-open.wav ferry-mid.wav"):
        out = answer(f"compare {line}")[1]
        assert max(len(row.rstrip()) for row in out.splitlines()) <= int(columns)
        heads = next(row for row in out.splitlines() if re.search(r"loud +open|delivered +delivered", row))
        assert "…" not in heads


@pytest.mark.heavy
def test_every_profile_can_be_asked_for_at_once(answer: Any) -> None:
    found = valid(answer("compare ferry-loud.wav ferry-open.wav --json --profile all")[1], "compare")
    assert len(found["played"]) >= 15
    assert all(len(one["sentences"]) >= 3 for one in found["played"])


def test_of_a_playlist_the_loudest_version_is_loud_and_the_least_loud_open(answer: Any) -> None:
    found = valid(answer("compare list.toml --json")[1], "compare")
    assert (found["loud"]["name"], found["open"]["name"]) == ("loud", "open")


def test_two_files_are_alternatives_and_no_album(answer: Any) -> None:
    """A profile that levels albums gives each version its own gain: to −14 LUFS, both."""
    (played,) = valid(
        answer("compare ferry-loud.wav ferry-open.wav --json --profile td1008-album")[1], "compare"
    )["played"]
    assert played["loud"]["gain_db"] != pytest.approx(played["open"]["gain_db"])
    assert played["loud"]["integrated_lufs"] == pytest.approx(-14.0, abs=0.01)


def test_different_songs_are_refused_with_the_cure(answer: Any) -> None:
    code, out, err = answer("compare ferry-loud.wav other.wav --json")
    assert (code, out) == (2, "")
    assert "similarity of 0.0" in err
    assert "fairhearing predict" in err


@pytest.mark.heavy
def test_pictures_and_noise_are_written_where_they_were_asked_for(answer: Any, tmp_path: Path) -> None:
    line = f"compare list.toml --figure {tmp_path}/a.svg --noise 12 --noise-kind car --out {tmp_path}/under"
    code, out, err = answer(line)
    assert (code, err) == (0, "")
    assert sorted(path.name for path in tmp_path.rglob("*.*")) == [
        "01-ferry-loud-under-noise.wav",
        "02-ferry-open-under-noise.wav",
        "a.svg",
        "under-noise.txt",
    ]
    assert "steady noise tires the ears" in out
    code, out, err = answer(line)
    assert code == 4
    assert "a.svg" in err
    assert answer(f"{line} --force")[0] == 0


@pytest.mark.parametrize(
    ("line", "code", "says"),
    [
        ("compare ferry-loud.wav", 2, "Nothing to compare"),
        ("compare ferry-loud.wav other.wav", 2, "is not a version of"),
        ("compare ferry-loud.wav ferry-open.wav other.wav", 2, "is not a version of"),
        ("compare ferry-loud.wav ferry-open.wav --against nobody", 2, "1 loud, 2 open"),
        ("compare ferry-loud.wav ferry-open.wav --names a", 2, "2 different names"),
        ("compare ferry-loud.wav ferry-open.wav --names a,A", 2, "2 different names"),
        ("compare ferry-loud.wav ferry-open.wav --noise 12", 2, "--out is the folder"),
        ("compare ferry-loud.wav ferry-open.wav --out here", 2, "--out is the folder"),
        ("compare ferry-loud.wav ferry-open.wav --noise 80 --out here", 2, "80"),
        ("compare ferry-loud.wav ferry-open.wav --figure a.jpg", 2, "an .svg or .png file"),
        ("compare ferry-loud.wav text.wav", 4, "text.wav"),
        ("compare ferry-loud.wav gone.wav", 4, "gone.wav"),
        ("compare", 2, "LOUD OPEN"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(answer: Any, line: str, code: int, says: str) -> None:
    found, out, err = answer(line)
    assert found == code, err
    assert says in err
    assert out == ""


@pytest.mark.parametrize("part", ["residual", "gain-riding", "waveform-change"])
def test_the_difference_is_written_as_audio(answer: Any, tmp_path: Path, part: str) -> None:
    """The file holds what the data say of it: its K-weighted power against the open master's."""
    line = f"compare ferry-loud.wav ferry-open.wav --write-difference {part} --out {tmp_path} --json"
    code, out, err = answer(line)
    assert code == 0
    assert "A bigger difference is not a worse master" in err
    heard, rate = soundfile.read(tmp_path / f"difference-{part}.wav", dtype="float32")
    open_, _ = soundfile.read("ferry-open.wav", dtype="float32")
    assert (heard.shape, rate) == (open_.shape, RATE)
    levels = [mean_energy(samples) for samples in (heard, open_)]
    expected = valid(out, "compare")["difference"][f"{part.replace('-', '_')}_lu"]
    assert 10.0 * np.log10(levels[0] / levels[1]) == pytest.approx(expected, abs=0.05)
    code, _, err = answer(line.replace("--write-difference", "--difference"))  # the option's old name
    assert code != 0
    assert f"difference-{part}.wav" in err


def mean_energy(samples: np.ndarray) -> float:
    """K-weighted, ungated."""
    from simulator.dsp.k_weighting import KWeighting

    return sum(float(np.mean(np.square(KWeighting(RATE).filter(row)))) for row in samples.T.copy())


def test_a_difference_needs_a_folder_and_one_performance(answer: Any, tmp_path: Path) -> None:
    assert "--out is the folder" in answer("compare ferry-loud.wav ferry-open.wav --difference residual")[2]
    code, _, err = answer(f"compare other.wav ferry-open.wav --write-difference residual --out {tmp_path}")
    assert code != 0
    assert "is not a version of" in err
    assert list(tmp_path.iterdir()) == []


def test_another_tonal_balance_and_offset_are_said(answer: Any, tmp_path: Path) -> None:
    """A shelf of +6 dB above 2 kHz (scipy's bilinear one) and a head of 441 frames: 10 ms."""
    from scipy.signal import bilinear, lfilter

    open_, _ = soundfile.read("ferry-open.wav")
    turn = 2.0 * np.pi * 2000.0
    bright = lfilter(*bilinear([2.0, turn], [1.0, turn], RATE), open_, axis=0)
    soundfile.write(tmp_path / "bright.wav", np.pad(bright, ((441, 0), (0, 0))), RATE, subtype="FLOAT")
    soundfile.write(tmp_path / "plain.wav", open_, RATE, subtype="FLOAT")
    line = f"compare {tmp_path / 'bright.wav'} {tmp_path / 'plain.wav'}"
    words = " ".join(answer(f"{line} --detail")[1].split())
    assert re.search(r"The loud version starts (10\.\d|9\.9)\d* ms later", words)
    assert "the tonal balance differs" in " ".join(answer(line)[1].split())
    assert "The tonal balance, loud against open at matched level, in dB:" in words
    assert "10000 Hz +" in words

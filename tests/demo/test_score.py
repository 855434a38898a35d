"""Scores: what is read, and what is refused with which words."""

from __future__ import annotations

import pytest

from simulator.demo.demo import read_score
from simulator.demo.score import ScoreError

HEAD = """
format = 1
title = "T"
artist = "A"
tempo_bpm = 100
seed = 1
[[master]]
file = "t"
peak_dbtp = -1.0
[[section]]
name = "verse"
chords = "C | G"
[[section]]
name = "again"
plays = "verse"
chords = "F | G C"
"""
PART = """
[[part]]
name = "keys"
instrument = "piano"
[part.play.verse]
chords = "x..."
"""
KIT = """
[[part]]
name = "drums"
instrument = "studio_kit"
[part.play.verse]
steps = { kick = "x..." }
"""


def test_a_section_that_plays_another_gets_its_music_over_its_own_chords() -> None:
    first, second = read_score("t", HEAD + PART).parts[0].passages
    assert (first.section.start_beat, second.section.start_beat) == (0.0, 8.0)
    assert {note.pitch % 12 for note in first.notes if note.start_beat == 0.0} == {0, 4, 7}
    assert {note.pitch % 12 for note in second.notes if note.start_beat == 0.0} == {5, 9, 0}


def replaced(old: str, new: str) -> str:
    text = HEAD + PART + KIT
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("format = ", "t: .*"),
        (replaced("format = 1", "format = 2"), "format must be 1, got 2"),
        (replaced("tempo_bpm = 100", "tempo_bpm = 0"), "tempo_bpm must be above 0, got 0"),
        (replaced("seed = 1", "seed = 1\nswing = 1.5"), "swing must be 0 or more and below 1"),
        (replaced("seed = 1", "seed = 1\nsped = 2"), "unknown field `sped`"),
        (replaced('"C | G"', '"C | Gx"'), "section 'verse': 'Gx' is not a chord symbol"),
        (replaced('"C | G"', '"C | "'), "section 'verse': a bar without a chord"),
        (replaced('name = "again"', 'name = "verse"'), "section 'verse' appears twice"),
        (replaced('"piano"', '"paino"'), "part 'keys': unknown instrument 'paino'. Did you mean 'piano'"),
        (
            replaced("play.verse]\nchords", "play.vers]\nchords"),
            "unknown section 'vers'. Did you mean 'verse'",
        ),
        (replaced('chords = "x..."', 'chords = "z..."'), "part 'keys', section 'verse': 'z' is not one of"),
        (replaced('chords = "x..."', 'chords = "x"\narp = "1"'), "exactly one way, got chords, arp"),
        (replaced('chords = "x..."', 'steps = { kick = "x" }'), "a drum kit plays steps"),
        (replaced("{ kick", "{ kik"), "the kit has no 'kik': Did you mean 'kick'"),
        (replaced("peak_dbtp = -1.0", ""), "master 't': exactly one of peak_dbtp and target_lufs"),
    ],
)
def test_a_score_that_cannot_be_played_is_refused_with_the_place_and_the_cure(text: str, match: str) -> None:
    with pytest.raises(ScoreError, match=match) as caught:
        read_score("t", text)
    assert caught.value.hint


def test_the_head_may_not_lack_sections() -> None:
    text = HEAD[: HEAD.index("[[section]]")].replace("seed = 1", "seed = 1\nsection = []\npart = []")
    with pytest.raises(ScoreError, match=r"no \[\[section\]\]"):
        read_score("t", text)

"""What the delivery check found stands on the page, the serious things first."""

from __future__ import annotations

from support.made_measurements import made

from simulator.delivery.finding import PRACTICE, Finding
from simulator.page.content import PageContent, PageTrack, check_rows
from simulator.playlists.playlist import Track

TRACKS = tuple(
    PageTrack(number, Track(f"/{name}.wav", name), made(-14.0), (None,))
    for number, name in ((1, "open"), (2, "loud"), (3, "reference"))
)
OVER = Finding(
    "true_peak", "True peak", "fix", 0.71, "dBTP", 0.0, (52.2,), "0.71 dB above.", "Lower it.", "BS.1770"
)
OVERS = Finding(
    "overs", "Overs between samples", "look", 9.0, "events", 0.0, (52.2, 60.2), "The worst: 0:52.2."
)
FINE = Finding("loudness", "Loudness", "fine", -14.0, "LUFS")


def rows_of(findings: dict[int, tuple[Finding, ...]]) -> list[dict[str, object]]:
    return check_rows(PageContent("A page", "", "1", (), TRACKS, findings=findings))


def test_each_checked_master_has_a_verdict_and_its_findings_by_weight() -> None:
    open_, loud = rows_of({1: (FINE,), 2: (FINE, OVERS, OVER)})
    assert open_ == {
        "number": 1,
        "title": "open",
        "verdict": "Everything checked is fine.",
        "findings": [],
        "fine": "Loudness −14.00 LUFS.",
    }
    assert loud["verdict"] == "Not ready: something to fix."
    assert loud["findings"] == [
        {
            "level": "fix",
            "headline": "True peak: 0.71 dBTP (limit 0.00 dBTP)",
            "places": "0:52.2",
            "words": ["0.71 dB above.", "Lower it."],
            "source": "Source: BS.1770",
        },
        {
            "level": "look",
            "headline": "Overs between samples: 9",
            "places": "",  # its sentence names them
            "words": ["The worst: 0:52.2."],
            "source": PRACTICE,
        },
    ]


def test_where_nothing_was_checked_there_is_no_row() -> None:
    assert rows_of({}) == []
    assert rows_of({3: ()}) == []

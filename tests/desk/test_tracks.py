"""What the session learns of its tracks: views, players, new revisions, versions laid over each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from support.made_measurements import player

from simulator.audibility.audibility import Audibility
from simulator.common.errors import AudioError, SimulatorError, UsageError
from simulator.comparison.alignment import Alignment
from simulator.desk.background import Studio
from simulator.desk.decodes import Decodes
from simulator.desk.tracks import remembered_marks, track_lanes, track_views
from simulator.engine.align import alignment_of, audibility_of
from simulator.engine.predict import measure_tracks, predict
from simulator.normalizer.profile import Delivery
from simulator.playlists.playlist import ALL_SINGLES, Playlist, Track
from simulator.session.events import Aligned, MomentsFound, Predicted, Replaced, Revised
from simulator.session.excerpts import Mark
from simulator.session.log import Act, Record
from simulator.session.session import step
from simulator.session.state import Session
from simulator.storage.measurement_cache import Store
from simulator.storage.small_files import stamp_of

RATE = 8000
GAIN_ONLY = msgspec.structs.replace(player("headroom"), id="gain")
LIMITED = msgspec.structs.replace(player("limited"), id="limited")
PROFILES = {"gain": GAIN_ONLY, "limited": LIMITED}


def no_store() -> Store:
    return Store(None, lambda _: None)


def song(folder: Path, name: str, level: float, start_s: float = 0.0, seconds: float = 6.0) -> Track:
    """Noise bursts with an accent each second (so that a limiter acts when it is raised); `start_s` of
    silence before them."""
    frames = int(seconds * RATE)
    noise = np.random.default_rng(5).standard_normal((frames, 2)) * level
    accents = np.where(np.arange(frames) % RATE < RATE // 50, 8.0, 1.0)[:, np.newaxis]
    silence = np.zeros((int(start_s * RATE), 2))
    path = folder / f"{name}.wav"
    soundfile.write(path, np.concatenate([silence, noise * accents]), RATE, subtype="FLOAT")
    return Track(str(path), name, song="song")


@pytest.fixture
def playlist(tmp_path: Path) -> Playlist:
    tracks = (
        song(tmp_path, "open", 0.02),
        song(tmp_path, "late", 0.04, start_s=0.5),
        Track(str(tmp_path / "gone.wav"), "gone"),
    )
    return Playlist("Title", "", None, tracks, "made", ALL_SINGLES)


def studio(playlist: Playlist, *worked_out: str) -> tuple[Studio, tuple[object, ...]]:
    tracks = measure_tracks(playlist, no_store(), 0)
    chosen = [PROFILES[name] for name in worked_out]
    rows = predict(chosen, tracks, playlist.album_reason, no_store(), 0)
    views = track_views(tracks, chosen, rows)
    return Studio(
        playlist, tracks, PROFILES, worked_out, no_store, lambda: "now", aligned_here, heard_here
    ), views


def aligned_here(pairs: Sequence[tuple[str, str]]) -> list[Alignment | SimulatorError]:
    """In this process: what the process apart does is tested in test_desk_aligning."""
    return [alignment_of(first, second, no_store()) for first, second in pairs]


def heard_here(pairs: Sequence[tuple[str, str]]) -> list[Audibility | str]:
    """The same."""
    return [audibility_of(first, second, no_store()) for first, second in pairs]


def test_moments_are_found_by_pair_and_hold_for_the_files_as_they_are(playlist: Playlist) -> None:
    made, _ = studio(playlist, "gain")
    [found] = made.find_moments(((1, 0),))
    assert isinstance(found, MomentsFound)
    assert isinstance(found.found[1, 0], Audibility)
    assert found.contents[1][0] == playlist.tracks[1].path
    assert len(found.contents[1][1]) > 10


def test_the_residual_of_two_versions_is_a_file_in_the_time_of_each(playlist: Playlist) -> None:
    """The loud one clips; it begins half a second later. Open minus residual is the loud one by one gain."""
    loud, rate = soundfile.read(playlist.tracks[1].path)
    soundfile.write(playlist.tracks[1].path, np.clip(loud, -0.1, 0.1), rate, subtype="FLOAT")
    made, views = studio(playlist, "gain")
    try:
        [found] = made.predict("gain+versions")
        assert isinstance(found, Predicted)
        assert all(found.views[i].own_lane for i in (0, 1))
        gain_db = views[0].played["gain"].gain_db  # type: ignore[attr-defined]
        assert [found.views[i].gain_db for i in (0, 1)] == [gain_db] * 2
        first, second = (soundfile.read(found.views[i].file)[0] for i in (0, 1))
        assert np.array_equal(second[rate // 2 :], first)
        assert not second[: rate // 2].any()
        open_, _ = soundfile.read(playlist.tracks[0].path)
        matched, clipped = (open_ - first).ravel(), np.clip(loud, -0.1, 0.1)[rate // 2 :].ravel()
        gain = float(matched @ clipped) / float(clipped @ clipped)
        assert np.abs(matched - gain * clipped).max() < 1e-5
        assert np.abs(first).max() > 0.01
        tracks = [replace(view, played={"x": found.views[i]}) for i, view in enumerate(views[:2])]  # type: ignore[type-var]
        lanes = track_lanes(tracks, {"x": GAIN_ONLY})
        assert [lanes[i].decodes["x"] for i in (0, 1)] == [found.views[i].file for i in (0, 1)]
    finally:
        made.close()


def test_views_hold_what_is_known_and_why_the_rest_is_not(playlist: Playlist) -> None:
    views = studio(playlist, "gain", "limited")[1]
    assert [view.title for view in views] == ["open", "late", "gone"]
    assert [set(view.played) for view in views] == [{"gain", "limited"}, {"gain", "limited"}, set()]
    assert views[2].delivered is None
    assert "gone.wav" in views[2].problem
    assert not any(view.lossy for view in views)


def test_only_a_player_that_does_more_than_a_gain_has_lanes_of_its_own(playlist: Playlist) -> None:
    lanes = track_lanes(studio(playlist, "gain", "limited")[1], PROFILES)
    assert set(lanes) == {0, 1}
    assert set(lanes[0].chains) == {"limited"}
    chain = lanes[0].chains["limited"]
    assert chain.limiter == LIMITED.limiter
    assert chain.gain_db > 0.0


def test_another_player_is_worked_out_for_every_readable_track(playlist: Playlist) -> None:
    asked, views = studio(playlist, "gain")
    (found,) = asked.predict("limited")
    assert isinstance(found, Predicted)
    assert found.profile == "limited"
    assert set(found.views) == {0, 1}
    assert found.views[0].own_lane
    assert found.views[0].prediction.limiter.max_reduction_db > 1.0
    assert "limited" not in views[0].played


def test_decoding_at_the_start_leaves_the_cache_to_the_thread_that_measures_later(
    playlist: Playlist, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command has the first decodes made in its own thread; all else happens in the background's. A
    connection to the cache may be used in the one thread only that has opened it."""
    kept_in = []
    monkeypatch.setattr(Decodes, "make", lambda _, *words: kept_in.append(words[-1]))
    encoding = msgspec.structs.replace(GAIN_ONLY, id="encodes", delivery=Delivery(codec="opus"))
    tracks, opened = measure_tracks(playlist, no_store(), 0), []

    def open_store() -> Store:
        opened.append(Store(tmp_path / "cache", lambda _: None))
        return opened[-1]

    folder = tmp_path / "cache" / "encoded"
    asked = Studio(
        playlist, tracks, PROFILES, (), open_store, lambda: "now", aligned_here, heard_here, folder
    )
    asked.decode(encoding)
    assert kept_in == [folder]

    def later() -> object:
        try:
            return asked.replace(1, playlist.tracks[0].path)[1]
        finally:
            opened[-1].close()

    with ThreadPoolExecutor(1) as background:
        assert isinstance(background.submit(later).result(), Replaced)


def test_a_new_revision_is_measured_and_every_player_worked_out_again(
    playlist: Playlist, tmp_path: Path
) -> None:
    asked, _ = studio(playlist, "gain")
    song(tmp_path, "open-v2", 0.04)
    aligned, replaced, predicted = asked.replace(0, str(tmp_path / "open-v2.wav"))
    assert isinstance(replaced, Replaced)
    assert replaced.view is not None
    assert (replaced.track, replaced.view.title, replaced.at) == (0, "open-v2", "now")
    assert replaced.view.song == "song"
    assert isinstance(predicted, Predicted)
    assert set(predicted.views) == {0, 1}
    assert predicted.views[0].gain_db == replaced.view.played["gain"].gain_db
    assert isinstance(aligned, Aligned)
    (again,) = asked.predict("limited")
    assert isinstance(again, Predicted)
    assert again.views[0].prediction.decision.counted_lufs == replaced.view.delivered.integrated_lufs


def test_a_file_that_has_changed_since_is_not_worked_out_as_if_it_were_the_old_one(
    playlist: Playlist, tmp_path: Path
) -> None:
    """What needs its samples is refused until it is taken in; what is arithmetic goes on; and another track's
    new revision is taken in meanwhile."""
    asked, _ = studio(playlist, "gain", "limited")
    late = playlist.tracks[1].path
    song(tmp_path, "late", 0.05, start_s=0.5, seconds=5.0)
    again = msgspec.structs.replace(LIMITED, id="again", target_lufs=-13.0)
    asked._profiles["again"] = again
    with pytest.raises(AudioError, match=r"late.wav has changed on disk .* replace 2 .*late.wav"):
        asked.predict("again")
    (found,) = asked.predict("gain")
    assert isinstance(found, Predicted)
    assert set(found.views) == {0, 1}
    song(tmp_path, "open-v2", 0.04)
    rows = [one for one in asked.replace(0, str(tmp_path / "open-v2.wav")) if isinstance(one, Predicted)]
    assert [(one.profile, set(one.views)) for one in rows] == [("gain", {0, 1}), ("limited", {0})]
    assert isinstance(taken := asked.replace(1, late)[1], Replaced)
    assert taken.view is not None
    assert set(taken.view.played) == {"gain", "limited"}
    assert taken.view.stamp == stamp_of(late)
    assert isinstance(asked.predict("again")[0], Predicted)


@pytest.mark.parametrize(
    ("name", "start_s", "timing"),
    [
        ("late-v2", 0.5, "same timing"),
        ("late-v2", 0.54, "starts 40 ms later"),
        ("late", 0.0, "starts 500 ms earlier"),
    ],
)
def test_a_new_bounce_is_measured_and_laid_over_the_old_one_but_not_taken_in(
    name: str, start_s: float, timing: str, playlist: Playlist, tmp_path: Path
) -> None:
    """Under a new name, and written over: then the other version knows where its moments were."""
    asked, _ = studio(playlist, "gain")
    asked.align()
    path = song(tmp_path, name, 0.08, start_s=start_s).path
    (found,) = asked.revision(1, path)
    assert isinstance(found, Revised)
    assert found.name == ("v2" if name == "late-v2" else "A new late.wav")
    assert found.louder_lu == pytest.approx(20 * math.log10(2.0), abs=0.2)
    assert found.timing == timing
    assert found.shift_s == pytest.approx(start_s - 0.5, abs=1e-4)
    aligned, replaced, _ = asked.replace(1, path)
    assert isinstance(aligned, Aligned)
    assert isinstance(replaced, Replaced)
    assert replaced.view is not None
    assert replaced.view.offset_s == aligned.offsets_s[1] == pytest.approx(-start_s, abs=1e-4)
    assert asked.revision(1, path) == []  # it is the one that plays


def test_a_title_of_its_own_stays_with_the_new_revision(playlist: Playlist, tmp_path: Path) -> None:
    titled = replace(playlist, tracks=(replace(playlist.tracks[0], title="Night bus"),))
    asked, _ = studio(titled, "gain")
    song(tmp_path, "open-v2", 0.04)
    found = asked.replace(0, str(tmp_path / "open-v2.wav"))[0]
    assert isinstance(found, Replaced)
    assert found.view is not None
    assert found.view.title == "Night bus"


@pytest.mark.parametrize(
    ("name", "error", "words"),
    [("nowhere.wav", UsageError, "file not found"), ("text.wav", AudioError, "text.wav")],
)
def test_a_revision_that_cannot_be_read_is_refused_with_its_path(
    name: str, error: type[Exception], words: str, playlist: Playlist, tmp_path: Path
) -> None:
    (tmp_path / "text.wav").write_text("no audio", encoding="utf-8")
    asked, _ = studio(playlist, "gain")
    with pytest.raises(error, match=words):
        asked.replace(0, str(tmp_path / name))
    (found,) = asked.predict("gain")
    assert isinstance(found, Predicted)
    assert set(found.views) == {0, 1}


def test_versions_are_laid_over_the_first_one(playlist: Playlist) -> None:
    """The late one has half a second of silence before the same music: its time 0 lies at −0.5 s."""
    (found,) = studio(playlist)[0].align()
    assert isinstance(found, Aligned)
    assert found.offsets_s[1] == pytest.approx(-0.5, abs=1 / RATE)
    assert 0 not in found.offsets_s


def test_a_list_without_versions_needs_no_alignment(playlist: Playlist) -> None:
    singles = replace(playlist, tracks=tuple(replace(one, song=None) for one in playlist.tracks))
    assert studio(singles)[0].align() == []


def test_what_cannot_be_laid_over_keeps_its_times_and_says_why(playlist: Playlist, tmp_path: Path) -> None:
    noise = np.random.default_rng(9).standard_normal((6 * RATE, 2)) * 0.02
    soundfile.write(tmp_path / "late.wav", noise, RATE, subtype="FLOAT")
    one, views = studio(playlist)
    (found,) = one.align()
    assert isinstance(found, Aligned)
    aligned = tuple(replace(view, offset_s=-1.25 if i == 1 else 0.0) for i, view in enumerate(views))
    after, _ = step(Session(aligned, PROFILES, "gain"), found)  # an earlier revision was laid over it
    assert [view.offset_s for view in after.tracks] == [0.0, 0.0, 0.0]
    assert "late is not time-aligned" in found.text


def mark(name: object, path: str, place_s: object) -> Act:
    return Act("2026-01-02T03:04:05+00:00", "mark", {"name": name, "path": path, "place_s": place_s})


def test_marks_of_earlier_sessions_come_back_where_they_were_set_last(playlist: Playlist) -> None:
    views = studio(playlist)[1]
    here, late = playlist.tracks[0].path, playlist.tracks[1].path
    record = Record(
        "",
        (
            mark("chorus", here, 1.0),
            mark("intro", late, 0.5),
            Act("", "note", {"text": "dull", "path": here, "place_s": 1.0}),
            mark("Chorus", late, 2),
            mark("gone", "/another/file.wav", 1.0),
            mark(7, here, 1.0),
            mark("odd", here, "early"),
        ),
    )
    assert remembered_marks(record, views) == (Mark("intro", 1, 0.5), Mark("Chorus", 1, 2.0))


def test_a_mark_that_moved_to_a_file_that_is_not_here_is_not_here(playlist: Playlist) -> None:
    record = Record("", (mark("chorus", playlist.tracks[0].path, 1.0), mark("chorus", "/other.wav", 2.0)))
    assert remembered_marks(record, studio(playlist)[1]) == ()


def test_a_mark_on_a_revision_is_on_the_track_that_the_list_names_still(playlist: Playlist) -> None:
    path = playlist.tracks[1].path
    taken_in = Act(
        "2026-01-02T03:04:05+00:00", "revision", {"old": {"path": path}, "new": {"path": "/music/v2.wav"}}
    )
    record = Record("", (taken_in, mark("hook", "/music/v2.wav", 1.5)))
    assert remembered_marks(record, studio(playlist)[1]) == (Mark("hook", 1, 1.5),)

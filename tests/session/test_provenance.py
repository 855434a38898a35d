"""What decisions, trials and notes rest on stands in the record once, and a change since is told."""

from __future__ import annotations

import itertools
from dataclasses import replace

import msgspec
import pytest
from support.made_session import profiles, session

from simulator.metering.measurement import METHOD
from simulator.session.events import Keep, Typed
from simulator.session.log import Act, Record, from_json, to_json
from simulator.session.provenance import known_ids, material, news, rested
from simulator.session.session import opened, step
from simulator.session.state import Session
from simulator.session.track import TrackView

# What a session file has kept of each file since its first form.
KEPT = (
    "sample_rate channels frames integrated_lufs loudness_range_lu max_momentary_lufs "
    "max_short_term_lufs quietest_passage_lufs sample_peak_dbfs true_peak_dbtp peak_to_loudness_db "
    "median_peak_to_short_term_db over_count clipped_run_count method"
)


def hashed() -> Session:
    """The session's files with content hashes."""
    tracks = (replace(one, content=f"hash of {one.title}") for one in session().tracks)
    return replace(session(), tracks=tuple(tracks))


def acts_of(*lines: str, start: Session | None = None) -> tuple[Act, ...]:
    """What a session keeps, through the record's form."""
    now, effects = opened(start or hashed(), None, "2026-02-03T10:00:00+00:00")
    acts = [one.act for one in effects if isinstance(one, Keep)]
    for line in lines:
        now, effects = step(now, Typed(line, "2026-02-03T10:01:00+00:00"))
        acts += [one.act for one in effects if isinstance(one, Keep)]
    return from_json(to_json(Record("A", tuple(acts)))).acts


def test_a_decision_names_the_files_their_figures_the_method_and_all_numbers_of_the_player() -> None:
    acts = acts_of("decide radio -16 -1 Anna: as the others")
    assert [act.kind for act in acts] == ["material", "player", "opened", "decision"]
    files, numbers, _, decision = acts
    assert decision.data["material"] == files.data["id"]
    assert decision.data["player"] == numbers.data["id"]
    first = files.data["tracks"][0]
    measured = session().tracks[0].delivered
    assert measured is not None
    assert first["content"] == "hash of Song (open)"
    kept = KEPT.split()
    assert list(first)[-len(kept) :] == kept
    assert {name: first[name] for name in kept} == {name: getattr(measured, name) for name in kept}
    assert first["method"] == METHOD
    assert files.data["tracks"][3]["problem"] == "It is not there."
    assert numbers.data["profile"] == msgspec.to_builtins(profiles()["minus14-headroom"])
    assert numbers.data["profile"]["target_lufs"] == -14.0


def test_what_is_known_is_not_written_again_but_another_player_is() -> None:
    kinds = [
        act.kind for act in acts_of("note one", "note two", "profile untouched", "note three", "note four")
    ]
    assert kinds.count("material") == 1
    assert kinds.count("player") == 2
    assert kinds.index("player", 2) == kinds.index("note", kinds.index("profile")) - 1
    again, effects = opened(replace(hashed(), known=known_ids(acts_of("note one"))), None, "at 0")
    assert [one.act.kind for one in effects if isinstance(one, Keep)] == ["opened"]
    assert again.known == known_ids(acts_of("note one"))


def test_the_same_list_has_the_same_id_and_any_other_sample_another() -> None:
    tracks = hashed().tracks
    assert material(tracks)["id"] == material(tuple(tracks))["id"]
    changed = (replace(tracks[0], content="another"), *tracks[1:])
    assert material(changed)["id"] != material(tracks)["id"]


def test_nothing_is_told_while_nothing_changed() -> None:
    assert news(acts_of("decide radio -16 -1"), hashed().tracks, profiles()) == ()
    assert news((), hashed().tracks, profiles()) == ()
    unhashed = news(acts_of("decide radio -16 -1"), session().tracks, profiles())
    assert unhashed == ()  # not known is no change


def test_other_samples_since_the_decision_are_told_and_other_numbers_of_the_player() -> None:
    acts = acts_of("decide radio -16 -1")
    tracks = (replace(hashed().tracks[0], content="another"), *hashed().tracks[1:])
    other = msgspec.structs.replace(profiles()["minus14-headroom"], target_lufs=-15.0)
    assert news(acts, tracks, {**profiles(), other.id: other}) == (
        "“Song (open)” has changed since the last decision (2026-02-03): /music/Song (open).wav",
        "The player minus14-headroom has changed since the last decision (2026-02-03).",
    )
    assert news(acts, tracks[1:], {}) == ()


def test_a_record_of_an_older_program_tells_nothing() -> None:
    acts = (Act("2026-01-01", "decision", {"destination": "radio"}), Act("x", "material", {"tracks": "?"}))
    assert news(acts, hashed().tracks, profiles()) == ()
    assert known_ids(acts) == frozenset()


@pytest.mark.parametrize("damaged", [{"id": 3}, {"id": "a", "tracks": [1, {"path": 2}]}, {"profile": 1}])
def test_damaged_bases_tell_nothing(damaged: dict[str, object]) -> None:
    acts = (Act("t", "material", damaged), Act("t", "player", damaged), Act("t", "trial", {"material": "a"}))
    assert news(acts, hashed().tracks, profiles()) == ()


def test_acts_that_rest_on_nothing_are_left_as_they_are() -> None:
    act = Act("t", "trim", {"line": "trim -20"})
    assert rested([act], hashed().tracks, None, frozenset()) == ((act,), frozenset())


def test_a_file_whose_name_is_no_utf_8_is_known_again_all_the_same() -> None:
    def named(content: str) -> TrackView:
        return replace(session().tracks[0], path="/music/b\udce4d.wav", content=content)

    basis = Act("at 0", "material", material([named("one")]))
    acts = Record().with_act(basis).with_act(Act("at 1", "decision", {"material": basis.data["id"]})).acts
    assert news(acts, [named("one")], {}) == ()
    assert "has changed since" in news(acts, [named("two")], {})[0]


def revision(old: str, new: str) -> Act:
    return Act("2026-02-03T11:00:00+00:00", "revision", {"old": {"path": old}, "new": {"path": new}})


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        (["v2"], "v2"),
        (["v2", "v3"], "v3"),
        (["v2", "v3", "v2"], "v2"),
        (["v2", None], ""),  # and back to the file of the list
        ([None], ""),  # a re-bounce under the same name
    ],
)
def test_a_revision_of_an_earlier_session_is_told_as_long_as_the_list_names_the_older_file(
    steps: list[str | None], told: str
) -> None:
    """The list is the user's, and no session changes it."""
    first = session().tracks[1].path
    paths = [first, *(first if name is None else f"/music/{name}.wav" for name in steps)]
    acts = tuple(revision(old, new) for old, new in itertools.pairwise(paths))
    found = news(acts, session().tracks, profiles())
    if not told:
        assert found == ()
    else:
        (sentence,) = found
        assert sentence.startswith(f"Track 2 was replaced by /music/{told}.wav in an earlier session")
        assert sentence.endswith(f"replace 2 /music/{told}.wav")
    taken_in = tuple(
        replace(one, path=f"/music/{told}.wav") if one.path == first else one for one in session().tracks
    )
    assert not told or news(acts, taken_in, profiles()) == ()
    assert news((*acts, Act("t", "revision", {"old": 1, "new": {}})), session().tracks, profiles()) == found

"""The listening part of the page, and what its script needs to know.

`view` is for the template (names, places, claims, cautions), `data` for the page's script (clips and gains by
passage and track). Gains in dB; `drop` is by how much the volume starts lower for the raw files: the most by
which any of these passages is louder in its file than played, and 6 dB at least.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simulator.common.listening import State
from simulator.common.text import capital, level
from simulator.common.units import TIE_LU, format_time
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.page.clips import Clip, PassageSound
from simulator.page.passages import Place
from simulator.page.plain_words import decibels, heard_words, isolated, streamed
from simulator.playlists.playlist import Track

LEAST_DROP_DB = 6
SAID_DB = 0.05
CARE_DB = 3.0
"""From here on a jump of level between the raw files is warned of."""
KIND_NAMES = {"loudest": "Loudest part", "quietest": "Quietest part", "turn": "Biggest rise"}
MATCHED_WITHIN_LU = 0.1


@dataclass(frozen=True, slots=True)
class Offer:
    """One passage row of the page: what it is called, and what each track sounds like there."""

    label: str
    places: Mapping[int, Place]
    sounds: Mapping[int, PassageSound]

    @property
    def changed(self) -> bool:
        """True for a moment at which two versions are likely to sound different."""
        return any(place.kind == "change" for place in self.places.values())


@dataclass(frozen=True, slots=True)
class HeardTrack:
    """A track that sounds on the page: its number in the playlist, a short name, and which of the versions'
    colours it has (None: it is a version of nothing)."""

    number: int
    track: Track
    name: str
    colour: int | None
    prediction: Prediction
    duration_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Claim:
    """Something that the page says and plays: in which state, in which row of passages, which tracks one
    after the other."""

    text: str
    state: State
    kind: int
    tracks: tuple[int, ...]


def label_of(place: Place) -> str:
    """What a passage is called on the page."""
    if place.kind in ("mark", "change"):
        return place.label
    return "Biggest drop" if place.label == "drop" else KIND_NAMES[place.kind]


def clips_of(offers: Sequence[Offer]) -> list[Clip]:
    """All clips that the offers play, each once."""
    every = [sound for offer in offers for sound in offer.sounds.values()]
    clips = [clip for sound in every for clip, _ in (sound.delivered, sound.played)]
    return list({clip.name: clip for clip in clips}.values())


def _turned_down_db(tracks: Mapping[int, HeardTrack]) -> float:
    """By how much the player turns down the track that it turns down most."""
    return max((-track.prediction.decision.gain_db for track in tracks.values()), default=0.0)


def drop_db(tracks: Mapping[int, HeardTrack]) -> int:
    """By how much the volume starts lower for the raw files."""
    return max(LEAST_DROP_DB, math.ceil(_turned_down_db(tracks)))


def claims(offers: Sequence[Offer], tracks: Mapping[int, HeardTrack], profile: Profile) -> list[Claim]:
    """What can be said of the louder of two versions and heard at once, or of a single master; the first song
    with two versions counts. Whole-track differences play where the versions differ most like it."""
    pair = _loud_and_open(tracks)
    if pair is None:
        first = next((index for index, track in tracks.items() if track.track.role == "master"), None)
        kind = next((number for number, offer in enumerate(offers) if first in offer.sounds), None)
        if first is None or kind is None:
            return []
        return [
            Claim("the file unchanged", "delivered", kind, (first,)),
            Claim(f"{heard_words(tracks[first].prediction)}, {streamed(profile)}", "played", kind, (first,)),
        ]
    loud, open_ = (tracks[index].prediction for index in pair)
    files = _difference(_file_lufs(loud), _file_lufs(open_))
    heard = _difference(loud.played.integrated_lufs, open_.played.integrated_lufs)
    both = {}
    for kind, offer in enumerate(offers):
        levels = [sound.played_lufs if (sound := offer.sounds.get(index)) else None for index in pair]
        if not offer.changed and (apart := _difference(*levels)) is not None:
            both[kind] = apart
    if not both or files is None or heard is None:
        return []
    typical = min(both, key=lambda kind: abs(both[kind] - heard))
    turn = (pair[1], pair[0])
    made = []
    if files > TIE_LU:
        made.append(Claim(f"{decibels(files)} louder as a file", "delivered", typical, turn))
    same = "the same loudness" if abs(heard) <= TIE_LU else _apart(heard)
    made.append(Claim(f"{same} {streamed(profile)}", "played", typical, turn))
    for kind, apart in both.items():
        loudest = offers[kind].places[pair[0]].kind == "loudest"
        if loudest and abs(apart) > TIE_LU and level(apart) != level(heard):
            made.append(Claim(f"{_apart(apart)} in its loudest part", "played", kind, turn))
    return made


def changes(offers: Sequence[Offer], tracks: Mapping[int, HeardTrack]) -> list[Claim]:
    """The moments at which two versions are likely to sound most different, each to be heard in both, at the
    same loudness; the open version first."""

    def loudness(index: int) -> float:
        return _file_lufs(tracks[index].prediction) or 0.0

    return [
        Claim(offer.label, "matched", kind, tuple(sorted(offer.sounds, key=loudness)))
        for kind, offer in enumerate(offers)
        if offer.changed
    ]


def _apart(difference: float) -> str:
    return f"{decibels(difference)} {'louder' if difference > 0.0 else 'quieter'}"


def _difference(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else first - second


def _file_lufs(prediction: Prediction) -> float | None:
    heard = prediction.played.integrated_lufs
    return None if heard is None else heard + prediction.limiter_loss_lu - prediction.decision.gain_db


def _loud_and_open(tracks: Mapping[int, HeardTrack]) -> tuple[int, int] | None:
    """The loudest and the least loud file of the first song with two versions."""
    files = {
        index: lufs
        for index, one in tracks.items()
        if one.track.song is not None and (lufs := _file_lufs(one.prediction)) is not None
    }
    songs: dict[str | None, list[int]] = {}
    for index in files:
        songs.setdefault(tracks[index].track.song, []).append(index)
    group = next((members for members in songs.values() if len(members) > 1), None)
    if group is None:
        return None
    return max(group, key=files.__getitem__), min(reversed(group), key=files.__getitem__)


def view(
    offers: Sequence[Offer],
    tracks: Mapping[int, HeardTrack],
    profile: Profile,
    compared: tuple[int, int] | None = None,
) -> dict[str, Any]:
    """For the template; `tracks` are those that sound somewhere, by index; `compared` are the open version
    and the loud one whose changes are known."""
    louder, pair = _turned_down_db(tracks), _loud_and_open(tracks)
    files = [lufs for track in tracks.values() if (lufs := _file_lufs(track.prediction)) is not None]
    spread = max(files) - min(files) if files else 0.0
    return {
        "tracks": list(tracks.values()),
        "claims": claims(offers, tracks, profile),
        "compared": None if compared is None else [tracks[index].name for index in compared],
        "loud_colour": None if compared is None else tracks[compared[1]].colour,
        "changes": changes(offers, tracks),
        "claimed": None if pair is None else [tracks[index].name for index in pair],
        "kinds": [
            {
                "label": offer.label,
                "changed": offer.changed,
                "places": [
                    {
                        "index": index,
                        "title": tracks[index].track.title,
                        "where": _sentence(offer.places[index].passage.reason),
                        "clock": format_time(offer.places[index].passage.start_s),
                        "start_s": offer.places[index].passage.start_s,
                        "seconds": offer.places[index].passage.seconds,
                        "level": level(sound.played_lufs),
                    }
                    for index, sound in offer.sounds.items()
                ],
            }
            for offer in offers
        ],
        "jump": decibels(louder) if louder >= SAID_DB else "",
        "spread": decibels(spread) if spread >= CARE_DB else "",
        "drop": drop_db(tracks),
        "matched_note": _matched_note(offers, tracks),
    }


def data(
    offers: Sequence[Offer], tracks: Mapping[int, HeardTrack], profile: Profile, page: str, title: str
) -> dict[str, Any]:
    """For the page's script; `page` is the page's id."""
    return {
        "page": page,
        "title": title,
        "lengths": {str(index): one.duration_s for index, one in tracks.items()},
        "songs": {
            str(index): [
                str(other)
                for other, each in tracks.items()
                if other == index or (one.track.song is not None and each.track.song == one.track.song)
            ]
            for index, one in tracks.items()
        },
        "drop": drop_db(tracks),
        "tracks": {str(index): isolated(one.name) for index, one in tracks.items()},
        "claims": [
            {"state": one.state, "kind": one.kind, "tracks": [str(index) for index in one.tracks]}
            for one in [*claims(offers, tracks, profile), *changes(offers, tracks)]
        ],
        "kinds": [
            {
                "label": isolated(offer.label),
                "items": {
                    str(index): {
                        "start": offer.places[index].passage.start_s,
                        "played": [sound.played[0].name, sound.played[1]],
                        "matched": [sound.played[0].name, sound.played[1] + sound.matched_db],
                        "delivered": [sound.delivered[0].name, sound.delivered[1]],
                    }
                    for index, sound in offer.sounds.items()
                },
                "absent": {
                    str(index): _absent(offer, one, tracks)
                    for index, one in tracks.items()
                    if index not in offer.sounds
                },
            }
            for offer in offers
        ],
    }


def _absent(offer: Offer, heard_track: HeardTrack, tracks: Mapping[int, HeardTrack]) -> str:
    """Why a track cannot be heard in a row of passages."""
    if offer.changed:
        return "not part of this comparison"
    if heard_track.track.song is not None and any(
        tracks[index].track.song == heard_track.track.song for index in offer.sounds
    ):
        return "not long enough for this part"
    if heard_track.track.role == "reference":
        return "only its loudest part is here"
    return "has no such part"


def _matched_note(offers: Sequence[Offer], tracks: Mapping[int, HeardTrack]) -> str:
    """How far the matching reaches; names what is quieter and left so."""
    behind = []
    for offer in offers:
        levels = {
            index: sound.played_lufs + sound.matched_db
            for index, sound in offer.sounds.items()
            if sound.played_lufs is not None
        }
        if not levels:
            continue
        reached = max(levels.values())
        behind += [
            f"{isolated(tracks[index].track.title)} ({offer.label}: {level(reached - one)} LU below)"
            for index, one in levels.items()
            if reached - one > MATCHED_WITHIN_LU
        ]
    text = "Equally loud: every passage is turned down to the quietest master in it, within 0.1 LU."
    return f"{text} Quieter still, and left so: {', '.join(behind)}." if behind else text


def _sentence(reason: str) -> str:
    text = capital(reason)
    return text if text.endswith(".") else f"{text}."

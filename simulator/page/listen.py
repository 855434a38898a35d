"""The listening part of the page, and what its script needs to know.

`view` is for the template (names, places, cautions), `data` for the page's script (clips and gains by
passage and track). Gains in dB; `drop` is by how much the volume starts lower as delivered: the most by
which any of these passages is louder delivered than played, and 6 dB at least.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simulator.common.numbers import level
from simulator.common.text import capital
from simulator.normalizer.prediction import Prediction
from simulator.page.clips import Clip, PassageSound
from simulator.page.passages import Place
from simulator.page.words import isolated
from simulator.playlists.playlist import Track

LEAST_DROP_DB = 6
SAID_DB = 0.05
KIND_NAMES = {"loudest": "The loudest", "quietest": "The quietest", "turn": "The turn", "mark": "Mark"}
MATCHED_WITHIN_LU = 0.1


@dataclass(frozen=True, slots=True)
class Offer:
    """One passage row of the page: what it is called, and what each track sounds like there."""

    label: str
    places: Mapping[int, Place]
    sounds: Mapping[int, PassageSound]


def label_of(place: Place) -> str:
    """What a passage is called on the page."""
    name = KIND_NAMES[place.kind]
    return f"{name}: {place.label}" if place.kind == "mark" else name


def clips_of(offers: Sequence[Offer]) -> list[Clip]:
    """All clips that the offers play, each once."""
    found: dict[str, Clip] = {}
    for offer in offers:
        for sound in offer.sounds.values():
            for clip, _ in (sound.delivered, sound.played):
                found.setdefault(clip.name, clip)
    return list(found.values())


def drop_db(predictions: Sequence[Prediction]) -> int:
    """By how much the volume starts lower as delivered."""
    louder = max((-found.decision.gain_db for found in predictions), default=0.0)
    return max(LEAST_DROP_DB, math.ceil(louder))


def view(
    offers: Sequence[Offer], tracks: Mapping[int, tuple[int, Track]], predictions: Mapping[int, Prediction]
) -> dict[str, Any]:
    """For the template; `tracks` are index → (number, track) of those that sound somewhere."""
    heard = {index for offer in offers for index in offer.sounds}
    mine = [predictions[index] for index in sorted(heard)]
    gains = [-found.decision.gain_db for found in mine]
    delivered = [
        found.played.integrated_lufs + found.limiter_loss_lu - found.decision.gain_db
        for found in mine
        if found.played.integrated_lufs is not None
    ]
    return {
        "tracks": [
            {
                "index": index,
                "number": number,
                "title": track.title,
                "artist": track.artist,
                "role": track.role,
            }
            for index, (number, track) in tracks.items()
            if index in heard
        ],
        "kinds": [
            {
                "label": offer.label,
                "places": [
                    {
                        "title": tracks[index][1].title,
                        "where": _sentence(offer.places[index].passage.reason),
                        "level": level(sound.played_lufs),
                    }
                    for index, sound in offer.sounds.items()
                ],
            }
            for offer in offers
        ],
        "jump": level(max(gains)) if max(gains, default=0.0) >= SAID_DB else "",
        "spread": level(max(delivered) - min(delivered) if delivered else None),
        "drop": drop_db(mine),
        "matched_note": _matched_note(offers, tracks),
    }


def data(
    offers: Sequence[Offer], tracks: Mapping[int, tuple[int, Track]], predictions: Mapping[int, Prediction]
) -> dict[str, Any]:
    """For the page's script."""
    heard = {index for offer in offers for index in offer.sounds}
    return {
        "drop": drop_db([predictions[index] for index in sorted(heard)]),
        "tracks": {
            str(index): isolated(track.title) for index, (_, track) in tracks.items() if index in heard
        },
        "kinds": [
            {
                "items": {
                    str(index): {
                        "where": _sentence(offer.places[index].passage.reason),
                        "played": [sound.played[0].name, sound.played[1]],
                        "matched": [sound.played[0].name, sound.played[1] + sound.matched_db],
                        "delivered": [sound.delivered[0].name, sound.delivered[1]],
                    }
                    for index, sound in offer.sounds.items()
                }
            }
            for offer in offers
        ],
    }


def _matched_note(offers: Sequence[Offer], tracks: Mapping[int, tuple[int, Track]]) -> str:
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
            f"{isolated(tracks[index][1].title)} ({offer.label.lower()}: {level(reached - one)} LU below)"
            for index, one in levels.items()
            if reached - one > MATCHED_WITHIN_LU
        ]
    said = "Matched: every passage is turned down to the quietest of the masters in it, within 0.1 LU."
    return f"{said} Quieter still, and left so: {', '.join(behind)}." if behind else said


def _sentence(reason: str) -> str:
    text = capital(reason)
    return text if text.endswith(".") else f"{text}."

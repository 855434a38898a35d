"""Tables of the page: every track measured, and what each player does to each.

Numbers of a player on the page, each with its source.

Every number of a profile carries its source under its own key; a value without a stated source (a choice
between words, such as the scope) says so by a dash.
"""

from __future__ import annotations

from typing import Any

from simulator.common.text import NONE, level, signed
from simulator.metering import figures
from simulator.normalizer.codec_records import CODEC_NAMES
from simulator.normalizer.profile import Profile, Scope, TrustedTags, Upward
from simulator.page.values import PageContent, PageTrack
from simulator.text.sentences import NOTE, peak_cells, peak_columns

_SCOPES: dict[Scope, str] = {
    "track": "each track by itself",
    "album_loudest": "an album as a whole, by its loudest track",
    "album_programme": "an album as a whole, measured as one programme",
}
_UPWARD: dict[Upward, str] = {
    "never": "never raised",
    "headroom": "raised as far as the highest peak leaves room",
    "limited": "raised fully, into a limiter",
    "unprotected": "raised fully, without protection",
}
_MONO = {"one_channel": "as one channel", "two_loudspeakers": "as on two loudspeakers"}
_TAGS: dict[TrustedTags, str] = {
    "ignored": "",
    "replaygain": "trusted (ReplayGain)",
    "r128": "trusted (R128)",
    "any": "trusted",
}
_PEAKS = {"true": "true peaks", "sample": "sample peaks"}
_APPLIES = {"boost_only": "only where the level is raised", "always": "always"}


def number_rows(profile: Profile) -> list[tuple[str, str, str]]:
    """(what, value with unit, source) of each rule that the profile states."""
    target = "none" if profile.target_lufs is None else f"{level(profile.target_lufs)} LUFS"
    rows: list[tuple[str, str, str]] = [
        ("Target loudness", target, "loudness.target_lufs"),
        ("What gets one gain", _SCOPES[profile.scope], "loudness.scope"),
        ("How mono is counted", _MONO[profile.mono], "loudness.mono"),
        ("How far real players differ", f"±{level(profile.uncertainty_db)} dB", "loudness.uncertainty_db"),
        ("Quieter tracks are", _UPWARD[profile.upward], "gain.upward"),
    ]
    if profile.tags != "ignored":
        rows.append(("Loudness tags in files", _TAGS[profile.tags], "loudness.tags"))
    if profile.max_boost_db is not None:
        rows.append(("Raised at most by", f"{level(profile.max_boost_db)} dB", "gain.max_boost_db"))
    if profile.max_cut_db is not None:
        rows.append(("Turned down at most by", f"{level(profile.max_cut_db)} dB", "gain.max_cut_db"))
    rows.append(
        (
            "Where nothing can be measured",
            f"{level(profile.unmeasurable_gain_db)} dB",
            "gain.unmeasurable_gain_db",
        )
    )
    if profile.target_lufs is not None and profile.upward in ("headroom", "limited"):
        ceiling = profile.ceiling
        unit = "dBTP" if ceiling.counts == "true" else "dBFS"
        rows += [
            ("Ceiling for peaks", f"{level(ceiling.level_db)} {unit}", "ceiling.level_db"),
            ("Peaks counted", _PEAKS[ceiling.counts], "ceiling.counts"),
            ("The ceiling holds", _APPLIES[ceiling.applies], "ceiling.applies"),
        ]
    if profile.limiter is not None:
        rows += [
            ("Limiter, look-ahead", f"{level(profile.limiter.look_ahead_ms)} ms", "limiter.look_ahead_ms"),
            ("Limiter, release by 10 dB", f"{level(profile.limiter.release_ms)} ms", "limiter.release_ms"),
        ]
    if profile.converter_headroom_db is not None:
        room = f"{level(profile.converter_headroom_db)} dB"
        rows.append(("Its D/A converter clips above full scale by", room, "dac.headroom_db"))
    if profile.conditional is not None:
        limit = profile.conditional.peak_to_loudness_below_db
        rows += [
            (
                f"Target for peak-to-loudness under {level(limit)} dB",
                f"{level(profile.conditional.target_lufs)} LUFS",
                "conditional.target_lufs",
            ),
            (
                "Limit of that ratio",
                f"{level(limit)} dB",
                "conditional.peak_to_loudness_below_db",
            ),
        ]
    rows += _delivery_rows(profile)
    return [(what, value, profile.sources.get(key, NONE)) for what, value, key in rows]


def _delivery_rows(profile: Profile) -> list[tuple[str, str, str]]:
    """What reaches the listener instead of the master, where the profile says so."""
    delivery, rows = profile.delivery, []
    if delivery is None:
        return []
    if delivery.sample_rate is not None:
        rows.append(("Delivered at", f"{delivery.sample_rate} Hz", "encoding.sample_rate"))
    if delivery.bits is not None:
        rows.append(("Delivered in", f"{delivery.bits} bits", "encoding.bits"))
    if delivery.codec != "none":
        rows.append(("Delivered as", CODEC_NAMES[delivery.codec], "encoding.codec"))
    if delivery.bit_rate_kbps is not None:
        rows.append(("Bit rate", f"{delivery.bit_rate_kbps:g} kbit/s", "encoding.bit_rate_kbps"))
    return rows


def player_table(content: PageContent, place: int) -> dict[str, Any]:
    profile, rows = content.profiles[place], []
    for track in content.tracks:
        found = track.predictions[place]
        values = ["–"] * 5
        if found is not None:
            values = [
                signed(found.decision.gain_db),
                level(found.played.integrated_lufs),
                level(found.played.max_short_term_lufs),
                level(found.played.true_peak_dbtp),
                level(found.limiter.max_reduction_db),
            ]
        rows.append({"number": track.number, "title": track.track.title, "cells": values})
    return {
        "title": profile.title,
        "sentence": profile.sentence,
        "peaks": _peaks(content, place),
        "rows": rows,
        "numbers": number_rows(profile),
    }


def _peaks(content: PageContent, place: int) -> dict[str, Any] | None:
    """True peak and overs of the master, after each step of the delivery, and as played; None where the
    master itself is what the player gets."""
    found = [track.predictions[place] for track in content.tracks]
    columns = peak_columns(found)
    if not columns:
        return None
    rows = [
        {"number": one.number, "title": one.track.title, "cells": peak_cells(columns, one.delivered, each)}
        for one, each in zip(content.tracks, found, strict=True)
        if each is not None and one.delivered is not None
    ]
    return {"columns": ["master", *columns, "as played"], "rows": rows, "note": NOTE}


def measured_names() -> list[tuple[str, str]]:
    """Name and unit of each column of the table of all tracks."""
    return [name for _, name in figures.on_page()]


def measured_row(page_track: PageTrack) -> dict[str, Any]:
    found = page_track.delivered
    values = [NONE if found is None else figure.text(found) for figure, _ in figures.on_page()]
    return {"number": page_track.number, "title": page_track.track.title, "cells": values}

"""Sentences of the page, made by rule from the figures, in two tiers.

For the artist: one question and its answer, what each of two masters gains and gives up, what the player does
to a track. Plain words and dB, no other unit and no term of measuring. For the engineer: the sentences on
two versions that the desk prints too, and how it was measured. Nothing judges taste.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from simulator.audibility.audibility import Moment, MomentKind
from simulator.common.text import capital, level
from simulator.common.units import TIE_LU
from simulator.comparison.versions import punch_db
from simulator.metering.measurement import METHOD
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.text.sentences import (
    PUNCH_TIE_DB,
    Version,
    delivered_sentence,
    headroom_sentences,
    overs_sentence,
    passage_sentence,
    played_sentence,
    widened,
)

CONTRAST_TIE_LU = 0.5
SHORTFALL_SAID_LU = 0.5
_LEAST_DB = 0.05
"""What is less is written 0.0."""
_WHOLE_FROM_DB = 3.0
"""From here on a listener is told whole decibels: a tenth is inaudible (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Headline:
    """The one question that the page answers, and the answer in a sentence."""

    question: str
    answer: str


@dataclass(frozen=True, slots=True)
class BalanceColumn:
    """One column of the balance: its heading, its sentences, and what stands there where there are none."""

    title: str
    sentences: tuple[str, ...]
    nothing: str


def isolated(text: str) -> str:
    """A title for use inside a sentence: where it holds text from right to left, or marks of direction, it
    is set apart so that the sentence around it keeps its order (FSI and PDI, Unicode's UAX #9)."""
    turning = ("R", "AL", "RLE", "RLO", "RLI", "LRE", "LRO", "LRI", "FSI", "PDF", "PDI")
    if any(unicodedata.bidirectional(letter) in turning for letter in text):
        return f"\u2068{text}\u2069"
    return text


def decibels(value: float) -> str:
    """A difference of level for a listener, without its sign: "21 dB", "2.2 dB"."""
    return f"{level(abs(value), 0 if abs(value) >= _WHOLE_FROM_DB else 1)} dB"


def streamed(profile: Profile) -> str:
    """How a listener hears it, at the end of a phrase."""
    return "when streamed" if profile.target_lufs is not None else "as listeners hear it"


# --- for the artist ---------------------------------------------------------------------------------


def pair_headline(first: Version, second: Version, profile: Profile) -> Headline:
    """Two masters of one song: whether the louder file plays louder."""
    files = [one.delivered.integrated_lufs for one in (first, second)]
    heard = [one.prediction.played.integrated_lufs for one in (first, second)]
    if files[0] is None or files[1] is None or heard[0] is None or heard[1] is None:
        return Headline(f"How do {first.name} and {second.name} differ?", "Only your ears can decide here.")
    loud, open_ = (first, second) if files[0] >= files[1] else (second, first)
    file_db = abs(files[0] - files[1])
    played_db = heard[0] - heard[1] if loud is first else heard[1] - heard[0]
    how = streamed(profile)
    if file_db <= TIE_LU:
        question = f"How do {first.name} and {second.name} differ?"
        if abs(played_db) <= TIE_LU:
            return Headline(question, "Both are equally loud: only the sound differs.")
        more = loud if played_db > 0.0 else open_
        return Headline(
            question, f"Both files are equally loud, but {how} {more.name} is {decibels(played_db)} louder."
        )
    question = f"Is {loud.name} louder {how}?"
    if played_db < -TIE_LU:
        return Headline(question, f"No: {open_.name} is {decibels(played_db)} louder.")
    if played_db <= TIE_LU:
        return Headline(question, "No: both are equally loud.")
    if level(played_db) == level(file_db):
        return Headline(question, f"Yes, by {decibels(played_db)}: just as much as the file.")
    if widened(file_db, played_db):
        return Headline(question, f"Yes, by {decibels(played_db)}: even more than the file.")
    if played_db <= profile.uncertainty_db:
        return Headline(question, f"Hardly: by {decibels(played_db)}.")
    return Headline(question, f"Yes, but only by {decibels(played_db)}.")


def one_headline(version: Version) -> Headline:
    """A single master: how loud listeners hear it."""
    question = f"How loud do listeners hear {version.name}?"
    if version.prediction.played.integrated_lufs is None:
        return Headline(question, "It has no measurable loudness.")
    return Headline(question, f"{capital(heard_words(version.prediction))}.")


def heard_words(prediction: Prediction) -> str:
    """How loud a track is heard, against its file: "7 dB quieter than the file"."""
    gain_db = prediction.decision.gain_db
    if abs(gain_db) < _LEAST_DB:
        words = "as loud as the file"
    else:
        words = f"{decibels(gain_db)} {'louder' if gain_db > 0.0 else 'quieter'} than the file"
    limiter = ", with its peaks limited" if prediction.limiter.max_reduction_db >= _LEAST_DB else ""
    return words + limiter


_BASS_BELOW_HZ, _MIDDLE_BELOW_HZ = 250.0, 2000.0


def change_words(moment: Moment) -> str:
    """What is heard at a moment of the loud version, against the open one: nothing that the numbers do not
    show, and nothing called bad."""
    match moment.kind:
        case MomentKind.ATTACK:
            return "the hits are softer"
        case MomentKind.PUMPING:
            return "the level moves up and down with the music"
        case MomentKind.TONE:
            note = "the bass" if (moment.low_hz or 0.0) < _BASS_BELOW_HZ else "a held note"
            return f"{note} sounds rougher"
        case MomentKind.CHANGE:
            middle = ((moment.low_hz or 0.0) * (moment.high_hz or 0.0)) ** 0.5
            where = "bass" if middle < _BASS_BELOW_HZ else "middle" if middle < _MIDDLE_BELOW_HZ else "treble"
            return f"the {where} sounds different"


def balance(first: Version, second: Version, profile: Profile) -> list[BalanceColumn]:
    """Gained and lost by the louder of two masters, and what the other one gives up; empty where neither is
    louder or one has no measurable loudness."""
    a, b = first.delivered.integrated_lufs, second.delivered.integrated_lufs
    if a is None or b is None or abs(a - b) <= TIE_LU:
        return []
    loud, open_ = (first, second) if a > b else (second, first)
    return [
        BalanceColumn(
            f"What {loud.name} gains", tuple(_gained(loud, open_, abs(a - b))), "Nothing that was measured."
        ),
        BalanceColumn(f"What {loud.name} loses", tuple(_lost(loud, open_)), "Nothing that was measured."),
        BalanceColumn(
            f"What {open_.name} gives up",
            tuple(_given_up(loud, open_, profile)),
            "Nothing on this player that was measured.",
        ),
    ]


def _gained(loud: Version, open_: Version, difference: float) -> list[str]:
    said = [f"Wherever nothing evens out the loudness, it is {decibels(difference)} louder."]
    a, b = loud.prediction.played.integrated_lufs, open_.prediction.played.integrated_lufs
    if a is None or b is None:
        return said
    if widened(difference, a - b):
        said.append(f"On this player it is {decibels(a - b)} louder: the player widens the difference.")
    elif a - b > TIE_LU:
        said.append(f"On this player {decibels(a - b)} of that remain.")
    elif b - a > TIE_LU:
        said.append(f"On this player the advantage is gone: it is {decibels(b - a)} quieter.")
    else:
        said.append("On this player the advantage is gone: both are equally loud.")
    return said


def _lost(loud: Version, open_: Version) -> list[str]:
    said = []
    a, b = punch_db(loud.delivered), punch_db(open_.delivered)
    if a is not None and b is not None and b - a > PUNCH_TIE_DB:
        said.append(
            f"Its peaks have {decibels(b - a)} less room to jump out of the mix. No volume change brings "
            "that back."
        )
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        said.append(f"Its loud and quiet parts are {decibels(wide - narrow)} closer together.")
    heard = [one.prediction.played.max_short_term_lufs for one in (loud, open_)]
    if heard[0] is not None and heard[1] is not None and heard[1] - heard[0] > TIE_LU:
        said.append(f"As listeners hear it, its loudest part is {decibels(heard[1] - heard[0])} quieter.")
    if count := loud.delivered.over_count:
        said.append(f"Its file overshoots digital full scale {_times(count)}, which some players distort.")
    return said


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _given_up(loud: Version, open_: Version, profile: Profile) -> list[str]:
    said = []
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        said.append(
            f"Its quietest part is {decibels(wide)} below its loudest, against {decibels(narrow)}: noise "
            "in a car or a street masks it first."
        )
    short = open_.prediction.target_shortfall_lu
    if profile.target_lufs is not None and short is not None and short > SHORTFALL_SAID_LU:
        said.append(f"It stays {decibels(short)} quieter than the player would like to play it.")
    return said


# --- for the engineer -------------------------------------------------------------------------------


def engineer_sentences(versions: Sequence[Version], profile: Profile) -> list[str]:
    """What the player does to two versions, or to one master."""
    if len(versions) == 1:
        return headroom_sentences(versions[0], profile) or [versions[0].prediction.decision.reason]
    first, second = versions
    said = [
        delivered_sentence(first, second),
        played_sentence(first, second, profile),
        passage_sentence(first, second, profile),
        *(sentence for version in versions for sentence in headroom_sentences(version, profile)),
        *(overs_sentence(version) for version in versions),
    ]
    return [sentence for sentence in said if sentence]


def method_sentences(version: str) -> list[str]:
    """How it was measured."""
    return [
        "Loudness and true peak: ITU-R BS.1770-5 (K-weighting, gates at −70 LUFS and −10 LU); momentary and "
        "short-term loudness over 0.4 s and 3 s: EBU Tech 3341. Meters that follow these documents agree "
        "within 0.1 LU.",
        "Quietest passage and loudness range: EBU Tech 3342. Peak to short-term loudness: AES e-Brief 373.",
        "True peaks are read at 32 times the sample rate around every peak, within 0.05 dB up to 0.45 of the "
        "sample rate.",
        "Played figures follow exactly from the measurement where the player only changes the gain. Where a "
        "codec, a limiter or a D/A converter acts, the whole output was computed and measured again.",
        "Switching fades by raised cosines of 5 ms, out and then in (ITU-R BS.1534-3, section 5.3).",
        f"Measured with fairhearing {version}, measuring method {METHOD}.",
    ]

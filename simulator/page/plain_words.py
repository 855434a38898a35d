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
from simulator.metering.measurement import METHOD, Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.text.sentences import (
    LEAST_DB,
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
_WHOLE_FROM_DB = 3.0
"""From here on whole decibels are written: a tenth is inaudible (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Headline:
    """The one question that the page answers, and the answer in a sentence."""

    question: str
    answer: str


@dataclass(frozen=True, slots=True)
class BalanceColumn:
    """One column of the balance: its heading, its sentences, and what it says without any."""

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
    differ = f"How do {first.name} and {second.name} differ?"
    file_db = _louder_db(first.delivered, second.delivered)
    played_db = _louder_db(first.prediction.played, second.prediction.played)
    if file_db is None or played_db is None:
        return Headline(differ, "Only your ears can decide here.")
    how = streamed(profile)
    if abs(file_db) <= TIE_LU:
        if abs(played_db) <= TIE_LU:
            return Headline(differ, "Both are equally loud: only the sound differs.")
        more = first if played_db > 0.0 else second
        answer = f"Both files are equally loud, but {how} {more.name} is {decibels(played_db)} louder."
        return Headline(differ, answer)
    loud, open_ = (first, second) if file_db > 0.0 else (second, first)
    file_db, played_db = (file_db, played_db) if file_db > 0.0 else (-file_db, -played_db)
    if played_db < -TIE_LU:
        answer = f"No: {open_.name} is {decibels(played_db)} louder."
    elif played_db <= TIE_LU:
        answer = "No: both are equally loud."
    elif level(played_db) == level(file_db):
        answer = f"Yes, by {decibels(played_db)}: just as much as the file."
    elif widened(file_db, played_db):
        answer = f"Yes, by {decibels(played_db)}: even more than the file."
    elif played_db <= profile.uncertainty_db:
        answer = f"Hardly: by {decibels(played_db)}."
    else:
        answer = f"Yes, but only by {decibels(played_db)}."
    return Headline(f"Is {loud.name} louder {how}?", answer)


def _louder_db(first: Measurement, second: Measurement) -> float | None:
    """How much louder the first is; None where either has no measurable loudness."""
    a, b = first.integrated_lufs, second.integrated_lufs
    return None if a is None or b is None else a - b


def one_headline(version: Version) -> Headline:
    """A single master: how loud listeners hear it."""
    question = f"How loud do listeners hear {version.name}?"
    if version.prediction.played.integrated_lufs is None:
        return Headline(question, "It has no measurable loudness.")
    return Headline(question, f"{capital(heard_words(version.prediction))}.")


def heard_words(prediction: Prediction) -> str:
    """How loud a track is heard, against its file: "7 dB quieter than the file"."""
    gain_db, words = prediction.decision.gain_db, "as loud as the file"
    if abs(gain_db) >= LEAST_DB:
        words = f"{decibels(gain_db)} {'louder' if gain_db > 0.0 else 'quieter'} than the file"
    limited = prediction.limiter.max_reduction_db >= LEAST_DB
    return f"{words}, with its peaks limited" if limited else words


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
    louder_db = _louder_db(first.delivered, second.delivered)
    if louder_db is None or abs(louder_db) <= TIE_LU:
        return []
    loud, open_ = (first, second) if louder_db > 0.0 else (second, first)
    nothing = "Nothing that was measured."
    return [
        BalanceColumn(f"What {loud.name} gains", tuple(_gained(loud, open_, abs(louder_db))), nothing),
        BalanceColumn(f"What {loud.name} loses", tuple(_lost(loud, open_)), nothing),
        BalanceColumn(
            f"What {open_.name} gives up",
            tuple(_given_up(loud, open_, profile)),
            "Nothing on this player that was measured.",
        ),
    ]


def _gained(loud: Version, open_: Version, file_db: float) -> list[str]:
    gains = [f"Wherever nothing evens out the loudness, it is {decibels(file_db)} louder."]
    played_db = _louder_db(loud.prediction.played, open_.prediction.played)
    if played_db is None:
        return gains
    if widened(file_db, played_db):
        heard = f"On this player it is {decibels(played_db)} louder: the player widens the difference."
    elif played_db > TIE_LU:
        heard = f"On this player {decibels(played_db)} of that remain."
    elif played_db < -TIE_LU:
        heard = f"On this player the advantage is gone: it is {decibels(played_db)} quieter."
    else:
        heard = "On this player the advantage is gone: both are equally loud."
    return [*gains, heard]


def _lost(loud: Version, open_: Version) -> list[str]:
    losses = []
    a, b = punch_db(loud.delivered), punch_db(open_.delivered)
    if a is not None and b is not None and b - a > PUNCH_TIE_DB:
        room = f"Its peaks have {decibels(b - a)} less room to jump out of the mix."
        losses.append(f"{room} No volume change brings that back.")
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        losses.append(f"Its loud and quiet parts are {decibels(wide - narrow)} closer together.")
    a, b = loud.prediction.played.max_short_term_lufs, open_.prediction.played.max_short_term_lufs
    if a is not None and b is not None and b - a > TIE_LU:
        losses.append(f"As listeners hear it, its loudest part is {decibels(b - a)} quieter.")
    if count := loud.delivered.over_count:
        times = "once" if count == 1 else f"{count} times"
        losses.append(f"Its file overshoots digital full scale {times}, which some players distort.")
    return losses


def _given_up(loud: Version, open_: Version, profile: Profile) -> list[str]:
    costs = []
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        below = f"Its quietest part is {decibels(wide)} below its loudest, against {decibels(narrow)}"
        costs.append(f"{below}: noise in a car or a street masks it first.")
    short = open_.prediction.target_shortfall_lu
    if profile.target_lufs is not None and short is not None and short > SHORTFALL_SAID_LU:
        costs.append(f"It stays {decibels(short)} quieter than the player would like to play it.")
    return costs


# --- for the engineer -------------------------------------------------------------------------------


def engineer_sentences(versions: Sequence[Version], profile: Profile) -> list[str]:
    """What the player does to two versions, or to one master."""
    if len(versions) == 1:
        return headroom_sentences(versions[0], profile) or [versions[0].prediction.decision.reason]
    first, second = versions
    sentences = [
        delivered_sentence(first, second),
        played_sentence(first, second, profile),
        passage_sentence(first, second, profile),
        *(sentence for version in versions for sentence in headroom_sentences(version, profile)),
        *(overs_sentence(version) for version in versions),
    ]
    return list(filter(None, sentences))


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

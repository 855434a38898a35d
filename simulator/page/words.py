"""Sentences of the page for the artist, made by rule from the figures.

Three sentences on what the player does; what the louder master gained, what it paid, and what the open
one costs; how it was measured. Sentences on two versions are those of `sentences`, so that the page and
the desk say the same. Nothing judges taste.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from simulator.common.numbers import level, signed
from simulator.common.text import capital
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


def three_sentences(first: Version, second: Version, profile: Profile) -> list[str]:
    """What the player does to two masters of one song."""
    said = [
        delivered_sentence(first, second),
        played_sentence(first, second, profile),
        passage_sentence(first, second, profile),
    ]
    return [sentence for sentence in said if sentence]


def one_master(version: Version, profile: Profile) -> list[str]:
    """What the player does to a single master."""
    delivered, played = version.delivered, version.prediction.played
    if delivered.integrated_lufs is None or played.integrated_lufs is None:
        return [version.prediction.decision.reason]
    gain = version.prediction.decision.gain_db
    name = capital(version.name)
    said = [
        f"{name} is delivered at {level(delivered.integrated_lufs)} LUFS, and its highest peak lies at "
        f"{signed(delivered.true_peak_dbtp)} dBTP.",
        f"This player {move(gain)}, so that it plays at {level(played.integrated_lufs)} LUFS.",
    ]
    said += headroom_sentences(version, profile)[:1]
    room = version.prediction.unused_headroom_db
    if len(said) < 3 and room is not None:
        said.append(
            f"As played, {level(room)} dB of room above its highest peak are left unused."
            if room >= 0.05
            else f"As played, its highest peak lies at {signed(-room)} dBTP."
        )
    return said


def balance(first: Version, second: Version, profile: Profile) -> list[BalanceColumn]:
    """Gained and paid by the louder of two masters, and what the other one costs; empty where neither is
    louder or one has no measurable loudness."""
    a, b = first.delivered.integrated_lufs, second.delivered.integrated_lufs
    if a is None or b is None or abs(a - b) <= TIE_LU:
        return []
    loud, open_ = (first, second) if a > b else (second, first)
    return [
        BalanceColumn(
            f"What {loud.name} gains",
            tuple(_gained(loud, open_, abs(a - b))),
            "Nothing that these figures show.",
        ),
        BalanceColumn(
            f"What {loud.name} pays", tuple(_paid(loud, open_)), "Nothing that these figures show."
        ),
        BalanceColumn(
            f"What {open_.name} costs",
            tuple(_cost(open_, loud, abs(a - b), profile)),
            "Nothing through this player that these figures show.",
        ),
    ]


def _gained(loud: Version, open_: Version, difference: float) -> list[str]:
    said = [f"Where nothing is normalised, it plays {level(difference)} LU louder."]
    a, b = loud.prediction.played.integrated_lufs, open_.prediction.played.integrated_lufs
    if a is None or b is None:
        return said
    if widened(difference, a - b):
        said.append(
            f"Through this player it plays {level(a - b)} LU louder: the player widens the difference."
        )
    elif a - b > TIE_LU:
        said.append(f"Through this player {level(a - b)} LU of that are left.")
    elif b - a > TIE_LU:
        said.append(f"Through this player nothing of that is left: it plays {level(b - a)} LU more quietly.")
    else:
        said.append("Through this player nothing of that is left: both play equally loud.")
    return said


def _paid(loud: Version, open_: Version) -> list[str]:
    said = []
    a, b = punch_db(loud.delivered), punch_db(open_.delivered)
    if a is not None and b is not None and b - a > PUNCH_TIE_DB:
        said.append(
            f"Its peaks stand {level(b - a)} dB less above its loudness ({level(a)} against {level(b)} dB), "
            "and a player's plain gain does not bring them back."
        )
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        said.append(
            f"Its loud and quiet passages lie {level(wide - narrow)} LU closer together ({level(narrow)} "
            f"against {level(wide)} LU)."
        )
    heard = [one.prediction.played.max_short_term_lufs for one in (loud, open_)]
    if heard[0] is not None and heard[1] is not None and heard[1] - heard[0] > TIE_LU:
        said.append(f"As played, its loudest passage is {level(heard[1] - heard[0])} LU more quiet.")
    overs = overs_sentence(loud)
    return [*said, overs] if overs else said


def _cost(open_: Version, loud: Version, difference: float, profile: Profile) -> list[str]:
    said = [f"Where nothing is normalised, it plays {level(difference)} LU more quietly than {loud.name}."]
    wide, narrow = open_.delivered.contrast_lu, loud.delivered.contrast_lu
    if wide is not None and narrow is not None and wide - narrow > CONTRAST_TIE_LU:
        said.append(
            f"Its quietest passage lies {level(wide)} LU below its loudest, against {level(narrow)} LU: in a "
            "car or a street the noise may cover it sooner."
        )
    return said + headroom_sentences(open_, profile)


def move(gain_db: float) -> str:
    """ "turns it down by 7.1 dB", "leaves it as it is"."""
    if abs(gain_db) < 0.05:
        return "leaves its level as it is"
    return f"{'raises it' if gain_db > 0.0 else 'turns it down'} by {level(abs(gain_db))} dB"


def move_words(found: Prediction) -> str:
    """The line under a track's name: the gain, and the level as played."""
    gain = found.decision.gain_db
    does = (
        "left as it is"
        if abs(gain) < 0.05
        else f"{'raised' if gain > 0.0 else 'turned down'} by {level(abs(gain))} dB"
    )
    limiter = ", its peaks limited" if found.limiter.max_reduction_db >= 0.05 else ""
    return f"{does}{limiter}: plays at {level(found.played.integrated_lufs)} LUFS"


def method_sentences(version: str) -> list[str]:
    """How it was measured."""
    return [
        "Loudness and true peak: ITU-R BS.1770-5 (K-weighting, gates at −70 LUFS and −10 LU); momentary and "
        "short-term loudness over 0.4 s and 3 s: EBU Tech 3341. Meters that follow these documents agree "
        "within 0.1 LU.",
        "Quietest passage and loudness range: EBU Tech 3342. Peak to short-term loudness: AES e-Brief 373.",
        "True peaks are read at 32 times the sample rate around every peak, within 0.05 dB up to 0.45 of the "
        "sample rate.",
        "Played figures follow exactly from the measurement where the player only changes the gain; where a "
        "codec, a limiter or a converter acts, the whole output was computed and measured again.",
        "Changing over fades by raised cosines of 5 ms, out and then in (ITU-R BS.1534-3, section 5.3).",
        f"Measured and made by fairhearing {version}, measuring method {METHOD}.",
    ]

"""Findings for people: can it go out, the one move that answers what gain can, then what remains."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from simulator.common.text import NONE, capital, level, signed
from simulator.common.units import TIE_LU
from simulator.delivery.finding import LEVELS, Decided, Finding, Level, Move, TargetOf, db_words, worst
from simulator.delivery.step_findings import PEAK_CHECKS, placed
from simulator.text.json_form import SCHEMA

if TYPE_CHECKING:
    from simulator.delivery.album import AlbumLevel
    from simulator.normalizer.profile import Profile

WHOLE = {
    "events": "event",
    "runs": "run",
    "clicks": "click",
    "dropouts": "dropout",
    "bits": "bit",
    "Hz": "Hz",
}
"""Units of what is counted, and what one of them is called."""
PLACES_IN_A_LIST = ("album_order",)
PLACES_IN_TEXT = ("overs", "true_peak_after", "clipped_runs")
"""Checks whose sentences name their places already."""
VERDICT: dict[Level, str] = {
    "fix": "Not ready: something to fix.",
    "look": "Nothing to fix; a few things to check.",
    "fine": "Everything checked is fine.",
}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
TARGET_OF: dict[TargetOf, str] = {
    "loudest": "",
    "programme": " for the album as a programme",
    "each": " for each track",
}


def ordered(findings: Iterable[Finding]) -> list[Finding]:
    """By seriousness, else as given."""
    return sorted(findings, key=lambda finding: LEVELS.index(finding.level))


def value_words(finding: Finding) -> str:
    """`−0.80 dBTP`; a dash where nothing is measured."""
    return NONE if finding.value is None else _number(finding, finding.value)


def headline(finding: Finding) -> str:
    """One line: what, how much, against what."""
    if finding.value is None and finding.against is None:
        return finding.name
    if finding.against is None or (finding.unit in (*WHOLE, "LU") and finding.against == 0.0):
        return f"{finding.name}: {value_words(finding)}"
    return f"{finding.name}: {value_words(finding)} ({_limit(finding)} {_number(finding, finding.against)})"


def _limit(finding: Finding) -> str:
    """What the value is held against; one that misses it but prints the same is just over or under."""
    value, limit = finding.value, finding.against
    if finding.check in ("loudness", "album_loudness"):
        return "target"
    if finding.check in ("upsampled", "word_length"):
        return "file is"
    if finding.check.startswith("tag_"):
        return "measured"
    if finding.check == "player":
        return "player's target"
    if finding.check.startswith("album_") and finding.check != "album_gap":
        return "album" if finding.check != "album_order" else "place"
    if finding.level == "fine" or value is None or limit is None or value == limit:
        return "limit"
    if _number(finding, value) != _number(finding, limit):
        return "limit"
    return "just over" if value > limit else "just under"


def brief(findings: Iterable[Finding]) -> str:
    """These in one paragraph, by name and value; by their words where there is no value. The unit is left out
    where the name has it already."""
    parts = []
    for finding in findings:
        if finding.value is not None:
            words, unit = value_words(finding), finding.unit
            bare = words.removesuffix(f" {unit}") if unit and unit in finding.name.lower() else words
            parts.append(f"{finding.name} {bare}")
        elif finding.text:
            parts.append(f"{finding.name}: {finding.text[0].lower()}{finding.text[1:].rstrip('.')}")
    return f"{'; '.join(parts)}." if parts else ""


def verdict(findings: Sequence[Finding]) -> str:
    """One sentence for one master."""
    return VERDICT[worst(findings)]


def readiness(findings: Sequence[Finding], file: str = "", figures: str = "") -> str:
    """`Not ready: two things to fix in a.wav.` Peaks count as one thing, wherever they are read. `figures` is
    stated where nothing is to be fixed."""
    topics: dict[Level, set[str]] = {level: set() for level in LEVELS}
    for finding in findings:
        topics[finding.level].add("peaks" if finding.check in PEAK_CHECKS else finding.name)
    fix, look = topics["fix"], topics["look"] - topics["fix"]
    where = f" in {file}" if file else ""
    if fix:
        also = f", {_things(len(look))} to check" if look else ""
        return f"Not ready: {_things(len(fix))} to fix{also}{where}."
    where += f" ({figures})" if figures else ""
    return f"Ready: nothing to fix{where}{f', {_things(len(look))} to check' if look else ''}."


def _things(count: int) -> str:
    number = _NUMBERS[count] if count < len(_NUMBERS) else str(count)
    return f"{number} thing{'' if count == 1 else 's'}"


def causes(findings: Sequence[Finding], move: Move | None) -> str:
    """What the move answers, in a sentence: how far the loudness is off, and the highest peak."""
    mends = frozenset() if move is None else move.mends
    mended = [finding for finding in findings if finding.level != "fine" and finding.name in mends]
    parts = [
        f"{finding.name.lower()} is {abs(away):.1f} LU {'over' if away > 0.0 else 'under'} the target"
        for finding in mended
        if finding.check in ("loudness", "album_loudness")
        and (finding.value is not None and finding.against is not None)
        for away in [finding.value - finding.against]
    ]
    peaks = [
        finding
        for finding in mended
        if finding.check in ("true_peak", "true_peak_after") and finding.value is not None
    ]
    why = ""
    if peaks:
        highest = min(peaks, key=lambda peak: (LEVELS.index(peak.level), -(peak.value or 0.0)))
        name = highest.name.removeprefix("True peak").strip()
        where = f" {name}" if name else ""
        parts.append(f"the true peak{where} is {level(highest.value)} dBTP (limit {level(highest.against)})")
        if highest.check == "true_peak_after" and highest.text:
            why = f" {highest.text.partition('. ')[0].rstrip('.')}."
    return f"{capital(', and '.join(parts))}.{why}" if parts else ""


def album_words(album: AlbumLevel) -> str:
    """`Low Water: −14.1 LUFS as a programme; loudest track “Lanterns”, −12.5 LUFS.`"""
    return (
        f"{album.name}: {level(album.programme_lufs)} LUFS as a programme; loudest track “{album.loudest}”, "
        f"{level(album.loudest_lufs)} LUFS."
    )


def album_move_words(moves: Sequence[Move]) -> str:
    """The one gain of an album's tracks, with the loudest track and the highest peaks among them."""
    levels = [move.integrated_lufs for move in moves if move.integrated_lufs is not None]
    peaks = [move.true_peak_dbtp for move in moves if move.true_peak_dbtp is not None]
    whole = replace(
        moves[0],
        integrated_lufs=max(levels, default=None),
        true_peak_dbtp=max(peaks, default=None),
        steps=tuple(step for move in moves for step in move.steps),
    )
    return move_words(whole, "the whole album", "loudest track ")


def move_words(move: Move, what: str = "the output", whose: str = "") -> str:
    """The one move and its proof: what was really computed at that gain."""
    by = f"Turn {what} {'down' if move.gain_db < 0.0 else 'up'} {level(abs(move.gain_db))} dB"
    steps = [(name, peak) for name, peak in move.steps if peak is not None]
    highest = max(steps, key=lambda step: step[1], default=None)
    if not move.passes:
        name, peak = highest or ("", None)
        return (
            f"Plain gain does not help: even turned down {level(-move.gain_db)} dB it peaks at "
            f"{level(peak, 2)} dBTP {placed(name)}. Try another codec setting or less limiting."
        )
    after = f", {level(highest[1], 2)} dBTP {placed(highest[0])}" if highest else ""
    proof = f"{whose}{level(move.integrated_lufs)} LUFS, {level(move.true_peak_dbtp, 2)} dBTP{after}"
    under = ""
    if move.away_lu is not None and move.away_lu < -TIE_LU:
        under = f" It is then {level(-move.away_lu)} LU under the target."
    every = "its peaks pass" if move.away_lu is None else "loudness and peaks pass"
    every = f"{every} at every step" if steps else every
    return f"{by}: then {every} (verified: {proof}).{under}"


def decided_line(
    held: Mapping[Decided, Sequence[str]], profiles: Sequence[Profile], *, named: bool = False
) -> str:
    """What the masters were held against: what was decided, and the titles of those it holds for. `named`:
    the playlist names decisions."""
    parts = []
    for decided, titles in held.items():
        whose = f"{', '.join(titles)}: " if len(held) > 1 else ""
        parts.append(f"{whose}{_numbers(decided, named)}")
    if profiles:
        parts.append(f"destinations {', '.join(profile.id for profile in profiles)}")
    else:
        parts.append("no destinations (--for ID checks codecs and players)")
    return f"Checked against: {'; '.join(parts)}."


def _numbers(decided: Decided, named: bool) -> str:
    """Target and ceiling, and where they were decided."""
    numbers: dict[str, list[str]] = {}
    if decided.target_lufs is not None:
        target = f"target {db_words(decided.target_lufs)} LUFS{TARGET_OF[decided.target_of]}"
        numbers.setdefault(decided.target_said or decided.said, []).append(target)
    if decided.ceiling_dbtp is not None:
        ceiling = f"ceiling {db_words(decided.ceiling_dbtp)} dBTP"
        numbers.setdefault(decided.ceiling_said or decided.said, []).append(ceiling)
    if not numbers:
        cure = "set them with --target and --ceiling, or --decision FILE"
        if named:
            cure = "the playlist names decisions: add --decision FILE"
        return f"no target or ceiling ({cure})"
    parts = []
    for where, words in numbers.items():
        own = f" for {decided.destination}" if decided.destination and where == decided.said else ""
        origin = f" (decided {where}{own})" if where else ""
        parts.append(f"{', '.join(words)}{origin}")
    return "; ".join(parts)


def fine_line(findings: Sequence[Finding], detail: bool) -> str:
    """What is fine, in one line: by group, with --detail every figure."""
    fine = [found for found in findings if found.level == "fine" and (found.value is not None or found.text)]
    if detail:
        return brief(found for found in fine if found.check != "player")
    groups: dict[str, list[bool]] = {}
    for finding in findings:
        if finding.check != "player" and (finding.check != "loudness" or finding.against is not None):
            groups.setdefault(_group(finding), []).append(finding.level == "fine")
    names = [
        name if all(good) else f"the rest of {name}"
        for name, good in groups.items()
        if any(good) and (all(good) or name != "peaks")
    ]
    return f"{', '.join(names)}." if names else ""


_GROUPS = {
    "file": ("sample_rate", "word_length", "dither", "upsampled"),
    "channels": ("dc", "balance", "correlation"),
    "start, end and gaps": (
        "head_silence", "tail_silence", "start", "end", "edge_clicks", "middle_silence", "dropouts",
    ),
}  # fmt: skip


def _group(finding: Finding) -> str:
    """What a check is about, in a word or two."""
    if finding.check in PEAK_CHECKS:
        return "peaks"
    if finding.check.startswith("album_"):
        return "album"
    if finding.check.startswith("tag_"):
        return "loudness tags"
    return next((name for name, checks in _GROUPS.items() if finding.check in checks), finding.name.lower())


def move_cell(move: Move | None) -> str:
    """The move in a table of masters."""
    if move is None:
        return ""
    return f"{signed(move.gain_db)} dB" if move.passes else "no gain helps"


def master_object(
    path: str,
    findings: Sequence[Finding],
    move: Move | None,
    album: AlbumLevel | None,
    decided: Decided,
    incomplete: str = "",
) -> dict[str, Any]:
    """One master of `check --json`: unrounded, in the order of the checks. `incomplete` says what could not
    be worked out, where not all could."""
    return {
        "schema": SCHEMA,
        "path": path,
        **({"incomplete": incomplete} if incomplete else {}),
        "level": worst(findings),
        "findings": [asdict(finding) for finding in findings],
        "move": None
        if move is None
        else {
            "gain_db": move.gain_db,
            "passes": move.passes,
            "integrated_lufs": move.integrated_lufs,
            "true_peak_dbtp": move.true_peak_dbtp,
            "steps": [{"step": name, "true_peak_dbtp": peak} for name, peak in move.steps],
            "mends": sorted(move.mends),
        },
        "album": None if album is None else asdict(album),
        "decided": {
            key: getattr(decided, key)
            for key in ("destination", "target_lufs", "ceiling_dbtp", "target_of", "who", "why")
        },
    }


def _number(finding: Finding, value: float) -> str:
    unit = finding.unit
    if unit == "Hz":
        return f"{value / 1000:g} kHz"
    if unit in WHOLE or finding.check in PLACES_IN_A_LIST:
        text = f"{value:.0f}"
        named = "" if unit == "events" else WHOLE.get(unit, unit) if text == "1" else unit
        return f"{text} {named}".rstrip()
    return f"{level(value, 2 if unit != '% of full scale' else 3)} {unit}".rstrip()

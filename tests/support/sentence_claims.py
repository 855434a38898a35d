"""Every claim of `compare --json`'s sentences, computed again from the numbers of the same answer.

Written from the meaning of the sentences, not from the code that makes them: each rule has a pattern that the
whole sentence must fit, and what each captured word or number must be. A sentence of an unknown rule fails.
"""

from __future__ import annotations

import re
from typing import Any

TIE, PUNCH_TIE, SHARE_TIE = 0.2, 0.5, 0.001
NUMBER = r"[+−]?\d+\.\d"


def number(text: str) -> float:
    return float(text.replace("−", "-").replace("+", ""))


def near(text: str, value: float | None) -> None:
    """A written number is the value to its one decimal."""
    assert value is not None, text
    assert abs(number(text) - value) <= 0.05 + 1e-9, f"{text} is not {value}"


def written(value: float) -> float:
    """The value as its cell in a table shows it."""
    return float(f"{value:.1f}")


def written_gap(side: dict[str, Any], key: str) -> float:
    """Loud minus open, as a reader works it out from two cells."""
    return round(written(side["loud"][key]) - written(side["open"][key]), 1)


def same(text: str, value: float) -> None:
    """A written difference is exactly that of the written figures."""
    assert number(text) == value, f"{text} is not {value}"


def percent(text: str, value: float) -> None:
    if text == "<0.1 %":
        assert 0.0 < value < 0.001
    else:
        assert abs(number(text.removesuffix(" %")) - 100.0 * value) <= 0.05 + 1e-9


def clock(text: str) -> float:
    minutes, seconds = text.split(":")
    return 60.0 * int(minutes) + float(seconds)


def at(text: str, value: float | None) -> None:
    assert value is not None
    assert 0.0 <= value - clock(text) + 1e-6 < 0.1001, f"{text} is not {value}"


class Claims:
    """One answer, and the check of each of its sentences. `checked` counts by rule."""

    def __init__(self, answer: dict[str, Any]) -> None:
        self.answer = answer
        self.loud, self.open = answer["loud"]["name"], answer["open"]["name"]
        self.checked: dict[str, int] = {}
        self.shared = answer["passages"]["shared"]

    def check(self) -> dict[str, int]:
        for one in [*self.answer["answer"], *self.answer["sentences"]]:
            self.one(one, self.answer["delivered"], None)
        for played in self.answer["played"]:
            for one in played["sentences"]:
                self.one(one, played, played)
        return self.checked

    def one(self, said: dict[str, str], side: dict[str, Any], played: dict[str, Any] | None) -> None:
        rule, text = said["rule"], said["text"]
        checker = getattr(self, f"rule_{rule}", None)
        assert checker is not None, f"no check for the rule {rule}"
        if played is None:
            checker(text, side)
        else:
            checker(text, side, played)
        self.checked[rule] = self.checked.get(rule, 0) + 1

    def fit(self, pattern: str, text: str) -> re.Match[str]:
        """NAME, NUM, SHARE and CLOCK stand for a version's name, a number, a share and a place."""
        names = "|".join(re.escape(name) for name in (self.loud, self.open))
        pattern = pattern.replace("NAME", f"({names})").replace("NUM", f"({NUMBER})")
        pattern = pattern.replace("SHARE", r"(<0\.1 %|\d+\.\d %)").replace("CLOCK", r"(\d+:\d\d\.\d)")
        found = re.fullmatch(pattern, text[:1].lower() + text[1:], re.IGNORECASE)
        assert found is not None, f"{text!r} does not fit {pattern!r}"
        return found

    def try_fit(self, pattern: str, text: str) -> re.Match[str] | None:
        try:
            return self.fit(pattern, text)
        except AssertionError:
            return None

    def order(self, gap: float) -> tuple[str, str]:
        return (self.loud, self.open) if gap >= 0.0 else (self.open, self.loud)

    # --- whatever the player ---

    # --- the answer ---

    def rule_answer_same(self, text: str, _: Any) -> None:
        difference = self.answer["difference"]
        assert difference["gain_riding_lu"] is None or difference["conversion_only"]
        assert ("a conversion" in text) is difference["conversion_only"]
        gain = difference["match_gain_db"]
        found = self.try_fit(
            r"NAME is the same audio as NAME(?: but for a conversion)?, NUM dB louder\.", text
        )
        if found is None:
            self.fit(
                r"NAME and NAME are the same audio(?: but for a conversion)?: no difference on any "
                r"player\.",
                text,
            )
            assert abs(gain) < 0.05
        else:
            near(found[3], abs(gain))
            assert (found[1], found[2]) == self.order(-gain)

    def rule_answer_gain(self, text: str, side: Any) -> None:
        gap = written_gap(side, "integrated_lufs")
        where = r"(?:where nothing is normalised|as delivered)"
        if abs(gap) <= TIE:
            self.fit(rf"NAME and NAME are equally loud {where}\.", text)
            return
        found = self.fit(rf"NAME is NUM LU louder than NAME {where}\.", text)
        assert (found[1], found[3]) == self.order(gap)
        same(found[2], abs(gap))

    def rule_answer_left(self, text: str, side: Any) -> None:
        before = written_gap(side, "integrated_lufs")
        sign = 1.0 if before >= 0.0 else -1.0
        loud, open_ = self.order(before)
        players = self.answer["played"]
        left = [sign * written_gap(one, "integrated_lufs") for one in players]
        if len(players) > 1:
            self.on_players(text, abs(before), left, loud, open_)
            return
        loudest = sign * written_gap(players[0], "loudest_passage_lufs")
        who = r"(?:on this player|this player changes no levels, (?:so|and))"
        tail = (
            r"(?:, (in the loudest passage too)|, (but nothing) in the loudest passage"
            r"|, (?:and|but) NAME is NUM LU louder in the loudest passage"
            r"|, and NUM LU in the loudest passage)"
        )
        assert ("changes no levels" in text) is (players[0]["target_lufs"] is None)
        if abs(before) <= TIE:
            found = self.fit(rf"{who} (?:they are too|NAME is NUM LU louder){tail}\.", text)
            assert (found[1] is None) is (abs(left[0]) <= TIE)
            louder, amount = found[1], found[2]
            rest = 3
        else:
            found = self.fit(
                rf"{who} (?:(that is gone)|it turns round: NAME is NUM LU louder|that grows to NUM LU"
                rf"|(all of that remains)|NUM LU of that remains){tail}\.", text,
            )  # fmt: skip
            gone, louder, turned, grown, whole, smaller = (found[place] for place in range(1, 7))
            assert (gone is not None) is (abs(left[0]) <= TIE)
            assert (louder is not None) is (left[0] < -TIE)
            assert (grown is not None) is (left[0] > abs(before) + TIE + 1e-9)
            assert (whole is not None) is (abs(left[0] - abs(before)) <= TIE + 1e-9 and left[0] > TIE)
            assert (smaller is not None) is (TIE < left[0] < abs(before) - TIE - 1e-9)
            amount, rest = turned or grown or smaller, 7
        if louder is not None:
            assert louder == (loud if left[0] > 0.0 else open_)
        if amount is not None:
            same(amount, abs(left[0]))
        too, nothing, name, number_, only = (found[rest + place] for place in range(5))
        assert (too is not None or nothing is not None) is (abs(loudest) <= TIE)
        assert too is None or abs(left[0]) <= TIE
        assert nothing is None or abs(left[0]) > TIE
        if name is not None:
            assert name == (loud if loudest > 0.0 else open_)
        if only is not None:
            assert (loudest > 0.0) is (left[0] > 0.0)
            assert abs(left[0]) > TIE
        if number_ or only:
            same(number_ or only, abs(loudest))

    def on_players(self, text: str, before: float, left: list[float], loud: str, open_: str) -> None:
        """Each count of players, and the span of what they leave."""
        cases: dict[str, list[float]] = {}
        for value in left:
            if abs(value) <= TIE:
                case = "gone"
            elif value < 0.0:
                case = "reversed"
            elif value > before + TIE + 1e-9:
                case = "widened"
            else:
                case = "whole" if value >= before - TIE - 1e-9 else "smaller"
            cases.setdefault(case, []).append(abs(value))
        span = rf"({NUMBER})(?: to ({NUMBER}))? LU"
        words = {
            "gone": "(?:that is gone|they are too)",
            "whole": "all of that remains",
            "smaller": f"{span} of that remains",
            "widened": f"(?:that grows to|{re.escape(loud)} is) {span}",
            "reversed": f"(?:it turns round: )?{re.escape(open_)} is {span} louder",
        }
        for case, values in cases.items():
            count = r"on (?:all )?(\d+)(?: of \d+)?(?: players)? "
            found = re.search(count + words[case], text, re.IGNORECASE)
            assert found is not None, (case, text)
            assert int(found[1]) == len(values)
            if found.lastindex and found.lastindex > 1:
                same(found[2], min(values))
                same(found[3] or found[2], max(values))
        assert str(len(left)) in text

    def rule_answer_cost(self, text: str, side: Any) -> None:
        gap = written_gap(side, "integrated_lufs")
        pairs = [("loud", "open"), ("open", "loud")] if abs(gap) <= TIE else (
            [("loud", "open")] if gap > 0.0 else [("open", "loud")]
        )  # fmt: skip
        wanted = []
        for worse, better in pairs:
            a, b = side[worse], side[better]
            peaks, span = written(b["punch_db"]) - written(a["punch_db"]), None
            if b["contrast_lu"] is not None and a["contrast_lu"] is not None:
                span = written(b["contrast_lu"]) - written(a["contrast_lu"])
            parts = [f"{peaks:.1f} dB of peaks (PLR)"] if peaks > PUNCH_TIE + 1e-9 else []
            parts += [f"{span:.1f} LU of loud–quiet span"] if span is not None and span > TIE + 1e-9 else []
            overs = a["over_count"] - b["over_count"]
            if overs > 0:
                more = " more" if b["over_count"] else ""
                parts.append(f"{overs}{more} over{'s' if overs > 1 else ''}")
            who = self.answer[worse]["name"]
            if parts:
                costs = f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else parts[0]
                wanted.append(f"{who} costs {costs}.")
        if not wanted:
            assert text.endswith("PLR, loud–quiet span or overs.")
            assert text.startswith(f"{who} costs no" if len(pairs) == 1 else "Neither costs any")
        else:
            assert text == " ".join(wanted)

    def rule_roles(self, text: str, side: Any) -> None:
        found = self.fit(r"named the other way round: NAME is the louder one\.", text)
        assert found[1] == self.loud
        assert written_gap(side, "integrated_lufs") >= 0.0
        assert self.answer["versions"][0]["name"] == self.open

    # --- whatever the player ---

    def rule_alignment(self, text: str, _: Any) -> None:
        assert text == self.answer["alignment"]["reason"]

    def rule_no_difference(self, text: str, _: Any) -> None:
        found = self.answer["alignment"]
        assert found["kind"] != "aligned" or (found["agreeing_share"] < 0.9 and not found["pieces"])
        assert self.answer["difference"] is None
        assert "no difference signal" in text

    def rule_passages(self, text: str, _: Any) -> None:
        found = self.fit(r"loudest passage: 3 s from CLOCK of NAME; quietest: 3 s from CLOCK\.", text)
        assert self.shared
        assert found[2] == self.open
        at(found[1], self.answer["passages"]["loudest"]["open_start_s"])
        at(found[3], self.answer["passages"]["quietest"]["open_start_s"])

    def rule_passages_shared(self, text: str, _: Any) -> None:
        found = self.fit(
            "both passages were picked from NAME and measured at the same moments in NAME.", text
        )
        assert self.shared
        assert (found[1], found[2]) == (self.open, self.loud)

    def rule_mono(self, text: str, _: Any) -> None:
        self.fit(
            r"NAME is mono: one channel reads 3\.0 LU lower than the same sound on two loudspeakers, and so "
            r"do all its levels here\.",
            text,
        )

    def rule_delivered(self, text: str, side: Any) -> None:
        gap = written_gap(side, "integrated_lufs")
        levels = [side[place]["integrated_lufs"] for place in ("loud", "open")]
        if abs(gap) <= TIE:
            found = self.fit(
                r"as delivered, NAME and NAME are equally loud overall \(NUM and NUM LUFS\)\.", text
            )
            assert (found[1], found[2]) == (self.loud, self.open)
            near(found[3], levels[0])
            near(found[4], levels[1])
            return
        found = self.fit(
            r"as delivered, NAME is NUM LU louder than NAME overall \(NUM and NUM LUFS\): that is the "
            r"difference heard wherever nothing is normalised\.",
            text,
        )
        assert (found[1], found[3]) == self.order(gap)
        same(found[2], abs(gap))
        numbers = (found[4], found[5])
        for shown, value in zip(numbers, levels if gap >= 0.0 else levels[::-1], strict=True):
            near(shown, value)

    def rule_delivered_passages(self, text: str, side: Any) -> None:
        words = r"(as loud|NUM LU (louder|quieter))"
        found = self.fit(
            f"as delivered, NAME is {words} (as|than) NAME in the loudest passage and {words} in the "
            r"quietest(?:, each at its own passages)?\.",
            text,
        )
        for place, key in ((2, "loudest_passage_lufs"), (7, "quietest_passage_lufs")):
            gap = written_gap(side, key)
            if abs(gap) <= TIE:
                assert found[place] == "as loud"
            else:
                same(found[place + 1], abs(gap))
                assert found[place + 2] == ("louder" if gap > 0.0 else "quieter")
        assert (found[5] == "as") is (found[2] == "as loud")

    def punch(self, text: str, side: Any, key: str, what: str) -> None:
        values = [side[place][key] for place in ("loud", "open")]
        gap = written_gap(side, key)
        assert abs(side["loud_minus_open"][key] - (values[0] - values[1])) < 1e-9
        if abs(gap) <= PUNCH_TIE:
            found = self.fit(rf"both keep the same {what}: NUM dB for NAME, NUM dB for NAME\.", text)
            near(found[1], values[0])
            near(found[3], values[1])
            return
        found = self.fit(
            rf"NAME keeps NUM dB more {what} than NAME: NUM vs NUM dB\. Turning a track up or down does not "
            r"change that\.",
            text,
        )
        assert (found[1], found[3]) == self.order(gap)
        same(found[2], abs(gap))
        near(found[4], max(values))
        near(found[5], min(values))

    def rule_punch(self, text: str, side: Any) -> None:
        self.punch(text, side, "punch_db", r"peak-to-loudness ratio \(PLR, overs capped at 0 dBTP\)")
        for place in ("loud", "open"):
            held = min(side[place]["true_peak_dbtp"], 0.0) - side[place]["integrated_lufs"]
            assert abs(side[place]["punch_db"] - held) < 1e-9

    def rule_punch_short(self, text: str, side: Any) -> None:
        what = r"peak above the 3 s around it \(median PSR\)"
        self.punch(text, side, "median_peak_to_short_term_db", what)

    def rule_contrast(self, text: str, side: Any) -> None:
        values = []
        for place in ("loud", "open"):
            values.append(side[place]["loudest_passage_lufs"] - side[place]["quietest_passage_lufs"])
            assert abs(values[-1] - side[place]["contrast_lu"]) < 1e-9
        gap = written_gap(side, "contrast_lu")
        where = r"(?:same moments in both|each at its own passages)"
        if abs(gap) <= TIE:
            found = self.fit(rf"both have the same loud–quiet span \(NUM and NUM LU; {where}\)\.", text)
            near(found[1], max(values))
            near(found[2], min(values))
            return
        found = self.fit(
            rf"NAME has a loud–quiet span NUM LU wider than NAME \(NUM vs NUM LU; {where}\)\.", text
        )
        assert (found[1], found[3]) == self.order(gap)
        same(found[2], abs(gap))
        near(found[4], max(values))
        near(found[5], min(values))

    def rule_ceiling(self, text: str, side: Any) -> None:
        loud, open_ = (side[place]["share_at_ceiling"] for place in ("loud", "open"))
        if abs(loud - open_) <= SHARE_TIE:
            found = self.fit(
                r"both spend as much time within 0\.1 dB of their own peak: NAME SHARE, NAME SHARE of the "
                r"samples\.",
                text,
            )
            percent(found[2], loud)
            percent(found[4], open_)
            return
        found = self.fit(
            r"NAME spends SHARE of its samples within 0\.1 dB of its own peak, NAME SHARE\.", text
        )
        assert (found[1], found[3]) == self.order(loud - open_)
        percent(found[2], max(loud, open_))
        percent(found[4], min(loud, open_))

    def rule_difference(self, text: str, _: Any) -> None:
        found = self.fit(
            r"with NAME (?:unchanged|turned (up|down) NUM dB to match), (?:the difference signal sits NUM LU "
            r"below NAME|the two are identical: only the level differs)\.",
            text,
        )
        difference = self.answer["difference"]
        gain = difference["match_gain_db"]
        assert found[1] == self.loud
        if found[2] is None:
            assert abs(gain) < 0.05
        else:
            assert (found[2] == "up") is (gain > 0.0)
            near(found[3], abs(gain))
        if difference["gain_riding_lu"] is None:
            assert found[4] is None
        else:
            near(found[4], -difference["residual_lu"])
            assert found[5] == self.open

    def rule_difference_split(self, text: str, _: Any) -> None:
        found = self.fit(
            r"SHARE is gain movement \(NUM LU down\); the rest is (filtering or )?waveform change "
            r"\(NUM LU down\)\.",
            text,
        )
        difference = self.answer["difference"]
        assert not difference["tonal_balance_differs"]
        percent(found[1], difference["gain_riding_share"])
        near(found[2], -difference["gain_riding_lu"])
        near(found[4], -difference["waveform_change_lu"])
        powers = [10.0 ** (difference[key] / 10.0) for key in ("gain_riding_lu", "waveform_change_lu")]
        assert abs(powers[0] / sum(powers) - difference["gain_riding_share"]) < 1e-6

    def rule_difference_tonal(self, text: str, _: Any) -> None:
        found = self.fit(
            r"a fixed filter explains SHARE: the tonal balance differs, which is not limiting\.",
            text,
        )
        assert self.answer["difference"]["tonal_balance_differs"]
        assert self.answer["difference"]["linear_filter_share"] > 0.5
        percent(found[1], self.answer["difference"]["linear_filter_share"])

    def rule_difference_conversion(self, text: str, _: Any) -> None:
        assert self.answer["difference"]["conversion_only"]
        found = self.fit(r".*A change below that floor of NUM LU would not show\.", text)
        near(found[1], self.answer["difference"]["residual_lu"])

    def rule_difference_no_rank(self, text: str, _: Any) -> None:
        assert self.answer["difference"]["residual_lu"] is not None
        assert "A bigger difference is not a worse master" in text

    def rule_open_quiet(self, text: str, side: Any) -> None:
        more = -written_gap(side, "contrast_lu")
        if abs(more) <= TIE:
            self.fit(r"car or street noise masks the quiet passages of both alike\.", text)
        else:
            found = self.fit(r"the price of NAME: car or street noise masks its quiet passages first\.", text)
            assert found[1] == (self.open if more > 0.0 else self.loud)

    def rule_caution(self, text: str, side: Any) -> None:
        self.fit(r"turn your monitors down before you hear both as delivered\.", text)
        assert abs(written_gap(side, "integrated_lufs")) > TIE

    def rule_caution_ears(self, text: str, side: Any) -> None:
        assert "cannot know how loud it is at your ears" in text
        assert abs(written_gap(side, "integrated_lufs")) > TIE

    # --- on one player ---

    def rule_played(self, text: str, side: Any, _: Any) -> None:
        gap = written_gap(side, "integrated_lufs")
        turned = r"(unchanged|turned (?:up|down) NUM dB)"
        gains = rf"\(NAME {turned}, NAME {turned}\)"
        if abs(gap) <= TIE:
            found = self.fit(rf"on this player both play at the same loudness overall {gains}\.", text)
            first = 1
        else:
            found = self.fit(
                rf"on this player NAME is NUM LU louder than NAME overall {gains}"
                r"(?:, within the ±\d\.\d dB to allow for)?\.",
                text,
            )
            assert (found[1], found[3]) == self.order(gap)
            same(found[2], abs(gap))
            assert (", within the ±" in text) is (
                side["target_lufs"] is not None and abs(gap) <= side["uncertainty_db"]
            )
            first = 4
        for place, name in ((first, "loud"), (first + 3, "open")):
            assert found[place] == self.answer[name]["name"]
            gain = side[name]["gain_db"]
            if abs(gain) < 0.05:
                assert found[place + 1] == "unchanged"
            else:
                assert found[place + 1].startswith("turned up" if gain > 0.0 else "turned down")
                near(found[place + 2], abs(gain))

    def rule_left(self, text: str, side: Any, _: Any) -> None:
        before = written_gap(self.answer["delivered"], "integrated_lufs")
        after = written_gap(side, "integrated_lufs")
        start = "of NAME’s NUM LU advantage as delivered, "
        left = after if before >= 0.0 else -after
        if abs(after) <= TIE:
            found = self.fit(rf"{start}nothing remains as played\.", text)
        elif "widens" in text:
            wider = self.fit(
                "as delivered NAME is NUM LU louder, as played NUM LU: this player widens the difference.",
                text,
            )
            same(wider[2], abs(before))
            same(wider[3], left)
            assert wider[1] == self.order(before)[0]
            assert number(wider[3]) > number(wider[2])
            return
        elif left > 0.0:
            assert left <= abs(before), "more is left than there was"
            found = self.fit(rf"{start}NUM LU remains as played\.", text)
            same(found[3], left)
        else:
            found = self.fit(rf"{start}nothing remains: as played NAME is NUM LU louder\.", text)
            assert found[3] == self.order(before)[1]
            same(found[4], -left)
        assert found[1] == self.order(before)[0]
        same(found[2], abs(before))

    def passage(self, text: str, side: Any, which: str) -> None:
        gap = written_gap(side, f"{which}_passage_lufs")
        place = r"(?:from CLOCK of NAME, the same moment in both|each at its own)"
        match = r"(no gain applied|each with its (?:track|album) gain applied)"
        start = rf"in the {which} passage \({place}; {match}\) "
        if abs(gap) <= TIE:
            found = self.fit(rf"{start}both are equally loud\.", text)
        else:
            found = self.fit(
                rf"{start}NAME is NUM LU louder than NAME(: one gain is set for the whole (track|album), not "
                rf"per section)?\.",
                text,
            )
            assert (found[4], found[6]) == self.order(gap)
            same(found[5], abs(gap))
            assert found[8] in (None, "album" if "album" in found[3] else "track")
        assert (found[3] == "no gain applied") is (side["target_lufs"] is None)
        if self.shared:
            at(found[1], self.answer["passages"][which]["open_start_s"])

    def rule_played_loudest(self, text: str, side: Any, _: Any) -> None:
        self.passage(text, side, "loudest")

    def rule_played_quietest(self, text: str, side: Any, _: Any) -> None:
        self.passage(text, side, "quietest")

    def rule_anywhere(self, text: str, side: Any, _: Any) -> None:
        most, least = (side["loud_minus_open"][key] for key in ("most", "least"))
        start = rf"moment to moment, near-silence aside, {re.escape(self.loud)} is "
        louder = self.try_fit(rf"{start}up to NUM LU louder \(at CLOCK\).*", text)
        quieter = self.try_fit(rf"{start}(?:.*and )?up to NUM LU quieter \(at CLOCK\).*", text)
        assert (louder is not None) is (most["difference_lu"] > TIE)
        assert (quieter is not None) is (least["difference_lu"] < -TIE)
        if louder is not None:
            near(louder[1], most["difference_lu"])
            at(louder[2], most["open_s"])
        if quieter is not None:
            near(quieter[1], -least["difference_lu"])
            at(quieter[2], least["open_s"])
        assert ("never more than 0.2 LU louder" in text) is (louder is None)
        assert ("never more than 0.2 LU quieter" in text) is (quieter is None)
        for key in ("loudest_passage_lu", "quietest_passage_lu"):
            value = side["loud_minus_open"][key]
            assert least["difference_lu"] - 1e-6 <= value <= most["difference_lu"] + 1e-6

    def rule_no_level_difference(self, text: str, side: Any, _: Any) -> None:
        gap = side["loud_minus_open"]
        values = [gap[key] for key in ("integrated_lu", "loudest_passage_lu", "quietest_passage_lu")]
        values += [gap[key]["difference_lu"] for key in ("most", "least")]
        assert all(abs(value) <= TIE for value in values), text

    def rule_headroom(self, text: str, side: Any, _: Any) -> None:
        shortfalls = side["target_shortfall_lu"]
        taker = (
            r"(?:the encoding|the conversion|the player's limiter|the clipping D/A converter|"
            r"the encoding and the player's limiter)"
        )
        for pattern, reason in (
            ("NAME has no headroom to go up, so it ends up NUM LU under target.", "headroom"),
            ("NAME can go up only NUM dB before its peaks hit the player's ceiling, so it ends up NUM LU "
             "under target.", "headroom"),
            ("NAME is NUM LU under target, and this player never raises a level.", "no_upward_gain"),
            (f"{taker} keeps? NAME NUM LU under target.", "nothing"),
        ):  # fmt: skip
            found = self.try_fit(pattern, text)
            if found is not None:
                place = "loud" if found[1] == self.loud else "open"
                near(found[found.lastindex or 0], shortfalls[place])
                if found.lastindex == 3:
                    near(found[2], side[place]["gain_db"])
                assert side["limited_by"][place] == reason
                return
        album = self.try_fit(
            "the album with NAME (?:has no headroom to go up, so it ends up|can go up only NUM dB before its "
            "highest peak hits the player's ceiling, so it ends up|is) NUM LU under target(?:, and this "
            "player never raises a level)?; NAME itself ends up NUM LU (under|over).",
            text,
        )  # fmt: skip
        if album is not None:
            place = "loud" if album[1] == self.loud else "open"
            assert album[4] == album[1]
            away = side["target_lufs"] - side[place]["integrated_lufs"]
            near(album[5], abs(away))
            assert album[6] == ("under" if away > 0.0 else "over")
            return
        takes = self.try_fit(f"{taker} costs? NAME NUM LU.", text)
        if takes is not None:
            place = "loud" if takes[1] == self.loud else "open"
            plain = self.answer["delivered"][place]["integrated_lufs"] + side[place]["gain_db"]
            near(takes[2], plain - side[place]["integrated_lufs"])
            return
        found = self.try_fit(
            "(?:raised by this player, NAME hits its limiter|the player's limiter acts on NAME): gain "
            "reduction up to NUM dB, over 1 dB for SHARE of the time.",
            text,
        )
        if found is not None:
            place = "loud" if self.loud in (found[1], found[2]) else "open"
            assert (found[1] is not None) is (side[place]["gain_db"] >= 0.05)
            limiter = side["limiter"][place]
            near(found[3], limiter["max_reduction_db"])
            percent(found[4], limiter["share_over_1_db"])
            return
        found = self.fit("raised with no peak protection, NAME peaks at NUM dBTP and clips.", text)
        place = "loud" if found[1] == self.loud else "open"
        assert side[place]["gain_db"] > 0.0
        near(found[2], side[place]["true_peak_dbtp"])

    def rule_stays_quieter(self, text: str, side: Any, _: Any) -> None:
        found = self.fit(
            r"this player keeps peaks below NUM dB(?:TP|FS)\. NAME has the higher PLR, so it plays NUM LU "
            r"quieter than NAME\.",
            text,
        )
        gap = written_gap(side, "integrated_lufs")
        louder, other = self.order(gap)
        assert (found[2], found[4]) == (other, louder)
        same(found[3], abs(gap))
        low, high = ("open", "loud") if gap > 0.0 else ("loud", "open")
        assert side["limited_by"][low] in ("headroom", "ceiling")
        assert side[low]["peak_to_loudness_db"] > side[high]["peak_to_loudness_db"] - 1e-6

    def rule_unused_headroom(self, text: str, side: Any, _: Any) -> None:
        room = r"NUM dB (over|below) full scale"
        found = self.fit(rf"as played, NAME peaks {room} and NAME {room}\.", text)
        assert (found[1], found[4]) == (self.loud, self.open)
        for place, name in ((2, "loud"), (5, "open")):
            peak = side[name]["true_peak_dbtp"]
            near(found[place], abs(peak))
            assert (found[place + 1] == "over") is (peak > 0.0)

    def rule_overs(self, text: str, side: Any, _: Any) -> None:
        peak = r"\((?:peaks up to NUM dBTP|peaks less than 0\.1 dB over full scale)\)"
        found = self.fit(
            rf"NAME has (no|\d+) inter-sample overs? as delivered {peak} and (none|\d+) as played {peak}\.",
            text,
        )
        place = "loud" if found[1] == self.loud else "open"
        for words, shown, state in (
            (found[2], found[3], self.answer["delivered"][place]),
            (found[4], found[5], side[place]),
        ):
            assert (0 if words in ("no", "none") else int(words)) == state["over_count"]
            if shown is None:
                assert 0.0 < state["true_peak_dbtp"] < 0.1
            else:
                near(shown, state["true_peak_dbtp"])
            assert (state["over_count"] > 0) is (state["true_peak_dbtp"] > 0.0)

    def rule_uncertainty(self, text: str, side: Any, _: Any) -> None:
        assert side["target_lufs"] is not None
        near(self.fit(r".*(?:count on|allow) ±NUM dB\.", text)[1], side["uncertainty_db"])

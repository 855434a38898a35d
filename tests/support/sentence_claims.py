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
        for one in self.answer["sentences"]:
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

    def rule_alignment(self, text: str, _: Any) -> None:
        assert text == self.answer["alignment"]["reason"]

    def rule_no_difference(self, text: str, _: Any) -> None:
        found = self.answer["alignment"]
        assert found["kind"] != "aligned" or (found["agreeing_share"] < 0.9 and not found["pieces"])
        assert self.answer["difference"] is None
        assert "no residual" in text

    def rule_passages(self, text: str, _: Any) -> None:
        found = self.fit(
            "loudest passage: the 3 s from CLOCK of NAME; quietest: the 3 s from CLOCK. Both were chosen "
            "there, and are read at the same moments of NAME.",
            text,
        )
        assert self.shared
        assert (found[2], found[4]) == (self.open, self.loud)
        at(found[1], self.answer["passages"]["loudest"]["open_start_s"])
        at(found[3], self.answer["passages"]["quietest"]["open_start_s"])

    def rule_mono(self, text: str, _: Any) -> None:
        self.fit(
            r"NAME is mono: one channel reads 3\.0 LU lower than the same sound on two loudspeakers, and so "
            r"does "
            r"every figure of it here\.",
            text,
        )

    def rule_delivered(self, text: str, side: Any) -> None:
        gap = side["loud_minus_open"]["integrated_lu"]
        levels = [side[place]["integrated_lufs"] for place in ("loud", "open")]
        if abs(gap) <= TIE:
            found = self.fit(
                r"as delivered, over the whole track, NAME and NAME are equally loud \(NUM and NUM LUFS\)\.",
                text,
            )
            assert (found[1], found[2]) == (self.loud, self.open)
            near(found[3], levels[0])
            near(found[4], levels[1])
            return
        found = self.fit(
            r"as delivered, over the whole track, NAME is NUM LU louder than NAME \(NUM and NUM LUFS\): "
            r"so much "
            r"is heard wherever nothing is normalised\.",
            text,
        )
        assert (found[1], found[3]) == self.order(gap)
        near(found[2], abs(gap))
        numbers = (found[4], found[5])
        for written, value in zip(numbers, levels if gap >= 0.0 else levels[::-1], strict=True):
            near(written, value)

    def rule_delivered_passages(self, text: str, side: Any) -> None:
        words = r"(level with|NUM LU (above|below))"
        found = self.fit(f"as delivered, NAME lies {words} NAME in the loudest passage and {words} it in the "
                         r"quietest(?:, each at its own passages)?\.", text)  # fmt: skip
        for place, key in ((2, "loudest_passage_lu"), (6, "quietest_passage_lu")):
            gap = side["loud_minus_open"][key]
            if abs(gap) <= TIE:
                assert found[place] == "level with"
            else:
                near(found[place + 1], abs(gap))
                assert found[place + 2] == ("above" if gap > 0.0 else "below")

    def punch(self, text: str, side: Any, key: str, what: str) -> None:
        gap, values = side["loud_minus_open"][key], [side[place][key] for place in ("loud", "open")]
        assert abs(gap - (values[0] - values[1])) < 1e-9
        if abs(gap) <= PUNCH_TIE:
            found = self.fit(
                rf"the peaks of both stand equally far {what}: NUM dB for NAME, NUM dB for NAME\)\.", text
            )
            near(found[1], values[0])
            near(found[3], values[1])
            return
        found = self.fit(
            rf"the peaks of NAME stand NUM dB further {what}: NUM against NUM dB for NAME\); a plain gain "
            rf"of the "
            r"player does not change that\.",
            text,
        )
        assert (found[1], found[5]) == self.order(gap)
        near(found[2], abs(gap))
        near(found[3], max(values))
        near(found[4], min(values))

    def rule_punch(self, text: str, side: Any) -> None:
        self.punch(text, side, "punch_db", r"above the loudness of the whole track \(PLR, overs not counted")
        for place in ("loud", "open"):
            held = min(side[place]["true_peak_dbtp"], 0.0) - side[place]["integrated_lufs"]
            assert abs(side[place]["punch_db"] - held) < 1e-9

    def rule_punch_short(self, text: str, side: Any) -> None:
        self.punch(text, side, "median_peak_to_short_term_db", r"above the 3 s around them \(median PSR")

    def rule_contrast(self, text: str, side: Any) -> None:
        values = []
        for place in ("loud", "open"):
            values.append(side[place]["loudest_passage_lufs"] - side[place]["quietest_passage_lufs"])
            assert abs(values[-1] - side[place]["contrast_lu"]) < 1e-9
        gap = values[0] - values[1]
        where = r"(?:the same moments of both|each at its own passages)"
        if abs(gap) <= TIE:
            found = self.fit(
                rf"from the quietest to the loudest passage both rise by as much \(NUM and NUM LU; "
                rf"{where}\)\.",
                text,
            )
            near(found[1], max(values))
            near(found[2], min(values))
            return
        found = self.fit(
            r"from the quietest to the loudest passage NAME rises by NUM LU more than NAME \(NUM against "
            r"NUM LU; "
            rf"{where}\)\.",
            text,
        )
        assert (found[1], found[3]) == self.order(gap)
        near(found[2], abs(gap))
        near(found[4], max(values))
        near(found[5], min(values))

    def rule_ceiling(self, text: str, side: Any) -> None:
        loud, open_ = (side[place]["share_at_ceiling"] for place in ("loud", "open"))
        if abs(loud - open_) <= SHARE_TIE:
            found = self.fit(
                r"both spend as much time at their own ceiling \(within 0\.1 dB of the highest sample\): "
                r"NAME SHARE, "
                r"NAME SHARE of the samples\.",
                text,
            )
            percent(found[2], loud)
            percent(found[4], open_)
            return
        found = self.fit(
            r"NAME spends SHARE of its samples at its own ceiling \(within 0\.1 dB of the highest one\), "
            r"NAME SHARE\.",
            text,
        )
        assert (found[1], found[3]) == self.order(loud - open_)
        percent(found[2], max(loud, open_))
        percent(found[4], min(loud, open_))

    def rule_difference(self, text: str, _: Any) -> None:
        found = self.fit(
            r"matched by one gain of NUM dB on NAME \(least squares of the K-weighted signals, over the "
            r"CLOCK that both "
            r"hold\), (?:their difference lies NUM LU below NAME|the two are the same: nothing differs but "
            r"the level)\.",
            text,
        )
        difference = self.answer["difference"]
        near(found[1], difference["match_gain_db"])
        assert found[2] == self.loud
        at(found[3], difference["common_seconds"])
        if difference["gain_riding_lu"] is None:
            assert found[4] is None
        else:
            near(found[4], -difference["residual_lu"])
            assert found[5] == self.open

    def rule_difference_split(self, text: str, _: Any) -> None:
        found = self.fit(
            r"SHARE of its power is gain riding \(a level that moves, NUM LU below\), the rest is "
            r"(?:a filter or )?a changed waveform "
            r"\(NUM LU below\)\.",
            text,
        )
        difference = self.answer["difference"]
        assert not difference["tonal_balance_differs"]
        percent(found[1], difference["gain_riding_share"])
        near(found[2], -difference["gain_riding_lu"])
        near(found[3], -difference["waveform_change_lu"])
        powers = [10.0 ** (difference[key] / 10.0) for key in ("gain_riding_lu", "waveform_change_lu")]
        assert abs(powers[0] / sum(powers) - difference["gain_riding_share"]) < 1e-6

    def rule_difference_tonal(self, text: str, _: Any) -> None:
        found = self.fit(
            r"a fixed filter explains more than half of that residual \(SHARE of it\): the tonal balance "
            r"differs; the "
            r"residual is not attributed to limiting\.",
            text,
        )
        assert self.answer["difference"]["tonal_balance_differs"]
        assert self.answer["difference"]["linear_filter_share"] > 0.5
        percent(found[1], self.answer["difference"]["linear_filter_share"])

    def rule_difference_conversion(self, text: str, _: Any) -> None:
        assert self.answer["difference"]["conversion_only"]
        found = self.fit(r".*could not be seen\.", text)
        assert found
        assert f"{self.answer['difference']['residual_lu']:.1f}".replace("-", "−") in text

    def rule_difference_no_rank(self, text: str, _: Any) -> None:
        assert self.answer["difference"]["residual_lu"] is not None
        assert "does not rank quality" in text

    def rule_open_quiet(self, text: str, side: Any) -> None:
        found = self.fit(
            r"the quietest passage of NAME lies NUM LU below its loudest, that of NAME NUM LU \(.*, before "
            r"any gain\)\. "
            r"(That is what|So the noise|That is a tie).*\.",
            text,
        )
        contrasts = side["open"]["contrast_lu"], side["loud"]["contrast_lu"]
        near(found[2], contrasts[0])
        near(found[4], contrasts[1])
        more = contrasts[0] - contrasts[1]
        wanted = "That is what" if more > TIE else "So the noise" if more < -TIE else "That is a tie"
        assert found[5] == wanted

    def rule_caution(self, text: str, side: Any) -> None:
        gap = side["loud_minus_open"]["integrated_lu"]
        found = self.fit(r"before you listen: as delivered, NAME comes NUM LU louder than NAME, so .*", text)
        assert abs(gap) > TIE
        assert (found[1], found[3]) == self.order(gap)
        near(found[2], abs(gap))

    # --- through one player ---

    def rule_played(self, text: str, side: Any, _: Any) -> None:
        gap = side["loud"]["integrated_lufs"] - side["open"]["integrated_lufs"]
        turned = r"(left as it is|turned (?:up|down) by NUM dB)"
        gains = rf"\(NAME {turned}, NAME {turned}\)"
        if abs(gap) <= TIE:
            found = self.fit(
                rf"through this player both play equally loud over the whole track {gains}\.", text
            )
            first = 1
        else:
            found = self.fit(
                rf"through this player NAME plays NUM LU louder than NAME over the whole track {gains}"
                r"(?:, within the ±\d\.\d dB by which real players differ)?\.",
                text,
            )
            assert (found[1], found[3]) == self.order(gap)
            near(found[2], abs(gap))
            assert (", within the ±" in text) is (
                side["target_lufs"] is not None and abs(gap) <= side["uncertainty_db"]
            )
            first = 4
        for place, name in ((first, "loud"), (first + 3, "open")):
            assert found[place] == self.answer[name]["name"]
            gain = side[name]["gain_db"]
            if abs(gain) < 0.05:
                assert found[place + 1] == "left as it is"
            else:
                assert found[place + 1].startswith("turned up" if gain > 0.0 else "turned down")
                near(found[place + 2], abs(gain))

    def rule_left(self, text: str, side: Any, _: Any) -> None:
        before = self.answer["delivered"]["loud_minus_open"]["integrated_lu"]
        after = side["loud_minus_open"]["integrated_lu"]
        start = "of the NUM LU by which NAME is louder as delivered, "
        left = after if before >= 0.0 else -after
        if abs(after) <= TIE:
            found = self.fit(rf"{start}the player's gains leave a tie over the whole track\.", text)
        elif "widens" in text:
            wider = self.fit(
                "as delivered NAME is NUM LU louder, and over the whole track as played NUM LU: this player "
                "widens the difference.",
                text,
            )
            near(wider[2], abs(before))
            near(wider[3], left)
            assert wider[1] == self.order(before)[0]
            assert number(wider[3]) > number(wider[2])
            return
        elif left > 0.0:
            assert left <= abs(before) + 0.1, "more is left than there was"
            found = self.fit(rf"{start}NUM LU are left over the whole track as played\.", text)
            near(found[3], left)
        else:
            found = self.fit(rf"{start}none are left: over the whole track NAME plays NUM LU louder\.", text)
            near(found[4], -left)
        near(found[1], abs(before))
        assert found[2] == self.order(before)[0]

    def passage(self, text: str, side: Any, which: str) -> None:
        key = f"{which}_passage"
        gap = side["loud"][f"{key}_lufs"] - side["open"][f"{key}_lufs"]
        place = r"(?:from CLOCK of NAME, the same moment in both|each at its own)"
        match = r"(neither turned|each turned by its whole-track gain|each turned by its album’s gain)"
        start = rf"in the {which} passage \({place}; {match}\) "
        if abs(gap) <= TIE:
            found = self.fit(rf"{start}the two play equally loud\.", text)
        else:
            found = self.fit(
                rf"{start}NAME plays NUM LU louder than NAME(: the gain is set over the whole "
                rf"(track|album), not for a verse)?\.",
                text,
            )
            assert (found[4], found[6]) == self.order(gap)
            near(found[5], abs(gap))
            assert found[8] in (None, "album" if "album" in found[3] else "track")
        assert (found[3] == "neither turned") is (side["target_lufs"] is None)
        if self.shared:
            at(found[1], self.answer["passages"][which]["open_start_s"])

    def rule_played_loudest(self, text: str, side: Any, _: Any) -> None:
        self.passage(text, side, "loudest")

    def rule_played_quietest(self, text: str, side: Any, _: Any) -> None:
        self.passage(text, side, "quietest")

    def rule_anywhere(self, text: str, side: Any, _: Any) -> None:
        most, least = (side["loud_minus_open"][key] for key in ("most", "least"))
        start = rf"moment by moment \(near-silence aside\), [a-z’ -]+, {re.escape(self.loud)} plays "
        louder = self.try_fit(rf"{start}louder by NUM LU at most \(the 3 s from CLOCK of NAME\).*", text)
        quieter = self.try_fit(rf"{start}(?:.*and )?quieter by NUM LU at most \(the 3 s from CLOCK\).*", text)
        assert (louder is not None) is (most["difference_lu"] > TIE)
        assert (quieter is not None) is (least["difference_lu"] < -TIE)
        if louder is not None:
            near(louder[1], most["difference_lu"])
            at(louder[2], most["open_s"])
        if quieter is not None:
            near(quieter[1], -least["difference_lu"])
            at(quieter[2], least["open_s"])
        assert ("nowhere louder by more than 0.2 LU" in text) is (louder is None)
        assert ("nowhere quieter by more than 0.2 LU" in text) is (quieter is None)
        for key in ("integrated_lu", "loudest_passage_lu", "quietest_passage_lu"):
            value = side["loud_minus_open"][key]
            assert (
                least["difference_lu"] - 1e-6 <= value <= most["difference_lu"] + 1e-6
                or key == "integrated_lu"
            )

    def rule_no_level_difference(self, text: str, side: Any, _: Any) -> None:
        gap = side["loud_minus_open"]
        values = [gap[key] for key in ("integrated_lu", "loudest_passage_lu", "quietest_passage_lu")]
        values += [gap[key]["difference_lu"] for key in ("most", "least")]
        assert all(abs(value) <= TIE for value in values), text

    def rule_headroom(self, text: str, side: Any, _: Any) -> None:
        shortfalls = side["target_shortfall_lu"]
        taker = (
            r"(?:the encoding|the conversion|the player's limiter|the converter's clipping|the encoding and "
            r"the player's limiter)"
        )
        for pattern, reason in (
            ("NAME has no headroom to be raised and stays NUM LU below the player's target.", "headroom"),
            ("NAME can be raised by only NUM dB before its peaks reach the player's ceiling, and stays NUM "
             "LU below the target.", "headroom"),
            ("NAME lies NUM LU below the target, and this player never raises a level.", "no_upward_gain"),
            (f"{taker} keeps? NAME NUM LU below the target.", "nothing"),
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
            "the album with NAME (?:has no headroom to be raised and|can be raised by only NUM dB before its "
            "highest peak reaches the player's ceiling, and|lies) (?:stays )?NUM LU below (?:the target|the "
            "player's target)(?:, and this player never raises a level)?; NAME itself plays NUM LU "
            "(below|above) it.",
            text,
        )  # fmt: skip
        if album is not None:
            place = "loud" if album[1] == self.loud else "open"
            assert album[4] == album[1]
            away = side["target_lufs"] - side[place]["integrated_lufs"]
            near(album[5], abs(away))
            assert album[6] == ("below" if away > 0.0 else "above")
            return
        takes = self.try_fit(f"{taker} takes? NUM LU from NAME.", text)
        if takes is not None:
            place = "loud" if takes[2] == self.loud else "open"
            plain = self.answer["delivered"][place]["integrated_lufs"] + side[place]["gain_db"]
            near(takes[1], plain - side[place]["integrated_lufs"])
            return
        found = self.try_fit(
            "(?:raising NAME makes the player's limiter press its peaks down|the player's limiter presses "
            "the peaks of NAME down), by NUM dB at most, and by more than 1 dB for SHARE of the time.",
            text,
        )
        if found is not None:
            place = "loud" if self.loud in (found[1], found[2]) else "open"
            assert (found[1] is not None) is (side[place]["gain_db"] >= 0.05)
            limiter = side["limiter"][place]
            near(found[3], limiter["max_reduction_db"])
            percent(found[4], limiter["share_over_1_db"])
            return
        found = self.fit("raised without protection, NAME peaks at NUM dBTP and clips.", text)
        place = "loud" if found[1] == self.loud else "open"
        assert side[place]["gain_db"] > 0.0
        near(found[2], side[place]["true_peak_dbtp"])

    def rule_stays_quieter(self, text: str, side: Any, _: Any) -> None:
        found = self.fit(
            "this player keeps peaks under NUM dB(?:TP|FS): NAME, whose peaks stand higher above its "
            "loudness, therefore plays NUM LU quieter than NAME over the whole track.",
            text,
        )
        gap = side["loud_minus_open"]["integrated_lu"]
        louder, other = self.order(gap)
        assert (found[2], found[4]) == (other, louder)
        near(found[3], abs(gap))
        low, high = ("open", "loud") if gap > 0.0 else ("loud", "open")
        assert side["limited_by"][low] in ("headroom", "ceiling")
        assert side[low]["peak_to_loudness_db"] > side[high]["peak_to_loudness_db"] - 1e-6

    def rule_unused_headroom(self, text: str, side: Any, _: Any) -> None:
        values = {side_name: -side[side_name]["true_peak_dbtp"] for side_name in ("loud", "open")}
        room = r"NUM dB (of headroom unused|over full scale)"
        if abs(values["loud"] - values["open"]) <= TIE:
            found = self.fit(rf"as played, the true peaks of both stand as high: {room} and {room}\.", text)
            pairs = [(found[1], found[2], values["loud"]), (found[3], found[4], values["open"])]
        else:
            found = self.fit(
                rf"as played, the true peak of NAME (?:leaves|stands) {room}, that of NAME {room}\.", text
            )
            assert (found[1], found[4]) == self.order(values["loud"] - values["open"])
            pairs = [(found[2], found[3], max(values.values())), (found[5], found[6], min(values.values()))]
        for written, words, value in pairs:
            near(written, abs(value))
            assert (words == "over full scale") is (value < 0.0)

    def rule_overs(self, text: str, side: Any, _: Any) -> None:
        times, peak = r"(never|once|\d+ times)", r"(?:NUM dBTP at most|by less than 0\.1 dB)"
        found = self.fit(
            rf"NAME rises over full scale between the samples {times} as delivered \({peak}\), "
            rf"and {times} "
            rf"after the player's gain \({peak}\)\.",
            text,
        )
        place = "loud" if found[1] == self.loud else "open"
        for words, peak, state in (
            (found[2], found[3], self.answer["delivered"][place]),
            (found[4], found[5], side[place]),
        ):
            count = {"never": 0, "once": 1}.get(words)
            assert (int(words.split()[0]) if count is None else count) == state["over_count"]
            if peak is None:
                assert 0.0 < state["true_peak_dbtp"] < 0.1
            else:
                near(peak, state["true_peak_dbtp"])
            assert (state["over_count"] > 0) is (state["true_peak_dbtp"] > 0.0)

    def rule_uncertainty(self, text: str, side: Any, _: Any) -> None:
        assert side["target_lufs"] is not None
        near(self.fit(r".*count on ±NUM dB\.", text)[1], side["uncertainty_db"])

"""Master, decode and difference are players made from a player, asked for by one word."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
from support.made_measurements import made, on_album
from support.made_session import Desk, profiles, session

from simulator.common.errors import UsageError
from simulator.normalizer.decision import decide_all
from simulator.normalizer.profile import Delivery, Profile, Scope
from simulator.session import codec_variants
from simulator.session.events import Keep, Predict, Predicted, Sound
from simulator.session.track import PlayedView

HEADROOM = "minus14-headroom"


def worked_out(desk: Desk, name: str, *, quieter_db: float = 0.0) -> str:
    """The desk after the studio's answer: what the player does, `quieter_db` lower, from lanes of its own."""
    views = {}
    for index, track in enumerate(desk.session.tracks):
        if track.delivered is None:
            continue
        plain = track.played[HEADROOM].prediction
        views[index] = PlayedView(replace(plain, played=plain.played.with_gain(-quieter_db)), True)
    return desk.do(Predicted(name, views))


@pytest.mark.parametrize(("current", "line", "found"), [
    (HEADROOM, "opus 128", f"{HEADROOM}+opus128"),
    (HEADROOM, "mp3 192k", f"{HEADROOM}+mp3192"),
    (f"{HEADROOM}+opus128", "vorbis 160", f"{HEADROOM}+vorbis160"),
    (f"{HEADROOM}+opus128", "off", HEADROOM),
    (f"{HEADROOM}+opus128", "difference", f"{HEADROOM}+opus128+difference"),
    (f"{HEADROOM}+opus128+difference", "difference 20 dB", f"{HEADROOM}+opus128+difference20"),
    (f"{HEADROOM}+opus128+difference20", "on", f"{HEADROOM}+opus128"),
    (f"{HEADROOM}+opus128+difference20", "aac 256", f"{HEADROOM}+aac256"),
    (f"{HEADROOM}+albumloudest", "opus 128", f"{HEADROOM}+albumloudest+opus128"),
    (f"{HEADROOM}+albumloudest+opus128", "off", f"{HEADROOM}+albumloudest"),
    ("coded+tracks", "off", "coded+tracks+master"),
    ("coded", "off", "coded+master"),
    ("coded+master", "on", "coded"),
    ("coded", "difference 6", "coded+difference6"),
    ("coded+master", "difference", "coded+difference"),
    ("coded", "vorbis 96", "coded+vorbis96"),
])  # fmt: skip
def test_each_word_leads_to_its_player(current: str, line: str, found: str) -> None:
    known = {**profiles(), "coded": coded()}
    assert codec_variants.wanted(current, line.split(), known) == found


def coded() -> Profile:
    """A player whose own delivery is encoded."""
    delivery = Delivery(codec="vorbis", bit_rate_kbps=160.0)
    return msgspec.structs.replace(profiles()[HEADROOM], id="coded", delivery=delivery)


@pytest.mark.parametrize(("line", "why"), [
    ("opus", "Opus needs 32 to 510 kbit/s, got no bit rate."),
    ("opus 8", "Opus needs 32 to 510 kbit/s, got “8”."),
    ("mp3 400", "MP3 needs 32 to 320 kbit/s, got “400”."),
    ("mp3 100", "MP3 has no 100 kbit/s setting; available: 32, 40, "),
    ("on", "No codec is set."),
    ("difference", "No codec is set."),
    ("sideways", "No codec is set."),
])  # fmt: skip
def test_what_cannot_be_heard_says_why(line: str, why: str) -> None:
    with pytest.raises(UsageError, match=why.replace("?", r"\?")):
        codec_variants.wanted(HEADROOM, line.split(), profiles())


@pytest.mark.parametrize("line", ["sideways", "on 3", "difference loud", "difference 41", "difference -3"])
def test_odd_words_are_refused_where_a_codec_plays(line: str) -> None:
    with pytest.raises(UsageError, match=r"Unknown codec|can be raised by 0 to 40 dB"):
        codec_variants.wanted(f"{HEADROOM}+opus128", line.split(), profiles())


def test_the_players_are_what_their_ids_say() -> None:
    plain = profiles()[HEADROOM]
    decode = codec_variants.profile_named(profiles(), f"{HEADROOM}+opus128")
    assert decode.delivery == Delivery(codec="opus", bit_rate_kbps=128.0)
    assert (decode.target_lufs, decode.upward, decode.limiter) == (
        plain.target_lufs,
        plain.upward,
        plain.limiter,
    )
    limited = profiles()["louder-setting"]
    difference = codec_variants.profile_named(profiles(), "louder-setting+mp3192+difference20")
    assert limited.limiter is not None
    assert (difference.limiter, difference.upward) == (None, "unprotected")
    assert codec_variants.raised_db(difference.id) == 20.0
    assert codec_variants.decode_of(difference.id) == "louder-setting+mp3192"
    behind = codec_variants.profile_named(profiles(), f"{HEADROOM}+opus128+converter")
    assert behind.converter_headroom_db == 0.0
    assert behind.delivery == decode.delivery
    master = codec_variants.profile_named({**profiles(), "coded": coded()}, "coded+master")
    assert master.delivery is None
    for name in (f"{HEADROOM}+opus128+nonsense", "nobody+opus128", f"{HEADROOM}+flac128"):
        with pytest.raises(KeyError):
            codec_variants.profile_named(profiles(), name)


@pytest.mark.parametrize(("asked", "peak", "raised", "words"), [
    (20.0, -32.0, 20.0, "at +15.3 dB: the player's gain of −4.7 dB for the music, raised by 20 dB."),
    (20.0, -14.5, 13.5, "of −4.7 dB for the music, raised by 13.5 of 20 dB: any further, the highest peak"),
    (40.0, 0.5, 0.0, "gain of −4.7 dB for the music, not raised by 40 dB: the highest peak"),
    (0.0, -60.0, 0.0, "at −4.7 dB: the player's gain for the music."),
    (20.0, None, 20.0, "raised by 20 dB."),
])  # fmt: skip
def test_a_difference_is_raised_as_asked_and_over_no_peak_and_says_how_far(
    asked: float, peak: float | None, raised: float, words: str
) -> None:
    """Where the player's own gain brings it above −1 dBTP already, it is not raised, and not held either."""
    assert codec_variants.raise_db(asked, peak) == raised
    assert words in codec_variants.raise_words(-4.7, raised, asked)


def test_a_session_goes_from_master_to_decode_and_back_at_the_same_moment() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(5.0)
    assert (
        desk.do("codec")
        == "You hear the master, without a codec. Options: codec opus 128, codec off, codec residual 20."
    )
    assert desk.do("codec opus 128") == "Encoding… playback continues unchanged until it is ready."
    assert desk.found(Predict) == [Predict(f"{HEADROOM}+opus128")]
    assert not desk.found(Sound)
    said = worked_out(desk, f"{HEADROOM}+opus128")
    assert "The master is encoded and decoded before it reaches the player." in said
    (sound,) = desk.found(Sound)
    assert (sound.place_s, sound.follow) == (5.0, True)
    assert sound.program.segments[0].source.lane == f"{HEADROOM}+opus128"
    assert desk.do("codec").startswith("You hear Opus at 128 kbit/s.")
    desk.do("codec off")
    (sound,) = desk.found(Sound)
    assert sound.program.segments[0].source.lane is None
    desk.do("codec on")  # the codec that was heard last
    (sound,) = desk.found(Sound)
    assert sound.program.segments[0].source.lane == f"{HEADROOM}+opus128"
    (kept,) = (one.act for one in desk.found(Keep) if one.act.kind == "codec")
    assert kept.data["profile"] == f"{HEADROOM}+opus128"


def test_a_note_while_a_decode_plays_holds_the_numbers_of_its_delivery() -> None:
    desk = Desk()
    desk.do("codec opus 96")
    worked_out(desk, f"{HEADROOM}+opus96")
    desk.do("note the cymbals hiss")
    acts = {one.act.kind: one.act for one in desk.found(Keep)}
    assert acts["player"].data["profile"]["delivery"]["codec"] == "opus"
    assert acts["player"].data["profile"]["delivery"]["bit_rate_kbps"] == 96.0
    assert acts["note"].data["player"] == acts["player"].data["id"]


def test_from_the_difference_back_to_the_music_it_asks_before_it_rises() -> None:
    desk = Desk()
    desk.do("state matched")
    desk.do("play")
    desk.do("codec opus 128")
    worked_out(desk, f"{HEADROOM}+opus128")
    desk.at(3.0)
    desk.do("codec residual")
    said = worked_out(desk, f"{HEADROOM}+opus128+difference", quieter_db=40.0)
    assert "codec residual" in said
    assert desk.session.state == "played"
    assert "no version to match" in desk.do("state matched")
    desk.at(4.0)
    assert desk.do("codec on").startswith("That is ")
    assert "louder than what you heard last. Go on? (y/n)" in desk.session.question.text  # type: ignore[union-attr]
    assert not desk.found(Sound)
    desk.do("y")
    (sound,) = desk.found(Sound)
    assert sound.ramp_s > 0.0


def test_no_trial_compares_differences_and_a_player_s_name_takes_no_plus() -> None:
    desk = Desk()
    desk.do("codec opus 128")
    worked_out(desk, f"{HEADROOM}+opus128")
    desk.do("codec residual")
    worked_out(desk, f"{HEADROOM}+opus128+difference", quieter_db=40.0)
    assert desk.do("trial which 4 1 2").startswith("A trial compares music, not a residual.")
    assert desk.do(f"profile {HEADROOM}+opus128").startswith("Unknown player profile")
    assert "+" not in desk.do("profile").partition("Available:")[2]
    assert session().profiles == profiles()


@pytest.mark.parametrize(
    ("name", "variant"),
    [
        ("r128", codec_variants.Variant("r128")),
        ("r128+converter", codec_variants.Variant("r128", converter=True)),
        ("r128+master", codec_variants.Variant("r128", part="master")),
        ("r128+versions", codec_variants.Variant("r128", part="versions")),
        ("r128+mp3192", codec_variants.Variant("r128", "mp3", 192)),
        ("r128+difference+converter", codec_variants.Variant("r128", part="difference", converter=True)),
        (
            "a-1+opus96+difference20+converter",
            codec_variants.Variant("a-1", "opus", 96, "difference", 20, True),
        ),
    ],
)
def test_an_id_stands_for_one_value_and_back(name: str, variant: codec_variants.Variant) -> None:
    assert codec_variants.parse(name) == variant
    assert variant.id == name


@pytest.mark.parametrize(
    "name",
    [
        "r128+",
        "r128+opus",
        "r128+opus1x",
        "r128+difference20+opus96",
        "r128+converter+master",
        "r128+master+difference",
        "r128+opus96+versions",
    ],
)
def test_an_id_that_no_variant_has_is_refused(name: str) -> None:
    with pytest.raises(KeyError):
        codec_variants.parse(name)


@pytest.mark.parametrize(
    ("quiet_lufs", "scope", "gain_db"),
    [
        (-20.0, "album_loudest", -5.0),
        (-20.0, "album_programme", -3.41),
        (-21.0, "album_programme", -5.0),
    ],
)
def test_a_player_by_another_album_rule_gives_the_album_one_gain(
    quiet_lufs: float, scope: Scope, gain_db: float
) -> None:
    """Three tracks of equal length at −9, −9 and −20 LUFS to −14, by hand: by the loudest −14 − (−9); as one
    programme the power mean is −10.59, and at −21 the quiet one is under the relative gate."""
    name = codec_variants.by_album_rule(HEADROOM, scope, profiles())
    assert codec_variants.by_album_rule(name, "track", profiles()) == HEADROOM
    player = codec_variants.profile_named(profiles(), name)
    tracks = [(on_album(f"{at}"), made(lufs)) for at, lufs in enumerate((-9.0, -9.0, quiet_lufs))]
    gains = [one.gain_db for one in decide_all(player, tracks) if one is not None]
    assert gains == [pytest.approx(gain_db, abs=0.005)] * 3


def test_transitions_go_on_under_the_other_album_rule() -> None:
    start = session()
    desk = Desk(replace(start, tracks=tuple(replace(one, album="The album") for one in start.tracks)))
    assert "By the other album rule: album" in desk.do("transitions 4")
    plan = desk.session.plan
    desk.do("album")
    (asked,) = desk.found(Predict)
    assert asked.profile == f"{HEADROOM}+albumloudest"
    assert "One gain plays the whole album." in worked_out(desk, asked.profile, quieter_db=2.0)
    assert (desk.session.profile, desk.session.plan) == (asked.profile, plan)
    assert desk.session.plan is not None
    assert desk.session.plan.kind == "transitions"
    desk.do("album off")
    assert (desk.session.profile, desk.session.plan) == (HEADROOM, plan)


def test_without_an_album_or_a_target_there_is_no_album_rule() -> None:
    desk = Desk()
    assert "No track in the list belongs to an album." in desk.do("album")
    assert "album rule" not in desk.do("transitions 4")
    with pytest.raises(UsageError, match="no target loudness"):
        codec_variants.by_album_rule("untouched", "album_loudest", profiles())

"""A profile's text is read whole or refused with file, key, value and cure."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from simulator.common.errors import ProfileError
from simulator.dsp.ceiling import LimiterSettings
from simulator.normalizer.profile import PROFILE_KEYS, Ceiling, Conditional, parse_profile

ROOT = Path(__file__).parents[2]

HEADROOM = """
format = 1
title = "Late night"
sentence = "Plays everything quietly."

[loudness]
target_lufs = -24
scope = "track"
mono = "two_loudspeakers"
uncertainty_db = 0.3

[gain]
upward = "headroom"
max_boost_db = 6.0
max_cut_db = 20.0
unmeasurable_gain_db = -3.0

[ceiling]
level_db = -1.5
counts = "sample"
applies = "always"

[sources]
loudness.target_lufs = "my own"
loudness.uncertainty_db = "common practice, no source"
gain.max_boost_db = "project choice"
gain.max_cut_db = "project choice"
gain.unmeasurable_gain_db = "project choice"
ceiling.level_db = "project choice"
"""

LIMITED = """
format = 1
title = "Limited"
sentence = "Raises and presses."
[loudness]
target_lufs = -20.0
[gain]
upward = "limited"
[ceiling]
level_db = -1.0
counts = "true"
applies = "boost_only"
[limiter]
look_ahead_ms = 3.0
release_ms = 150
[conditional]
peak_to_loudness_below_db = 15.0
target_lufs = -16.0
[sources]
loudness.target_lufs = "a"
"ceiling.level_db" = "b"
limiter = { look_ahead_ms = "c", release_ms = "d" }
[sources.conditional]
peak_to_loudness_below_db = "e"
target_lufs = "f"
"""


def parse(text: str):
    return parse_profile(text, "late-night", "late-night.toml")


def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


def test_every_key_of_the_file_arrives_in_the_profile():
    profile = parse(HEADROOM)
    assert (profile.id, profile.title, profile.sentence) == (
        "late-night",
        "Late night",
        "Plays everything quietly.",
    )
    assert (profile.target_lufs, profile.scope, profile.mono) == (-24.0, "track", "two_loudspeakers")
    assert isinstance(profile.target_lufs, float)
    assert (profile.upward, profile.max_boost_db, profile.max_cut_db) == ("headroom", 6.0, 20.0)
    assert (profile.unmeasurable_gain_db, profile.uncertainty_db) == (-3.0, 0.3)
    assert profile.ceiling == Ceiling(-1.5, "sample", "always")
    assert profile.limiter is None
    assert profile.conditional is None
    assert profile.sources["loudness.target_lufs"] == "my own"


def test_the_limiter_holds_the_ceiling_and_sources_may_be_written_in_three_ways():
    profile = parse(LIMITED)
    assert profile.limiter == LimiterSettings(-1.0, "true", 3.0, 150.0)
    assert profile.conditional == Conditional(15.0, -16.0)
    words = {key: source for key, source in profile.sources.items() if len(source) == 1}
    assert words == {
        "loudness.target_lufs": "a",
        "ceiling.level_db": "b",
        "limiter.look_ahead_ms": "c",
        "limiter.release_ms": "d",
        "conditional.peak_to_loudness_below_db": "e",
        "conditional.target_lufs": "f",
    }


@pytest.mark.parametrize("table", ["dac", "converter"])
def test_a_converter_that_clips_is_a_table_of_its_own(table):
    """[converter] is its former name."""
    assert parse(LIMITED).converter_headroom_db is None
    text = changed(LIMITED, "[sources]", f"[{table}]\nheadroom_db = 0.5\n[sources]")
    with pytest.raises(ProfileError, match=r"dac\.headroom_db is 0\.5, but \[sources\] gives no source"):
        parse(text)
    profile = parse(changed(text, "[sources]", f'[sources]\n{table}.headroom_db = "g"'))
    assert profile.converter_headroom_db == 0.5
    assert profile.sources["dac.headroom_db"] == "g"


def test_the_former_name_of_encoding_is_read_and_both_at_once_are_refused():
    table = 'codec = "opus"\nbit_rate_kbps = 96'
    new = changed(LIMITED, "[sources]", f'[encoding]\n{table}\n[sources]\nencoding.bit_rate_kbps = "h"')
    old = new.replace("[encoding]", "[delivery]").replace("encoding.bit", "delivery.bit")
    assert parse(old) == parse(new)
    assert parse(old).sources["encoding.bit_rate_kbps"] == "h"
    with pytest.raises(ProfileError, match=r"\[delivery\] is the former name of \[encoding\]"):
        parse(changed(new, "[sources]", "[delivery]\nbits = 16\n[sources]"))


def test_numbers_left_to_their_defaults_say_so_in_their_source():
    profile = parse(LIMITED)
    assert (profile.uncertainty_db, profile.unmeasurable_gain_db) == (0.5, 0.0)
    assert profile.sources["loudness.uncertainty_db"].startswith("common practice, no source")
    assert profile.sources["gain.unmeasurable_gain_db"].startswith("project choice")


def test_a_copy_can_be_switched_from_one_upward_rule_to_another():
    for rule in ("never", "headroom", "unprotected"):
        profile = parse(changed(LIMITED, '"limited"', f'"{rule}"'))
        assert (profile.upward, profile.limiter) == (rule, None)


@pytest.mark.parametrize(
    ("old", "new", "says", "cure"),
    [
        ("max_boost_db = 6.0", "max_bost_db = 6.0", "unknown key `gain.max_bost_db`",
         "Did you mean `gain.max_boost_db`?"),
        ('title = "Late night"', 'title = "Late night"\ntarget_lufs = -3', "unknown key `target_lufs`",
         "Did you mean `loudness.target_lufs`?"),
        ("[ceiling]", "[ceilling]", "unknown key `ceilling`", "Did you mean `ceiling`?"),
        ('counts = "sample"', 'counts = "sample"\nzzz = 1', "unknown key `ceiling.zzz`",
         "Keys allowed here: level_db, counts, applies."),
        ("[sources]", "[converter]\nheadroom_db = -1.0\n[sources]",
         "dac.headroom_db must be a number from 0 to 12, got -1.0", "Correct"),
        ("max_boost_db = 6.0", "max_boost_db = -3.0",
         "gain.max_boost_db must be a number from 0 to 60, got -3.0", "Correct"),
        ("target_lufs = -24", "target_lufs = 3",
         'loudness.target_lufs must be a number from -60 to 0 or "none", got 3', "Correct"),
        ("target_lufs = -24", "target_lufs = true", "got true", "Correct"),
        ("target_lufs = -24", 'target_lufs = "loud"', 'got "loud"', "Correct"),
        ("target_lufs = -24", "target_lufs = nan", "loudness.target_lufs must be a finite number, got nan",
         "plain number"),
        ("level_db = -1.5", "level_db = -inf", "ceiling.level_db must be a finite number, got -inf",
         "plain number"),
        ("level_db = -1.5", "level_db = 7.0", "ceiling.level_db must be a number from -40 to 6, got 7.0",
         "Correct"),
        ("uncertainty_db = 0.3", "uncertainty_db = 9", "a number from 0 to 6, got 9", "Correct"),
        ('upward = "headroom"', 'upward = "up"',
         'gain.upward must be "headroom" or "limited" or "never" or "unprotected", got "up"', "Correct"),
        ('upward = "headroom"\n', "", "the key `gain.upward` is missing", "It must be"),
        ("target_lufs = -24\n", "", "the key `loudness.target_lufs` is missing", "a number from -60 to 0"),
        ('title = "Late night"\n', "", "the key `title` is missing", "text in quotes of 1 to 80 characters"),
        ('title = "Late night"', 'title = ""', 'title must be text in quotes of 1 to 80 characters, got ""',
         "Correct"),
        ('title = "Late night"', 'title = "a\\nb"', "title must be one line", "Write one line"),
        ("format = 1\n", "", "the key `format` is missing", "`format = 1`"),
        ("format = 1", "format = 2", "uses format 2, but this program reads only format 1", "newer version"),
        ("format = 1", 'format = "1"', 'format must be 1, got "1"', "`format = 1`"),
        ("format = 1", "format = 0", "format must be 1, got 0", "`format = 1`"),
        ("format = 1", "format = ", "not valid TOML", "Correct the file there"),
        ("[gain]", "[[gain]]", "gain must be a table, got a list", "Correct"),
        ('gain.max_boost_db = "project choice"\n', "",
         "gain.max_boost_db is 6, but [sources] gives no source for it",
         "common practice, no source"),
        ('gain.max_boost_db = "project choice"', 'gain.max_boost_db = ""',
         "sources.gain.max_boost_db must be one line of text", "Write where"),
        ('gain.max_boost_db = "project choice"', "gain.max_boost_db = 3", "got 3", "Write where"),
        ('gain.max_boost_db = "project', 'gain.max_bost_db = "project', "[sources] lists `gain.max_bost_db`",
         "Did you mean `gain.max_boost_db`?"),
        ("max_boost_db = 6.0\n", "", "[sources] lists gain.max_boost_db, which the file does not set",
         "Remove"),
        ("target_lufs = -24", 'target_lufs = "none"', "other keys change the level", 'upward = "never"'),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_file_key_value_and_cure(old, new, says, cure):
    with pytest.raises(ProfileError) as caught:
        parse(changed(HEADROOM, old, new))
    assert caught.value.message.startswith("late-night.toml: ")
    assert says in caught.value.message
    assert cure in caught.value.hint


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[limiter]\nlook_ahead_ms = 3.0\nrelease_ms = 150\n", "",
         'gain.upward is "limited", but there is no [limiter]'),
        ('[ceiling]\nlevel_db = -1.0\ncounts = "true"\napplies = "boost_only"\n', "",
         "there is no [ceiling]"),
        ('upward = "limited"\n[ceiling]\nlevel_db = -1.0\ncounts = "true"\napplies = "boost_only"',
         'upward = "unprotected"\n[ceiling]\nlevel_db = -1.0\ncounts = "true"\napplies = "always"',
         'ceiling.applies = "always" protects'),
        ("target_lufs = -20.0", 'target_lufs = -20.0\nscope = "album_loudest"',
         '[conditional] sets a target per track, but loudness.scope is "album_loudest"'),
        ('target_lufs = -20.0\n[gain]\nupward = "limited"', 'target_lufs = "none"\n[gain]\nupward = "never"',
         "[conditional] sets another target"),
        ('target_lufs = -20.0\n[gain]\nupward = "limited"',
         'target_lufs = "none"\nscope = "album_programme"\n[gain]\nupward = "never"', "scope is an album"),
    ],
)  # fmt: skip
def test_keys_that_say_two_opposite_things_are_refused(old, new, says):
    with pytest.raises(ProfileError) as caught:
        parse(changed(LIMITED, old, new))
    assert says in caught.value.message
    assert caught.value.hint


@pytest.mark.parametrize("profile_id", ["Late", "late_night", "late night", "-late", "", "späť"])
def test_an_id_is_of_lower_case_letters_digits_and_hyphens(profile_id):
    with pytest.raises(ProfileError, match="lower-case letters, digits and hyphens"):
        parse_profile(HEADROOM, profile_id, "x.toml")


def test_brackets_nested_beyond_reason_are_an_error_of_the_file():
    with pytest.raises(ProfileError, match="nested too deeply"):
        parse("format = 1\nx = " + "[" * 100_000)


def bundled() -> list[Path]:
    return sorted((ROOT / "profiles").glob("*.toml"), key=lambda path: path.stem)


@pytest.mark.parametrize("path", bundled(), ids=lambda path: path.stem)
def test_every_bundled_profile_names_an_honest_source_for_each_number(path):
    profile = parse_profile(path.read_text(encoding="utf-8"), path.stem, path.name)
    for key, source in profile.sources.items():
        assert key in PROFILE_KEYS
        own = source.startswith(
            ("project choice", "common practice, no source", "by definition", "full scale by")
        )
        # What was not read in the document itself says so.
        told = "(secondary" in source or "from memory" in source or source.startswith("ITU-R BS.1770-5")
        assert own or told, f"{key}: {source}"
    for word in ("LUFS", "dB", "true peak", "PLR", "headroom", "normalis"):
        assert word not in profile.sentence, "the client's sentence is plain"
    assert profile.sentence.endswith(".")


BUNDLED = [
    ("untouched", None, "track", "never", None),
    ("minus14-down", -14.0, "track", "never", None),
    ("minus14-headroom", -14.0, "track", "headroom", (-1.0, "true", "boost_only")),
    ("minus14-limited", -14.0, "track", "limited", (-1.0, "true", "boost_only")),
    # Published documents: the numbers are those of their texts, as secondary sources quote them.
    ("td1008-track", -16.0, "track", "headroom", (-1.0, "true", "boost_only")),
    ("td1008-album", -14.0, "album_loudest", "headroom", (-1.0, "true", "boost_only")),
    ("td1008-speech", -18.0, "track", "headroom", (-1.0, "true", "boost_only")),
    ("r128", -23.0, "track", "headroom", (-1.0, "true", "boost_only")),
    ("r128-s2", -20.0, "track", "limited", (-1.0, "true", "boost_only")),
    ("a85", -24.0, "track", "headroom", (-2.0, "true", "boost_only")),
    ("replaygain2-track", -18.0, "track", "headroom", (0.0, "sample", "always")),
    ("replaygain2-album", -18.0, "album_programme", "headroom", (0.0, "sample", "always")),
    ("opus-r128", -23.0, "track", "unprotected", None),
    ("louder-setting", -12.0, "track", "limited", (-1.0, "true", "boost_only")),
    ("quieter-setting", -20.0, "track", "never", None),
    ("minus14-vorbis160", -14.0, "track", "never", None),
    ("minus14-opus128", -14.0, "track", "never", None),
]


def test_the_bundled_profiles_are_these():
    assert {path.stem for path in bundled()} == {row[0] for row in BUNDLED}


@pytest.mark.parametrize(("profile_id", "target_lufs", "scope", "upward", "ceiling"), BUNDLED)
def test_the_bundled_numbers_are_those_of_their_documents(profile_id, target_lufs, scope, upward, ceiling):
    text = (ROOT / "profiles" / f"{profile_id}.toml").read_text(encoding="utf-8")
    profile = parse_profile(text, profile_id, profile_id)
    assert (profile.target_lufs, profile.scope, profile.upward) == (target_lufs, scope, upward)
    assert ceiling is None or profile.ceiling == Ceiling(*ceiling)
    if upward == "limited":
        assert profile.limiter == LimiterSettings(-1.0, "true", 3.0, 150.0)
    assert (profile.conditional == Conditional(15.0, -16.0)) is (profile_id == "r128-s2")


def test_reading_and_listing_profiles_loads_no_numpy():
    code = (
        "import sys; from simulator.storage import bundled as data; data.load_profiles(['all']); "
        "print([name for name in ('numpy', 'scipy', 'soundfile') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", cwd=ROOT, check=False
    )
    assert (done.stdout.strip(), done.stderr) == ("[]", "")

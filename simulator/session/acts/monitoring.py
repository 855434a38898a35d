"""Acts on how it sounds: profile, state, trim, dim, mute, hear."""

from __future__ import annotations

import difflib
from dataclasses import replace

from simulator.common.errors import UsageError
from simulator.common.listening import LISTENS, STATE_WORDS, STATES, Listen, State
from simulator.common.text import capital, level
from simulator.common.units import TIE_LU
from simulator.normalizer.profile import Scope
from simulator.session import codec_variants
from simulator.session.acts.command import Choice, Command, Line, Outcome, on_words, typed_number
from simulator.session.acts.now_playing import limiter_words, what_plays
from simulator.session.codec_variants import CONVERTER, with_converter
from simulator.session.events import Output, Predict, RememberTrim, Say
from simulator.session.state import (
    CONVERTER_TRIM_DB,
    DIM_DB,
    LOWEST_TRIM_DB,
    UNTOUCHED,
    Question,
    Run,
    Session,
    no_words,
)

GUARD_ON = "Level guard on: rises of more than 3 LU take 0.4 s."
INSTANT = (
    "Caution: switches between versions will then jump up by as much as 12 LU at once. Play the loudest "
    "passage first, and set a level that is safe for everyone in the room. The trim is at {trim} dB; raising "
    "it, another output device, guard on or the end of the session turns the guard on again. Allow instant "
    "switches at this trim? (y/n)"
)
LISTEN_WORDS: dict[Listen, str] = {
    "stereo": "Stereo.",
    "mono": "Mono: left plus right, at half level, on both loudspeakers.",
    "side": "Side signal: left minus right, at half level, on both loudspeakers.",
}


def output(session: Session) -> Output:
    """The monitor as the session has it."""
    return Output(session.trim_db, session.dim, session.mute, session.listen)


def profile(session: Session, words: list[str]) -> Outcome:
    """Another player, while it plays."""
    if not words:
        names = ", ".join(name for name in session.profiles if "+" not in name)
        return session, (Say(f"Player: {session.profile}. Available: {names}."),)
    name = " ".join(words)
    if name not in session.profiles or "+" in name:
        near = difflib.get_close_matches(name.casefold(), list(session.profiles), 1, 0.4)
        hint = f"Did you mean {near[0]}?" if near else "See all: profile"
        raise UsageError(f"Unknown player profile “{name}”.", hint)
    return _player(session, name, f"Calculating {name} for every track …")


def codec(session: Session, words: list[str]) -> Outcome:
    """The master, its decode, or what lies between, through the player that plays."""
    if not words:
        return session, (Say(_codec_words(session)),)
    name = codec_variants.wanted(session.profile, words, session.profiles, session.last_codec)
    last = codec_variants.setting_of(name) or session.last_codec
    known = replace(_with_variants(session, name, with_converter(name)), last_codec=last)
    if codec_variants.is_difference(name) and known.state == "matched":
        known = replace(known, state="played", turned_down_db={})
    return _player(known, name, "Encoding… playback continues unchanged until it is ready.")


def album(session: Session, words: list[str]) -> Outcome:
    """One gain for a whole album or one for each track, through the player that plays; alone: the other."""
    if not any(session.tracks[i].album for i in session.readable):
        raise UsageError("No track in the list belongs to an album.")
    rules: dict[str, Scope] = {"off": "track", "loudest": "album_loudest", "programme": "album_programme"}
    if words and (len(words) > 1 or words[0].casefold() not in rules):
        raise UsageError(
            f"Unknown album rule “{' '.join(words)}”.", "album loudest, album programme, album off"
        )
    playing = codec_variants.profile_named(session.profiles, session.profile)
    scope = rules[words[0].casefold()] if words else rules["loudest" if playing.scope == "track" else "off"]
    name = codec_variants.by_album_rule(session.profile, scope, session.profiles)
    known = _with_variants(session, name, with_converter(name))
    return _player(known, name, "Calculating the album rule for every track …")


def _with_variants(session: Session, *names: str) -> Session:
    """The session that knows the players of these ids."""
    made = {name: codec_variants.profile_named(session.profiles, name) for name in names}
    return replace(session, profiles={**session.profiles, **made})


def _codec_words(session: Session) -> str:
    """What is heard of the delivery, and what else there is."""
    name = codec_variants.decode_of(session.profile)
    delivery = session.profiles[name].delivery if name in session.profiles else None
    if delivery is None or delivery.codec == "none":
        return f"You hear the master, without a codec. Options: {codec_variants.EXAMPLE}."
    heard = "only the residual of " if codec_variants.is_difference(session.profile) else ""
    return f"You hear {heard}{codec_variants.words_of(delivery)}. Options: {codec_variants.EXAMPLE}."


def _player(session: Session, name: str, said: str) -> Outcome:
    """Another player, at once or when it is worked out."""
    missing = _missing(session, [name, with_converter(name)] if session.converter else [name])
    if missing:
        return replace(session, wanted=name), (Say(said), *map(Predict, missing))
    return with_profile(session, name)


def converter(session: Session, words: list[str]) -> Outcome:
    """A playback converter without headroom behind it all, or not."""
    if words and words[0].casefold() not in ("on", "off"):
        raise UsageError(f"dac is on or off, not {words[0]}.", "dac on, dac off")
    wanted = words[0].casefold() == "on" if words else not session.converter
    if not wanted:
        after = replace(session, converter=False).settled()
        left = "Only the player's own D/A converter is simulated." if after.clips else "D/A converter off."
        return after, (*after.sounding(follow=True), Say(f"{left} {what_plays(after)}"))
    missing = _missing(session, [with_converter(UNTOUCHED), with_converter(session.profile)])
    if missing:
        say = Say("Calculating a D/A converter with no headroom for every track …")
        return replace(session, wanted=CONVERTER), (say, *map(Predict, missing))
    return behind_converter(session)


def behind_converter(session: Session) -> Outcome:
    """The switch itself."""
    after, lowered = _with_room(replace(session, converter=True, wanted=None).settled())
    said = f"Simulating a D/A converter with no headroom: inter-sample overs clip. {what_plays(after)}"
    return after, (*lowered, *after.sounding(follow=True), Say(said))


def _with_room(session: Session) -> tuple[Session, tuple[Output, ...]]:
    """Behind a simulated converter the monitor is kept 3 dB down, or the listener's own one would be the
    second to clip."""
    if not session.clips or session.trim_db <= CONVERTER_TRIM_DB:
        return session, ()
    after = replace(session, trim_db=CONVERTER_TRIM_DB)
    return after, (output(after),)


def all_known(session: Session) -> bool:
    """True where everything is worked out that the wanted player or D/A converter needs."""
    if session.wanted is None:
        return False
    names = [session.wanted]
    if session.wanted == CONVERTER:
        names = [with_converter(UNTOUCHED), with_converter(session.profile)]
    elif session.converter:
        names.append(with_converter(session.wanted))
    return not _missing(session, names)


def _missing(session: Session, names: list[str]) -> list[str]:
    """Players that are not worked out for every track."""
    return [name for name in names if any(name not in session.tracks[i].played for i in session.readable)]


def with_profile(session: Session, name: str) -> Outcome:
    """The switch itself, once the player is worked out."""
    chosen = session.profiles[name]
    after = replace(session, profile=name, wanted=None)
    if after.state == "delivered":
        after = replace(after, state="played")
    after, lowered = _with_room(after.settled())
    said = f"{chosen.title}. {chosen.sentence}"
    return after, (
        *lowered,
        *after.sounding(follow=True),
        Say(said),
        Say(f"{what_plays(after)} {limiter_words(after)}".strip()),
    )


def state(session: Session, words: list[str]) -> Outcome:
    """As delivered, as played, matched here."""
    if len(words) > 1 or (words and _state(words[0]) is None):
        raise UsageError(
            f"Unknown level mode “{' '.join(words)}”.", "state delivered, state played, state matched"
        )
    chosen = _state(words[0]) if words else STATES[(STATES.index(session.state) + 1) % len(STATES)]
    assert chosen is not None
    if chosen == "matched" and codec_variants.is_difference(session.profile):
        raise UsageError("A residual has no version to match.", "codec on, or hear stereo")
    after = replace(session, state=chosen).settled()
    said = f"{capital(STATE_WORDS[chosen])}. {what_plays(after)}"
    if chosen == "matched":
        said += " " + _matched_words(after)
    return after, (*after.sounding(follow=True), Say(said))


def trim(session: Session, words: list[str]) -> Outcome:
    """The monitor trim, in dB, 0 at most."""
    if not words:
        return session, (Say(f"Monitor trim: {level(session.trim_db)} dB."),)
    value = typed_number(" ".join(words), "db")
    if value is None:
        raise UsageError(f"“{' '.join(words)}” is not a level in dB.", "trim -12")
    if value > 0.0:
        raise UsageError("The trim only turns down: 0 dB is its maximum.", "trim 0")
    if session.clips and value > CONVERTER_TRIM_DB:
        raise UsageError("With the D/A converter simulated, the trim stays at −3 dB or lower.", "trim -3")
    after, said = replace(session, trim_db=max(value, LOWEST_TRIM_DB)), ""
    if session.instant_trim_db is not None and after.trim_db > session.instant_trim_db:
        after, said = replace(after, instant_trim_db=None), f" {GUARD_ON}"
    return after, (
        output(after),
        RememberTrim(after.trim_db),
        Say(f"Monitor trim {level(after.trim_db)} dB.{said}"),
    )


def guard(session: Session, line: Line) -> Outcome:
    """Lets switches between versions come at once, after a caution; or no longer."""
    word = line.words[0].casefold() if len(line.words) == 1 else ""
    if word not in ("on", "instant"):
        now = "instant" if session.instant_trim_db is not None else "on"
        if not line.words:
            return session, (Say(f"The level guard is {now}. Options: guard on, guard instant."),)
        raise UsageError(f"Unknown choice “{' '.join(line.words)}”.", "guard on, guard instant")
    if word == "on":
        return replace(session, instant_trim_db=None), (Say(GUARD_ON),)
    if not line.confirmed:
        return replace(session, question=Question(line.text, INSTANT.format(trim=level(session.trim_db)))), ()
    after = replace(session, instant_trim_db=session.trim_db)
    return after, (Say(f"Instant switches between versions, at {level(session.trim_db)} dB trim or less."),)


def dim(session: Session, words: list[str]) -> Outcome:
    """20 dB down, and back."""
    no_words(words, "dim")
    after = replace(session, dim=not session.dim)
    said = f"Dimmed by {level(-DIM_DB, 0)} dB." if after.dim else "Back from dim."
    return after, (output(after), Say(said))


def mute(session: Session, words: list[str]) -> Outcome:
    """Mute or unmute."""
    no_words(words, "mute")
    after = replace(session, mute=not session.mute)
    return after, (output(after), Say("Muted (still running)." if after.mute else "Unmuted."))


def hear(session: Session, words: list[str]) -> Outcome:
    """Stereo, mono, difference."""
    if words and words[0].casefold() == "residual":
        return _residual(session)
    if words and codec_variants.is_of_versions(session.profile) and (heard := _listen(words[0])) is not None:
        session = replace(session, listen=heard)
        after, effects = with_profile(session, codec_variants.decode_of(session.profile))
        return after, (output(after), *effects)
    other: Listen = "stereo" if session.listen != "stereo" else "mono"
    chosen = _listen(words[0]) if words else other
    if chosen is None:
        raise UsageError(f"Unknown choice “{words[0]}”.", "hear stereo, hear mono, hear side, hear residual")
    after = replace(session, listen=chosen)
    return after, (output(after), Say(LISTEN_WORDS[chosen]))


def _residual(session: Session) -> Outcome:
    """Only what the versions of the song differ by, as loud as it is; or the music again."""
    if codec_variants.is_of_versions(session.profile):
        return with_profile(session, codec_variants.decode_of(session.profile))
    if session.other is None:
        raise UsageError("This song has no other version in the list.", "codec residual")
    if session.converter:
        raise UsageError("The residual is heard without the D/A converter.", "dac off")
    name = codec_variants.of_versions(session.profile)
    known = _with_variants(session, name)
    if known.state != "played":
        known = replace(known, state="played", turned_down_db={})
    return _player(known, name, "Preparing the residual… playback continues unchanged until it is ready.")


def _listen(word: str) -> Listen | None:
    """A way to hear the channels by its name; `difference` is what the side signal was called."""
    name = {"difference": "side"}.get(word.casefold(), word.casefold())
    return next((listen for listen in LISTENS if listen == name), None)


def _state(word: str) -> State | None:
    fits = [mode for mode in STATES if word and mode.startswith(word.casefold())]
    return fits[0] if len(fits) == 1 else None


def _matched_words(session: Session) -> str:
    turned = {i: down for i, down in session.turned_down_db.items() if down > TIE_LU}
    if not turned:
        return "Nothing to match: no other version, or both are equally loud here."
    parts = [f"“{session.tracks[i].version}” {level(-down)} dB" for i, down in turned.items()]
    return f"Level-matched by turning down: {', '.join(parts)}."


def _trim_in_trial(session: Session, _run: Run, line: Line) -> Outcome:
    """Shown only: all rounds are heard at one level."""
    if line.words:
        raise UsageError("The trim stays where it is until the trial ends.", "Quieter at once: dim, mute")
    return trim(session, [])


def _hear(session: Session, line: Line) -> Outcome:
    """`mono` alone is a command as well."""
    return hear(session, line.words or (["mono"] if line.word.casefold() == "mono" else []))


_ON_OFF = (Choice("on"), Choice("off"))
COMMANDS = (
    Command(
        "profile",
        on_words(profile),
        "Choose the player.",
        "profile r128",
        short=("player",),
        arguments="[NAME]",
        kinds=(("profile",),),
        asks=("rise", "steps"),
    ),
    Command(
        "state",
        on_words(state),
        "Level mode; alone: the next.",
        "state delivered",
        arguments="[delivered|played|matched]",
        listed="[STATE]",
        kinds=(tuple(map(Choice, STATES)),),
        keys=((".", "state"),),
        asks=("rise", "steps"),
    ),
    Command(
        "dac",
        on_words(converter),
        "Simulate a clipping DAC.",
        "dac on",
        old=("converter",),
        arguments="[on|off]",
        kinds=(_ON_OFF,),
    ),
    Command(
        "codec",
        on_words(codec),
        "Coded, master, or residual.",
        "codec opus 128",
        arguments="[NAME KBPS|on|off|residual [DB]]",
        kinds=(
            (
                "codec",
                Choice("on", "the coded version"),
                Choice("off", "the master"),
                Choice("residual", "coded minus master"),
            ),
            ("text",),
            ("text",),
        ),
        asks=("rise", "steps"),
    ),
    Command(
        "album",
        on_words(album),
        "One gain per track or album.",
        "album loudest",
        arguments="[loudest|programme|off]",
        listed="[RULE]",
        kinds=(
            (
                Choice("loudest", "one gain, by the loudest track"),
                Choice("programme", "one gain, the album as one programme"),
                Choice("off", "a gain for each track"),
            ),
        ),
        asks=("rise", "steps"),
    ),
    Command(
        "trim",
        on_words(trim),
        "Monitor trim, 0 dB or less.",
        "trim -18",
        short=("vol",),
        arguments="[DB]",
        kinds=(("db",),),
        in_trial=_trim_in_trial,
        asks=("rise",),
    ),
    Command(
        "guard",
        guard,
        "Level guard on or instant.",
        "guard instant",
        arguments="[on|instant]",
        kinds=((Choice("on", "rises take 0.4 s"), Choice("instant", "switches come at once")),),
    ),
    Command(
        "dim",
        on_words(dim),
        "20 dB down, and back.",
        "dim",
        keys=(("-", "dim"),),
        in_trial=True,
    ),
    Command("mute", on_words(mute), "Mute or unmute.", "mute", keys=(("0", "mute"),), in_trial=True),
    Command(
        "hear",
        _hear,
        "Channels, or the residual.",
        "hear side",
        short=("mono",),
        arguments="[stereo|mono|side|residual]",
        listed="[HOW]",
        kinds=((*map(Choice, LISTENS), Choice("residual", "what the versions differ by")),),
        asks=("rise",),
    ),
)

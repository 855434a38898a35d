"""Words of the program: plain trade English, one word for one thing, no sentence of more than 30 words.

Two sources: every text in the source that can reach a person, and everything that a set of real runs prints.
`python -m tests.test_words [PATH ...]` lists the offences, with their count in each room.
"""

from __future__ import annotations

import ast
import contextlib
import html
import io
import os
import re
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import click
import pytest

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))  # for `python -m tests.test_words`

from support import source  # noqa: E402

MOST_WORDS = 30
EVERYTHING = os.environ.get("FAIRHEARING_ALL_WORDS") is not None

NOT_YET: tuple[str, ...] = ()
"""Rooms whose texts are not rewritten yet: their offences are listed but fail no test."""


@dataclass(frozen=True)
class Rule:
    """A turn that is out of use, and what to write instead."""

    pattern: re.Pattern[str]
    instead: str


def rule(pattern: str, instead: str) -> Rule:
    return Rule(re.compile(pattern), instead)


UNIT = r"(?:dB|LU|LUFS|dBTP|dBFS|ms|s|Hz|kbit/s|MB|bytes|bits|samples|frames|seconds|processes|channels)"
RULES = (
    # verbs that the trade does not use so
    rule(r"\b(?:[Tt]old|[Tt]ells?)\b(?!.{0,30}\bapart\b)", "show, report, warn"),
    rule(r"\b(?:[Ss]aid|[Ss]ays)\b", "show, state, report"),
    rule(r"\b(?:stands?|stood)\b(?!-in| in\b| for\b| out\b|still\b)", "is, stays"),
    rule(r"\b(?:lie|lies|lay|lain|laid|lays)\b", "is; align, time-align"),
    rule(r"\bcomes? (?:\S+ (?:LU|dB) )?(?:louder|quieter|twice|of|to an end)\b", "is, ends"),
    rule(r"\b(?:hears?|hearing) of\b", "be warned, be shown"),
    rule(r"\b(?:takes?|took|taken|taking) off\b|\bgives? (?:out|back)\b", "subtract; play, return"),
    rule(r"\bgo(?:es)? on\b(?! (?:the|a|their|its)\b)|\bgoing on\b", "continue, keep"),
    rule(r"\bturned by\b", "with its gain applied"),
    rule(r"\b[Cc]ount on\b", "allow"),
    rule(r"\bpa(?:ys|id)\b(?! for\b)", "costs, loses, gives up"),
    rule(r"\bpress(?:es|ed)?\b.{0,25}\bdown\b", "limits, is limited"),
    rule(r"\bguards\b|\bnothing holds\b", "peak protection"),
    rule(r"\bdoes not answer\b|\bnothing came of\b", "stopped responding"),
    rule(r"\blead(?:s|ing)? (?:it|them|to)\b", "redirect"),
    rule(r"(?:^|[.!?:;,(] |\b[Oo]r |\band )[Nn]ame (?:an?|the|one|two|another|it|audio|files|\d+)\b",
         "give, use, choose"),
    rule(r"\b(?:is|are|was|were) named\b", "is given; is called"),
    # turns
    rule(r"(?<!% )(?<![Pp]art )(?<![Mm]ost )(?<![Rr]est )(?<![Hh]alf )\bof it\b", "(leave it out)"),
    rule(r"\b[Ss]o (?:much|many)\b", "that, this much"),
    rule(r"\b[Dd]one so\b", "verified"),
    rule(r"(?<![Tt]here )\b(?:is|are|was|were) no (?!(?:more|longer|louder|quieter|higher|lower|later)\b)",
         "is not a; has no"),
    rule(r"\b[Tt]here (?:is|are) no such\b", "not found"),
    rule(r"\banew\b", "again, re-"),
    rule(rf"(?:\d|…|\b{UNIT}) at most\b", "up to, no more than, maximum"),
    rule(r"\bthere already\b|\balready there\b|\band (?:is |are )?kept\b|\bit is kept\b",
         "not overwritten"),
    rule(r"\b(?:is|are) there\b", "present; exists"),
    rule(r"\b[Ww]hat (?:still )?(?:sounds|plays)\b|\bgoes on sounding\b|\bstill sounds\b",
         "the audio; still playing"),
    rule(r"\bby which\b|\b[Bb]y how much\b", "how far"),
    rule(r"\bas (?:it is|they are|it was)\b", "unchanged"),
    rule(r"\bwithout a word\b", "silently"),
    rule(r"\bnot (?:yet )?whole\b", "incomplete"),
    rule(r"\b(?:be|is|are|was) repeated\b", "Repeatable"),
    rule(r"\bexclude each other\b", "Use either … or …, not both"),
    rule(r"\b(?:[Oo]ne|[Aa]) (?:\w+ )?a (?:profile|file|core|line|row|player|track|master)\b", "per"),
    rule(r"\bno ordinary\b", "not a regular file"),
    rule(r"\bof the tool's own\b", "in fairhearing's"),
    rule(r"\bmore quiet(?:ly)?\b|\bmore loud(?:ly)?\b", "quieter, louder"),
    rule(r"\bmillionths\b", "ppm"),
    rule(r"\bupside down\b|\bpolarity turned\b", "polarity inverted"),
    rule(r"\bother samples\b", "has changed"),
    rule(r"\bnot reliable\b", "unreliable"),
    rule(r"\(against\b", "limit, target"),
    rule(r"\bdoes not rank\b", "A larger residual is not lower quality"),
    rule(r"\blicensed practice\b|\bsound pressure at your ears\b",
         "how loud it is at your ears; local safety rules"),
    rule(r"\b(?:too )?early: .{0,20}\bare\b|\bends too early\b", "is truncated"),
    # one word for one thing
    rule(r"\b[Bb]etween (?:the )?samples\b", "inter-sample overs, inter-sample peaks"),
    rule(r"\bris(?:e|es) over full scale\b", "peaks over full scale"),
    rule(r"\b[Uu]nused headroom\b|\bheadroom unused\b", "below full scale"),
    rule(r"\b[Pp]unch\b", "PLR, PSR"),
    rule(r"\b[Cc]ontrast\b", "loud-quiet span"),
    rule(r"\bCorrelation L to R\b", "L/R correlation"),
    rule(r"\b[Aa]t its ceiling\b", "samples within 0.1 dB of peak"),
    rule(r"(?<!D/A )(?<!rate )(?<![\[+-])\b[Cc]onverters?\b(?![\].=])(?! (?:on|off|=))", "D/A converter"),
    rule(r"(?<!-)\b[Rr]ecords?\b(?!ed|ing)", "session file, log"),
    rule(r"\b(?:an?|the|all|one) acts?\b|\bActs?\b", "entry, log"),
    rule(r"\b(?:[Aa]nother|other) desk\b", "another session"),
    rule(r"\b[Bb]eds?\b", "noise"),
    rule(r"\bgain riding\b|\bgain rides\b", "gain movement"),
    rule(r"\b[Rr]esidual of the two\b", "difference signal (null test)"),
    rule(r"\b[Ww]ord length\b", "bit depth"),
    rule(r"\b[Rr]ate really used\b", "likely original sample rate"),
    rule(r"\blevel riding\b", "gain movement"),
    rule(r"\bTaken by the limiter\b", "gain reduction"),
    rule(r"\bLeft of the mix\b", "after limiting"),
)  # fmt: skip


@dataclass(frozen=True)
class Text:
    """One text that a person may meet, and where it comes from: `file:line`, or `run/COMMAND`."""

    place: str
    line: int
    words: str


@dataclass(frozen=True)
class Offence:
    """A text that breaks a rule."""

    text: Text
    why: str

    def __str__(self) -> str:
        where = f"{self.text.place}:{self.text.line}" if self.text.line else self.text.place
        words = " ".join(self.text.words.split())
        return f"{where}: {words if len(words) <= 160 else words[:157] + '...'} → {self.why}"

    @property
    def room(self) -> str:
        """The folder, or the file itself in the folders that several rooms share."""
        path = self.text.place
        return path if path.startswith(("simulator/cli/", "run/")) else os.path.dirname(path) or path


def is_for_people(words: str) -> bool:
    """Is it prose, and not a key, a path, a regular expression or a database's command?"""
    if not re.search(r"[a-z…] \S|\S [a-z…]", words) or not re.search(r"\b[a-z]{2,}\b", words):
        return False
    return not re.match(r"\s*(?:SELECT|INSERT|CREATE|PRAGMA|UPDATE|DELETE)\b", words)


@cache
def literals(path: Path) -> tuple[Text, ...]:
    """The texts of one module: string constants and f-strings (… for their values), but no docstring, none
    under an attribute, and no regular expression."""
    return tuple(_literals(path))


def _literals(path: Path) -> Iterator[Text]:
    nodes = source.nodes(path.relative_to(source.PACKAGE).as_posix())
    left_out = set()
    for node in nodes:
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            left_out.add(node.value)
        elif isinstance(node, ast.JoinedStr):
            left_out.update(one for one in ast.walk(node) if isinstance(one, ast.Constant))
        elif isinstance(node, ast.Call) and ast.unparse(node.func).startswith("re."):
            left_out.update(one for one in ast.walk(node) if isinstance(one, ast.Constant | ast.JoinedStr))
    name = path.relative_to(ROOT).as_posix()
    for node in nodes:
        if node in left_out:
            continue
        if isinstance(node, ast.JoinedStr):
            yield from (
                Text(name, one.lineno, one.value)
                for value in node.values
                if isinstance(value, ast.FormattedValue)
                for one in ast.walk(value)
                if isinstance(one, ast.Constant) and isinstance(one.value, str) and is_for_people(one.value)
            )
            words = "".join(str(one.value) if isinstance(one, ast.Constant) else "…" for one in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            words = node.value
        else:
            continue
        if is_for_people(words):
            yield Text(name, node.lineno, words)


def markdown(path: Path) -> Iterator[Text]:
    """The prose of a Markdown file, by paragraph or item; no code."""
    name = path.relative_to(ROOT).as_posix()
    text = re.sub(r"^```.*?^```", lambda found: "\n" * found[0].count("\n"), path.read_text(encoding="utf-8"),
                  flags=re.MULTILINE | re.DOTALL)  # fmt: skip
    text = re.sub(r"`[^`\n]*`", "…", text)
    at, block = 1, ""
    for number, line in enumerate([*text.splitlines(), ""], 1):
        begins = re.match(r"\s*(?:[-*] |\d+\. |#|\||>)", line)
        if (begins or not line.strip()) and block.strip():
            yield Text(name, at, block)
            block = ""
        if not block:
            at = number
        cells = re.sub(r"^[\s>#*-]+|\|[\s:|-]+$", "", line)
        block += re.sub(r"\s*\|\s*", ". ", cells) + " "


def template(path: Path) -> Iterator[Text]:
    """The texts of a page's template, and those in quotes of a script."""
    name = path.relative_to(ROOT).as_posix()
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".html":
        text = re.sub(r"\{#.*?#\}|<script.*?</script>|<style.*?</style>", "", text, flags=re.DOTALL)
        text = re.sub(r"\{\{.*?\}\}", "…", text, flags=re.DOTALL)
        text = re.sub(r"</?(?:b|i|em|strong|span|a|small|code|kbd|abbr|var)\b[^>]*>", "", text)
        text = re.sub(
            r"\{%.*?%\}|<[^>]*>", lambda found: "\f" + "\n" * found[0].count("\n"), text, flags=re.DOTALL
        )
        at = 1
        for part in text.split("\f"):
            if is_for_people(html.unescape(part).strip()):
                yield Text(name, at + len(part) - len(part.lstrip()) and at, html.unescape(part))
            at += part.count("\n")
    elif path.suffix == ".js":
        for number, line in enumerate(text.splitlines(), 1):
            code = re.sub(r"(?<!:)//.*$", "", line)
            for found in re.finditer(r'"([^"]*)"|`([^`]*)`', code):
                words = re.sub(r"\$\{[^}]*\}", "…", found[1] or found[2] or "")
                if is_for_people(words):
                    yield Text(name, number, words)


def tables(path: Path) -> Iterator[Text]:
    """Every text of a TOML file that the program may show."""
    name = path.relative_to(ROOT).as_posix()
    text = path.read_text(encoding="utf-8")

    def walk(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, dict | list):
            for one in value.values() if isinstance(value, dict) else value:
                yield from walk(one)

    for words in walk(tomllib.loads(text)):
        if is_for_people(words):
            place = text.find(words[:30])
            yield Text(name, text.count("\n", 0, max(place, 0)) + 1, words)


def written() -> Iterator[Text]:
    """Every text of the source that may reach a person."""
    for path in sorted((ROOT / "simulator").rglob("*.py")):
        yield from literals(path)
    for path in [*sorted((ROOT / "simulator").rglob("*.md")), ROOT / "README.md"]:
        yield from markdown(path)
    for path in sorted((ROOT / "simulator" / "page" / "templates").glob("*")):
        yield from template(path)
    for folder in ("profiles", "demo_playlist"):
        for path in sorted((ROOT / folder).glob("*.toml")):
            yield from tables(path)


def sentences(words: str) -> Iterator[str]:
    for block in re.split(r"\n\s*\n|\n(?=\s*[•■-])|\n  ", words):
        yield from re.split(r"(?<=[.!?])[”)]?\s+(?=[A-Z“…`(\d])", " ".join(block.split()))


def offences_of(text: Text) -> Iterator[Offence]:
    """What is wrong with one text."""
    flat = " ".join(text.words.split())
    for one in RULES:
        found = one.pattern.search(flat)
        if found:
            yield Offence(text, f"“{found[0].strip()}”: {one.instead}")
    for sentence in sentences(text.words):
        count = len(re.findall(r"[\w…][\w…'’.,/-]*", sentence))
        listed = " · " in sentence or "--" in sentence  # keys; the options of a --help
        if count > MOST_WORDS and not listed:
            yield Offence(text, f"{count} words in one sentence: no more than {MOST_WORDS}")


SCRIPT = """list
play 2
wait 1
state matched
loudest
note the chorus opens up
mark
loop 0:01 0:03
mono
difference
mute
dim
trim -20
player minus14-down
codec opus 128
converter on
round loudest 4
help
help codec
trial abx 8
compare
why
decide 1
undo
nonsense
replace 9 gone.wav
quit
"""
RUNS = (
    "--help",
    "measure --help",
    "predict --help",
    "compare --help",
    "ladder --help",
    "listen --help",
    "page --help",
    "check --help",
    "render --help",
    "demo --help",
    "votes --help",
    "profiles --help",
    "profiles new --help",
    "profiles list",
    "profiles show a85",
    "profiles show minus14-opus128",
    "profiles show minus15",
    "measure open.wav loud.wav silence.wav",
    "measure gone.wav text.wav folder empty.wav",
    "measure --csv --json open.wav",
    "predict loud.wav open.wav",
    "predict list.toml --profile all",
    "predict loud.wav --profile minus15",
    "compare loud.wav open.wav",
    "compare loud.wav open.wav --profile minus14-limited,minus14-headroom",
    "compare open.wav other.wav",
    "compare open.wav",
    "ladder open.wav --loudness -14,-10",
    "ladder silence.wav",
    "check loud.wav open.wav --target -14 --ceiling -1 --for minus14-opus128",
    "check list.toml --playlist",
    "render list.toml --out out --seconds 2",
    "render list.toml --out out --seconds 2",
    "page list.toml -o page.html --vote 6 --seconds 1",
    "page list.toml -o page.html",
    "page list.toml -o page.wav",
    "votes gone.txt",
    "votes text.wav",
    "listen list.toml --to-file session.wav",
    "listen gone.wav --to-file other.wav",
)


def music(folder: Path) -> None:
    """Two versions of a song that swells, another song, silence, and files that are none."""
    import numpy as np
    import soundfile

    rate = 44_100
    rng = np.random.default_rng(5)
    time = np.arange(8 * rate) / rate
    swell = (0.03 + 0.02 * np.sin(2 * np.pi * time / 5))[:, np.newaxis]
    song, other = (np.cumsum(rng.standard_normal((time.size, 2)), axis=0) for _ in range(2))
    song, other = (
        np.diff(one, axis=0, prepend=0) * 0.7 + 0.01 * one / np.abs(one).max() for one in (song, other)
    )
    soundfile.write(folder / "open.wav", song * swell, rate, subtype="PCM_24")
    soundfile.write(folder / "loud.wav", np.clip(song * swell * 14, -0.95, 0.95), rate, subtype="PCM_24")
    soundfile.write(folder / "other.wav", other * swell, rate, subtype="PCM_24")
    soundfile.write(folder / "silence.wav", np.zeros((rate, 2)), rate)
    (folder / "text.wav").write_text("not audio", encoding="utf-8")
    (folder / "empty.wav").touch()
    (folder / "folder").mkdir()
    (folder / "list.toml").write_text(
        'format = 1\ntitle = "Which one?"\n'
        '[[tracks]]\npath = "open.wav"\ntitle = "Song (open)"\nsong = "s"\n'
        '[[tracks]]\npath = "loud.wav"\ntitle = "Song (loud)"\nsong = "s"\n'
        '[[tracks]]\npath = "other.wav"\nrole = "reference"\n',
        encoding="utf-8",
    )


def prose(shown: str) -> str:
    """What is printed without its tables: lines with gaps between cells, and lines of strokes."""
    lines = []
    for line in shown.splitlines():
        inner = line.strip(" •■│|")
        cells = re.search(r"\S {2,}\S", inner) or re.search(r"[─━═▁▂▃▄▅▆▇█]{2}", inner)
        begins = re.match(r"\s*[\w.]+: ", line)  # a key and its value
        lines.append("" if cells else ("\n" if begins else "") + line.lstrip())
    return "\n".join(lines)


def printed() -> Iterator[Text]:
    """What real runs print, each command in a process that has one cache."""
    from simulator.cli import app

    kept = {name: os.environ.get(name) for name in ("XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME")}
    kept["FAIRHEARING_IN_PROCESS"] = os.environ.get("FAIRHEARING_IN_PROCESS")
    here, typed = Path.cwd(), sys.stdin
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        music(folder)
        try:
            os.environ.update(dict.fromkeys(kept, name))
            os.chdir(folder)
            for line in RUNS:
                sys.stdin = io.StringIO(SCRIPT)
                out = io.StringIO()
                with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
                    app.run(line.split())
                place = f"run/{line.split()[0]}"
                flat = out.getvalue().replace(name, "")
                shown = re.sub(r" {2,}", ". ", flat) if "--help" in line else prose(flat)
                for block in re.split(r"\n\s*\n|\n(?=[•■>] )", shown):
                    if is_for_people(block):
                        yield Text(place, 0, block)
        finally:
            os.chdir(here)
            sys.stdin = typed
            for variable, value in kept.items():
                if value is None:
                    os.environ.pop(variable, None)
                else:
                    os.environ[variable] = value


def questions() -> Iterator[Offence]:
    """Docstrings whose first line asks instead of stating what the thing is."""
    for module in source.modules():
        for node in source.nodes(module):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                first = re.split(r"(?<=[.?!])\s", ast.get_docstring(node) or "", maxsplit=1)[0]
                if first.endswith("?"):
                    place = Text(f"simulator/{module}", getattr(node, "lineno", 1), first)
                    yield Offence(place, "a docstring states what the thing is")


def not_ours(found: Iterator[Offence]) -> list[str]:
    return sorted({str(one) for one in found if EVERYTHING or not one.text.place.startswith(NOT_YET)})


def test_every_text_of_the_source_is_plain_english() -> None:
    texts = list(written())
    assert len(texts) > 1500
    found = not_ours(one for text in texts for one in offences_of(text))
    assert found == [], "\n" + "\n".join(found)


@pytest.mark.heavy
def test_everything_that_is_printed_is_plain_english() -> None:
    texts = list(printed())
    assert len({text.place for text in texts}) >= 11
    found = not_ours(one for text in texts for one in offences_of(text))
    assert found == [], "\n" + "\n".join(found)


def test_no_docstring_begins_with_a_question() -> None:
    found = not_ours(questions())
    assert found == [], "\n" + "\n".join(found)


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        ("The peaks of X stand 5.9 dB further above its loudness.", 1),
        ("X keeps 5.9 dB more peak-to-loudness ratio.", 0),
        ("true peak at −1.0 dBTP at most", 1),
        ("true peak no higher than −1.0 dBTP", 0),
        ("c.html: there already, and kept.", 1),
        ("c.html already exists and was not overwritten.", 0),
        ("That is no profile.", 1),
        ("There is no difference, and X is no louder.", 0),
        ("A converter without headroom clips.", 1),
        ("Simulating a D/A converter with no headroom.", 0),
        ("28 % of it is gain movement", 0),
        ("all of it", 1),
        ("Two stand-ins that stand out, and stands.", 1),
        (" ".join(["word"] * 31) + ".", 1),
        (" ".join(["word"] * 30) + ". " + " ".join(["Word"] * 30) + ".", 0),
    ],
)
def test_the_rules_catch_the_turns_and_leave_the_better_words(words: str, wrong: int) -> None:
    assert len(list(offences_of(Text("x", 0, words)))) == wrong


def suggested() -> Iterator[tuple[str, list[str]]]:
    """Every command line in the texts of the source, docstrings too: where it is, and its words. What a
    message fills in, and a name in capitals, is a name like any other."""
    for path in sorted((ROOT / "simulator").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        docs = [
            ast.get_docstring(node) or ""
            for node in source.nodes(path.relative_to(source.PACKAGE).as_posix())
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        ]
        for words in (*(text.words for text in literals(path)), *docs):
            for found in re.finditer(r"(?<!\w)fairhearing ([a-z]+(?: [^`\n,;()]+)?)", words):
                line = re.split(r"[.:?!](?: |$)", found[1])[0]
                yield f"{name}: {found[0]}", line.replace("…", "x").split()


def option_names() -> set[str]:
    from simulator.cli.app import COMMANDS, cli

    found = {"--help", "--version"}
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        parts = command.commands.values() if isinstance(command, click.Group) else [command]
        found |= {
            option
            for part in parts
            if part is not None
            for one in part.params
            if isinstance(one, click.Option) and not one.hidden
            for option in (*one.opts, *one.secondary_opts)
        }
    return found


def test_every_suggested_command_can_be_typed() -> None:
    """A name alone is the name of a command; with anything behind it the line is read as click reads it."""
    from simulator.cli.app import COMMANDS, cli

    lines = [(place, words) for place, words in suggested() if words[0] in COMMANDS or len(words) > 1]
    assert len(lines) > 15
    wrong = []
    for place, words in lines:
        command = cli.get_command(click.Context(cli), words[0])
        while isinstance(command, click.Group) and words[1:]:
            words = words[1:]
            command = command.get_command(click.Context(command), words[0])
        try:
            if command is None:
                raise click.UsageError("no such command")
            if words[1:]:
                command.make_context(words[0], words[1:])
        except click.UsageError as problem:
            wrong.append(f"{place} → {problem.format_message()}")
    assert wrong == [], "\n" + "\n".join(wrong)


def test_every_option_in_a_text_is_one() -> None:
    known = option_names()
    wrong = [
        f"{text.place}:{text.line}: {option}"
        for path in sorted((ROOT / "simulator").rglob("*.py"))
        for text in literals(path)
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", text.words)
        if option not in known
    ]
    assert wrong == [], "\n" + "\n".join(wrong)


def main(paths: list[str]) -> None:
    """Prints all offences, those of the rooms that are not rewritten yet too."""
    found = [one for text in (*written(), *printed()) for one in offences_of(text)] + list(questions())
    chosen = {str(one): one.room for one in found if not paths or one.text.place.startswith(tuple(paths))}
    print("\n".join(chosen))
    print()
    for room, count in sorted(Counter(chosen.values()).items()):
        print(f"{count:4}  {room}")
    print(f"{len(chosen):4}  in all")


if __name__ == "__main__":
    main(sys.argv[1:])

"""One HTML file from the values: templates with escaping on, a strict policy, hidden names.

The file asks for nothing outside itself: its Content-Security-Policy allows no connection, and only the
one script whose hash it names. Where a vote is asked for, all that tells names (texts, curves, gains) is
kept apart: exclusive-or with a random key stored beside it, in base64. That hides it from a glance at the
source and is not encryption, as the page says. Template texts are passed in, by name.
"""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined, select_autoescape
from markupsafe import Markup

from simulator.page.content import PageContent, context
from simulator.text.colours import VERSIONS, VERSIONS_ON_DARK

SCRIPTS = ("deck.js", "send.js", "comments.js", "listen.js", "vote.js", "start.js")
STYLE = "page.css"


@dataclass(frozen=True, slots=True)
class PageVote:
    """What the vote part shows and needs. `ballot` is for the script and tells no names; `reveal` is kept
    hidden until the vote is over; `view` is for the template."""

    ballot: Mapping[str, Any]
    reveal: Mapping[str, Any]
    view: Mapping[str, Any]


def environment_of(templates: Mapping[str, str]) -> Environment:
    """The templates by name, with escaping on; a value that is missing is an error."""
    return Environment(
        loader=DictLoader(dict(templates)),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def html(
    content: PageContent,
    sounds: Mapping[str, Any],
    clips: Mapping[str, str],
    templates: Mapping[str, str],
    key: bytes,
    vote: PageVote | None = None,
) -> str:
    """The whole page. `clips` are FLAC files in base64 by their neutral names, `templates` the texts of
    templates/ by name; `key` hides what gives the versions' names away."""
    environment = environment_of(templates)
    script = "\n".join(templates[name] for name in SCRIPTS)
    rest = Markup(environment.get_template("rest.html").render(context(content)))
    frame: dict[str, Any] = {
        "title": content.title,
        "client": content.client,
        "version": content.version,
        "policy": policy(script),
        "engineer": content.engineer,
        "css": Markup(version_colours() + templates[STYLE]),
        "script": Markup(script),
        "clips": clips,
        "vote": "",
        "rest": rest,
        "sounds": sounds,
    }
    if vote is not None:
        frame["vote"] = Markup(environment.get_template("vote.html").render(vote.view))
        frame["ballot"] = vote.ballot
        frame["key"] = base64.b64encode(key).decode("ascii")
        frame["sealed"] = sealed({**vote.reveal, "html": str(rest), "sounds": sounds}, key)
    return environment.get_template("page.html").render(frame)


def version_colours() -> str:
    """The versions' colours as the style's variables --v0, --v1 …, on light and dark screens and on paper."""

    def root(colours: Sequence[str]) -> str:
        return f":root {{ {' '.join(f'--v{place}: {one};' for place, one in enumerate(colours))} }}"

    dark = f"@media (prefers-color-scheme: dark) {{ {root(VERSIONS_ON_DARK)} }}"
    return f"{root(VERSIONS)}\n{dark}\n@media print {{ {root(VERSIONS)} }}\n"


def policy(script: str) -> str:
    """Nothing may be fetched; the page's own script and style may run."""
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "base-uri 'none'; form-action 'none'"
    )


def sealed(values: Mapping[str, Any], key: bytes) -> str:
    """Hidden values: JSON in UTF-8, exclusive-or with the repeated key, base64."""
    plain = json.dumps(values, ensure_ascii=False, allow_nan=False).encode("utf-8")
    return base64.b64encode(bytes(a ^ b for a, b in zip(plain, itertools.cycle(key), strict=False))).decode()

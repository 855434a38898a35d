"""The handbook that comes with the program: one Markdown file a topic."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).resolve().parent.parent / "handbook"
TOPICS = (
    "artist",
    "compare",
    "target",
    "listen",
    "page",
    "check",
    "profiles",
    "playlists",
    "numbers",
    "files",
    "python",
    "glossary",
    "limits",
)
"""In the order of the work."""


def topic_text(topic: str) -> str:
    """Markdown of one of TOPICS."""
    return (FOLDER / f"{topic}.md").read_text(encoding="utf-8")


def headings() -> dict[str, str]:
    """The heading of every topic, which says what it is about, by the topic's name."""
    return {topic: topic_text(topic).partition("\n")[0].removeprefix("# ") for topic in TOPICS}

"""Options that several commands share."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from simulator.common.text import visible, within_bounds

if TYPE_CHECKING:
    from collections.abc import Iterable

    from simulator.common.errors import SimulatorError
    from simulator.storage.measurement_cache import Store

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class CacheOptions:
    """What --no-cache, --rehash and --workers ask for."""

    no_cache: bool = False
    rehash: bool = False
    asked_workers: int | None = None

    @property
    def folder(self) -> Path | None:
        """The cache's folder; None without a cache."""
        from simulator.storage.folders import cache_folder

        return None if self.no_cache else cache_folder()

    @property
    def workers(self) -> int:
        """Maximum number of worker processes."""
        from simulator.engine.workers import default_workers

        return default_workers() if self.asked_workers is None else self.asked_workers

    @property
    def kept(self) -> str:
        """What becomes of finished steps when Ctrl-C comes, for `steps`."""
        return "" if self.no_cache else "kept in the cache: the next run continues from there"

    def store(self) -> Store:
        """The cache, open."""
        from simulator.storage.measurement_cache import Store

        return Store(self.folder, warn, rehash=self.rehash)


def cache_options(function: F) -> F:
    """--no-cache, --rehash and --workers, as the parameter `cache` (CacheOptions)."""

    @wraps(function)
    def command(*args: Any, no_cache: bool, rehash: bool, workers: int | None, **options: Any) -> Any:
        return function(*args, cache=CacheOptions(no_cache, rehash, workers), **options)

    for option in (
        click.option("--no-cache", is_flag=True, help="Ignore the cache: re-measure and store nothing."),
        click.option("--rehash", is_flag=True, help="Re-read every file, even if it looks unchanged."),
        click.option(
            "--workers",
            type=click.IntRange(0, 64),
            help="Maximum worker processes (0 = none). Default: one per core, only for long jobs.",
        ),
    ):
        option(command)
    return cast("F", command)


def profile_option(function: F) -> F:
    """--profile, repeatable."""

    return click.option(
        "--profile",
        "profiles",
        multiple=True,
        metavar="ID|FILE|all",
        help='Player profile ID or .toml file; comma-separate several, or "all". Repeatable.',
    )(function)


def amount_options(function: F) -> F:
    """--quiet, --detail (parameter `amount`), and --verbose, which reports on standard error."""
    from simulator.cli.output import Amount

    def report(_: click.Context, __: click.Parameter, verbose: bool) -> None:
        if verbose:
            import logging

            logging.basicConfig(format="%(message)s", stream=sys.stderr)
            logging.getLogger("fairhearing").setLevel(logging.INFO)

    function = click.option(
        "-v",
        "--verbose",
        is_flag=True,
        expose_value=False,
        callback=report,
        help="Report what was read, measured or taken from the cache, and how long it took.",
    )(function)
    function = click.option(
        "--detail",
        "amount",
        flag_value=Amount.DETAIL,
        type=click.Choice(Amount),
        help="Print every figure and every reason.",
    )(function)
    return click.option(
        "-q",
        "--quiet",
        "amount",
        flag_value=Amount.QUIET,
        type=click.Choice(Amount),
        default=Amount.NORMAL,
        help="Print the answer only.",
    )(function)


def figure_option(what: str) -> Callable[[F], F]:
    """--figure, repeatable (parameter `figures`), and --force; `what` begins the help."""

    def add(function: F) -> F:
        function = click.option("--force", is_flag=True, help="Overwrite existing files.")(function)
        return click.option(
            "--figure",
            "figures",
            multiple=True,
            type=click.Path(dir_okay=False, path_type=Path),
            metavar="FILE.svg|png",
            help=f"{what} Repeatable.",
        )(function)

    return add


def refuse_both(first: str, second: str, both: bool) -> None:
    """Raises UsageError where two options that exclude each other are both given."""
    if both:
        raise click.UsageError(f"Use either {first} or {second}, not both.")


def warn(text: str) -> None:
    """A line for the user that is not a result."""
    print(within_bounds(visible(text, "\n")), file=sys.stderr)


MOST_ALIKE = 5
"""So many tracks are named for one reason; the others are counted."""


def say_problems(problems: Iterable[SimulatorError | None]) -> None:
    """What went wrong with single tracks, each with its cure, once; nothing for None. Where more than a few
    have the same reason and cure, the others are counted."""
    alike: dict[tuple[str, str], dict[str, None]] = {}
    for problem in problems:
        if problem is not None:
            reason = problem.message.rpartition(": ")[2]
            alike.setdefault((reason, problem.hint), {})[problem.message] = None
    for (reason, hint), messages in alike.items():
        named = list(messages)[:MOST_ALIKE] if len(messages) > MOST_ALIKE + 1 else list(messages)
        for message in named:
            warn(f"{message}\n  {hint}".rstrip())
        if len(named) < len(messages):
            warn(f"{len(messages) - len(named):,} more tracks: {reason}\n  {hint}".rstrip())

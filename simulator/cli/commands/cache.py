"""`fairhearing cache`: what the cache holds, and how to clear or limit it."""

from __future__ import annotations

import click

from simulator.common.errors import ExitCode
from simulator.storage.measurement_cache import CachePart


@click.command("cache")
@click.option(
    "--clear",
    multiple=True,
    type=click.Choice([*(part.value for part in CachePart), "all"]),
    help="Remove a part, or all. Repeatable.",
)
@click.option(
    "--limit",
    type=click.IntRange(0),
    metavar="MB",
    help="Remove what was used least recently until at most MB megabytes are left.",
)
def command(clear: tuple[str, ...], limit: int | None) -> int:
    """Shows, clears or limits the cache.

    It holds what the program can make again: measurements, encoded masters (at most 2 GB) and the demo. Your
    session files and settings are elsewhere and are never touched.
    """
    from simulator.storage.folders import cache_folder
    from simulator.storage.measurement_cache import HOLDS, MEGABYTE, entries, over_limit, remove

    folder = cache_folder()
    found = entries(folder)
    chosen = [one for one in found if "all" in clear or one.part in clear]
    if limit is not None:
        chosen += over_limit([one for one in found if one not in chosen], limit * MEGABYTE)
    if clear or limit is not None:
        freed = remove(chosen)
        found = entries(folder)
        click.echo(f"Freed {freed / MEGABYTE:.1f} MB.")
    total = sum(one.size for one in found)
    click.echo(f"The cache holds {total / MEGABYTE:.1f} MB in {folder}")
    for part in CachePart:
        size = sum(one.size for one in found if one.part is part)
        click.echo(f"  {part:<14}{size / MEGABYTE:>9.1f} MB  {HOLDS[part]}")
    if any(one in found for one in chosen):
        click.echo("Some files could not be removed; check the folder's permissions.", err=True)
        return ExitCode.SOME_FAILED
    return ExitCode.DONE

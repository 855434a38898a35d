"""`fairhearing profiles`: list the players, show one, start your own."""

from __future__ import annotations

import click


@click.group("profiles")
def command() -> None:
    """Player profiles: list, show, copy. None copies one real player: put your own numbers into a copy."""


@command.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON (ID, title, target and sentence of each).")
def list_(as_json: bool) -> None:
    """List the bundled profiles, one line each."""
    from simulator.common.text import level
    from simulator.storage.bundled import bundled_profile_ids, load_profile

    profiles = [load_profile(name) for name in bundled_profile_ids()]
    if as_json:
        from simulator.cli.output import print_json

        keys = ("id", "title", "sentence", "target_lufs", "scope", "upward")
        rows = [{"schema": 1, **{key: getattr(profile, key) for key in keys}} for profile in profiles]
        print_json(rows)
        return
    targets = [profile.target_lufs for profile in profiles if profile.target_lufs is not None]
    click.echo(
        f"{len(profiles)} players: {len(targets)} normalise to between {level(min(targets), 0)} and "
        f"{level(max(targets), 0)} LUFS, {len(profiles) - len(targets)} plays files untouched.\n"
    )
    width = max(len(profile.id) for profile in profiles)
    for profile in profiles:
        target = "no target" if profile.target_lufs is None else f"{level(profile.target_lufs, 0)} LUFS"
        click.echo(f"{profile.id:<{width}}  {target:>9}  {profile.title}")
    click.echo(
        "\nDetails: fairhearing profiles show ID\nMake your own: fairhearing profiles new my-player.toml"
    )


@command.command("show")
@click.argument("profile", metavar="ID|FILE")
def show(profile: str) -> None:
    """Show one profile: what it does, its numbers, and the source of each."""
    import textwrap

    from simulator.storage.bundled import load_profile

    found = load_profile(profile)
    click.echo(f"{found.title} ({found.id})")
    click.echo(textwrap.fill(found.sentence, 79))
    for line in _lines(found):
        click.echo(line)
    click.echo("\nWhere the numbers come from:")
    for key, source in found.sources.items():
        click.echo(textwrap.fill(f"{key}: {source}", 79, initial_indent="  ", subsequent_indent="    "))


def _lines(found: object) -> list[str]:
    import msgspec

    values = msgspec.to_builtins(found)
    lines = [""]
    for key, value in values.items():
        if key in ("id", "title", "sentence", "sources") or value is None:
            continue
        if isinstance(value, dict):
            lines += [f"  {key}.{inner} = {content}" for inner, content in value.items()]
        else:
            lines.append(f"  {key} = {value}")
    return lines


@command.command("new")
@click.argument("file", metavar="FILE.toml")
@click.option(
    "--from",
    "source",
    default="minus14-headroom",
    show_default=True,
    metavar="ID|FILE",
    help="The profile to copy.",
)
def new(file: str, source: str) -> None:
    """Copy a profile to FILE.toml for editing; never overwrites."""
    from simulator.storage.bundled import new_profile

    made = new_profile(source, file)
    click.echo(f"{made} is a copy of {source}. Edit the numbers, give their sources under [sources],")
    click.echo(f"then: fairhearing predict FILES --profile {made if '/' in str(made) else './' + str(made)}")

"""`fairhearing profiles`: list them, show one, start your own."""

from __future__ import annotations

import click


@click.group("profiles")
def command() -> None:
    """The player profiles. None of them copies one real player: put your own numbers into a copy."""


@command.command("list")
@click.option("--json", "as_json", is_flag=True, help="A list of id, title, target and sentence.")
def list_(as_json: bool) -> None:
    """Every bundled profile with what it does."""
    from simulator.storage.bundled import bundled_profile_ids, load_profile

    profiles = [load_profile(name) for name in bundled_profile_ids()]
    if as_json:
        import json

        keys = ("id", "title", "sentence", "target_lufs", "scope", "upward")
        rows = [{"schema": 1, **{key: getattr(profile, key) for key in keys}} for profile in profiles]
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
        return
    width = max(len(profile.id) for profile in profiles)
    for profile in profiles:
        target = "no target" if profile.target_lufs is None else f"{profile.target_lufs:.0f} LUFS"
        click.echo(f"{profile.id:<{width}}  {target.replace('-', '−'):>9}  {profile.title}")
    click.echo(
        "\nOne in full: fairhearing profiles show ID. Your own: fairhearing profiles new my-player.toml"
    )


@command.command("show")
@click.argument("profile", metavar="ID|FILE")
def show(profile: str) -> None:
    """One profile: what it says to a client, its numbers, and where each comes from."""
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
    """Copies a profile into FILE.toml for you to edit; never overwrites."""
    from simulator.storage.bundled import new_profile

    made = new_profile(source, file)
    click.echo(f"{made} is a copy of {source}. Edit its numbers and name their sources under [sources],")
    click.echo(f"then: fairhearing predict FILES --profile {made if '/' in str(made) else './' + str(made)}")

"""The command line's frame: finds the command, and turns errors into words and exit codes.

Commands are loaded only when they are called, so that `--help` and completion stay quick.

Examples that each command's --help ends with.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
from collections.abc import Callable
from typing import NoReturn

import click
from click.shell_completion import CompletionItem

from simulator import __version__
from simulator.cli.completion import add_completion
from simulator.cli.options import warn
from simulator.common.errors import ExitCode, SimulatorError
from simulator.engine.interrupts import handle_signals, ignore_signals
from simulator.engine.streams import lead_to_null, prepare_streams
from simulator.storage.small_files import forget_files_read

COMMANDS = {
    "demo": "See and hear the point: one song, mastered open and crushed.",
    "measure": "Loudness, peaks and dynamics, by the published standards.",
    "predict": "What each player does to your masters and references.",
    "compare": "What a loud master gains and loses against an open one.",
    "ladder": "Before mastering: what each loudness costs and gains.",
    "listen": "Hear tracks as a player would play them, and switch at once.",
    "page": "One HTML file for the client: listen, see, read, and vote blind.",
    "votes": "Add a client's vote and comments to the session file.",
    "check": "Before delivery: can the master go out? What to change?",
    "render": "Write the audio as a player would play it.",
    "export": "Marks and decisions as CSV or WebVTT; playlists in open formats.",
    "profiles": "The player profiles: list them, show one, start your own.",
    "guide": "The handbook, a topic at a time.",
    "settings": "Your standing choices, and where each is from.",
    "doctor": "Whether everything works here, and what to do where not.",
    "cache": "What the cache holds; clear or limit it.",
    "schema": "The JSON Schemas of what --json prints.",
    "completion": "Tab completion for bash, zsh or fish.",
}
"""In the order of the work."""
BESIDE = ("completion", "doctor", "export", "settings")
"""Commands whose modules are in this folder; those of the others are in `commands/`."""


EXAMPLES: dict[str, list[str]] = {}
"""What each command's --help ends with."""
for _line in """
fairhearing demo
fairhearing demo --out demo-audio
fairhearing measure master.wav
fairhearing measure album --csv > album.csv
fairhearing predict loud.wav open.wav
fairhearing predict loud.wav open.wav --profile all
fairhearing predict album --album --relation equal
fairhearing compare loud.wav open.wav
fairhearing compare song.toml --figure pair.svg
fairhearing compare loud.wav open.wav --noise 12 --out noise
fairhearing ladder mix.wav
fairhearing ladder mix.wav --loudness -16,-12 --style clip-limit
fairhearing ladder mix.wav --loudness -16,-12 --out rungs
fairhearing listen loud.wav open.wav
fairhearing listen song.toml --profile r128
fairhearing listen demo
fairhearing page song.toml -o song.html
fairhearing page song.toml -o vote.html --vote 16
fairhearing page song.toml -o noted.html --with notes,marks
fairhearing votes vote.txt
fairhearing votes vote.txt --session song.session.json
fairhearing check master.wav --target -14 --ceiling -1
fairhearing check master.wav --decision song.session.json
fairhearing check master.wav --for minus14-opus128
fairhearing render song.toml --out as-played
fairhearing render loud.wav open.wav --out flac --format flac24
fairhearing export song.session.json -o marks.csv
fairhearing export song.toml -o song.xspf
fairhearing profiles list
fairhearing profiles show minus14-headroom
fairhearing profiles new my-player.toml --from r128
fairhearing guide
fairhearing guide artist
fairhearing settings
FAIRHEARING_PROFILE=r128 fairhearing settings
fairhearing doctor
fairhearing doctor --tone
fairhearing cache
fairhearing cache --limit 500
fairhearing cache --clear demo
fairhearing schema
fairhearing schema measure
fairhearing completion bash
fairhearing completion fish
""".strip().splitlines():
    EXAMPLES.setdefault(_line.split("fairhearing ")[1].split()[0], []).append(_line)

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


class _Commands(click.Group):
    """Knows every command's name and line of help without importing it."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        folder = "simulator.cli" if cmd_name in BESIDE else "simulator.cli.commands"
        command = importlib.import_module(f"{folder}.{cmd_name}").command
        assert isinstance(command, click.Command)
        command.epilog = "\b\nExamples:\n" + "\n".join(f"  {line}" for line in EXAMPLES[cmd_name])
        add_completion(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem[str]]:
        names = [
            CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)
        ]
        return names + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 90},
)
@click.version_option(__version__, prog_name="fairhearing", message="%(prog)s %(version)s")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Hear and measure masters as loudness-normalising players will play them.

    A player here is a playback system that brings tracks to one loudness by a rule of its own, as streaming
    services, broadcasters and music collections do.

    Start with `fairhearing demo`, then compare two masters of yours: `fairhearing compare LOUD.wav OPEN.wav`.
    """
    name = ctx.invoked_subcommand
    if name is None:
        click.echo(ctx.get_help())
    elif name in COMMANDS and name != "doctor":  # which says itself what is wrong with the settings
        from simulator.cli.settings import option_defaults

        command = cli.get_command(ctx, name)
        assert command is not None
        ctx.default_map = {name: option_defaults(command)}


def main(arguments: list[str] | None = None) -> NoReturn:
    """Runs the command line and leaves with its exit code."""
    handle_signals()
    outlet = prepare_streams()
    try:
        code = run(arguments)
        sys.stdout.flush()
        if outlet is not None and outlet.problem is not None:
            unprinted = _unprinted(outlet.problem, warn)
            code = code if code in (ExitCode.WRONG_USE, ExitCode.INTERRUPTED) else unprinted
    except KeyboardInterrupt:  # before the command had begun
        code = ExitCode.INTERRUPTED
    finally:
        ignore_signals()  # what is cleared away at exit is not torn either
    sys.exit(code)


def run(arguments: list[str] | None = None, say: Callable[[str], None] | None = None) -> int:
    """Runs one command; returns its exit code. `say` takes error lines (standard error by default)."""
    say = say or warn
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # before numpy is first imported (see engine/workers.py)
    forget_files_read()
    try:
        code = cli.main(args=arguments, prog_name="fairhearing", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else ExitCode.DONE
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except (click.Abort, KeyboardInterrupt) as interrupt:
        say("Interrupted. Nothing half-written is left behind.")
        for note in getattr(interrupt.__cause__ or interrupt, "__notes__", []):
            say(note)
        return ExitCode.INTERRUPTED
    except click.exceptions.NoArgsIsHelpError as problem:
        say(problem.format_message())
        return ExitCode.WRONG_USE
    except click.ClickException as problem:
        command = problem.ctx.command_path if isinstance(problem, click.UsageError) and problem.ctx else ""
        say(f"{command}: {problem.format_message()}" if command else problem.format_message())
        if command:
            say(f"Help: {command} --help")
        return ExitCode.WRONG_USE
    except SimulatorError as problem:
        say(problem.message)
        if problem.hint:
            say(f"  {problem.hint}")
        return problem.exit_code
    except BrokenPipeError:  # `| head` has read enough
        lead_to_null(sys.stdout.fileno())
        return ExitCode.DONE
    except OSError as problem:
        # only where the results themselves could not be printed, as with `> FILE` on a full disk
        if problem.filename is not None or problem.errno not in _FULL:
            raise
        lead_to_null(sys.stdout.fileno())
        return _unprinted(problem, say)


def _unprinted(problem: OSError, say: Callable[[str], None]) -> int:
    """The results are not on standard output; the code for that."""
    say(f"Standard output cannot be written: {problem.strerror}. Output incomplete.")
    say("  Free some disk space, or redirect it elsewhere.")
    return ExitCode.NOTHING_DONE

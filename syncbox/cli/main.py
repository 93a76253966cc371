"""The command line: one group whose commands are loaded only when they are asked for.

Every error that is meant for a person ends here as one message and its exit
code. The codes: 0 fine, 1 a problem in the show's files, 2 something could not
be read, opened or understood, 3 a fault in syncbox itself, 130 interrupted.
"""

from __future__ import annotations

import contextlib
import difflib
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Any

import click

from syncbox import __version__
from syncbox.errors import SyncboxError

EXIT_FAULT = 3
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells count it
TRACE_VARIABLE = "SYNCBOX_TRACE"

# name: (module:attribute, what the list of commands says)
COMMANDS = {
    "check": ("check:check", "Read a show and list every problem, with its place and its cure."),
    "timeline": ("timeline:timeline", "Print a song bar by bar: tempo, time, frames and patches."),
    "run": ("run:run", "Play the show: click, backing, MIDI clock and patch changes."),
    "spare": ("spare:spare", "A second computer goes along silently, and takes over."),
    "rehearse": ("rehearse:rehearse", "Part of a song over and over, slower or faster, recorded."),
    "tap": ("tap:tap", "Tap along, and a song without a map has its first one."),
    "takes": ("takes:takes", "List the takes of a song, with what was noted."),
    "render": ("render:render", "Write a show to WAV files, MIDI files and event logs."),
    "fit": ("fit:fit", "Bring a loop to the exact length of its bars, seam and hits kept clean."),
    "learn": ("learn:learn", "Press a pedal, and the rig knows what it does."),
    "try": ("audition:audition", "Select a patch on an instrument, to hear it at home."),
    "ports": ("ports:ports", "List audio devices and MIDI ports, and what the rig matches."),
    "soundcheck": ("soundcheck:soundcheck", "Hear which output is which, quietly."),
    "compare": ("compare:compare", "Hold takes against a song's map: who rushed, and where?"),
    "measure": ("measure:measure", "Measure how tight click and clock are on this computer."),
    "voices": ("voices:voices", "Make the spoken words of a show and list them."),
    "exposure": ("exposure:exposure", "Estimate how loud the show is at an ear that was measured."),
    "schema": ("schema:schema", "Write the JSON Schemas that help an editor with show files."),
    "guide": ("guide:guide", "Read the manual, here, with no internet."),
}


class Commands(click.Group):
    """The group; it knows its commands by name and loads one at a time."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        return list(COMMANDS)

    def get_command(
        self,
        ctx: click.Context,  # noqa: ARG002
        cmd_name: str,
    ) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module_name, attribute = COMMANDS[cmd_name][0].split(":")
        command = getattr(importlib.import_module(f"syncbox.cli.{module_name}"), attribute)
        assert isinstance(command, click.Command), cmd_name
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            advice = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(COMMANDS)}"
            raise click.UsageError(f"there is no command {args[0]!r}: {advice}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002
        formatter: click.HelpFormatter,
    ) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="A first song in ten lines: syncbox guide first-song",
)
@click.version_option(__version__, message="syncbox %(version)s")
def commands() -> None:
    """One set of song files for click, MIDI clock, backing and patch changes in sample lock."""


def run_command(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code; messages for people go to stderr."""
    try:
        code = commands.main(
            args=None if arguments is None else list(arguments),
            prog_name="syncbox",
            standalone_mode=False,
        )
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except SyncboxError as error:
        click.echo(str(error), err=True)
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("Interrupted.", err=True)
        return EXIT_INTERRUPTED
    except Exception as error:  # a fault of ours must not end in a wall of text
        return _own_fault(error)
    return code if isinstance(code, int) else 0


def _own_fault(error: Exception) -> int:
    if os.environ.get(TRACE_VARIABLE):
        traceback.print_exc()
    click.echo(
        f"syncbox itself went wrong: {type(error).__name__}: {error}\n"
        "    This is not your mistake. Please report it with the command you gave; "
        f"{TRACE_VARIABLE}=1 in front of the command shows the details.",
        err=True,
    )
    return EXIT_FAULT


def _tolerate_any_terminal(stream: Any) -> None:
    """Show `?` for a sign that a terminal cannot show, rather than fail."""
    with contextlib.suppress(AttributeError, ValueError):
        stream.reconfigure(errors="replace")


def main() -> None:
    """Entry point of `syncbox` and `python -m syncbox`."""
    _tolerate_any_terminal(sys.stdout)
    _tolerate_any_terminal(sys.stderr)
    code = run_command()
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Whatever read our output (`| head`) has seen enough. Python writes what is left once
        # more at exit, and must find an open door then.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)

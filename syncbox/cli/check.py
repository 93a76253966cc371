"""`syncbox check`: every problem of a show at once."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from syncbox.checking.loud import SoundRow
    from syncbox.checking.whole import Checked
    from syncbox.score.problem import Problem

EXIT_PROBLEMS = 1


@click.command()
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the problems as JSON.")
@click.option("--sounds", is_flag=True, help="List the loudness and peak of every sound too.")
def check(show: Path, *, as_json: bool, sounds: bool) -> None:
    """Read the SHOW folder and list every problem, with its place and its cure.

    Warnings do not keep a show from being played. The exit code is 0 for a show
    that can be played, 1 for one with problems, and 2 for one that cannot be read.
    """
    from syncbox.checking.whole import check_show

    checked = check_show(show)
    rows = _sound_rows(show) if sounds else None
    if as_json:
        data = as_data(checked)
        if rows is not None:
            data["sounds"] = [asdict(row) for row in rows]
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
    else:
        for row in rows or ():
            click.echo(sound_line(row))
        for problem in checked.problems:
            click.echo(str(problem))
        click.echo(summary(checked))
    if checked.errors:
        raise click.exceptions.Exit(EXIT_PROBLEMS)


def _sound_rows(show: Path) -> list[SoundRow]:
    from syncbox.checking.loud import sound_rows
    from syncbox.score.reading.show import read_draft

    return list(sound_rows(read_draft(show, problems=[]).show, show))


def sound_line(row: SoundRow) -> str:
    """A sound on one line: how long and loud it is, and what is done about that."""
    if row.seconds is None:
        return f"{row.file}: cannot be read"
    loud = "no loudness (silent or too short)" if row.lufs is None else f"{row.lufs:6.1f} LUFS"
    line = f"{row.file}: {row.seconds:.2f} s, {loud}, true peak {row.true_peak_db:.1f} dB"
    if row.gain_db is None:
        return line
    held = ", held back by its peaks" if row.held_back else ""
    return f"{line}, played at {row.gain_db:+.1f} dB{held}"


def summary(checked: Checked) -> str:
    """The last line: how much was checked, and how it came out."""
    songs = _plural(checked.song_count, "song")
    if not checked.problems:
        return f"{songs}: nothing to correct"
    found = [_plural(checked.errors, "error")] if checked.errors else []
    if checked.warnings:
        found.append(_plural(checked.warnings, "warning"))
    return f"{songs}: {' and '.join(found)}"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def as_data(checked: Checked) -> dict[str, object]:
    """What `--json` prints."""

    def entry(problem: Problem) -> dict[str, object]:
        return {
            "severity": problem.severity.value,
            "file": problem.place.file,
            "line": problem.place.line or None,
            "column": problem.place.column or None,
            "what": problem.what,
            "hint": problem.hint,
        }

    return {
        "songs": checked.song_count,
        "errors": checked.errors,
        "warnings": checked.warnings,
        "problems": [entry(problem) for problem in checked.problems],
    }

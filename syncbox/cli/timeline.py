"""`syncbox timeline`: a song bar by bar, as a musician and as a test read the map."""

from __future__ import annotations

import csv
import io
import json
import textwrap
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from syncbox.schedule.timeline import BarRow, Timeline
    from syncbox.score.song import Song

DECIMALS = 12
PAGE_COLUMNS = 72  # an upright page in a type that a music stand wants
COLUMNS = (
    "bar",
    "section",
    "pass",
    "meter",
    "tempo",
    "start_s",
    "start_frame",
    "clock",
    "song_position",
    "patches",
)


@click.command(short_help="Print a song bar by bar.")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("song")
@click.option(
    "--rate",
    type=click.IntRange(8000, 384_000),
    default=48_000,
    show_default=True,
    help="Frames a second, for the frame of every bar.",
)
@click.option("--json", "form", flag_value="json", help="Print JSON.")
@click.option("--csv", "form", flag_value="csv", help="Print a table for a spreadsheet.")
@click.option("--as-written", is_flag=True, help="Without the changes that the set list makes.")
def timeline(*, show: Path, song: str, rate: int, form: str | None, as_written: bool) -> None:
    """Print SONG of SHOW bar by bar, with the set list's changes of tonight.

    Time 0 is the downbeat of bar 1; pickup and count-in lie before it. Vamps and
    holds take their usual length.
    """
    from syncbox.cli.prepare import playable_show, with_song
    from syncbox.schedule.timeline import timeline as lay_timeline
    from syncbox.score.night import tonight

    found, index = with_song(playable_show(show), song)
    entry = found.set_list.entries[index]
    written = found.songs[entry.song_id]
    played = written if as_written else tonight(written, entry)
    rows = lay_timeline(played, rate)
    if form == "json":
        click.echo(json.dumps(as_data(rows), ensure_ascii=False, indent=1))
    elif form == "csv":
        click.echo(as_csv(rows), nl=False)
    else:
        click.echo(as_text(rows, played))


def decimal_text(seconds: Fraction, decimals: int = DECIMALS) -> str:
    """An exact time as decimal text, rounded once, halves away from zero."""
    scaled = abs(seconds) * 10**decimals
    whole = (2 * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)
    sign = "-" if seconds < 0 and whole else ""
    if not decimals:
        return f"{sign}{whole}"
    return f"{sign}{whole // 10**decimals}.{whole % 10**decimals:0{decimals}d}"


def minutes_text(seconds: Fraction) -> str:
    """Minutes, seconds and thousandths: -0:04.667."""
    text = decimal_text(abs(seconds), 3)
    whole, rest = text.split(".")
    sign = "-" if seconds < 0 and text.strip("0.") else ""
    return f"{sign}{int(whole) // 60}:{int(whole) % 60:02d}.{rest}"


def tempo_text(tempo_qpm: Fraction) -> str:
    """Quarters a minute with up to three decimals."""
    return decimal_text(tempo_qpm, 3).rstrip("0").rstrip(".")


def as_data(rows: Timeline) -> dict[str, Any]:
    """What `--json` prints."""
    return {
        "song": rows.song,
        "rate": rows.rate,
        "bars": [dict(zip(COLUMNS, _values(row), strict=True)) for row in rows.bars],
        "end_s": decimal_text(rows.end_s),
        "end_frame": rows.end_frame,
    }


def _values(row: BarRow) -> tuple[object, ...]:
    """A row's values in the order of `COLUMNS`."""
    return (
        row.bar,
        row.section,
        row.pass_no,
        row.meter,
        float(row.tempo_qpm),
        decimal_text(row.start_s),
        row.start_frame,
        row.clock,
        row.song_position,
        row.patches,
    )


def as_csv(rows: Timeline) -> str:
    """The bars as comma-separated values with a line of names; patches as one text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows.bars:
        *values, _ = _values(row)
        writer.writerow(["" if value is None else value for value in values] + [_patches(row)])
    return out.getvalue()


def _patches(row: BarRow) -> str:
    return "; ".join(f"{instrument} {patch}" for instrument, patch in row.patches.items())


def as_text(rows: Timeline, song: Song) -> str:
    """A table narrow enough for a telephone: a line for each pass of a section, then its bars."""
    facts = "   ".join(filter(None, (song.title, song.key, minutes_text(rows.end_s))))
    return "\n".join(
        [facts, "", f"{'bar':>4}  {'time':>9}  {'position':>8}  changes", *_text_lines(rows, song)]
    )


def _text_lines(rows: Timeline, song: Song) -> Iterator[str]:
    marks = {section.name: section for section in song.sections}
    before: BarRow | None = None
    for row in rows.bars:
        new = before is None or _part(row) != _part(before)
        if new:
            section = marks.get(row.section)
            mark = f"{section.mark} " if section and section.mark else ""
            passes = section.passes if section else 1
            times = f", pass {row.pass_no} of {passes}" if passes > 1 else ""
            rounds = f", {section.vamp_usual} times" if section and section.vamp_usual else ""
            yield f"{mark}{row.section}{times}{rounds}"
        changes = []
        if before is None or row.meter != before.meter:
            changes.append(row.meter)
        if before is None or row.tempo_qpm != before.tempo_qpm:
            changes.append(f"♩ = {tempo_text(row.tempo_qpm)}")
        changes += [f"{instrument} {patch}" for instrument, patch in row.patches.items()]
        position = "-" if row.song_position is None else row.song_position
        # The clicks that lead back in after a hold belong to no bar of the chart.
        number = "-" if row.bar <= 0 < row.start_s else row.bar
        head = f"{number:>4}  {minutes_text(row.start_s):>9}  {position:>8}  "
        yield from textwrap.wrap(
            ", ".join(changes),
            PAGE_COLUMNS,
            initial_indent=head,
            subsequent_indent=" " * len(head),
        ) or [head.rstrip()]
        before = row
    yield f"{'end':>4}  {minutes_text(rows.end_s):>9}"


def _part(row: BarRow) -> tuple[str, int]:
    return row.section, row.pass_no

"""`syncbox tap`: a first map for a song that has none, from taps along with the music."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.errors import DeviceError, ShowError, UnreadableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from syncbox.rehearsal.first_map import FirstMap, Part

_PART = re.compile(r"\s*(.+?)\s+(\d{1,4})(?:\s*\(([^)]+)\))?\s*")
_POLL_S = 0.002  # keys are read this often; a person scatters by ten times as much


@click.command(short_help="Tap a first map for a song that has none.")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("song")
@click.option(
    "--sections",
    required=True,
    metavar="LIST",
    help='Names and bars in order: "Intro 4, Verse 16, Odd 8 (7/8 in 2+2+3)".',
)
@click.option("--meter", default="4/4", show_default=True, help="Where a section names none.")
@click.option("--title", help="The song's title; else its file's name.")
@click.option(
    "--taps",
    "taps_file",
    type=click.Path(path_type=Path),
    help="Take the taps from this file: a JSON list of seconds.",
)
def tap(
    *, show: Path, song: str, sections: str, meter: str, title: str | None, taps_file: Path | None
) -> int:
    """Tap every beat of SONG with any key, from the first beat of the first section on.

    Play the record, or let the band play. Enter ends. The file SONG.yaml is written into
    SHOW if there is none yet; its tempi are lines through all of your taps, so a steady
    habit of tapping early, a missed beat or a slip of the finger does no harm.
    """
    from syncbox.rehearsal.first_map import first_map, song_text
    from syncbox.score.reading.files import save_text

    if not show.is_dir():
        raise UnreadableError("there is no such folder", where=str(show))
    if not re.fullmatch(r"[\w-]+", song):
        raise ShowError(f"{song!r} is not a file's name", hint="letters, digits and - only")
    path = show / f"{song}.yaml"
    if path.exists():
        raise ShowError(
            "this song has a file already, and it is kept",
            where=str(path),
            hint="`syncbox compare` proposes changes to a map; or tap another name",
        )
    parts = _parts(sections, meter)
    taps = _from_file(taps_file) if taps_file else _from_keys(parts)
    found = first_map(taps, parts)
    save_text(path, song_text(title or song.replace("-", " ").title(), found))
    _tell(found, path)
    return 0


def _parts(text: str, meter: str) -> list[Part]:
    from syncbox.rehearsal.first_map import Part
    from syncbox.score.reading.lengths import meter as read_meter

    parts = []
    for piece in text.split(","):
        match = _PART.fullmatch(piece)
        if not match or not int(match[2]):
            raise ShowError(
                f"{piece.strip()!r} is not a section with its bars",
                hint='write --sections "Intro 4, Verse 16"',
            )
        try:
            parts.append(Part(match[1], int(match[2]), read_meter(match[3] or meter)))
        except ValueError as error:
            raise ShowError(str(error)) from None
    return parts


def _from_file(path: Path) -> list[float]:
    try:
        taps = json.loads(path.read_text(encoding="utf-8"))
        seconds = sorted(float(each) for each in taps)
    except OSError as error:
        raise UnreadableError(f"cannot be read: {error.strerror}", where=str(path)) from None
    except (ValueError, TypeError):
        raise UnreadableError("is not a JSON list of seconds", where=str(path)) from None
    return seconds


def _from_keys(parts: Sequence[Part]) -> list[float]:
    """Times of key presses until Enter, or until every beat of the sections has come."""
    from syncbox.cli.keys import Key, Keyboard, has_keyboard

    if not has_keyboard():
        raise DeviceError("there is no keyboard here to tap on", hint="give --taps FILE")
    beats = sum(part.bars * part.meter.beat_count for part in parts)
    click.echo(f"Tap {beats} beats with Space, from the first beat on. Enter ends.")
    taps: list[float] = []
    with Keyboard() as keyboard:
        while len(taps) < beats:
            for key in keyboard.read():
                if key is Key.ENTER:
                    return taps
                taps.append(time.monotonic())
                click.echo(f"\r{_place(parts, len(taps) - 1)}   ", nl=False)
            time.sleep(_POLL_S)
    click.echo()
    return taps


def _place(parts: Sequence[Part], beat: int) -> str:
    """Section, bar and beat of a tap, if none was missed."""
    for part in parts:
        count = part.bars * part.meter.beat_count
        if beat < count:
            bar, in_bar = divmod(beat, part.meter.beat_count)
            return f"{part.name}  bar {bar + 1}  beat {in_bar + 1}"
        beat -= count
    return ""


def _tell(found: FirstMap, path: Path) -> None:
    for each in found.parts:
        click.echo(
            f"{each.part.name:<16} {float(each.tempo_qpm):>6g} quarters a minute, "
            f"{each.taps} taps within {each.scatter_ms:.0f} ms (median)"
        )
    if found.missed or found.doubled:
        click.echo(f"beats without a tap: {found.missed}, taps too many: {found.doubled}")
    click.echo(f"written: {path}")

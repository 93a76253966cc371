"""`syncbox tap`: a first map for a song that has none, from taps along with the music."""

from __future__ import annotations

import json
import math
import re
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.driver_option import driver_options
from syncbox.errors import DeviceError, ShowError, UnreadableError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

    from syncbox.cli.playback import Playback
    from syncbox.rehearsal.first_map import FirstMap, Part

_NO_SONGS = ("rig", "setlist")
_WORTH_KEEPING = 16
_PART = re.compile(r"\s*(.+?)\s+(\d{1,4})(?:\s*\(([^)]+)\))?\s*")


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
@click.option(
    "--with",
    "recording",
    type=click.Path(path_type=Path),
    help="Play this recording while you tap.",
)
@click.option("--midi", is_flag=True, help="Tap on any pad, pedal or key that is plugged in.")
@driver_options("What plays the recording; auto takes the best that is present.")
def tap(
    *,
    show: Path,
    song: str,
    sections: str,
    meter: str,
    title: str | None,
    taps_file: Path | None,
    recording: Path | None,
    midi: bool,
    driver: str,
    device: str | None,
) -> int:
    """Tap every beat of SONG with any key, from the first beat of the first section on.

    Let the band play, or give a recording to play. Enter ends; Up and Down make the
    recording louder and softer, and it starts quietly. The file SONG.yaml is written into
    SHOW if there is none yet; its tempi are lines through all of your taps, so a steady
    habit of tapping early, a missed beat or a slip of the finger does no harm.
    """
    from syncbox.rehearsal.first_map import first_map, song_text
    from syncbox.score.reading.files import save_text

    if not show.is_dir():
        raise UnreadableError("there is no such folder", where=str(show))
    path = _new_file(show, song)
    parts = _parts(sections, meter)
    if taps_file:
        found = first_map(_from_file(taps_file), parts)
    else:
        taps = _by_hand(parts, recording, driver, device, midi=midi)
        try:
            found = first_map(taps, parts)
        except ShowError:
            _keep(taps, show / f"{song} taps.json")
            raise
    save_text(path, song_text(title or song.replace("-", " ").title(), found))
    _tell(found, path)
    if recording is not None:
        click.echo(f"bar 1 is about {found.downbeat_s:.2f} s into {recording.name}")
    return 0


def _new_file(show: Path, song: str) -> Path:
    """Where the song is written. Raises ShowError for a name that is taken, or that is none."""
    if not re.fullmatch(r"[\w-]+", song):
        raise ShowError(f"{song!r} is not a file's name", hint="letters, digits and - only")
    if song.casefold() in _NO_SONGS:
        raise ShowError(f"{song}.yaml is no song's file", hint="give the song another name")
    for path in (show / f"{song}.yaml", show / f"{song}.yml"):
        if path.exists():
            raise ShowError(
                "this song has a file already, and it is kept",
                where=str(path),
                hint="`syncbox compare` proposes changes to a map; or tap another name",
            )
    return show / f"{song}.yaml"


def _keep(taps: Sequence[float], path: Path) -> None:
    """Keep taps that made no map: nobody taps a whole song a second time with pleasure."""
    if len(taps) < _WORTH_KEEPING:
        return
    try:
        path.write_text(json.dumps([round(each, 4) for each in taps]), encoding="utf-8")
    except OSError:
        return  # what is wrong with the taps is the message that counts
    click.echo(f'your taps are kept: with --taps "{path}" they can be used again', err=True)


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
    if not all(map(math.isfinite, seconds)):
        raise UnreadableError("holds a time that is no number", where=str(path))
    return seconds


def _by_hand(
    parts: Sequence[Part], recording: Path | None, driver: str, device: str | None, *, midi: bool
) -> list[float]:
    """Taps of a person, in seconds of the recording or, without one, of any clock."""
    from syncbox.cli.keys import Keyboard, has_keyboard
    from syncbox.cli.tapping import Tapping
    from syncbox.drivers.ear import listening

    if not (has_keyboard() or midi):
        raise DeviceError("there is no keyboard here to tap on", hint="add --midi, or --taps FILE")
    beats = sum(part.bars * part.meter.beat_count for part in parts)
    with ExitStack() as stack:
        playback = None
        if recording is not None:
            playback = stack.enter_context(_playing(recording, driver, device))
        ear = stack.enter_context(listening(device if driver == "jack" else None)) if midi else None
        what = "Space or a pad" if midi and has_keyboard() else "a pad" if midi else "Space"
        click.echo(f"Tap {beats} beats with {what}, from the first beat on. Enter ends.")
        keyboard = stack.enter_context(Keyboard()) if has_keyboard() else None
        tapping = Tapping(keyboard, ear, playback)
        for number, _ in enumerate(tapping.taps(beats)):
            click.echo(f"\r{_place(parts, number)}   ", nl=False)
    click.echo()
    return tapping.seconds


def _playing(recording: Path, driver: str, device: str | None) -> AbstractContextManager[Playback]:
    from syncbox.cli.playback import playing
    from syncbox.drivers.choose import choose

    choice = choose(driver, device)
    click.echo(choice.why)
    return playing(recording, choice)


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

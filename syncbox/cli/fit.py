"""`syncbox fit`: a loop brought to the exact length of its bars."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from syncbox.audio.fit import Fitted
    from syncbox.audio.loudness import Loudness
    from syncbox.audio.onsets import Sound
    from syncbox.schedule.fitting import LoopTarget
    from syncbox.score.layout import Leg
    from syncbox.score.meter import Meter

T = TypeVar("T")
WAYS = ("slices", "stretch", "resample")
SUFFIX = "-fitted.wav"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says."""

    file: Path
    bars: int | None
    meter: str
    song: str | None
    section: str | None
    show: Path
    to: str | None
    own_tempo: str | None
    start: str | None
    rate: int


@click.command(short_help="Fit a loop to its bars.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--bars", type=click.IntRange(1, 256), help="How many bars the loop holds.")
@click.option("--song", metavar="SONG", help="Fit it to this song of the show ...")
@click.option("--section", metavar="SECTION", help="... from the first bar of this section on.")
@click.option(
    "--show",
    type=click.Path(path_type=Path),
    default=Path(),
    show_default="here",
    help="The show's folder.",
)
@click.option("--to", metavar="TEMPO", help="Or fit it to one tempo, such as 'quarter = 120'.")
@click.option("--meter", default="4/4", show_default=True, help="Its meter, if no song says it.")
@click.option("--tempo", "own_tempo", metavar="TEMPO", help="Its own tempo, if you know it.")
@click.option("--from", "start", metavar="TIME", help="Where its bar 1 begins: 0:01.52, 80 ms.")
@click.option(
    "--way",
    type=click.Choice(WAYS),
    help="Slices: hits are moved, best for drums. Stretch: pitch is kept. Resample: it is not.",
)
@click.option(
    "-o", "out", metavar="OUT.wav", type=click.Path(path_type=Path), help="Where the result goes."
)
@click.option(
    "--rate",
    type=click.IntRange(8000, 384_000),
    default=48_000,
    show_default=True,
    help="Frames a second of the result.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
@click.option(
    "--picture", metavar="FILE.png", type=click.Path(path_type=Path), help="Draw before and after."
)
def fit(
    *, way: str | None, out: Path | None, as_json: bool, picture: Path | None, **asked: Any
) -> None:
    """Fit the loop in FILE to its bars and write it with loop points.

    Its tempo, its first beat and its length are found, it is trimmed, and it is
    brought to the frame to the length of its bars in a section, also where the tempo
    moves there. Without a section or a tempo it is only trimmed.
    """
    from syncbox.audio.clips import read_clip
    from syncbox.audio.fit_report import FitReport, as_data, as_text, draw

    wanted = Asked(**asked)
    sound = read_clip(wanted.file, wanted.rate)
    fitted, place = _fitted(wanted, sound, way)
    target = out or wanted.file.with_name(wanted.file.stem + SUFFIX)
    _write(fitted, target, wanted.rate)
    report = FitReport(
        str(wanted.file),
        wanted.rate,
        fitted,
        place,
        _loudness(fitted.sound, wanted.rate),
        str(target),
    )
    if picture is not None:
        draw(report, sound, picture)
    text = json.dumps(as_data(report), ensure_ascii=False, indent=1) if as_json else as_text(report)
    click.echo(text)


def _fitted(asked: Asked, sound: Sound, way: str | None) -> tuple[Fitted, str]:
    """The loop found and fitted, and in words to what."""
    from syncbox.audio.find import cut_out, find_loop, guess_bars
    from syncbox.audio.fit import fit_loop, likely_way
    from syncbox.score.reading import lengths, notes, numbers
    from syncbox.score.song import FitWay

    leg = None if asked.song is None and asked.section is None else _section_leg(asked)
    meter = leg[1].bars[0].meter if leg else _said(lengths.meter, asked.meter, "--meter")
    own = None if asked.own_tempo is None else _said(notes.tempo_qpm, asked.own_tempo, "--tempo")
    to = None if asked.to is None else _said(notes.tempo_qpm, asked.to, "--to")
    start = None if asked.start is None else _said(numbers.seconds, asked.start, "--from")
    goal = leg[1].tempo_map.tempo_at(0) if leg else to
    quarters = Fraction(meter.bar_ticks, _quarter_ticks())
    bars = asked.bars or guess_bars(sound.shape[1], asked.rate, quarters, float(own or goal or 0))
    found = find_loop(
        sound,
        asked.rate,
        bars,
        _mean_bar(leg, bars) if leg else quarters,
        start_frame=None if start is None else round(start * asked.rate),
        tempo_qpm=None if own is None else float(own),
    )
    target, place = _target(asked, leg, meter, bars, to or Fraction(found.tempo_qpm(asked.rate)))
    chosen = FitWay(way) if way else likely_way(cut_out(sound, found), asked.rate)
    return fit_loop(sound, asked.rate, found, target, chosen), place


def _quarter_ticks() -> int:
    from syncbox.units import TICKS_PER_QUARTER

    return TICKS_PER_QUARTER


def _mean_bar(leg: tuple[list[Leg], Leg], bars: int) -> Fraction:
    """Quarters of a bar, on average over the bars that the loop fills."""
    from syncbox.schedule.fitting import target_at

    legs, first = leg
    return target_at(legs, first.index, 0, bars, 8000).quarters / bars


def _section_leg(asked: Asked) -> tuple[list[Leg], Leg]:
    """The legs of the song tonight, and the first one of the section."""
    from syncbox.cli.prepare import tonights_show, with_song
    from syncbox.errors import ShowError
    from syncbox.score.layout import LegKind, lay_out
    from syncbox.score.night import tonight

    if asked.song is None or asked.section is None:
        raise click.UsageError("--song and --section go together")
    show, index = with_song(tonights_show(asked.show, asked.song), asked.song)
    entry = show.set_list.entries[index]
    legs = list(lay_out(tonight(show.songs[entry.song_id], entry)).legs)
    for leg in legs:
        if leg.kind is LegKind.SECTION and leg.section.casefold() == asked.section.casefold():
            return legs, leg
    names = dict.fromkeys(leg.section for leg in legs if leg.kind is LegKind.SECTION)
    raise ShowError(
        f"{show.songs[entry.song_id].title} has no section {asked.section!r}",
        hint=f"it has {', '.join(names)}",
    )


def _target(
    asked: Asked, leg: tuple[list[Leg], Leg] | None, meter: Meter, bars: int, tempo: Fraction
) -> tuple[LoopTarget, str]:
    from syncbox.schedule.fitting import steady_target, target_at
    from syncbox.score.written import Bar

    if leg is not None:
        legs, first = leg
        place = f"{first.section} of {asked.song}"
        return target_at(legs, first.index, 0, bars, asked.rate), place
    line = [Bar(i + 1, i + 1, meter, i * meter.bar_ticks) for i in range(bars)]
    place = f"quarter = {float(tempo):.4g}" if asked.to else "its own tempo"
    return steady_target(tempo, line, asked.rate), place


def _said(read: Callable[[str], T], text: str, option: str) -> T:
    """What a person wrote, read as in a song file."""
    from syncbox.score.reading.report import Mistake

    try:
        return read(text)
    except Mistake as mistake:
        raise click.BadParameter(f"{mistake.what}; {mistake.hint}", param_hint=option) from None


def _write(fitted: Fitted, path: Path, rate: int) -> None:
    from syncbox.audio.wav import Loop, WavWriter
    from syncbox.errors import UnreadableError

    channel_count, frame_count = fitted.sound.shape
    try:
        with WavWriter(path, rate=rate, channel_count=channel_count) as writer:
            writer.write(fitted.sound)
            writer.loops.append(Loop(0, frame_count - 1))
    except OSError as error:
        raise UnreadableError(
            f"the result cannot be written: {error.strerror or error}",
            where=str(path),
            hint="name another file with -o",
        ) from None


def _loudness(sound: Sound, rate: int) -> Loudness | None:
    """None where the library that measures it is not there."""
    from syncbox.audio.loudness import measure
    from syncbox.errors import UnreadableError

    try:
        return measure(sound, rate, goes_round=True)
    except UnreadableError:
        return None

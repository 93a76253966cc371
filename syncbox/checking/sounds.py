"""Sound files of a show: inside its folder, readable, and as long as the bars they fill."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from syncbox.audio.clips import ClipInfo, clip_info
from syncbox.errors import SyncboxError
from syncbox.score.checks import items, warning
from syncbox.score.hands import Pad
from syncbox.score.layout import Leg, LegKind, Route
from syncbox.score.problem import Problem
from syncbox.score.song import AudioKind, FitWay, Item, PlayAudio, Song, SpokenCue

LOOP_ERROR_MS_MAX = 2.0  # more than this between loop and bars is heard as a limp


@dataclass(slots=True)
class SoundShelf:
    """The files of one show's folder, each looked into once."""

    folder: Path
    infos: dict[str, ClipInfo | Problem | None] = field(default_factory=dict)

    def look(self, file: str, item: Item | Pad) -> ClipInfo | Problem:
        """What a file's head says, or why it cannot be played, placed at the item."""
        if file not in self.infos:
            self.infos[file] = self._look(file, item)
        found = self.infos[file]
        if isinstance(found, Problem):
            return Problem(item.place, found.what, found.hint)
        assert found is not None
        return found

    def _look(self, file: str, item: Item | Pad) -> ClipInfo | Problem:
        if "\\" in file or re.match(r"[A-Za-z]:", file):
            return Problem(
                item.place,
                f"'{file}' works on one kind of computer only",
                "write the place inside the show's folder with / between: audio/pads.flac",
            )
        path = self.folder / file
        try:
            inside = path.resolve().is_relative_to(self.folder.resolve())
        except (OSError, ValueError, RuntimeError):
            inside = False
        if Path(file).is_absolute() or not inside:
            return Problem(
                item.place,
                f"'{file}' lies outside the show's folder",
                "copy it into the folder and write for example audio/pads.flac",
            )
        try:
            return clip_info(path)
        except SyncboxError as error:
            return Problem(item.place, f"'{file}': {error.what}", error.hint)


def check_sounds(song: Song, shelf: SoundShelf) -> Iterator[Problem]:
    """Every sound file that a song names."""
    for item in items(song):
        what = item.what
        if not isinstance(what, PlayAudio | SpokenCue):
            continue
        found = shelf.look(what.file, item)
        if isinstance(found, Problem):
            yield found
        elif isinstance(what, PlayAudio):
            length_s = Fraction(found.frame_count, found.rate)
            if what.start_seconds >= length_s:
                yield Problem(
                    item.place,
                    f"'{what.file}' is only {float(length_s):.3f} s long, "
                    f"so nothing is left from {float(what.start_seconds):.3f} s on",
                    "write an earlier 'from', or take it out",
                )


def check_pad_sounds(pads: Iterable[Pad], shelf: SoundShelf) -> Iterator[Problem]:
    """Every sound file under a pad."""
    for pad in pads:
        found = shelf.look(pad.file, pad)
        if isinstance(found, Problem):
            yield found


def check_loops(route: Route, shelf: SoundShelf) -> Iterator[Problem]:
    """Loops that are longer or shorter than the bars they are played for."""
    done: set[Item] = set()
    for leg in route.legs:
        if leg.kind is not LegKind.SECTION:
            continue
        for placed in leg.items:
            what = placed.what
            if not isinstance(what, PlayAudio) or what.kind is not AudioKind.LOOP:
                continue
            if what.fit is not FitWay.OFF:
                continue  # it is brought to their length
            found = shelf.look(what.file, placed.item)
            if placed.item in done or isinstance(found, Problem):
                continue
            done.add(placed.item)
            yield from _check_loop(leg, placed.tick, what, placed.item, found)


def _check_loop(
    leg: Leg, tick: int, what: PlayAudio, item: Item, info: ClipInfo
) -> Iterator[Problem]:
    starts = [bar.start_tick for bar in leg.bars if bar.start_tick >= tick]
    if len(starts) < what.every_bars:
        return  # it is cut by the section's end before it comes round
    end = starts[what.every_bars] if len(starts) > what.every_bars else leg.ticks
    bars_s = leg.tempo_map.seconds_at(end) - leg.tempo_map.seconds_at(tick)
    loop_s = Fraction(info.frame_count, info.rate) - what.start_seconds
    if abs(float(loop_s - bars_s)) * 1000 > LOOP_ERROR_MS_MAX:
        count = f"{what.every_bars} bar{'s' if what.every_bars > 1 else ''}"
        yield warning(
            item.place,
            f"'{what.file}' is {float(loop_s):.3f} s long, but {count} here last "
            f"{float(bars_s):.3f} s",
            "it is cut off or leaves a gap; add fit: slices, make it as long as its bars, or "
            "change 'every'",
        )

"""Every problem of a whole show at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from syncbox.checking.drift import check_drift
from syncbox.checking.sounds import SoundShelf, check_loops, check_pad_sounds, check_sounds
from syncbox.checking.wires import check_patch, check_patch_names, check_patches, check_wires
from syncbox.errors import ShowError
from syncbox.score.checks import check_form, check_names, check_rig, check_sources, items, warning
from syncbox.score.code_checks import check_codes
from syncbox.score.control_checks import check_controls, check_zones
from syncbox.score.hand_checks import check_hands
from syncbox.score.layout import Route, lay_out, usual_path
from syncbox.score.map_checks import (
    check_ramps,
    check_repeats,
    check_song_position,
    check_tempo_range,
)
from syncbox.score.night import tonight
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading.show import Draft, read_draft
from syncbox.score.rig import Rig, SetEntry, TempoTrim, Then
from syncbox.score.song import Place, Ramp, Song, TempoStep
from syncbox.units import TEMPO_QPM_MAX, TEMPO_QPM_MIN


@dataclass(frozen=True, slots=True)
class Checked:
    """What `check` found in a folder. Problems are sorted by file and line."""

    problems: tuple[Problem, ...]
    song_count: int

    @property
    def errors(self) -> int:
        return sum(problem.severity is Severity.ERROR for problem in self.problems)

    @property
    def warnings(self) -> int:
        return len(self.problems) - self.errors


def check_show(folder: Path) -> Checked:
    """Read and check the show in a folder.

    Raises UnreadableError only for a folder that is not there or may not be read.
    """
    problems: list[Problem] = []
    draft = read_draft(folder, problems=problems)
    problems.extend(check_draft(draft, folder))
    problems.extend(check_drift(draft, folder))
    problems.sort(key=lambda p: (p.place.file, p.place.line, p.place.column))
    return Checked(tuple(dict.fromkeys(problems)), len(draft.show.songs))


def check_draft(draft: Draft, folder: Path, *, sounds: bool = True) -> Iterator[Problem]:
    """Problems of a show that its files, read one by one, do not tell.

    Without `sounds`, a sound file that cannot be played is no problem: it costs only itself.
    """
    show, shelf = draft.show, SoundShelf(folder)
    yield from check_rig(show.rig)
    yield from check_patch_names(show.rig)
    yield from check_sources(show.songs.values(), show.rig)
    yield from check_codes(show)
    yield from check_controls(show.rig, show.songs.values())
    yield from check_zones(show.rig, show.songs.values())
    yield from check_hands(show.rig, show.songs.values())
    yield from check_pad_sounds(show.rig.pads if sounds else (), shelf)
    lengths_s: dict[str, Fraction] = {}
    sound: dict[str, bool] = {}
    for song_id, song in show.songs.items():
        yield from check_names(song, show.rig)
        yield from check_patches(song, show.rig)
        if sounds:
            yield from check_sounds(song, shelf)
            yield from check_pad_sounds(song.pads, shelf)
        if song_id in draft.broken:
            continue
        found = list(_check_laid_out(song, show.rig, shelf, lengths_s))
        sound[song_id] = all(problem.severity is not Severity.ERROR for problem in found)
        yield from found
    set_s = Fraction(0)
    for entry in show.set_list.entries:
        if entry.song_id not in show.songs:
            continue
        route, problems = _tonight(entry, show.songs[entry.song_id], show.rig, sound)
        yield from problems
        base_s = lengths_s.get(entry.song_id, Fraction(0))
        set_s += base_s if route is None else _length_s(route)
    yield from _check_slot(draft, set_s)


def _check_laid_out(
    song: Song, rig: Rig, shelf: SoundShelf, lengths_s: dict[str, Fraction]
) -> Iterator[Problem]:
    form = list(check_form(song))
    yield from form
    try:
        route = lay_out(song)
    except ShowError as error:
        yield Problem(song.place, error.what, error.hint)
        return
    out_of_range = list(check_tempo_range(route))
    yield from out_of_range
    yield from check_ramps(route)
    if out_of_range:
        return
    yield from check_repeats(route)
    yield from check_loops(route, shelf)
    yield from check_wires(route, rig)
    if any(port.song_position for port in rig.ports):
        yield from check_song_position(route)
    lengths_s[song.id] = _length_s(route)


def _length_s(route: Route) -> Fraction:
    """Usual length of a song with its count-in."""
    path = usual_path(route)
    return path[-1].start_s + path[-1].leg.duration_s - path[0].start_s


def _tonight(
    entry: SetEntry, song: Song, rig: Rig, sound: dict[str, bool]
) -> tuple[Route | None, list[Problem]]:
    """What tonight's changes break in a song that is sound without them, and its new route."""
    problems = [
        problem
        for patches in entry.patches.values()
        for instrument, patch in patches.items()
        for problem in check_patch(instrument, patch, entry.place, rig)
    ]
    changed = entry.trim != TempoTrim() or entry.skip or entry.patches
    changed_song = tonight(song, entry)
    if not changed or not sound.get(song.id) or not changed_song.sections:
        return None, problems
    if not _can_be_played(changed_song):
        problems.append(
            Problem(
                entry.place,
                f"tonight's change takes a tempo of '{song.title}' out of what can be played",
                f"{TEMPO_QPM_MIN} to {TEMPO_QPM_MAX} quarters a minute are possible",
            )
        )
        return None, problems
    route = lay_out(changed_song)
    problems += [
        replace(problem, place=entry.place, what=f"tonight: {problem.what}")
        for problem in (*check_tempo_range(route), *check_wires(route, rig))
    ]
    return route, problems


def _can_be_played(song: Song) -> bool:
    """Whether every tempo that is written in a song is in range."""
    written = [song.tempo_qpm]
    for item in items(song):
        match item.what:
            case TempoStep(tempo_qpm) | Ramp(to_qpm=tempo_qpm):
                written.append(tempo_qpm)
            case _:
                pass
    return all(TEMPO_QPM_MIN <= tempo_qpm <= TEMPO_QPM_MAX for tempo_qpm in written)


def _check_slot(draft: Draft, music_s: Fraction) -> Iterator[Problem]:
    """The set against the time that the band was given."""
    set_list = draft.show.set_list
    if set_list.slot_seconds is None or not set_list.entries:
        return
    gaps_s = sum((e.gap_seconds for e in set_list.entries[:-1] if e.then is Then.GAP), Fraction(0))
    over_s = music_s + gaps_s - set_list.slot_seconds
    if over_s > 0:
        yield warning(
            Place(set_list.entries[0].place.file),
            f"the set is {int(over_s) // 60} min {int(over_s) % 60} s longer than its slot",
            "leave out a song or a section, or write the slot again",
        )

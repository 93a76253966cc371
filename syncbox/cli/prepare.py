"""From a show's folder to what the engine plays, with messages for the person at the keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.errors import ShowError
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import Draft, read_draft
from syncbox.score.reading.numbers import near
from syncbox.score.rig import SetEntry, SetList, Show

if TYPE_CHECKING:
    from syncbox.audio.prepare import Lost, Progress
    from syncbox.schedule.entry import StartAt
    from syncbox.schedule.program import Program
    from syncbox.score.rounds import Practice


def playable_show(folder: Path) -> Show:
    """The show, free of errors. Raises ShowError with the first one and the way to the others."""
    draft, errors = _read(folder)
    if errors:
        raise _refusal(errors, folder)
    return draft.show


def tonights_show(folder: Path, song: str | None) -> Show:
    """The show for playing live: songs with errors are left out and named on stderr.

    A sound file that is missing costs only itself (`compiled` says so), and one wrong
    song must not cost the band the other twenty. Raises ShowError where the rig or the
    set list is wrong, or the song that is asked for.
    """
    draft, errors = _read(folder, sounds=False)
    show, names = draft.show, draft.show.songs.keys() | draft.broken
    songs = {str(folder / f"{name}{end}"): name for name in names for end in _SONG_ENDINGS}
    broken = {songs.get(error.place.file) for error in errors}
    if None in broken or song in broken:
        raise _refusal([e for e in errors if songs.get(e.place.file) in (None, song)], folder)
    left = tuple(entry for entry in show.set_list.entries if entry.song_id not in broken)
    if not left:
        raise _refusal(errors, folder)
    for name in sorted(filter(None, broken)):
        click.echo(f"left out, because it has errors: {name}", err=True)
    return _with_entries(show, left)


_SONG_ENDINGS = (".yaml", ".yml")


def _read(folder: Path, *, sounds: bool = True) -> tuple[Draft, list[Problem]]:
    """The show as far as it can be read, and its errors; those of sound files if wanted."""
    from syncbox.checking.whole import check_draft

    problems: list[Problem] = []
    draft = read_draft(folder, problems=problems)
    problems.extend(check_draft(draft, folder, sounds=sounds))
    errors = [problem for problem in problems if problem.severity is Severity.ERROR]
    return draft, sorted(errors, key=lambda problem: str(problem.place))


def _refusal(errors: Sequence[Problem], folder: Path) -> ShowError:
    first = errors[0]
    more = f"; {len(errors) - 1} more" if len(errors) > 1 else ""
    advice = f"{first.hint}; " if first.hint else ""
    return ShowError(
        f"{first.what}{more}",
        where=str(first.place),
        hint=f"{advice}`syncbox check {folder}` lists all",
    )


def set_index(show: Show, song: str) -> int:
    """Where in tonight's set a song first stands, by its id or title. Raises ShowError."""
    for index, entry in enumerate(show.set_list.entries):
        title = show.songs[entry.song_id].title
        if song in (entry.song_id, title) or song.casefold() == title.casefold():
            return index
    ids = [entry.song_id for entry in show.set_list.entries]
    guess = near(song, ids)
    hint = f"did you mean '{guess}'?" if guess else f"the set has {', '.join(ids)}"
    raise ShowError(f"there is no song {song!r} in the set", hint=hint)


def with_song(show: Show, song: str | None) -> tuple[Show, int]:
    """The show and the place in its set of a song, which is put at its end if it is not in it.

    Without a song: the show and 0.
    """
    if song is None:
        return show, 0
    in_set = {entry.song_id for entry in show.set_list.entries}
    if song in show.songs and song not in in_set:
        entries = (*show.set_list.entries, SetEntry(song))
        return _with_entries(show, entries), len(entries) - 1
    return show, set_index(show, song)


def set_of_tonight(folder: Path, song: str | None, *, alone: bool = False) -> tuple[Show, int]:
    """The show for playing live, and which song comes first; `alone`: only that one, if named."""
    show, first = with_song(tonights_show(folder, song), song)
    if alone and song is not None:
        return only_song(show, first), 0
    return show, first


def only_song(show: Show, index: int) -> Show:
    """The show with a set of one song, with tonight's changes."""
    from syncbox.schedule.codes import alone

    return alone(show, index)


def _with_entries(show: Show, entries: tuple[SetEntry, ...]) -> Show:
    set_list = SetList(show.set_list.title, entries, show.set_list.slot_seconds)
    return replace(show, set_list=set_list)


def compiled(show: Show, rate: int, start: StartAt | None = None) -> Program:
    """The show's set compiled for a sample rate, with its sounds read, resampled and fitted.

    A sound that cannot be played is left out and named on stderr.
    """
    from syncbox.audio.prepare import prepare_show
    from syncbox.audio.voices import click_voices
    from syncbox.schedule.compile import compile_show

    lost: list[Lost] = []
    with preparing() as progress:
        clips = prepare_show(show, rate, lost=lost, progress=progress)
    _tell_lost(lost)
    return compile_show(show, rate, clips, click_voices(rate), start)


def _tell_lost(lost: Sequence[Lost]) -> None:
    for each in lost:
        click.echo(f"left out: {each.file} ({each.why.what})", err=True)


@contextmanager
def preparing() -> Iterator[Progress]:
    """A bar on stderr while sounds are prepared, where somebody can see it and it takes long."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    console = Console(stderr=True)
    columns = (TextColumn("Preparing sounds"), BarColumn(), MofNCompleteColumn())
    hidden = not console.is_terminal
    with Progress(*columns, console=console, disable=hidden, transient=True) as bar:
        task = bar.add_task("sounds", total=None)
        yield lambda done, total, _file: bar.update(task, completed=done, total=total)


def compiled_practice(show: Show, practice: Practice, rate: int) -> Program:
    """Part of the first song of a show's set, over and over, for a sample rate.

    A sound that cannot be played is left out and named on stderr.
    """
    from syncbox.audio.prepare import prepare_legs
    from syncbox.audio.voices import click_voices
    from syncbox.schedule.compile import compile_practice
    from syncbox.score.night import tonight
    from syncbox.score.rounds import practice_steps

    entry = show.set_list.entries[0]
    song = tonight(show.songs[entry.song_id], entry)
    legs = [step.leg for step in practice_steps(song, practice)]
    lost: list[Lost] = []
    with preparing() as progress:
        clips = prepare_legs(show, song, legs, rate, lost=lost, progress=progress)
    _tell_lost(lost)
    sounds = (clips, click_voices(rate))
    return compile_practice(show, 0, practice, rate, sounds)

"""`syncbox takes`: what was rehearsed of a song, with recordings and notes."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click

from syncbox.errors import ShowError
from syncbox.rehearsal.takes import Take, log_path, read_takes


def place_of_note(section: str, bar: int, beat: int) -> str:
    """Where a note was made; before the first beat there is no bar yet."""
    return f"{section}, bar {bar}, beat {beat}" if bar else section


def _first_beats(take: Take) -> str:
    """Where in a recording each round's first beat lies, for `compare --locked-at`."""
    frames = [each.first_frame for each in take.rounds if each.first_frame is not None]
    if not (frames and take.rate):
        return ""
    return f", first beat at {', '.join(f'{frame / take.rate:.3f}' for frame in frames)} s"


@click.command(short_help="List the takes of a song.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--song", required=True, metavar="SONG", help="The song (its file's name).")
def takes(show: Path, song: str) -> int:
    """List what was rehearsed of a song of SHOW, with recordings and notes."""
    song = _song_of_log(show, song)
    found, unreadable = read_takes(show, song)
    for take in found:
        ends = filter(None, (take.first_section, take.last_section))
        part = " to ".join(dict.fromkeys(ends))
        speeds = ", ".join(f"{float(Fraction(each.speed)) * 100:g}%" for each in take.rounds)
        click.echo(f"{take.when.replace('T', ' ')}   {part or 'whole song'}   {speeds}")
        if take.recording:
            click.echo(f"    recorded: {take.recording}{_first_beats(take)}")
        for note in take.notes:
            words = "   ".join(filter(None, (note.text, note.sound and f"spoken: {note.sound}")))
            click.echo(f"    {place_of_note(note.section, note.bar, note.beat)}: {words}")
    if unreadable:
        click.echo(f"{unreadable} lines of {log_path(show, song)} are damaged", err=True)
    if not found:
        click.echo(f"no takes of {song} yet; `syncbox rehearse` makes them")
    return 0


def _song_of_log(folder: Path, name: str) -> str:
    """The id of a song that has a log or a file, by its id or title.

    Raises ShowError for a song that the show does not have, UnreadableError for no folder.
    """
    from syncbox.score.reading import read_draft
    from syncbox.score.reading.files import find_files
    from syncbox.score.reading.numbers import near

    ids = find_files(folder).songs
    if name in ids or log_path(folder, name).is_file():
        return name
    songs = read_draft(folder, problems=[]).show.songs
    for song_id, song in songs.items():
        if name.casefold() in (song_id.casefold(), song.title.casefold()):
            return song_id
    guess = near(name, list(ids))
    raise ShowError(
        f"there is no song {name!r} in the show",
        hint=f"did you mean '{guess}'?" if guess else f"it has {', '.join(ids) or 'none'}",
    )

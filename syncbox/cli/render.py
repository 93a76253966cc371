"""`syncbox render`: the show as files that plain hardware can play."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.cues import cues_option

if TYPE_CHECKING:
    from syncbox.engine.script import CueScript
    from syncbox.pack.render import RenderedSong


@click.command(short_help="Write a show to files.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--song", metavar="SONG", help="This song only, by its file's name or title.")
@click.option(
    "-o",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    required=True,
    help="Where the files go: a folder for each song.",
)
@click.option(
    "--rate",
    type=click.IntRange(8000, 384_000),
    default=48_000,
    show_default=True,
    help="Frames a second in the sound files.",
)
@click.option("--click", "clicks", is_flag=True, help="Only the clicks, as one mono file a song.")
@cues_option
def render(
    *,
    show: Path,
    song: str | None,
    folder: Path,
    rate: int,
    clicks: bool,
    cues: CueScript | None,
) -> None:
    """Write SHOW to files: a WAV for each mix, a MIDI file for each port, and a log.

    With --click, only a click.wav for each song, to practise with: a whole set in a moment.
    The sound files hold every mix at its full level: begin quietly, and read
    `syncbox guide levels` before you put anything into an ear.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from syncbox.cli.prepare import only_song, playable_show, with_song
    from syncbox.engine.script import CueScript
    from syncbox.pack.clicks import render_clicks
    from syncbox.pack.render import render_show, render_song, song_jobs

    whole = playable_show(show)
    chosen = whole if song is None else only_song(*with_song(whole, song))
    jobs = song_jobs(chosen, folder, rate=rate, script=cues or CueScript())
    console = Console(stderr=True)
    columns = (TextColumn("Rendering"), BarColumn(), TextColumn("{task.completed} of {task.total}"))
    done: list[RenderedSong] = []
    with Progress(
        *columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task("songs", total=len(jobs))

        def one_more(rendered: RenderedSong) -> None:
            done.append(rendered)
            bar.advance(task)

        # Clicks are done before other processes would have started.
        processes = 1 if clicks else 0
        make = render_clicks if clicks else render_song
        render_show(jobs, one_more, processes=processes, render=make)
    for rendered in sorted(done, key=lambda rendered: rendered.folder):
        click.echo(summary(rendered, rate))


def summary(rendered: RenderedSong, rate: int) -> str:
    """One line: how long, how many files, where."""
    minutes, seconds = divmod(round(rendered.frame_count / rate), 60)
    count = len(rendered.files)
    files = "1 file" if count == 1 else f"{count} files"
    return f"{rendered.title}: {minutes}:{seconds:02}, {files} in {rendered.folder}"

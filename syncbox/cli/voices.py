"""`syncbox voices`: the spoken words of a show, made ahead, and where each one comes from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from syncbox.score.rig import Show

RATE = 48_000


@click.command(short_help="Make the spoken words of a show and list them.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option(
    "--rate",
    type=click.IntRange(8000, 384_000),
    default=RATE,
    show_default=True,
    help="Frames a second of the audio device.",
)
def voices(show: Path, rate: int) -> None:
    """Make the spoken words of a show and list them, each with what it was made from.

    Words come from the band's own recordings in SHOW/voice (voice/two.wav, voice/chorus.wav),
    from an offline speech program if there is one (espeak-ng or flite), or are tones.
    `run` and `render` do the same by themselves.
    """
    from syncbox.cli.prepare import playable_show

    _list(playable_show(show), show, rate)


def _list(show: Show, folder: Path, rate: int) -> None:
    from syncbox.audio.cache import Cache
    from syncbox.audio.words import FOLDER, PROGRAMS, TONES, Speech, recordings
    from syncbox.schedule.words import LEAD_MS, words_of

    songs = [show.songs[entry.song_id] for entry in show.set_list.entries]
    needed = words_of(songs, show.rig)
    if not needed:
        click.echo("Nothing is spoken in this show. Write 'spoken: yes' in rig.yaml or in a song.")
        return
    speech = Speech(folder, rate, Cache.beside(folder))
    words = [speech.word(text) for text in needed]
    width = max(len(word.text) for word in words)
    lead_s = float(LEAD_MS) / 1000
    click.echo(f"{'word':{width}}  {'length':>7}  from")
    for word in words:
        length_s = word.sound.shape[1] / rate - lead_s
        click.echo(f"{word.text:{width}}  {length_s:5.2f} s  {word.source}")
    for file, why in speech.lost:
        click.echo(f"not used: {file} ({why.what})", err=True)
    for text in sorted(recordings(folder).keys() - set(needed)):
        click.echo(f"not needed: a recording of '{text}' in {FOLDER}")
    if any(word.source == TONES for word in words):
        click.echo(
            f"For a voice instead of tones: put recordings into {folder / FOLDER}, named after "
            f"the word, or install {' or '.join(PROGRAMS)}."
        )

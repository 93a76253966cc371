"""`syncbox measure`: how tight click and clock are on this computer tonight."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.driver_option import driver_options

if TYPE_CHECKING:
    from syncbox.lab.measure import Wishes

EXIT_CODES = {True: 0, False: 1, None: 2}  # good enough, not good enough, cannot be told


@click.command(short_help="Measure how tight click and clock are on this computer.")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 36_000),
    default=30.0,
    show_default=True,
    help="How long to play; the song ends with its section.",
)
@driver_options()
@click.option("--block", "block_frames", type=click.IntRange(16, 8192), help="Frames in a block.")
@click.option(
    "--audio-in",
    default="",
    metavar="PORT",
    help="A real input with a cable from output 1, as JACK names it, such as system:capture_1.",
)
@click.option(
    "--midi-in",
    default="",
    metavar="PORT",
    help="A real MIDI input with a cable from a MIDI output, as JACK names it.",
)
@click.option("--midi-out", default="", metavar="PATTERN", help="The MIDI output of that cable.")
@click.option("--json", "as_json", is_flag=True, help="Figures for other programs.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw the errors into this file (png, svg or pdf).",
)
def measure(
    *,
    seconds: float,
    driver: str,
    device: str | None,
    block_frames: int | None,
    audio_in: str,
    midi_in: str,
    midi_out: str,
    as_json: bool,
    picture: Path | None,
) -> int:
    """Play a test song, capture it independently, and compare it with the ideal grid.

    Turn your speakers down first: the test is a click, and it is heard wherever your
    outputs lead. With JACK a second client captures click and clock; without it, only
    the MIDI sender's own times can be judged. Both are about the computer: to measure
    its sound card and MIDI interface too, lead cables from the outputs into inputs and
    name them.

    The exit code is 0 for a computer that is good enough, 1 for one that is not, and 2
    where that cannot be told.
    """
    from syncbox.cli.leaving import leaving
    from syncbox.lab.measure import Wishes

    wishes = Wishes(
        seconds=seconds,
        driver=driver,
        device=device,
        block_frames=block_frames,
        audio_in=audio_in,
        midi_in=midi_in,
        midi_out=midi_out,
    )
    with leaving():
        return _measure(wishes, as_json=as_json, picture=picture)


def _measure(wishes: Wishes, *, as_json: bool, picture: Path | None) -> int:
    import json
    import sys

    from syncbox.lab.measure import measure as measure_now
    from syncbox.lab.report import judge

    if sys.stderr.isatty():
        with click.progressbar(length=1000, label="Measuring", file=sys.stderr) as bar:
            found = measure_now(wishes, lambda part: bar.update(round(part * 1000) - bar.pos))
    else:
        found = measure_now(wishes)
    click.echo(json.dumps(found.as_json(), indent=2) if as_json else found.as_text())
    if picture is not None:
        from syncbox.lab.picture import draw

        draw(found, picture)
    return EXIT_CODES[judge(found)[0]]

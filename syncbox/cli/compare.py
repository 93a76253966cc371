"""`syncbox compare`: the truth about a take, beside the map."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from syncbox.rehearsal.proposals import Proposal
    from syncbox.rehearsal.reading import TakeReading
    from syncbox.score.song import Song

SPEED_MIN, SPEED_MAX = 0.2, 2.0  # of the map's tempo
_FILE = click.Path(path_type=Path, dir_okay=False)


def _percent(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """70% or 70, as a share of one; nothing: not told."""
    if value is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,3}(?:\.\d{1,3})?)\s*%?\s*", value)
    if not found or not SPEED_MIN <= float(found.group(1)) / 100 <= SPEED_MAX:
        raise click.BadParameter(f"{value!r}: write 70%, from 20% to 200%", ctx, param)
    return float(found.group(1)) / 100


@click.command(short_help="Hold takes against a song's map: where did the band rush or drag?")
@click.argument(
    "takes", nargs=-1, required=True, metavar="TAKE... [SHOW]", type=click.Path(path_type=Path)
)
@click.option(
    "--song", "song_name", required=True, metavar="SONG", help="The song, by id or title."
)
@click.option("--json", "as_json", is_flag=True, help="The whole reading for other programs.")
@click.option("--csv", "as_csv", is_flag=True, help="Every beat as a line.")
@click.option(
    "--picture", type=_FILE, help="Draw tempo and lateness into this file (png, svg, pdf)."
)
@click.option("--report", type=_FILE, help="Write a report as one HTML file.")
@click.option(
    "--players", "by_player", is_flag=True, help="Also judge each channel of a multitrack."
)
@click.option("--channel", type=click.IntRange(1), help="Follow only this channel of a multitrack.")
@click.option(
    "--locked-at",
    type=float,
    metavar="SECONDS",
    help="The take's time at bar 1, if it was recorded in lock with the map.",
)
@click.option(
    "--speed",
    callback=_percent,
    metavar="PERCENT",
    help="Of the map's tempo, if it was played far from it: 70%.",
)
@click.option(
    "--propose", "proposing", is_flag=True, help="Offer a simpler map, and write it on yes."
)
@click.option("--yes", is_flag=True, help="Answer yes to what --propose offers.")
@click.option("--jobs", type=click.IntRange(1), default=None, help="Takes read at a time.")
def compare(
    *,
    takes: tuple[Path, ...],
    song_name: str,
    as_json: bool,
    as_csv: bool,
    picture: Path | None,
    report: Path | None,
    by_player: bool,
    channel: int | None,
    locked_at: float | None,
    speed: float | None,
    proposing: bool,
    yes: bool,
    jobs: int | None,
) -> None:
    """Hold takes against a song's map: where did the band rush or drag?

    A take is a recording (a microphone in the room, a desk mix, a multitrack), a MIDI
    file of pads or keys (.mid), or a list of taps (.txt, seconds, one a line). The map
    is followed through the sound, so half and double tempo are never mistaken.
    Several takes are read at once and compared. SHOW is the show's folder; without it,
    `songs` here, or else this folder.
    """
    from syncbox.errors import ShowError
    from syncbox.rehearsal.many import read_takes

    takes, folder = _takes_and_folder(takes)
    if len(takes) > 1 and (as_csv or picture or report):
        raise ShowError("one table, picture or report shows one take", hint="name one take")
    song = _song(folder, song_name)
    found = read_takes(song, takes, channel=channel, locked_at_s=locked_at, speed=speed, jobs=jobs)
    extra: list[str] = []
    if by_player:
        extra += _players(found[0], takes[0])
    offer = None
    if proposing:
        from syncbox.rehearsal.proposals import propose, sentences

        offer = propose(song, [each for each in found if each.found])
        extra += [f"proposed: {line}" for line in sentences(offer)]
    _show(found, takes, extra, as_json=as_json, as_csv=as_csv)
    title = f"{song.title}: {takes[0].name}"
    if picture is not None:
        from syncbox.rehearsal.picture import draw

        draw(found[0], title, picture)
    if report is not None:
        _write_report(found[0], title, takes[0], report, extra)
    if offer is not None and offer.changes:
        _accept(song, offer, yes=yes)
    if not any(each.found for each in found):
        raise ShowError("no take looks like this song", hint="is this the right song and map?")


def _takes_and_folder(named: tuple[Path, ...]) -> tuple[tuple[Path, ...], Path]:
    """The takes, and the show's folder if the last name is one."""
    from syncbox.errors import UnreadableError

    if named[-1].is_dir():
        if len(named) == 1:
            raise UnreadableError(
                "this is a folder, not a take", where=str(named[0]), hint="name a recording first"
            )
        return named[:-1], named[-1]
    return named, Path("songs") if Path("songs").is_dir() else Path()


def _song(folder: Path, name: str) -> Song:
    """Tonight's version of a song: what the band meant to play."""
    from syncbox.cli.prepare import tonights_show, with_song
    from syncbox.score.night import tonight

    show, index = with_song(tonights_show(folder, name), name)
    entry = show.set_list.entries[index]
    return tonight(show.songs[entry.song_id], entry)


def _players(found: TakeReading, take: Path) -> list[str]:
    from syncbox.rehearsal.intake import channel_count, onsets_of_file
    from syncbox.rehearsal.players import players, sentences

    if not found.found:
        return []
    count = channel_count(take)
    channels = [onsets_of_file(take, channel=n) for n in range(1, count + 1)]
    return sentences(players(found, channels))


def _show(
    found: list[TakeReading],
    takes: tuple[Path, ...],
    extra: list[str],
    *,
    as_json: bool,
    as_csv: bool,
) -> None:
    import json

    from syncbox.rehearsal.tables import as_csv as csv_of
    from syncbox.rehearsal.tables import as_json as plain
    from syncbox.rehearsal.wording import compare_weeks, summary

    if as_json:
        data: list[dict[str, Any]] = [
            {"take": str(take), **plain(each)} for take, each in zip(takes, found, strict=True)
        ]
        click.echo(json.dumps(data[0] if len(data) == 1 else data, indent=2))
        return
    if as_csv:
        click.echo(csv_of(found[0]), nl=False)
        return
    for take, each in zip(takes, found, strict=True):
        click.echo(f"{take}: match {each.match:.2f}")
        for line in summary(each):
            click.echo(f"  {line}")
    if len(found) > 1:
        labelled = [(take.name, each) for take, each in zip(takes, found, strict=True)]
        for line in compare_weeks(labelled):
            click.echo(line)
    for line in extra:
        click.echo(line)


def _write_report(
    found: TakeReading, title: str, take: Path, report: Path, extra: list[str]
) -> None:
    from syncbox.errors import UnreadableError
    from syncbox.rehearsal.page import as_html

    try:
        report.write_text(as_html(found, title, take.name, extra), encoding="utf-8")
    except OSError as problem:
        raise UnreadableError(
            f"the report could not be written: {problem.strerror}", where=str(report)
        ) from None


def _accept(song: Song, offer: Proposal, *, yes: bool) -> None:
    """Write the changes into the song's file, if the person wants them."""
    from syncbox.rehearsal.rewriting import rewritten
    from syncbox.score.reading.files import save_text

    path = Path(song.place.file)
    if not yes and not _confirmed(f"Write this into {path}?"):
        click.echo("nothing was changed", err=True)
        return
    text = path.read_bytes().decode("utf-8")
    save_text(path, rewritten(text, offer.changes, source=str(path)))
    click.echo(f"written: {path}", err=True)


def _confirmed(question: str) -> bool:
    """A person's yes; silence is a no."""
    try:
        return click.confirm(question, default=False, err=True)
    except click.Abort:
        return False

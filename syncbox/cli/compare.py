"""`syncbox compare`: the truth about a take, beside the map."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from syncbox.cli.answers import Answer
    from syncbox.rehearsal.proposals import Proposal
    from syncbox.score.rig import SetEntry
    from syncbox.score.song import Song

_OF_ONE = "a table, a picture, a report and players are of one"
_REPORT_ENDINGS = (".html", ".htm")
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
    "--round",
    "round_no",
    type=click.IntRange(1),
    metavar="N",
    help="Of a recording of `rehearse`, read only this round.",
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
    round_no: int | None,
    speed: float | None,
    proposing: bool,
    yes: bool,
    jobs: int | None,
) -> int:
    """Hold takes against a song's map: where did the band rush or drag?

    A take is a recording (a microphone in the room, a desk mix, a multitrack), a MIDI
    file of pads or keys (.mid), or a list of taps (.txt, seconds, one a line). The map
    is followed through the sound, so half and double tempo are never mistaken.
    Several takes are read at once and compared. SHOW is the show's folder; without it,
    `songs` here, or else this folder.
    """
    from syncbox.cli.answers import read_answers
    from syncbox.errors import ShowError

    takes, folder = _takes_and_folder(takes)
    alone = as_csv or by_player or bool(picture or report)
    _must_make_sense(takes, alone=alone, report=report)
    song, entry, others = _songs(folder, song_name)
    answers, wrong = read_answers(
        song, takes, folder, round_no=round_no, jobs=jobs,
        channel=channel, locked_at_s=locked_at, speed=speed, others=others,
    )  # fmt: skip
    if len(answers) > 1 and alone:
        raise ShowError(
            f"{_OF_ONE} round",
            where=str(takes[0]),
            hint=f"say which of its {len(answers)} rounds: --round 1",
        )
    for error in wrong:
        click.echo(str(error), err=True)
    extra = _players(answers[0]) if by_player else []
    offer = None
    if proposing:
        offer, lines = _proposed(song, entry, answers)
        extra += [f"proposed: {line}" for line in lines]
    several = len(takes) > 1 or len(answers) > 1
    _show(answers, extra, several=several, as_json=as_json, as_csv=as_csv)
    _draw(answers, song.title, picture, report, extra)
    if offer is not None and offer.changes:
        _accept(song, offer, yes=yes)
    if answers and not any(each.found.found for each in answers):
        raise ShowError(
            "nothing of this song was found", hint="is it the right file, and the right song?"
        )
    return max((error.exit_code for error in wrong), default=0)


def _must_make_sense(takes: Sequence[Path], *, alone: bool, report: Path | None) -> None:
    """Raise ShowError for what cannot be, before anything is read."""
    from syncbox.errors import ShowError

    if len(takes) > 1 and alone:
        raise ShowError(f"{_OF_ONE} take", hint="name one take")
    if report is not None and report.suffix.lower() not in _REPORT_ENDINGS:
        raise ShowError("a report is a page for a browser", hint="let its name end in .html")


def _takes_and_folder(named: tuple[Path, ...]) -> tuple[tuple[Path, ...], Path]:
    """The takes, and the show's folder if the last name is one."""
    from syncbox.errors import UnreadableError

    if named[-1].is_dir():
        if len(named) == 1:
            raise UnreadableError(
                "this is a folder, not a take", where=str(named[0]), hint="name a recording first"
            )
        return named[:-1], named[-1]
    if len(named) > 1 and not named[-1].suffix and not named[-1].exists():
        raise UnreadableError(
            "there is no such folder", where=str(named[-1]), hint="the last name is the show's"
        )
    return named, Path("songs") if Path("songs").is_dir() else Path()


def _songs(folder: Path, name: str) -> tuple[Song, SetEntry, list[Song]]:
    """Tonight's version of a song, what the band meant to play; its entry; the set's others."""
    from syncbox.cli.prepare import tonights_show, with_song
    from syncbox.score.night import tonight

    show, index = with_song(tonights_show(folder, name), name)
    entry = show.set_list.entries[index]
    rest = {each.song_id: each for each in show.set_list.entries if each.song_id != entry.song_id}
    others = [tonight(show.songs[song_id], each) for song_id, each in rest.items()]
    return tonight(show.songs[entry.song_id], entry), entry, others


def _proposed(
    song: Song, entry: SetEntry, answers: Sequence[Answer]
) -> tuple[Proposal | None, list[str]]:
    """A simpler map, if there is one, and what to say of it."""
    from syncbox.rehearsal.proposals import propose, sentences
    from syncbox.rehearsal.rewriting import units_of

    if entry.skip:
        why = (
            f"the set list leaves out {', '.join(entry.skip)}: nothing is proposed for such a song"
        )
        return None, [why]
    readings = [each.found for each in answers if each.speed == 1]
    if answers and not readings:
        return None, ["nothing from what was rehearsed at another speed than the map's"]
    sure = [each for each in readings if each.song_sure and not each.place_guessed]
    if not sure:
        return None, ["nothing: it is not sure enough that this is the song, or which part of it"]
    path = Path(song.place.file)
    offer = propose(song, sure, units=units_of(_text(path), source=str(path)), trim=entry.trim)
    return offer, sentences(offer)


def _text(path: Path) -> str:
    """A song file's text. Raises UnreadableError."""
    from syncbox.errors import UnreadableError

    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UnreadableError(
            "the song's file cannot be rewritten", where=str(path), hint=str(error)
        ) from None


def _players(answer: Answer) -> list[str]:
    from syncbox.rehearsal.players import notes_of, players, sentences

    return sentences(players(answer.found, notes_of(answer.take))) if answer.found.found else []


def _show(
    answers: Sequence[Answer], extra: Sequence[str], *, several: bool, as_json: bool, as_csv: bool
) -> None:
    import json

    from syncbox.rehearsal.tables import as_csv as csv_of
    from syncbox.rehearsal.tables import as_json as plain
    from syncbox.rehearsal.wording import compare_weeks, summary

    if as_json or as_csv:
        for line in extra:  # for the person: what other programs read is on the output
            click.echo(line, err=True)
    if as_json:
        data: list[dict[str, Any]] = [{**each.named, **plain(each.found)} for each in answers]
        click.echo(json.dumps(data if several else data[0], indent=2))
        return
    if as_csv:
        click.echo(csv_of(answers[0].found), nl=False)
        return
    for each in answers:
        click.echo(f"{each.path}: match {each.found.match:.2f}")
        for line in summary(each.found):
            click.echo(f"  {line}")
    if len(answers) > 1:
        for line in compare_weeks([(each.round or each.name, each.found) for each in answers]):
            click.echo(line)
    for line in extra:
        click.echo(line)


def _draw(
    answers: Sequence[Answer],
    song: str,
    picture: Path | None,
    report: Path | None,
    extra: Sequence[str],
) -> None:
    """The picture and the report of the only answer, where they are wanted."""
    if picture is not None:
        from syncbox.rehearsal.picture import draw

        draw(answers[0].found, f"{song}: {answers[0].name}", picture)
    if report is not None:
        from syncbox.errors import UnreadableError
        from syncbox.rehearsal.page import as_html

        answer = answers[0]
        try:
            page = as_html(answer.found, f"{song}: {answer.name}", answer.take.name, extra)
            report.write_text(page, encoding="utf-8")
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
    save_text(path, rewritten(_text(path), offer.changes, source=str(path)))
    click.echo(f"written: {path}", err=True)


def _confirmed(question: str) -> bool:
    """A person's yes; silence is a no."""
    try:
        return click.confirm(question, default=False, err=True)
    except click.Abort:
        return False

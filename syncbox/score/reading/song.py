"""A song file's text to the record of a song."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.meter import COMMON_TIME, Meter
from syncbox.score.problem import Problem
from syncbox.score.reading.body import Here, build_body, warn_if_bare, warn_if_ungrouped
from syncbox.score.reading.controls import build_zones
from syncbox.score.reading.fields import Found, Table, read_table
from syncbox.score.reading.hands import build_pads
from syncbox.score.reading.lengths import TIMES_MAX
from syncbox.score.reading.nodes import Mapping, Node, Scalar, compose
from syncbox.score.reading.report import Report
from syncbox.score.reading.song_tables import FORMAT, SONG_TABLE
from syncbox.score.reading.time_tables import Told
from syncbox.score.song import Body, Click, CountIn, Section, Song, Span, TempoStep
from syncbox.score.timecode import TimeCode
from syncbox.units import Ticks

BARS_PLAYED_MAX = 20_000  # of a whole song with its repeats; about ten hours
THINGS_PLAYED_MAX = 40_000


@dataclass(frozen=True, slots=True)
class SongDraft:
    """A song as far as it could be read. `sound` is False if the file has errors."""

    song: Song
    sound: bool


def read_file_table(text: str, table: Table, report: Report) -> Found | None:
    """The table that a whole file is, with its format number checked."""
    root = compose(text, report)
    if root is None or (isinstance(root, Mapping) and not _format_known(root, report)):
        return None
    return read_table(root, table, report)


def _format_known(root: Mapping, report: Report) -> bool:
    """Whether this program can read the file's format; notes an older or a missing number."""
    node = root.get("syncbox")
    if node is None:
        report.warn(root, "the file does not say its format", f"begin it with 'syncbox: {FORMAT}'")
        return True
    text = node.text.strip() if isinstance(node, Scalar) else ""
    if not text.isascii() or not text.isdigit() or len(text) > 6:
        report.error(node, "the format is not a number", f"write 'syncbox: {FORMAT}'")
        return True
    if int(text) > FORMAT:
        report.error(
            node,
            f"this file is in format {int(text)}, which is newer than this program",
            f"install a newer syncbox; this one reads format {FORMAT}",
        )
        return False
    if int(text) < FORMAT:
        report.warn(
            node,
            f"this file is in format {int(text)}; it is read as format {FORMAT}",
            f"check it, then write 'syncbox: {FORMAT}'",
        )
    return True


def read_song(
    text: str, source: str, problems: list[Problem], *, song_id: str | None = None
) -> Song | None:
    """The song that a file's text describes, or None if it has errors.

    `source` is the file's name for messages; problems are appended. `song_id` is the
    file's name without its ending if not given. Raises nothing.
    """
    draft = draft_song(text, source, problems, song_id=song_id)
    return draft.song if draft is not None and draft.sound else None


def draft_song(
    text: str, source: str, problems: list[Problem], *, song_id: str | None = None
) -> SongDraft | None:
    """The same, keeping what could be read of a song that has errors. None: nothing at all."""
    report = Report(source, problems)
    found = read_file_table(text, SONG_TABLE, report)
    if found is None:
        return None
    if song_id is None:
        song_id = source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
    song = _build_song(found, song_id, report)
    return SongDraft(song, report.errors == 0)


def _build_song(found: Found, song_id: str, report: Report) -> Song:
    meter: tuple[Node, Meter] | None = found.get("meter", None)
    unknown = found.has("meter") and meter is None
    here = Here(None if unknown else meter[1] if meter else COMMON_TIME)
    if meter:
        warn_if_ungrouped(*meter, report)
    told: tuple[Node, Told] | None = found.get("tempo", None)
    tempo_qpm = Fraction(120)
    if told and isinstance(told[1].what, TempoStep):
        tempo_qpm = told[1].what.tempo_qpm
        warn_if_bare(told[0], told[1].bare_qpm, here.meter, report)
    click: tuple[Node, Click] | None = found.get("click", None)
    sections: list[Section] = []
    for each in found.get("sections", list[Found]()):
        section, here = _build_section(each, here, report)
        sections.append(section)
    if found.has("sections") and not sections:
        report.error(found.at("sections"), "a song needs at least one section", "add a section")
    _judge_length(sections, found, report)
    count_in: CountIn = found.get("count-in", CountIn())
    no_code: TimeCode | None = None
    unsaid: bool | None = None
    any_count: tuple[Fraction, Fraction] | None = None
    return Song(
        song_id,
        found.get("title", song_id),
        tempo_qpm,
        tuple(sections) or (Section("?", Body(1)),),
        meter[1] if meter else COMMON_TIME,
        found.get("key", ""),
        found.get("notes", ""),
        count_in,
        _pickup(found, meter[1] if meter else COMMON_TIME, report),
        click[1] if click else Click(),
        zones=build_zones(found, report),
        pads=build_pads(found, report, whole=False),
        time_code=found.get("time-code", no_code),
        spoken=found.get("spoken", unsaid),
        stick_start=found.get("stick-start", any_count),
        place=report.place(found.node),
    )


def _pickup(found: Found, meter: Meter, report: Report) -> Span | None:
    empty: tuple[Node, tuple[Span | None]] | None = None
    pickup = found.get("pickup", empty)
    if pickup is None:
        return None
    node, (span,) = pickup
    if span is None:
        return None
    if span.beats >= meter.beat_count or span.ticks >= meter.bar_ticks:
        report.error(
            node,
            f"a pickup is shorter than a bar, and a bar of {meter} has "
            f"{meter.beat_count} beat{'s' if meter.beat_count > 1 else ''}",
            "write a shorter one, or make the bar a section of its own",
        )
        return Span(ticks=Ticks(meter.unit_ticks))
    return span


def _build_section(found: Found, here: Here, report: Report) -> tuple[Section, Here]:
    endings: list[Found] = found.get("endings", [])
    times: int = found.get("times", max(1, len(endings)))
    vamp: tuple[Node, int] | None = found.get("vamp", None)
    usual = vamp[1] if vamp else 0
    if usual and (found.has("times") or found.has("endings")):
        report.error(
            found.at("vamp"),
            "a vamp repeats until the cue, so it has no number of times and no endings",
            "take 'times' and 'endings' out, or take 'vamp' out",
        )
    if len(endings) > times:
        report.error(
            found.at("endings"),
            f"there are {len(endings)} endings for a section that is played {times} times",
            f"write times: {len(endings)}",
        )
    # A pass that cannot be counted is not judged.
    unclear = found.has("times") and "times" not in found.values
    body, here = build_body(found, here, TIMES_MAX if unclear else times, report)
    bodies: list[Body] = []
    after = here
    for ending in endings:
        written, after = build_body(ending, here, TIMES_MAX, report)
        bodies.append(written)
    section = Section(
        found.get("section", "?"),
        body,
        found.get("mark", ""),
        1 if usual else times,
        () if usual else tuple(bodies),
        usual,
        found.get("notes", ""),
        zones=build_zones(found, report),
        spoken_name=found.get("spoken-name", ""),
        place=report.place(found.node),
    )
    return section, after


def _judge_length(sections: list[Section], found: Found, report: Report) -> None:
    """Keep the song's written-out length within what the program lays out in memory."""
    bars = sum(
        section.body.bars * max(section.passes, section.vamp_usual)
        + section.passes * max((ending.bars for ending in section.endings), default=0)
        for section in sections
    )
    if bars > BARS_PLAYED_MAX:
        report.error(
            found.at("sections"),
            f"with all repeats this song has {bars} bars",
            f"{BARS_PLAYED_MAX} are the limit; split it into several songs",
        )
    things = sum(
        section.passes * (len(section.body.items) + _fullest(section.endings))
        for section in sections
    )
    if things > THINGS_PLAYED_MAX:
        report.error(
            found.at("sections"),
            f"with all repeats {things} things happen in this song",
            f"{THINGS_PLAYED_MAX} are the limit; split it into several songs",
        )


def _fullest(bodies: tuple[Body, ...]) -> int:
    """How much happens in the fullest of some endings."""
    return max((len(body.items) for body in bodies), default=0)

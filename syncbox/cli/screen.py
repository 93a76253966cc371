"""The stage screen: what the band's keeper of the map sees from two metres.

`screen` is a pure function of a view and a size. Nothing on it flashes: a beat
changes one small mark and one figure, never an area (WCAG 2.x success
criterion 2.3.1 allows three flashes a second, and 180 beats a minute are
three). Warm colours on near black keep the eyes used to the dark.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rich.text import Text

from syncbox.cli.letters import big, fit, height_rows, width_columns

GROUND = "#0c0c0c"
BASE = f"#cfc6ac on {GROUND}"  # everything that is read
DIM = f"#8f8874 on {GROUND}"  # labels and keys
STRONG = f"bold #e0d6b8 on {GROUND}"
GOOD = f"#9cb47a on {GROUND}"
ATTENTION = f"bold #e0a23c on {GROUND}"  # waits for a person
ALARM = f"bold #ff8a66 on {GROUND}"  # broken, said in words too

COLUMN_GAP = 4
BEAT_MARKS_MAX = 16


class Health(NamedTuple):
    """One thing that can be well or not, in words."""

    name: str
    words: str
    well: bool = True


class KeyHint(NamedTuple):
    """A key and what it does now."""

    key: str
    does: str


@dataclass(frozen=True, slots=True)
class View:
    """Everything that the screen shows. Bars and beats count from 1.

    `bars_to_go` is None where the section waits for the cue. `waits` says that a
    person has to act before the music goes on.
    """

    song: str
    song_no: int
    song_count: int
    state: str
    section: str
    bar: int
    bars: int
    beat: int
    beats: int
    bars_to_go: int | None
    tempo: str
    audio: Health
    level: str
    place: str = ""  # instead of the song's number in the set
    meter: str = ""
    key: str = ""
    detail: str = ""
    text_cue: str = ""
    by_hand: str = ""  # what was switched by hand and is easily forgotten
    set_time: str = ""  # time gone of the slot
    set_over: str = ""  # by how much the set will run over
    next_label: str = "NEXT"
    next_section: str = ""
    next_patches: tuple[str, ...] = ()
    waits: bool = False
    ports: tuple[Health, ...] = ()
    page: Health | None = None  # where the band's phones find the page
    map_mqpm: int = 0  # the written tempo in thousandths of quarters a minute
    notice: str = ""
    keys: tuple[KeyHint, ...] = ()


class Plan(NamedTuple):
    """How large each part is: the scale of its letters, 0 for plain text."""

    section: int
    numbers: int
    next_section: int
    patches: int
    key_lines: int


# From generous to bare; the first that fits the terminal is taken.
PLANS = (
    Plan(5, 6, 3, 2, 2),
    Plan(4, 5, 3, 2, 2),
    Plan(4, 4, 2, 1, 2),
    Plan(3, 3, 2, 1, 2),
    Plan(3, 3, 1, 1, 2),
    Plan(2, 3, 1, 0, 2),
    Plan(2, 2, 1, 0, 2),
    Plan(2, 2, 0, 0, 2),
    Plan(1, 2, 0, 0, 1),
    Plan(1, 1, 0, 0, 1),
    Plan(0, 1, 0, 0, 1),
    Plan(2, 0, 1, 0, 2),
    Plan(1, 0, 0, 0, 1),
    Plan(0, 0, 0, 0, 1),
)


def screen(view: View, width: int, height: int) -> list[Text]:
    """Exactly `height` lines of exactly `width` columns."""
    for plan in PLANS:
        groups = _groups(view, plan, width)
        if groups is not None and sum(map(len, groups)) <= height:
            if view.page is not None:
                spare = height - sum(map(len, groups))
                groups[-1] = _with_page(groups[-1], view.page, width, spare)
            return _spread(groups, width, height)
    bare = _bare(view) + [Text() for _ in range(height)]
    return [_full(line, width) for line in bare[:height]]


def _groups(view: View, plan: Plan, width: int) -> list[list[Text]] | None:
    """The parts from top to bottom, or None where the numbers are wider than the terminal."""
    numbers = _numbers(view, plan.numbers, width)
    if numbers is None:
        return None
    return [
        _head(view, width),
        [*_large(view.section, plan.section, width, STRONG), _detail(view)],
        numbers,
        _next(view, plan, width),
        [*_health(view, width), *_key_lines(view.keys, plan.key_lines, width)],
    ]


def _spread(groups: Sequence[Sequence[Text]], width: int, height: int) -> list[Text]:
    """All lines with the spare rows between the parts, most of them above the last one."""
    spare = height - sum(map(len, groups))
    lines: list[Text] = []
    for left, group in zip(range(len(groups) - 1, -1, -1), groups, strict=True):
        lines.extend(group)
        blanks = 0 if left == 0 else spare if left == 1 else min(2, -(-spare // (left + 1)))
        lines.extend(Text() for _ in range(blanks))
        spare -= blanks
    return [_full(line, width) for line in lines]


def _full(line: Text, width: int) -> Text:
    """The line cut or filled to the width, on the screen's own ground."""
    whole = Text(style=BASE, no_wrap=True)
    whole.append_text(line)
    whole.truncate(width, overflow="ellipsis", pad=True)
    return whole


def _parts(parts: Iterable[tuple[str, str]]) -> Text:
    return Text.assemble(*parts)


def _two_ends(left: Text, right: Text, width: int) -> Text:
    """One line with something at each end; the right one gives way."""
    space = width - left.cell_len - right.cell_len
    if space < 1:
        return left
    line = left.copy()
    line.append(" " * space)
    return line.append_text(right)


def _head(view: View, width: int) -> list[Text]:
    place = Text(view.place or f"song {view.song_no} of {view.song_count}", DIM)
    if view.set_time:
        place.append(f"   {view.set_time}", DIM)
    if view.set_over:
        place.append(f"   {view.set_over}", ATTENTION)
    about = "   ".join(filter(None, (view.meter, view.key)))
    state = Text(view.state.upper(), ATTENTION if view.waits else GOOD)
    line = state.copy().append(f"   {about}", BASE)
    if view.notice:  # it may push out the meter and the state, but is never left out itself
        notice = Text(view.notice, ATTENTION)
        tries = (_two_ends(left, notice, width) for left in (line, state))
        line = next((found for found in tries if notice.plain in found.plain), notice)
    return [_two_ends(Text(view.song, STRONG), place, width), line]


def _large(text: str, scale: int, width: int, style: str) -> list[Text]:
    """Text in big letters in the rows that the scale takes, plainly where that cannot be."""
    rows = height_rows(scale) if scale else 1
    found = fit(text, width, scale) if scale else None
    lines = [Text(row, style) for row in big(*found)] if found else [Text(text.upper(), style)]
    return lines + [Text() for _ in range(rows - len(lines))]


def _detail(view: View) -> Text:
    return _parts([(view.section, BASE), (f"   {view.detail}" if view.detail else "", BASE)])


# --- the numbers -----------------------------------------------------------------------------


class Column(NamedTuple):
    """A number with its label; `widest` is the longest that the number can become."""

    label: str
    number: str
    widest: str
    style: str = BASE


def _columns(view: View) -> tuple[Column, ...]:
    bars, beats = "0" * len(str(view.bars)), "0" * len(str(view.beats))
    if view.bars_to_go is None:
        to_go = Column("TO GO", "CUE", "CUE", ATTENTION)
    else:
        to_go = Column("TO GO", str(view.bars_to_go), bars)
    return (
        Column(f"BAR of {view.bars}", str(view.bar), bars, STRONG),
        Column(f"BEAT of {view.beats}", str(view.beat), beats, STRONG),
        to_go,
        Column("TEMPO ♩", view.tempo.split(".")[0], "000"),
    )


def _numbers(view: View, scale: int, width: int) -> list[Text] | None:
    if not scale:
        words = (f"{c.label.split()[0].lower()} {c.number}" for c in _columns(view))
        return [Text("  ".join(words), STRONG), _beats(view)]
    # The last two matter less: they may be half the size of the first two.
    small = max(1, scale // 2)
    scales = (scale, scale, small, small)
    cells = []
    for column, size in zip(_columns(view), scales, strict=True):
        room = max(width_columns(column.widest, size), len(column.label))
        cells.append((column, size, room))
    if sum(room for _, _, room in cells) + COLUMN_GAP * (len(cells) - 1) > width:
        return None
    lines = [Text() for _ in range(1 + height_rows(scale))]
    for column, size, room in cells:
        drawn = [Text(row, column.style) for row in big(column.number, size)]
        drawn += [Text() for _ in range(height_rows(scale) - len(drawn))]
        for line, part in zip(lines, [Text(column.label, DIM), *drawn], strict=True):
            line.append_text(part)
            line.append(" " * (room + COLUMN_GAP - part.cell_len))
    return [*lines, _beats(view)]


def _beats(view: View) -> Text:
    """One small mark a beat, and the text cue beside them."""
    shown = min(view.beats, BEAT_MARKS_MAX)
    marks = " ".join("■" if beat == view.beat else "□" for beat in range(1, shown + 1))
    return _parts([(marks, BASE), (f"     {view.text_cue}" if view.text_cue else "", ATTENTION)])


# --- what comes, how the box is, what the keys do ---------------------------------------------


def _next(view: View, plan: Plan, width: int) -> list[Text]:
    patches = "   ".join(view.next_patches)
    coming = view.next_section or "end of the song"
    label = Text(view.next_label, DIM)
    if not plan.patches and plan.next_section:  # room for the patches beside the label only
        label.append(f"   {patches}", STRONG)
    if not plan.next_section:
        return [
            _parts(
                [(f"{view.next_label}  ", DIM), (coming.upper(), STRONG), (f"   {patches}", BASE)]
            )
        ]
    lines = [label, *_large(coming, plan.next_section, width, BASE)]
    if plan.patches:
        lines += _large(patches, plan.patches, width, STRONG)
    return lines


def _health(view: View, width: int) -> list[Text]:
    audio = _parts([("AUDIO  ", DIM), (view.audio.words, GOOD if view.audio.well else ALARM)])
    level = _parts(
        [
            (view.by_hand, ATTENTION),
            ("   LEVEL  " if view.by_hand else "LEVEL  ", DIM),
            (view.level, BASE),
        ]
    )
    ports = Text("MIDI   ", DIM)
    if not view.ports:
        ports.append("no ports in the rig", DIM)
    for port in sorted(view.ports, key=lambda port: port.well):  # trouble first
        ports.append(f"{port.name} {port.words}   ", GOOD if port.well else ALARM)
    return [_two_ends(audio, level, width), ports]


def _with_page(lines: list[Text], page: Health, width: int, spare: int) -> list[Text]:
    """The last part with a line about the page; where no row is spare, beside the ports."""
    line = _parts([("PAGE   ", DIM), (page.words, BASE if page.well else ALARM)])
    if spare > 0:
        return [line, *lines]
    audio, ports, *keys = lines
    return [audio, _two_ends(ports, line, width), *keys]


def _key_lines(keys: Sequence[KeyHint], line_count: int, width: int) -> list[Text]:
    """The keys, broken over lines between two keys; those that find no room are left out."""
    lines = [Text() for _ in range(line_count)]
    at = 0
    for hint in keys:
        length = len(hint.key) + 1 + len(hint.does)
        if lines[at].cell_len + length > width and at + 1 < line_count:
            at += 1
        if lines[at].cell_len + length <= width:
            lines[at].append(hint.key, BASE).append(f" {hint.does}   ", DIM)
    for line in lines:
        line.rstrip()
    return lines


def _bare(view: View) -> list[Text]:
    """For a terminal of a few rows: the essential, most important first."""
    to_go = "cue" if view.bars_to_go is None else f"{view.bars_to_go} to go"
    return [
        _parts([(view.section.upper(), STRONG), (f"  {view.bar}.{view.beat}  {to_go}", STRONG)]),
        Text(f"{view.state}  {view.song}", BASE),
        Text(view.notice or f"next {view.next_section or 'end of the song'}", BASE),
    ]

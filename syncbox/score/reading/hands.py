"""Pads, filters and fades: from the tables' values to their records."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from syncbox.score.controls import Sign, SignKind, Touch
from syncbox.score.hands import Filter, Pad, PadStart, Setting
from syncbox.score.reading.fields import Found
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.report import Report
from syncbox.score.reading.sound_tables import own_name
from syncbox.score.song import SourceFade, Span

_OPEN = Setting(20_000.0, 20_000.0, 20_000.0)
_PLAIN = Setting(0.0, 0.0, 0.0)


def build_pads(found: Found, report: Report, *, whole: bool) -> tuple[Pad, ...]:
    """The pads of a file; in a rig each is `whole`, a song may leave out where it is struck."""
    written: Mapping[str, tuple[Scalar, Found]] = found.get("pads", {})
    return tuple(_pad(name, *each, report, whole=whole) for name, each in written.items())


def _pad(name: str, key: Scalar, found: Found, report: Report, *, whole: bool) -> Pad:
    file: tuple[Node, str] | None = found.get("play", None)
    port: tuple[Node, str] | None = found.get("port", None)
    message: tuple[Node, Sign] | None = found.get("message", None)
    if whole and not (found.has("port") and found.has("message")):
        report.error(
            found.node,
            f"nothing says how '{name}' is struck",
            "add port: and message: note 36 channel 10",
        )
    if message and message[1].kind is SignKind.PROGRAM:
        report.error(message[0], "a program change is no stroke", "write note 36 channel 10")
    touch, fixed = found.get("touch", (Touch.PLAIN, 0))
    path = file[1] if file else ""
    return Pad(
        name,
        path,
        found.get("as", own_name(path)),
        port[1] if port else "",
        message[1] if message else None,
        found.get("gain", 0.0),
        found.get("choke", ""),
        touch,
        fixed or 127,
        found.get("start", PadStart.NOW),
        report.place(key),
    )


def build_filters(found: Found, report: Report) -> tuple[Filter, ...]:
    """The filters of a rig."""
    written: Mapping[str, tuple[Scalar, Found]] = found.get("filters", {})
    return tuple(
        Filter(
            source,
            each.get("cutoff", _OPEN),
            each.get("resonance", _PLAIN),
            each.get("level", _PLAIN),
            report.place(key),
        )
        for source, (key, each) in written.items()
    )


def fades_of(found: Found) -> Iterator[tuple[Node, SourceFade]]:
    """The fades of one entry of a song."""
    written: Mapping[str, tuple[Scalar, tuple[Node, tuple[float, Span]]]] = found.get("fade", {})
    for source, (_, (node, (level_db, over))) in written.items():
        yield node, SourceFade(source, level_db, over)

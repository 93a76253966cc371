"""rig.yaml and setlist.yaml: a file's text to the records of a rig and a set list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.controls import Control
from syncbox.score.problem import Problem
from syncbox.score.reading.code_tables import build_calibration, judge_calibrations
from syncbox.score.reading.controls import build_control, build_zones
from syncbox.score.reading.fields import Found, read_table
from syncbox.score.reading.hands import build_filters, build_pads
from syncbox.score.reading.lead_tables import read_follow
from syncbox.score.reading.mix_tables import MixLevel
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.numbers import near, shown
from syncbox.score.reading.report import Report
from syncbox.score.reading.rig_tables import ENTRY_TABLE, RIG_TABLE, SET_TABLE
from syncbox.score.reading.song import read_file_table
from syncbox.score.rig import (
    CLICK_SOURCE,
    COUNT_IN_SOURCE,
    EVERY_BAR,
    EVERYTHING_ELSE,
    VOICE_SOURCE,
    BankCount,
    Instrument,
    MidiPort,
    Mix,
    Panel,
    ProgramCount,
    Pulse,
    Rig,
    SetEntry,
    SetList,
    TempoTrim,
    Then,
    Wire,
)
from syncbox.score.timecode import SetTimeCode

DEFAULT_RIG = Rig(
    mixes=(
        Mix(
            "everyone",
            (1, 2),
            {CLICK_SOURCE: -6.0, COUNT_IN_SOURCE: -6.0, VOICE_SOURCE: -6.0, EVERYTHING_ELSE: -6.0},
        ),
    )
)

Named = Mapping[str, tuple[Scalar, Found]]


def read_rig(text: str, source: str, problems: list[Problem]) -> Rig | None:
    """The rig that a file's text describes, or None if it has errors. Raises nothing."""
    report = Report(source, problems)
    found = read_file_table(text, RIG_TABLE, report)
    rig = None if found is None else build_rig(found, report)
    return None if report.errors else rig


def build_rig(found: Found, report: Report) -> Rig:
    """The records of a rig as far as they could be read."""
    nothing: Named = {}
    ports = tuple(_port(*each, report) for each in found.get("ports", nothing).items())
    written = found.get("instruments", nothing)
    port_names = [port.name for port in ports]
    for _, each in written.values():
        _known_port(each, port_names, "ports", report)
    inputs: Mapping[str, tuple[Scalar, str]] = found.get("inputs", {})
    controls: list[Control] = []
    for each in found.get("controls", list[Found]()):
        _known_port(each, list(inputs), "inputs", report)
        controls.append(build_control(each, report))
    mixes = tuple(_mix(*each, report) for each in found.get("mixes", nothing).items())
    if found.has("mixes") and not mixes:
        report.error(found.at("mixes"), "there is no mix, so nobody hears anything", "add a mix")
    if not found.has("mixes"):
        report.warn(
            found.node, "no mix is written, so everything goes to outputs 1-2", "write mixes"
        )
    no_loudness: float | None = None
    any_count: tuple[Fraction, Fraction] | None = None
    measured: list[Found] = found.get("calibration", [])
    no_pulse: Pulse | None = None
    rig = Rig(
        ports,
        tuple(_instrument(*each, report) for each in written.items()),
        mixes or DEFAULT_RIG.mixes,
        tuple(controls),
        {key: pattern for key, (_, pattern) in inputs.items()},
        build_zones(found, report),
        found.get("zones-early", Fraction(0)),
        pads=build_pads(found, report, whole=True),
        filters=build_filters(found, report),
        follow=read_follow(found, list(inputs), report),
        follow_offset_ms=found.get("follow-offset", Fraction(0)),
        stick_start=found.get("stick-start", any_count),
        loudness_lufs=found.get("loudness", no_loudness),
        pulse=found.get("pulse", no_pulse),
        spoken=found.get("spoken", False),
        calibrations=tuple(build_calibration(each, report) for each in measured),
    )
    judge_calibrations(measured, rig, report)
    return rig


def _known_port(found: Found, known: list[str], where: str, report: Report) -> None:
    port: tuple[Node, str] | None = found.get("port", None)
    if port is None or port[1] in known:
        return
    guess = near(port[1], known)
    report.error(
        port[0],
        f"{shown(port[1])} is not one of the {where}",
        f"did you mean '{guess}'?" if guess else f"write it under '{where}', or one that is there",
    )


def _port(port_name: str, written: tuple[Scalar, Found], report: Report) -> MidiPort:
    key, found = written
    plain = MidiPort(port_name, "")
    return MidiPort(
        port_name,
        found.get("match", ""),
        found.get("wire", Wire.DIN),
        found.get("offset", Fraction(0)),
        found.get("clock", plain.clock),
        found.get("clock-when-stopped", plain.clock_when_stopped),
        found.get("start-stop", plain.start_stop),
        found.get("song-position", plain.song_position),
        found.get("patches", plain.patches),
        found.get("time-code", plain.time_code),
        place=report.place(key),
    )


def _instrument(own_name: str, written: tuple[Scalar, Found], report: Report) -> Instrument:
    key, found = written
    port: tuple[Node, str] | None = found.get("port", None)
    patches: Mapping[str, tuple[Scalar, tuple[Node, str]]] = found.get("patches", {})
    return Instrument(
        own_name,
        port[1] if port else "",
        found.get("channel", 1),
        Panel(found.get("programs", ProgramCount.FROM_1), found.get("banks", BankCount.NONE)),
        found.get("loading", Fraction(0)),
        {patch: text for patch, (_, (_, text)) in patches.items()},
        found.get("change", False),
        report.place(key),
    )


def _mix(own_name: str, written: tuple[Scalar, Found], report: Report) -> Mix:
    key, found = written
    levels: Mapping[str, tuple[Scalar, MixLevel]] = found.get("levels", {})
    outputs: tuple[int, ...] = found.get("outputs", (1,))
    pans: dict[str, int] = {}
    click_bars = EVERY_BAR
    for source, (_, level) in levels.items():
        if level.pan and len(outputs) == 1:
            report.error(
                level.pan[0], "one output has no left and right", "take 'pan' out, or add an output"
            )
        if level.pan:
            pans[source] = level.pan[1]
        if level.only and source != CLICK_SOURCE:
            report.error(level.only[0], "'only' is for the click", "take it out")
        elif level.only:
            click_bars = level.only[1]
    return Mix(
        own_name,
        outputs,
        {source: level.level_db for source, (_, level) in levels.items()},
        found.get("ceiling", Mix("", (), {}).ceiling_db),
        pans,
        click_bars,
        found.get("mute", False),
        place=report.place(key),
    )


# --- the set list -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class EntryDraft:
    """A song of the set, with the nodes of the names that it uses, for messages."""

    entry: SetEntry
    song: Node
    skip: tuple[tuple[Node, str], ...] = ()
    patches: tuple[tuple[Scalar, str, tuple[tuple[Scalar, Node, str, str], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class SetDraft:
    """A set list as far as it could be read, and the report to go on with."""

    set_list: SetList
    entries: tuple[EntryDraft, ...]
    report: Report


def draft_set(text: str, source: str, problems: list[Problem]) -> SetDraft | None:
    """The set list that a file's text describes. None: nothing could be read."""
    report = Report(source, problems)
    found = read_file_table(text, SET_TABLE, report)
    if found is None:
        return None
    nodes: list[Node] = found.get("songs", [])
    drafts = [draft for node in nodes if (draft := _entry(node, report)) is not None]
    no_slot: Fraction | None = None
    no_code: SetTimeCode | None = None
    set_list = SetList(
        found.get("title", ""),
        tuple(d.entry for d in drafts),
        found.get("slot", no_slot),
        found.get("time-code", no_code),
    )
    if found.has("songs") and not nodes:
        report.error(
            found.at("songs"), "there is no song in the set", "add one, or take the file away"
        )
    return SetDraft(set_list, tuple(drafts), report)


def _entry(node: Node, report: Report) -> EntryDraft | None:
    if isinstance(node, Scalar):
        place = report.place(node)
        return EntryDraft(SetEntry(node.text.strip(), place=place), node)
    found = read_table(node, ENTRY_TABLE, report)
    if found is None:
        return None
    song: tuple[Node, str] | None = found.get("song", None)
    if song is None:
        return None
    then, gap = found.get("then", (Then.WAIT, Fraction(0)))
    skip: list[tuple[Node, str]] = found.get("skip", [])
    written: Mapping[str, tuple[Scalar, Mapping[str, tuple[Scalar, tuple[Node, str]]]]]
    written = found.get("patches", {})
    trim: tuple[Node, TempoTrim] | None = found.get("tempo", None)
    entry = SetEntry(
        song[1],
        then,
        gap,
        trim[1] if trim else TempoTrim(),
        tuple(text for _, text in skip),
        {
            section: {instrument: patch for instrument, (_, (_, patch)) in each.items()}
            for section, (_, each) in written.items()
        },
        report.place(trim[0] if trim else found.node),
    )
    patches = tuple(
        (key, section, tuple((k, n, i, patch) for i, (k, (n, patch)) in each.items()))
        for section, (key, each) in written.items()
    )
    return EntryDraft(entry, song[0], tuple(skip), patches)

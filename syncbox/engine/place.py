"""Where the show is, exactly, as a few hundred bytes of text that another engine can go on from.

The engine writes a place whenever something is decided, and at least every two
seconds; shared memory carries it to the host. A place and the frames that have gone by
since are enough to know where the band is now: what happens without a press follows
from the program.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from syncbox.engine.chasing import plan_arrival
from syncbox.engine.ports import FreeStretch
from syncbox.engine.run import LegRun
from syncbox.engine.sounding import restore_sounding, sounding_of
from syncbox.engine.state import EngineState
from syncbox.engine.transport import State
from syncbox.schedule.program import CompiledLeg, PatchOut

VERSION = 4
AGAIN_SECONDS = 2  # a place is never older than this, so that catching up is quick
PEDALS_SECONDS = 0.1  # a pedal that moves asks for a place no more often than this
_COUNT_IN = -1  # stands for the entry's own count-in, which is no leg of the song
_SCALARS = (
    "song_index",
    "cue_pending",
    "vamps_met",
    "holds_met",
    "stop_frame",
    "jump_leg",
    "trim_permille",
    "prepare_frame",
    "quitting",
    "midi_rolling",
    "position_known",
    "phase",
    "told_tick",
    "ready_frame",
    "overridden",
    "told_frame",
)
_COUNTS = ("songs_over", "sets_over", "section_index", "pass_no", "passes", "round_no", "bars")
_SHOWN = (
    *_COUNTS,
    "leg_index",
    "bar",
    "beat",
    "beats",
    "bars_to_go",
    "tempo_mqpm",
    "beat_frame",
    "text",
    "mix_turned",
)


class PlaceWriter:
    """Says a place when there is something new to say; one for each engine."""

    def __init__(self) -> None:
        self._key: tuple[object, ...] = ()
        self._pedals: tuple[tuple[int, int], ...] = ()
        self._due_frame = self._pedals_due_frame = 0

    def __call__(self, state: EngineState) -> bytes | None:
        """The place after a block, or None while the last one still says it all."""
        key, pedals, frame = _key(state), tuple(state.hands.moved.items()), state.next_frame
        moved = pedals != self._pedals and frame >= self._pedals_due_frame
        if key == self._key and not moved and frame < self._due_frame:
            return None
        self._key, self._pedals = key, pedals
        self._due_frame = frame + AGAIN_SECONDS * state.rate
        self._pedals_due_frame = frame + round(PEDALS_SECONDS * state.rate)
        return json.dumps(place_of(state), separators=(",", ":")).encode()


def _key(state: EngineState) -> tuple[object, ...]:
    """What changes whenever something is decided; cheap, since it is asked every block."""
    tail = state.tail
    led = _led(state)  # then the tail moves with every clock, and a place of before will do
    return (
        led,
        id(tail),
        tail and not led and (tail.end_frame, tail.start),
        len(state.runs),
        len(state.timed.rows),
        len(state.timed_sounds),
        tuple([bool(outbox.messages) for outbox in state.outboxes]),
        tuple(state.selected),
        tuple([getattr(state, name) for name in _SCALARS]),
        state.transport,
        state.mixer.level_db,
        state.mixer.click_muted,
        state.mixer.solo_mix,
        state.mixer.solo_source,
        tuple([(mix.level_db, mix.muted) for mix in state.mixer.mixes]),
        state.hands.struck,
        len(state.hands.waiting),
        len(state.hearing.put_off),
        state.counter.song_index,
        None if state.leader is None else state.leader.stands,
    )


def _led(state: EngineState) -> bool:
    """Whether another box leads what is playing."""
    return state.leader is not None and state.leader.leads


def place_of(state: EngineState) -> dict[str, Any]:
    """Everything that playing on depends on, as plain values."""
    now = state.now
    return {
        "version": VERSION,
        "frame": state.next_frame,
        "transport": int(state.transport),
        **{name: int(getattr(state, name)) for name in _SCALARS},
        "stretch": _pair(state.stretch),
        "counted_song": state.counter.song_index,
        "leader": None if state.leader is None else state.leader.record(),
        "shown": {name: getattr(now, name) for name in _SHOWN},
        **sounding_of(state),
        "runs": [_run_record(state, run) for run in state.runs],
        "tail": state.runs.index(state.tail) if state.tail in state.runs else -1,
        "code": [_code_record(state, run, record) for run, record in state.code.records()],
        "free": [[*_pair(s.next), *_pair(s.interval), s.until] for s in state.free_clock.stretches],
        "free_clocks": [group.free for group in state.groups],
        "timed": [[f, port, data.hex(), why] for f, _, port, data, why in state.timed.rows],
        "selected": [_known(state, index) for index in range(len(state.selected))],
        **_settings_of(state),
    }


def _settings_of(state: EngineState) -> dict[str, Any]:
    """What the instruments should have. What waits for the hands to let go need not any more."""
    patches, controls = list(state.patches), dict(state.controls)
    for _, _, _, event in state.hearing.put_off:
        if isinstance(event, PatchOut):
            patches[event.instrument] = event
        elif event.why == "controller":
            controls[event.port, event.data[:2]] = event.data
    return {
        "patches": [_patch_row(patch) for patch in patches if patch is not None],
        "controls": [[port, data.hex()] for (port, _), data in controls.items()],
    }


def _known(state: EngineState, instrument: int) -> int:
    """The patch that an instrument has for certain; -1 while messages wait for the wire."""
    patch = state.patches[instrument]
    if patch is None or state.outboxes[patch.port].messages:
        return -1
    return state.selected[instrument]


def _patch_row(patch: PatchOut) -> list[Any]:
    messages = [message.hex() for message in patch.messages]
    return [patch.port, patch.instrument, patch.key, messages, patch.loading_frames]


def _pair(value: Fraction) -> list[int]:
    return [value.numerator, value.denominator]


def _run_record(state: EngineState, run: LegRun) -> dict[str, Any]:
    leg_index = run.leg_index
    if run.leg is not state.program.songs[run.song_index].legs[leg_index]:
        leg_index = _COUNT_IN
    return {
        "at": [run.song_index, leg_index, run.leg_index, run.round_no],
        "start": _pair(run.start),
        "stretch": _pair(run.stretch),
        "end": None if run.end is None else _pair(run.end),
        "phase": run.phase,
        "first_tick": run.first_tick,
        "told_tick": run.told_tick,
        "started": int(run.started),
        "jumped": int(run.jumped),
        "ends_song": int(run.ends_song),
    }


def _code_record(state: EngineState, run: LegRun, record: list[Any]) -> list[Any]:
    """The time code of a leg, which may be over while code of it is still to come on late ports."""
    at = state.runs.index(run) if run in state.runs else _run_record(state, run)
    return [at, *record]


def restore(state: EngineState, place: dict[str, Any]) -> None:
    """Bring a fresh engine to a place. What lies before it counts as played.

    Nothing is sent: every port is absent until the host says that it is there, and the
    sounds begin with `replay`.
    """
    for name in _SCALARS:
        setattr(state, name, type(getattr(state, name))(place[name]))
    state.stretch = Fraction(*place["stretch"])
    if state.leader is not None and place["leader"] is not None:
        state.leader.resume(place["leader"], state.stretch)
    state.counter.song_index = place["counted_song"]
    frame = place["frame"]
    state.skip_to(frame)
    state.transport = State(place["transport"])
    for name, value in place["shown"].items():
        setattr(state.now, name, value)
    state.now.transport = int(state.transport)
    state.runs = [_run(state, record, frame) for record in place["runs"]]
    state.tail = state.runs[place["tail"]] if place["tail"] >= 0 else None
    spans = [(_run_of(state, row[0], frame), row[1:]) for row in place["code"]]
    state.code.resume(spans, frame)
    state.free_clock.stretches = [_free_stretch(row) for row in place["free"]]
    for group, frames in zip(state.groups, place["free_clocks"], strict=True):
        group.free = list(frames)
    state.timed.clear()
    for at, port, data, why in place["timed"]:
        state.timed.add(at, port, bytes.fromhex(data), why)
    state.hearing.section_begins(frame, state.song_index, state.now.section_index)
    _restore_settings(state, place)
    restore_sounding(state, place)
    for run in state.runs:
        if run.jumped and not run.started:
            plan_arrival(state, run.song_index, run.leg_index, run.start_frame)


def _restore_settings(state: EngineState, place: dict[str, Any]) -> None:
    """What the instruments have, and what they should have."""
    state.selected = list(place["selected"])
    state.absent = [True] * len(state.outboxes)
    for port, instrument, key, messages, loading in place["patches"]:
        data = tuple(bytes.fromhex(text) for text in messages)
        state.patches[instrument] = PatchOut(port, instrument, key, data, loading)
    controls = [(port, bytes.fromhex(text)) for port, text in place["controls"]]
    state.controls = {(port, data[:2]): data for port, data in controls}


def _run_of(state: EngineState, at: int | dict[str, Any], frame: int) -> LegRun:
    return state.runs[at] if isinstance(at, int) else _run(state, at, frame)


def _run(state: EngineState, record: dict[str, Any], frame: int) -> LegRun:
    song_index, leg_index, shown_index, round_no = record["at"]
    song = state.program.songs[song_index]
    leg: CompiledLeg | None = song.entry.count_in if leg_index == _COUNT_IN else None
    if leg is None:
        leg = song.legs[shown_index]
    run = LegRun(
        (song_index, shown_index, round_no),
        leg,
        Fraction(*record["start"]),
        record["phase"],
        first_tick=record["first_tick"],
        clock_groups=len(state.groups),
        stretch=Fraction(*record["stretch"]),
    )
    run.told_tick = record["told_tick"]
    run.started, run.jumped = bool(record["started"]), bool(record["jumped"])
    if record["end"] is not None and (end := Fraction(*record["end"])) != run.end:
        if run.end is None or run.end < end:
            run.release(end)
        else:
            run.cut(end)
    run.ends_song = bool(record["ends_song"])
    run.pass_over(frame, [group.shift for group in state.groups])
    return run


def _free_stretch(row: list[int]) -> FreeStretch:
    stretch = FreeStretch(Fraction(row[0], row[1]), Fraction(row[2], row[3]))
    stretch.until = row[4]
    return stretch

"""Time code that runs with the music: as sound on the source `time-code`, and as MIDI.

The code tells the place in the song on its usual way: from the downbeat of bar 1, or
from the count-in, in real seconds. It stands when the music stops. Where the music
goes on in its written order the code runs on without a seam, whatever the tempo; after
a jump, an early or a late cue it is cut, the new place is told by a Full Message, and
it runs from the first code frame that begins there.

Nothing is counted up from block to block. A span says where code frame 0 would lie, and
every sample and every quarter frame follows from its own place alone.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from math import ceil
from typing import TYPE_CHECKING, Any

from syncbox.audio.ltc import word_length, write_code
from syncbox.engine.run import NEVER, LegRun
from syncbox.midi.timecode import QUARTERS_PER_FRAME, full_message, named_frame, quarter_frame
from syncbox.schedule.program import CompiledSong, Program
from syncbox.score.layout import LegKind
from syncbox.score.rig import TIME_CODE_SOURCE
from syncbox.score.timecode import TimeCode
from syncbox.units import ms_to_frames, round_half_up

if TYPE_CHECKING:
    from syncbox.engine.state import EngineState

# From a Full Message to the first quarter frame, so that slow readers have found the place.
# Ten bytes take 3.2 ms of a DIN cable.
LOCATE_MS = Fraction(10)
WHY = "time code"
_PARTS = 2**20  # of a frame: where code frame 0 lies is rounded to this, once


class CodeSpan:
    """The code through one leg: where it lies, and what of it is heard."""

    __slots__ = (
        "anchor",
        "began",
        "code",
        "first_frame",
        "first_quarter",
        "next_frame",
        "next_quarter",
        "placed",
        "run",
        "tell",
        "told",
        "until",
    )

    def __init__(self, run: LegRun, code: TimeCode, port_count: int) -> None:
        self.run = run
        self.code = code
        self.placed = run.start_frame  # where the leg was to begin when the code was laid there
        self.began = NEVER  # where it did begin
        self.anchor = Fraction(0)  # exact frame at which code frame 0 lies
        self.until = NEVER  # cut here, if the leg does not end before
        self.first_frame = 0  # code frames below this are left out
        self.first_quarter = 0  # quarter frames below this are left out
        self.tell = NEVER  # when a Full Message tells the place
        self.told = [False] * port_count
        # For each port, the quarter frame that comes next and where, not counting its offset.
        self.next_quarter = [-1] * port_count
        self.next_frame = [0] * port_count

    @property
    def begin(self) -> int:
        """Where the leg begins; a leader may still move it, but not once it has begun."""
        return self.run.start_frame if self.began == NEVER else self.began

    @property
    def end(self) -> int:
        """Where the code stops: with the leg, or when a hold is longer than usual."""
        run = self.run
        end = min(self.until, run.end_frame)
        if run.leg.kind is LegKind.HOLD:
            end = min(end, round_half_up(run.start + run.leg.length))
        return end


class CodeOut:
    """The time code of one engine."""

    def __init__(self, program: Program) -> None:
        rig = program.rig
        self._rate = program.rate
        self._songs = program.songs
        self._ports = [index for index, port in enumerate(rig.ports) if port.time_code]
        self._shifts = [ms_to_frames(port.offset_ms, rate=program.rate) for port in rig.ports]
        self._source = program.sources.index(TIME_CODE_SOURCE)
        self._heard = any(mix.gains[self._source] > 0.0 for mix in program.mixes)
        self._lead = ms_to_frames(LOCATE_MS, rate=program.rate)
        self._kept = max([0, *self._shifts])  # how long an ended span may still be needed
        self._spans: list[CodeSpan] = []
        self._done = 0  # everything before this frame has been handed out
        # For each port, the frames of bytes in this block, and of those that come next.
        self.busy: list[list[int]] = [[] for _ in rig.ports]
        self.wanted = bool(self._ports) or self._heard
        self.wanted = self.wanted and any(song.time_code for song in program.songs)

    def emit(self, state: EngineState, first: int, limit: int) -> None:
        """What falls into [first, limit), all of it in the coming block."""
        if not self.wanted:
            return
        self._follow(state, first)
        for port in self._ports:
            if first == state.next_frame:
                self.busy[port].clear()
            for span in self._spans:
                self._tell(state, span, port, limit)
                self._send(state, span, port, first, limit)
        if self._heard:
            self._sound(state, first, limit)
        self._done = limit

    # --- for an engine that goes on from here ----------------------------------------------

    def records(self) -> list[tuple[LegRun, list[Any]]]:
        """Each leg with what its span knows that does not follow from the leg, as plain values."""
        return [
            (
                span.run,
                [
                    int(span.anchor * _PARTS),
                    span.until,
                    span.first_frame,
                    span.first_quarter,
                    span.tell,
                    [int(told) for told in span.told],
                    list(span.next_quarter),
                    span.placed,
                    span.began,
                ],
            )
            for span in self._spans
        ]

    def resume(self, records: list[tuple[LegRun, list[Any]]], frame: int) -> None:
        """Go on from such records; what lies before the frame has been handed out."""
        self._done = frame
        self._spans = [self._span(run, record) for run, record in records]

    def _span(self, run: LegRun, record: list[Any]) -> CodeSpan:
        code = self._songs[run.song_index].time_code
        assert code is not None, "a place of another show"
        span = CodeSpan(run, code, len(self.busy))
        anchor, span.until, span.first_frame, span.first_quarter, span.tell, *record = record
        told, quarters, span.placed, span.began = record
        span.anchor = Fraction(anchor, _PARTS)
        span.told = [bool(each) for each in told]
        for port, quarter in enumerate(quarters):
            if quarter >= 0:
                self._advance(span, port, quarter)
        return span

    # --- which code runs where -------------------------------------------------------------

    def _follow(self, state: EngineState, first: int) -> None:
        """Bring the spans in line with what is decided by now."""
        runs = state.runs
        kept = []
        for span in self._spans:
            decided = span.run in runs
            if not decided:
                if not span.run.started:
                    continue  # taken back
                span.until = min(span.until, self._done)
            if decided or span.end + self._kept >= first:
                kept.append(span)
        for before, span in zip([None, *kept], kept, strict=False):
            self._keep_placed(state, span, before)
        for span, after in pairwise(kept):
            if after.run.started:  # a leader that hurries may begin it before its time
                span.until = min(span.until, after.begin)
        self._spans = kept
        known = [span.run for span in kept]
        for run in runs:
            code = self._songs[run.song_index].time_code
            if code is not None and run not in known and run.end_frame >= first:
                self._begin(state, run, code)

    def _begin(self, state: EngineState, run: LegRun, code: TimeCode) -> None:
        if _place_of(run, self._songs[run.song_index]) < 0 and not code.in_count:
            return
        span = CodeSpan(run, code, len(self.busy))
        self._lay(state, span, self._spans[-1] if self._spans else None)
        if run.started:
            span.began = span.begin
        self._spans.append(span)

    def _lay(self, state: EngineState, span: CodeSpan, before: CodeSpan | None) -> None:
        """Lay the code of a leg after that of the leg before it."""
        run = span.run
        touches = before is not None and before.end == span.begin
        if before is not None and touches and _goes_on(before.run, run):
            span.anchor = before.anchor
            span.first_frame, span.first_quarter = before.first_frame, before.first_quarter
            return
        close = before is not None and span.begin - before.end < self._lead
        place = _place_of(run, self._songs[run.song_index])
        self._locate(span, place * state.stretch, running=close)

    def _keep_placed(self, state: EngineState, span: CodeSpan, before: CodeSpan | None) -> None:
        """Lay the code anew where a leader has moved the beginning of a leg that is to come.

        A place that was told too early by then is told again.
        """
        if span.began != NEVER:
            return
        if span.placed != span.begin:
            span.placed, named = span.begin, span.first_quarter
            self._lay(state, span, before)
            span.next_quarter = [-1] * len(span.next_quarter)
            if span.first_quarter != named or span.tell > self._done:
                span.told = [False] * len(span.told)
        if span.run.started:
            span.began = span.begin

    def _locate(self, span: CodeSpan, place: Fraction, *, running: bool) -> None:
        """A new place: exact frames from the downbeat of bar 1 to the leg's tick 0."""
        run, code = span.run, span.code
        length = word_length(code.rate, self._rate)
        zero = run.start - place
        if run.first_tick:  # the leg is entered in its middle
            place = run.start_frame - zero
        anchor = zero - code.start * length
        span.anchor = Fraction(round_half_up(anchor * _PARTS), _PARTS)
        span.first_frame = code.start + ceil(place / length)
        # While code runs, its time must be stopped before it can go on elsewhere.
        lead = self._lead if running else 0
        named = code.start + ceil((place + lead) / length)
        named += named % 2
        span.first_quarter = named * QUARTERS_PER_FRAME
        span.tell = span.begin if running else span.begin - self._lead

    # --- MIDI ------------------------------------------------------------------------------

    def _tell(self, state: EngineState, span: CodeSpan, port: int, limit: int) -> None:
        """The Full Message, when its time has come; it waits for the wire like any other."""
        due = span.tell + self._shifts[port]
        if due < limit and not span.told[port]:
            span.told[port] = True
            data = full_message(span.first_quarter // QUARTERS_PER_FRAME, span.code.rate)
            state.outboxes[port].put(max(due, state.next_frame), data, WHY)

    def _send(self, state: EngineState, span: CodeSpan, port: int, first: int, limit: int) -> None:
        """Quarter frames on their frames, and the next one noted so that nothing is in its way."""
        shift = self._shifts[port]
        end = min(span.end, state.stop_frame) + shift
        if span.begin + shift >= limit + self._lead or end <= first:
            return
        if span.next_quarter[port] < 0:
            behind = (span.begin - span.anchor) // self._interval(span.code)
            self._advance(span, port, max(span.first_quarter, behind))
        frame = span.next_frame[port] + shift
        while frame < min(limit, end):
            if frame >= max(first, span.begin + shift):
                self._note(state, port, frame)
                named, piece = named_frame(span.next_quarter[port])
                data = quarter_frame(named, piece, span.code.rate)
                state.midi.append((frame - state.next_frame, port, data, WHY))
            self._advance(span, port, span.next_quarter[port] + 1)
            frame = span.next_frame[port] + shift
        if frame < end:
            self._note(state, port, frame)

    def _note(self, state: EngineState, port: int, frame: int) -> None:
        byte = state.outboxes[port].length_frames(1)
        self.busy[port] += (frame, frame + byte)

    def _interval(self, code: TimeCode) -> Fraction:
        return word_length(code.rate, self._rate) / QUARTERS_PER_FRAME

    def _advance(self, span: CodeSpan, port: int, quarter: int) -> None:
        span.next_quarter[port] = quarter
        exact = span.anchor + quarter * self._interval(span.code)
        span.next_frame[port] = round_half_up(exact)

    # --- sound -----------------------------------------------------------------------------

    def _sound(self, state: EngineState, first: int, limit: int) -> None:
        row = None
        for span in self._spans:
            begin, end = max(first, span.begin), min(limit, span.end)
            if begin >= end:
                continue
            if row is None:
                row = state.mixer.stream(self._source)
            write_code(
                row[begin - state.next_frame : end - state.next_frame],
                begin,
                anchor=span.anchor,
                rate=span.code.rate,
                sample_rate=self._rate,
                before=span.first_frame,
            )


def _place_of(run: LegRun, song: CompiledSong) -> Fraction:
    """Where a leg's tick 0 lies on the usual way, in exact frames from bar 1 at written tempo."""
    entry, leg = song.entry, run.leg
    if leg is entry.count_in:
        return song.legs[entry.leg_index].route_start + entry.offset - leg.length
    # Rounds of a vamp beyond the usual ones are at the place of the last.
    return leg.route_start + (min(run.round_no, leg.usual_rounds) - 1) * leg.length


def _goes_on(before: LegRun, run: LegRun) -> bool:
    """Whether a leg is what follows another one in the written order, as long as usual."""
    if before.song_index != run.song_index:
        return False
    if before.leg_index == run.leg_index:
        # From the count-in of an entry in the middle, or at another tempo from a bar line on.
        same = before.leg is not run.leg or (run.first_tick and before.round_no == run.round_no)
        return bool(same) or before.round_no + 1 == run.round_no <= run.leg.usual_rounds
    if before.leg.kind is LegKind.HOLD:
        assert before.end is not None
        if abs(before.end - before.start - before.leg.length) >= 1:
            return False
    return before.leg_index + 1 == run.leg_index and before.round_no >= before.leg.usual_rounds

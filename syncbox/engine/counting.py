"""The drummer's sticks and a tapping finger: hits at frames become a tempo and a downbeat.

Four hits on the last four beats before the first bar start the song: a straight line
through them (least squares) says how long a beat is and where the fifth would fall, and
that is the downbeat. Taps between songs only set the tempo of the one that comes.
Limits are common practice, without a source.
"""

from __future__ import annotations

from fractions import Fraction

from syncbox.engine.entering import enter, top_of
from syncbox.engine.moving import TRIM_PERMILLE_MAX, set_trim
from syncbox.engine.ports import clock_interval
from syncbox.engine.state import EngineState
from syncbox.engine.tapping import Line, Said, line_through, tap_interval
from syncbox.engine.transport import State
from syncbox.schedule.program import BeatMark, CompiledLeg
from syncbox.units import TICKS_PER_QUARTER

HITS = 4
TAPS_MIN, TAPS_MAX = 4, 8
DOUBLE_S = Fraction(6, 100)  # a second hit within this time is the same stroke
PAUSE_S = Fraction(5, 2)  # after this the count begins anew
SPREAD_PART = Fraction(8, 100)  # of a beat: a hit farther from the line is too ragged a count
RANGE_PART = Fraction(15, 100)  # sticks may count so far from the song's tempo, if nothing is said
_STILL = (State.STOPPED, State.WAITING)


def beats_before(leg: CompiledLeg, count: int) -> list[int]:
    """Ticks of the last felt beats before a leg, negative, if bars like its first came before."""
    bar_ticks = leg.bars[1][1] if len(leg.bars) > 1 else leg.ticks
    beats = [
        int(tick)
        for tick, event in zip(leg.event_ticks, leg.events, strict=True)
        if isinstance(event, BeatMark) and tick < bar_ticks
    ]
    bars = -(-count // len(beats))
    return [beat - bar * bar_ticks for bar in range(bars, 0, -1) for beat in beats][-count:]


def hit_stick(state: EngineState, frame: int) -> bool:
    """A stick hit at a frame. False: it means nothing while music plays or a leader is followed."""
    counter = state.counter
    if not _taken(state, counter.hits, frame):
        return False
    leg = state.song.legs[top_of(state).leg_index]
    state.now.count_hits = len(counter.hits)
    state.now.count_said = Said.COUNTING
    if len(counter.hits) < HITS:
        return True
    hits, counter.hits = counter.hits, []
    ticks = beats_before(leg, HITS)
    line = line_through(ticks, hits)
    beat_ticks = Fraction(-ticks[0], HITS)
    said = _judged(state, leg, line.per_tick * beat_ticks, beat_ticks)
    if said is Said.TAPPED and line.spread > SPREAD_PART * line.per_tick * beat_ticks:
        said = Said.RAGGED
    state.now.count_said = said
    if said is Said.TAPPED:
        state.now.count_said = Said.STARTED
        _start(state, leg, line)
    return True


def _start(state: EngineState, leg: CompiledLeg, line: Line) -> None:
    """The song begins on the downbeat at the tempo of the count."""
    stretch = line.per_tick / _per_tick(state, leg)
    state.counter.song_index = state.song_index
    state.stretch, state.trim_permille = stretch, round(1000 / stretch - 1000)
    earliest = Fraction(state.next_frame + state.start_lead)
    enter(state, top_of(state), max(line.downbeat, earliest))


def tap(state: EngineState, frame: int) -> bool:
    """A tap at a frame. False: it means nothing while music plays or a leader is followed."""
    counter = state.counter
    if not _taken(state, counter.taps, frame):
        return False
    del counter.taps[:-TAPS_MAX]
    state.now.count_hits = len(counter.taps)
    state.now.count_said = Said.COUNTING
    if len(counter.taps) < TAPS_MIN:
        return True
    leg = state.song.legs[top_of(state).leg_index]
    interval = tap_interval(counter.taps)
    beat_ticks = Fraction(-beats_before(leg, HITS)[0], HITS)
    said = _judged(state, leg, interval, beat_ticks)
    permille = round(1000 * _per_tick(state, leg) * beat_ticks / interval - 1000)
    if said is Said.TAPPED and abs(permille) > TRIM_PERMILLE_MAX:
        said = Said.TOO_FAST if permille > 0 else Said.TOO_SLOW
    state.now.count_said = said
    if said is Said.TAPPED:
        counter.song_index = state.song_index
        set_trim(state, permille, state.next_frame)
        _retune_clock(state)
    return True


def forget_count(state: EngineState) -> None:
    """A counted tempo belongs to one song; the next one is played as written again."""
    counter = state.counter
    over = counter.song_index >= 0 and counter.song_index != state.song_index
    if over and state.transport in _STILL:
        counter.song_index = -1
        counter.hits, counter.taps = [], []
        state.now.count_said = Said.NOTHING
        set_trim(state, 0, state.next_frame)
        _retune_clock(state)


def _retune_clock(state: EngineState) -> None:
    """The clock while stopped goes on at the coming song's tempo, without a gap."""
    first_qpm = state.song.legs[0].first_qpm
    interval = float(clock_interval(first_qpm, state.rate) * state.stretch)
    state.free_clock.steer(float(state.free_clock.stretches[0].next) - interval, interval)


def _taken(state: EngineState, frames: list[int], frame: int) -> bool:
    """Note a hit or tap. False where counting means nothing."""
    if state.transport not in _STILL or state.leader is not None:
        return False
    if frames and frame - frames[-1] > PAUSE_S * state.rate:
        frames.clear()
    if not frames or frame - frames[-1] >= DOUBLE_S * state.rate:
        frames.append(frame)
    return True


def _per_tick(state: EngineState, leg: CompiledLeg) -> Fraction:
    """Exact frames of a tick at the written tempo where a leg begins."""
    return Fraction(60 * state.rate) / (leg.first_qpm * TICKS_PER_QUARTER)


def _judged(state: EngineState, leg: CompiledLeg, beat: Fraction, beat_ticks: Fraction) -> Said:
    """Whether a beat of so many exact frames lies within what the song or the rig permits."""
    a_minute = Fraction(60 * state.rate) / beat if beat > 0 else Fraction(0)
    state.now.count_milli = round(a_minute * 1000)
    written = leg.first_qpm * TICKS_PER_QUARTER / beat_ticks
    low, high = written * (1 - RANGE_PART), written * (1 + RANGE_PART)
    permitted = state.song.stick_start or state.program.rig.stick_start
    if permitted is not None:
        low, high = permitted
    if a_minute < low:
        return Said.TOO_SLOW
    return Said.TOO_FAST if a_minute > high else Said.TAPPED

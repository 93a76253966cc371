"""Compile a show for the engine: every leg's events at exact offsets, patches with their leads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.midi.messages import controller, sysex
from syncbox.midi.panel import instrument_patch
from syncbox.schedule.bursts import Burst, burst_events
from syncbox.schedule.clicks import VOICES, leg_clicks
from syncbox.schedule.place import FrameGrid
from syncbox.schedule.program import (
    BeatMark,
    Chased,
    CompiledLeg,
    CompiledSong,
    Event,
    MessageOut,
    MixPlan,
    PatchOut,
    Program,
    SoundStart,
    SoundStop,
    TextMark,
)
from syncbox.score.layout import Leg, LegKind, Route, Step, Until, lay_out, usual_path
from syncbox.score.night import tonight
from syncbox.score.rig import (
    CLICK_SOURCE,
    COUNT_IN_SOURCE,
    EVERYTHING_ELSE,
    OWN_SOURCES,
    VOICE_SOURCE,
    Mix,
    Rig,
    SetEntry,
    Show,
)
from syncbox.score.song import (
    AudioKind,
    ControllerSend,
    EndLoop,
    PatchChange,
    PlayAudio,
    Song,
    SpokenCue,
    SysexSend,
    TextCue,
)
from syncbox.units import TICKS_PER_CLOCK, db_to_gain, seconds_to_frames

CLICK_GAIN = 1.0


@dataclass(slots=True)
class _Sounds:
    """Clips and faders of the whole show, numbered as they are met."""

    clips: list[NDArray[np.float32]]
    clip_of: dict[str, int]
    sources: list[str]

    def clip(self, name: str) -> int | None:
        """None for a file that could not be read: it costs only itself."""
        return self.clip_of.get(name)

    def source(self, name: str) -> int:
        if name not in self.sources:
            self.sources.append(name)
        return self.sources.index(name)


@dataclass(frozen=True, slots=True)
class _Work:
    """What compiling any leg of one song needs."""

    route: Route
    rig: Rig
    rate: int
    sounds: _Sounds
    texts: list[str]
    fastest_qpm: Fraction


@dataclass(slots=True)
class _LegEvents:
    """Events of one leg while they are collected."""

    rows: list[tuple[int, int, Event]] = field(default_factory=list)  # tick, shift, event
    chased: list[Chased] = field(default_factory=list)

    def add(self, tick: int, event: Event, shift: int = 0) -> None:
        self.rows.append((tick, shift, event))


def compile_show(
    show: Show,
    rate: int,
    clips: Mapping[str, NDArray[np.float32]],
    voices: Mapping[str, NDArray[np.float32]],
) -> Program:
    """The whole set at a sample rate.

    `clips`: audio files by the name used in the songs, float32 (channels, frames) at
    `rate`; a missing one is left out. `voices`: the click voices, float32 (frames,).
    The show must be free of errors as `check` finds them.
    """
    names = [*VOICES, *clips]
    arrays = [voices[name][np.newaxis, :] for name in VOICES] + list(clips.values())
    sounds = _Sounds(arrays, {name: i for i, name in enumerate(names)}, list(OWN_SOURCES))
    songs = tuple(
        _compile_song(show.songs[entry.song_id], entry, show.rig, rate, sounds)
        for entry in show.set_list.entries
    )
    mixes = tuple(_mix_plan(mix, sounds.sources) for mix in show.rig.mixes)
    return Program(rate, show.rig, songs, tuple(arrays), tuple(sounds.sources), mixes)


def _mix_plan(mix: Mix, sources: Sequence[str]) -> MixPlan:
    """A source that a mix does not name is silent there, unless `backing` stands for it."""
    gains = []
    for source in sources:
        level_db = mix.levels_db.get(source)
        if level_db is None and source not in OWN_SOURCES:
            level_db = mix.levels_db.get(EVERYTHING_ELSE)
        gains.append(0.0 if level_db is None else db_to_gain(level_db))
    channels = tuple(channel - 1 for channel in mix.channels)
    return MixPlan(mix.name, channels, tuple(gains), db_to_gain(mix.ceiling_db))


def _compile_song(
    song: Song, entry: SetEntry, rig: Rig, rate: int, sounds: _Sounds
) -> CompiledSong:
    song = tonight(song, entry)
    route = lay_out(song)
    fastest_qpm = max(leg.tempo_map.fastest_qpm() for leg in route.legs)
    work = _Work(route, rig, rate, sounds, [], fastest_qpm)
    legs = _with_lookahead(
        [_compile_leg(step.leg, step, work) for step in usual_path(route) if step.round == 1]
    )
    return CompiledSong(
        song.id,
        song.title,
        legs,
        tuple(section.name for section in song.sections),
        tuple(
            tuple(
                (item.what.instrument, item.what.patch)
                for item in section.body.items
                if isinstance(item.what, PatchChange) and item.at.bar == 1 and item.at.beat == 1
            )
            for section in song.sections
        ),
        tuple(work.texts),
        entry.then,
        seconds_to_frames(entry.gap_seconds, rate=rate),
    )


def _with_lookahead(legs: Sequence[CompiledLeg]) -> tuple[CompiledLeg, ...]:
    """When each leg must be decided so that it and all after it can send their early events.

    A short leg before one that loads slowly must be decided earlier still. A hold
    that waits is released late enough for what follows it, so it asks for nothing.
    """
    done: list[CompiledLeg] = []
    later = 0
    for leg in reversed(legs):
        length = int(leg.length)
        waits = leg.kind is LegKind.HOLD and leg.until_cue
        later = 0 if waits else max(leg.preroll_frames, later - length)
        done.append(replace(leg, lookahead_frames=later))
    return tuple(reversed(done))


def _compile_leg(leg: Leg, step: Step, work: _Work) -> CompiledLeg:
    grid = FrameGrid.of(leg.tempo_map, work.rate)
    out = _LegEvents()
    _add_clicks(leg, work, out)
    _add_beats(leg, out)
    _add_midi(leg, work, out)
    _add_audio(leg, work, out)
    for item in leg.items:
        if isinstance(item.what, TextCue):
            out.add(item.tick, TextMark(len(work.texts)))
            work.texts.append(item.what.text)
    out.rows.sort(key=lambda row: row[0])
    ticks = np.array([row[0] for row in out.rows], dtype=np.int64)
    shifts = np.array([row[1] for row in out.rows], dtype=np.int64)
    offsets = grid.offsets(ticks)
    early = offsets.frames(Fraction(0)) + shifts
    clock_ticks = _clock_ticks(work.route, leg)
    bars = [(bar.number, bar.first_tick) for bar in leg.bars if not bar.continued]
    tempo = leg.tempo_map
    return CompiledLeg(
        kind=leg.kind,
        section=leg.section,
        section_index=leg.section_index,
        pass_no=leg.pass_no,
        passes=leg.passes,
        section_bars=leg.section_bars,
        until_cue=leg.until is Until.CUE,
        usual_rounds=leg.usual_rounds,
        ticks=leg.ticks,
        length=leg.duration_s * work.rate,
        event_ticks=ticks,
        event_offsets=offsets,
        event_shifts=shifts,
        events=tuple(row[2] for row in out.rows),
        clock_ticks=clock_ticks,
        clock_offsets={phase: grid.offsets(at) for phase, at in clock_ticks.items()},
        bar_offsets=grid.offsets(np.array([tick for _, tick in bars], dtype=np.int64)),
        bars=tuple(bars),
        preroll_frames=int(max(0, -early.min())) if len(early) else 0,
        lookahead_frames=0,
        route_tick=step.start_tick,
        route_start=step.start_s * work.rate,
        first_qpm=tempo.tempo_at(0),
        last_qpm=tempo.tempo_at(tempo.ticks),
        chased=tuple(out.chased),
    )


def _add_clicks(leg: Leg, work: _Work, out: _LegEvents) -> None:
    name = COUNT_IN_SOURCE if leg.kind is LegKind.COUNT_IN else CLICK_SOURCE
    source = work.sounds.source(name)
    for tick, voice in leg_clicks(leg):
        out.add(tick, SoundStart(work.sounds.clip_of[voice], source, CLICK_GAIN, 0, -1))


def _add_beats(leg: Leg, out: _LegEvents) -> None:
    for bar, beat, tick in leg.beats():
        tempo_mqpm = round(leg.tempo_map.tempo_at(tick) * 1000)
        to_go = leg.section_bars - bar.section_bar + 1
        out.add(tick, BeatMark(bar.section_bar, beat + 1, bar.meter.beat_count, to_go, tempo_mqpm))


def _add_midi(leg: Leg, work: _Work, out: _LegEvents) -> None:
    """Patches, controllers and system exclusive messages, each early enough for its bar line."""
    rig = work.rig
    for tick in sorted({item.tick for item in leg.items}):
        burst = Burst(rig, work.rate, work.fastest_qpm)
        for item in leg.items:
            if item.tick != tick:
                continue
            match item.what:
                case PatchChange(name, text):
                    instrument = rig.instrument(name)
                    assert instrument is not None, name
                    burst.add_patch(instrument, instrument_patch(instrument, text))
                case ControllerSend(name, number, value):
                    instrument = rig.instrument(name)
                    assert instrument is not None, name
                    data = controller(instrument.channel, number, value)
                    burst.add_message(instrument, data, "controller")
                case SysexSend(name, data):
                    instrument = rig.instrument(name)
                    assert instrument is not None, name
                    burst.add_message(instrument, sysex(data), "sysex")
                case _:
                    pass
        for shift, event in burst_events(burst):
            out.add(tick, event, shift)
            control = -1
            if isinstance(event, MessageOut) and event.why == "controller":
                control = event.data[0] * 128 + event.data[1]
            if isinstance(event, PatchOut) or control >= 0:
                offset = leg.tempo_map.seconds_at(tick) * work.rate
                out.chased.append(Chased(tick, offset, event, control))


def _add_audio(leg: Leg, work: _Work, out: _LegEvents) -> None:
    for item in leg.items:
        if isinstance(item.what, SpokenCue):
            clip = work.sounds.clip(item.what.file)
            if clip is not None:
                gain = db_to_gain(item.what.gain_db)
                event = SoundStart(clip, work.sounds.source(VOICE_SOURCE), gain, 0, -1)
                out.add(item.tick, event)
        elif isinstance(item.what, PlayAudio):
            _add_play(leg, item.tick, item.what, work, out)
        elif isinstance(item.what, EndLoop):
            out.add(item.tick, SoundStop(work.sounds.source(item.what.source)))
    if leg.kind is LegKind.HOLD:  # time stops, and so does whatever repeats in time
        for source in sorted(_loop_sources(work.route)):
            out.add(0, SoundStop(work.sounds.source(source)))


def _loop_sources(route: Route) -> set[str]:
    plays = (item.what for leg in route.legs for item in leg.items)
    return {
        play.source for play in plays if isinstance(play, PlayAudio) and play.kind is AudioKind.LOOP
    }


def _add_play(leg: Leg, tick: int, play: PlayAudio, work: _Work, out: _LegEvents) -> None:
    clip, source = work.sounds.clip(play.file), work.sounds.source(play.source)
    if clip is None:
        return
    slot = source if play.kind is not AudioKind.ONE_SHOT else -1
    from_frame = seconds_to_frames(play.start_seconds, rate=work.rate)
    start = SoundStart(clip, source, db_to_gain(play.gain_db), from_frame, slot)
    out.add(tick, start)
    if play.kind is AudioKind.STEM:
        out.chased.append(Chased(tick, leg.tempo_map.seconds_at(tick) * work.rate, start))


def _clock_ticks(route: Route, leg: Leg) -> dict[int, NDArray[np.int64]]:
    """Ticks of the clocks in a leg, for each phase in which the grid can enter it.

    Bars are whole numbers of 64ths and a 64th is one and a half clocks, so the grid
    enters a leg on a clock or half a clock after one. Before the song the grid is
    laid back from the downbeat, so that receivers lock to the tempo that comes.
    """
    if leg.kind is LegKind.HOLD:
        return {}
    if leg.kind is not LegKind.SECTION:
        remaining = leg.ticks
        for later in route.legs[leg.index + 1 :]:
            if later.kind is LegKind.SECTION:
                break
            remaining += later.ticks
        return {0: np.arange(remaining % TICKS_PER_CLOCK, leg.ticks, TICKS_PER_CLOCK)}
    half = TICKS_PER_CLOCK // 2
    return {
        phase: np.arange(-phase % TICKS_PER_CLOCK, leg.ticks, TICKS_PER_CLOCK)
        for phase in (0, half)
    }

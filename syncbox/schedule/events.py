"""The events of one leg: clicks, beats, patches, sounds and texts, by tick."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.midi.messages import controller, sysex
from syncbox.midi.panel import instrument_patch
from syncbox.schedule.bursts import Burst, burst_events
from syncbox.schedule.clicks import leg_clicks
from syncbox.schedule.codes import PULSE_CLIP, pulse_ticks
from syncbox.schedule.fades import fade_to
from syncbox.schedule.fitting import LoopTarget, clip_name, fitted_name
from syncbox.schedule.mixes import click_limits, click_part, click_parts
from syncbox.schedule.program import (
    BeatMark,
    Chased,
    Event,
    MessageOut,
    PatchOut,
    SoundStart,
    SoundStop,
    TextMark,
    WordStart,
)
from syncbox.schedule.words import LEAD_MS, NUMBERS, SAME_PASS, said_in, word_clip
from syncbox.score.layout import Leg, LegKind
from syncbox.score.rig import (
    CLICK_SOURCE,
    COUNT_IN_SOURCE,
    PULSE_SOURCE,
    VOICE_SOURCE,
    Instrument,
    Rig,
)
from syncbox.score.song import (
    AudioKind,
    ControllerSend,
    EndLoop,
    PatchChange,
    PlayAudio,
    SourceFade,
    SpokenCue,
    SysexSend,
    TextCue,
)
from syncbox.units import Frames, db_to_gain, ms_to_frames, seconds_to_frames

CLICK_GAIN = 1.0


@dataclass(slots=True)
class Sounds:
    """Clips and faders of the whole show, numbered as they are met."""

    clips: list[NDArray[np.float32]]
    clip_of: dict[str, int]
    sources: list[str]
    gains: Mapping[str, float] = field(default_factory=dict)  # by the clip's name, if not 1

    def clip(self, name: str) -> int | None:
        """None for a file that could not be read: it costs only itself."""
        return self.clip_of.get(name)

    def source(self, name: str) -> int:
        if name not in self.sources:
            self.sources.append(name)
        return self.sources.index(name)


@dataclass(frozen=True, slots=True)
class Work:
    """What making the events of any leg of one song needs."""

    rig: Rig
    rate: int
    sounds: Sounds
    texts: list[str]
    fastest_qpm: Fraction
    loop_sources: tuple[str, ...]  # faders of all loops in the song
    targets: Mapping[tuple[int, int, PlayAudio], LoopTarget] = field(default_factory=dict)
    spoken: bool = False  # count-ins and section names are said
    names: tuple[str, ...] = ()  # how the sections are announced
    coming: int = SAME_PASS  # the section after the leg, as from `coming_section`
    following: Leg | None = None  # the leg after it

    def instrument(self, name: str) -> Instrument:
        found = self.rig.instrument(name)
        assert found is not None, f"{name} is not in the rig; check reports it"
        return found


@dataclass(slots=True)
class LegEvents:
    """Events of one leg while they are collected."""

    rows: list[tuple[int, int, Event]] = field(default_factory=list)  # tick, shift, event
    chased: list[Chased] = field(default_factory=list)

    def add(self, tick: int, event: Event, shift: int = 0) -> None:
        self.rows.append((tick, shift, event))


def leg_events(leg: Leg, work: Work) -> LegEvents:
    """All events of a leg, ascending by tick."""
    out = LegEvents()
    _add_clicks(leg, work, out)
    _add_beats(leg, out)
    _add_midi(leg, work, out)
    _add_audio(leg, work, out)
    _add_pulses(leg, work, out)
    if work.spoken:
        _add_words(leg, work, out)
    for item in leg.items:
        if isinstance(item.what, TextCue):
            out.add(item.tick, TextMark(len(work.texts)))
            work.texts.append(item.what.text)
    out.rows.sort(key=lambda row: row[0])
    return out


def _add_clicks(leg: Leg, work: Work, out: LegEvents) -> None:
    counting = leg.kind is LegKind.COUNT_IN
    source = work.sounds.source(COUNT_IN_SOURCE if counting else CLICK_SOURCE)
    limits = click_limits(work.rig.mixes)
    starts = [bar.start_tick for bar in leg.bars]
    for tick, voice in leg_clicks(leg):
        if limits and not counting:
            bar = leg.bars[bisect_right(starts, tick) - 1]
            source = work.sounds.source(click_part(limits, bar.number))
        out.add(tick, SoundStart(work.sounds.clip_of[voice], source, CLICK_GAIN, 0, -1))


def _add_pulses(leg: Leg, work: Work, out: LegEvents) -> None:
    if work.rig.pulse is not None:
        clip, source = work.sounds.clip_of[PULSE_CLIP], work.sounds.source(PULSE_SOURCE)
        event = SoundStart(clip, source, 1.0, 0, -1)
        for tick in pulse_ticks(leg, work.rig.pulse):
            out.add(tick, event)


def _add_words(leg: Leg, work: Work, out: LegEvents) -> None:
    """What is said in a leg. The name after a section is found when it is known what comes."""
    source, shift = work.sounds.source(VOICE_SOURCE), -ms_to_frames(LEAD_MS, rate=work.rate)
    for said in said_in(leg, work.coming, work.following):
        clip: int | None = -1
        if said.number:
            clip = work.sounds.clip(word_clip(NUMBERS[said.number - 1]))
        elif leg.kind is not LegKind.SECTION:
            clip = work.sounds.clip(word_clip(work.names[work.coming]))
        if clip is not None:
            out.add(said.tick, WordStart(clip, source, work.coming, said.last), shift)


def _add_beats(leg: Leg, out: LegEvents) -> None:
    for bar, beat, tick in leg.beats():
        tempo_mqpm = round(leg.tempo_map.tempo_at(tick) * 1000)
        to_go = leg.section_bars - bar.section_bar + 1
        out.add(tick, BeatMark(bar.section_bar, beat + 1, bar.meter.beat_count, to_go, tempo_mqpm))


def _add_midi(leg: Leg, work: Work, out: LegEvents) -> None:
    """Patches, controllers and system exclusive messages, each early enough for its bar line."""
    for tick in sorted({item.tick for item in leg.items}):
        burst = Burst(work.rig, work.rate, work.fastest_qpm)
        for item in leg.items:
            if item.tick != tick:
                continue
            match item.what:
                case PatchChange(name, text):
                    instrument = work.instrument(name)
                    burst.add_patch(instrument, instrument_patch(instrument, text))
                case ControllerSend(name, number, value):
                    instrument = work.instrument(name)
                    data = controller(instrument.channel, number, value)
                    burst.add_message(instrument, data, "controller")
                case SysexSend(name, data):
                    instrument = work.instrument(name)
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


def _add_audio(leg: Leg, work: Work, out: LegEvents) -> None:
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
        elif isinstance(item.what, SourceFade):
            _add_fade(leg, item.tick, item.what, work, out)
    if leg.kind is LegKind.HOLD:  # time stops, and so does whatever repeats in time
        for source in work.loop_sources:
            out.add(0, SoundStop(work.sounds.source(source)))


def _add_fade(leg: Leg, tick: int, fade: SourceFade, work: Work, out: LegEvents) -> None:
    names = [fade.source]
    if fade.source == CLICK_SOURCE:
        names = list(click_parts(click_limits(work.rig.mixes)))
    for name in names:
        event = fade_to(leg, tick, fade, work.sounds.source(name), work.rate)
        out.add(tick, event)
        out.chased.append(Chased(tick, leg.tempo_map.seconds_at(tick) * work.rate, event))


def _add_play(leg: Leg, tick: int, play: PlayAudio, work: Work, out: LegEvents) -> None:
    source = work.sounds.source(play.source)
    start_seconds = play.start_seconds / play.speed
    name, from_frame = clip_name(play), seconds_to_frames(start_seconds, rate=work.rate)
    target = work.targets.get((leg.index, tick, play))
    if target is not None and work.sounds.clip(fitted_name(play, target)) is not None:
        name, from_frame = fitted_name(play, target), Frames(0)
    clip = work.sounds.clip(name)
    if clip is None:
        return
    slot = source if play.kind is not AudioKind.ONE_SHOT else -1
    gain = db_to_gain(play.gain_db) * work.sounds.gains.get(name, 1.0)
    start = SoundStart(clip, source, gain, from_frame, slot)
    out.add(tick, start)
    if play.kind is AudioKind.STEM:
        out.chased.append(Chased(tick, leg.tempo_map.seconds_at(tick) * work.rate, start))

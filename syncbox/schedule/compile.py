"""Compile a show for the engine: every leg's events at exact offsets, patches with their leads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.clicks import VOICES
from syncbox.schedule.codes import PULSE_CLIP, pulse_clip, set_codes
from syncbox.schedule.entry import StartAt, find_bar
from syncbox.schedule.events import Sounds, Work, leg_events
from syncbox.schedule.fitting import loop_targets
from syncbox.schedule.hands import NO_GROUP, PadPlan, filter_plans, pad_plan
from syncbox.schedule.mixes import click_limits, click_parts, mix_plan
from syncbox.schedule.place import FrameGrid
from syncbox.schedule.program import Clips, CompiledLeg, CompiledSong, Entry, Program, SoundStart
from syncbox.schedule.words import coming_section, is_spoken, section_word, word_clip
from syncbox.schedule.zones import section_zones
from syncbox.score.hands import pads_in_force
from syncbox.score.layout import Leg, LegKind, Route, Step, Until, count_leg, lay_out, usual_path
from syncbox.score.night import tonight
from syncbox.score.rig import OWN_SOURCES, Rig, SetEntry, Show, Then
from syncbox.score.rounds import Practice, practice_steps
from syncbox.score.song import AudioKind, PatchChange, PlayAudio, Song
from syncbox.units import TEMPO_QPM_MAX, TICKS_PER_CLOCK, seconds_to_frames


def compile_show(
    show: Show,
    rate: int,
    clips: Mapping[str, NDArray[np.float32]],
    voices: Mapping[str, NDArray[np.float32]],
    start: StartAt | None = None,
) -> Program:
    """The whole set at a sample rate.

    `clips`: audio files by the name used in the songs, float32 (channels, frames) at
    `rate`; a missing one is left out. `voices`: the click voices, float32 (frames,).
    `start`: where in one song to come in. The show must be free of errors as
    `check` finds them; a start that does not exist raises ShowError.
    """
    sounds = _number_sounds(clips, voices, show.rig, rate)
    songs = tuple(
        _compile_song(
            tonight(show.songs[entry.song_id], entry),
            entry,
            Work(show.rig, rate, sounds, [], Fraction(TEMPO_QPM_MAX), ()),
            start if start is not None and start.set_index == index else None,
        )
        for index, entry in enumerate(show.set_list.entries)
    )
    coded = zip(songs, set_codes(show), strict=True)
    songs = tuple(replace(song, time_code=code) for song, code in coded)
    return _program(show.rig, rate, songs, sounds)


def _number_sounds(
    clips: Mapping[str, NDArray[np.float32]],
    voices: Mapping[str, NDArray[np.float32]],
    rig: Rig,
    rate: int,
) -> Sounds:
    """The click voices come first among the clips."""
    names = [*VOICES, *clips]
    arrays = [voices[name][np.newaxis, :] for name in VOICES] + list(clips.values())
    if rig.pulse is not None:
        names.append(PULSE_CLIP)
        arrays.append(pulse_clip(rig.pulse, rate))
    gains = clips.gains if isinstance(clips, Clips) else {}
    return Sounds(arrays, {name: i for i, name in enumerate(names)}, list(OWN_SOURCES), gains)


def _program(rig: Rig, rate: int, songs: tuple[CompiledSong, ...], sounds: Sounds) -> Program:
    sources = tuple(sounds.sources)
    single = frozenset(range(len(sources))) - _stereo_sources(songs, sounds)
    parts = click_parts(click_limits(rig.mixes))
    filters, pedals = filter_plans(rig.filters, sources, rig)
    return Program(
        rate,
        rig,
        songs,
        tuple(sounds.clips),
        sources,
        tuple(mix_plan(mix, sources, single, parts) for mix in rig.mixes),
        single,
        frozenset(sources.index(part) for part in parts if part in sources),
        filters,
        pedals,
    )


def _stereo_sources(songs: tuple[CompiledSong, ...], sounds: Sounds) -> set[int]:
    """Faders with a sound of two channels."""
    wide = {index for index, clip in enumerate(sounds.clips) if clip.shape[0] > 1}
    if not wide:
        return set()
    started = (
        event
        for song in songs
        for leg in song.legs
        for event in leg.events
        if isinstance(event, SoundStart)
    )
    pads = (pad for song in songs for pad in song.pads)
    return {s.source for s in started if s.clip in wide} | {
        pad.source for pad in pads if pad.clip in wide
    }


def _pads(song: Song, work: Work) -> tuple[PadPlan, ...]:
    """The pads of a song; one whose file could not be read costs only itself."""
    pads = pads_in_force(work.rig.pads, song.pads)
    groups = sorted({pad.choke for pad in pads if pad.choke})
    plans = []
    for pad in pads:
        clip, source = work.sounds.clip(pad.file), work.sounds.source(pad.source)
        if clip is not None:
            group = groups.index(pad.choke) if pad.choke else NO_GROUP
            plans.append(pad_plan(pad, work.rig, clip=clip, source=source, group=group))
    return tuple(plans)


def compile_practice(
    show: Show,
    set_index: int,
    practice: Practice,
    rate: int,
    sounds: tuple[Mapping[str, NDArray[np.float32]], Mapping[str, NDArray[np.float32]]],
) -> Program:
    """Part of one song of the set over and over; `sounds` are the clips and the click voices.

    Raises ShowError for a section that the song does not have.
    """
    clips, voices = sounds
    entry = show.set_list.entries[set_index]
    song = tonight(show.songs[entry.song_id], entry)
    numbered = _number_sounds(clips, voices, show.rig, rate)
    work = Work(show.rig, rate, numbered, [], Fraction(TEMPO_QPM_MAX), ())
    steps = practice_steps(song, practice)
    alone = replace(entry, then=Then.WAIT)
    compiled = _compile_steps(song, steps, alone, work, relocates=True)
    return _program(show.rig, rate, (compiled,), numbered)


def _compile_song(song: Song, entry: SetEntry, work: Work, start: StartAt | None) -> CompiledSong:
    route = lay_out(song)
    steps = [step for step in usual_path(route) if step.round == 1]
    compiled = _compile_steps(song, steps, entry, work, relocates=False)
    if start is None:
        return compiled
    return replace(compiled, entry=_entry(start, route, work))


def _compile_steps(
    song: Song, steps: Sequence[Step], entry: SetEntry, work: Work, *, relocates: bool
) -> CompiledSong:
    """A song from its legs; `relocates`: receivers are told the position after each count-in."""
    legs = [step.leg for step in steps]
    work = replace(
        work,
        fastest_qpm=max(leg.tempo_map.fastest_qpm() for leg in legs),
        loop_sources=_loop_sources(legs),
        targets=loop_targets(legs, work.rate),
        spoken=is_spoken(song, work.rig),
        names=tuple(section_word(section) for section in song.sections),
    )
    compiled = []
    for index, step in enumerate(steps):
        following = legs[index + 1] if index + 1 < len(legs) else None
        here = replace(work, coming=coming_section(legs, index), following=following)
        leg = _compile_leg(step, here, _ticks_to_downbeat(legs[index + 1 :]))
        after_count = index == 0 or legs[index - 1].kind is LegKind.COUNT_IN
        compiled.append(replace(leg, relocates=relocates and leg.counted and after_count))
    return CompiledSong(
        song.id,
        song.title,
        _with_lookahead(compiled),
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
        seconds_to_frames(entry.gap_seconds, rate=work.rate),
        section_zones(song, work.rig),
        pads=_pads(song, work),
        name_clips=tuple(work.sounds.clip_of.get(word_clip(name), -1) for name in work.names),
        stick_start=song.stick_start,
    )


def _entry(start: StartAt, route: Route, work: Work) -> Entry:
    """The place to come in, with a count-in in the meter and at the tempo of that place."""
    leg, bar = find_bar(start, route)
    first = next(other for other in route.legs if other.kind is LegKind.SECTION)
    if leg.kind is not LegKind.SECTION or (leg is first and bar.first_tick == 0):
        return Entry()
    tick = bar.first_tick
    counted = route.song.count_in
    beats = counted.bars * bar.meter.beat_count + counted.beats
    count_in = None
    if beats:
        count = count_leg(bar.meter, beats, leg.tempo_map.tempo_at(tick))
        work = replace(
            work,
            coming=leg.section_index,
            spoken=is_spoken(route.song, work.rig),
            names=tuple(section_word(section) for section in route.song.sections),
        )
        count_in = _compile_leg(Step(count, 1, 0, Fraction(0)), work, 0)
    return Entry(leg.index, tick, leg.tempo_map.seconds_at(tick) * work.rate, count_in)


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


def _compile_leg(step: Step, work: Work, ticks_to_downbeat: int) -> CompiledLeg:
    """One leg; `ticks_to_downbeat` counts the opening that still follows it."""
    leg = step.leg
    grid = FrameGrid.of(leg.tempo_map, work.rate)
    out = leg_events(leg, work)
    ticks = np.array([row[0] for row in out.rows], dtype=np.int64)
    shifts = np.array([row[1] for row in out.rows], dtype=np.int64)
    offsets = grid.offsets(ticks)
    early = offsets.frames(Fraction(0)) + shifts
    clock_ticks = _clock_ticks(leg, leg.ticks + ticks_to_downbeat)
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


def _ticks_to_downbeat(following: Sequence[Leg]) -> int:
    """Ticks of the count-in and pickup that still come before music is counted."""
    total = 0
    for leg in following:
        if leg.kind is LegKind.SECTION:
            break
        total += leg.ticks
    return total


def _clock_ticks(leg: Leg, ticks_to_downbeat: int) -> dict[int, NDArray[np.int64]]:
    """Ticks of the clocks in a leg, for each phase in which the grid can enter it.

    Bars are whole numbers of 64ths and a 64th is one and a half clocks, so the grid
    enters a leg on a clock or half a clock after one. Before the song the grid is
    laid back from the downbeat, `ticks_to_downbeat` after the leg's start, so that
    receivers lock to the tempo that comes.
    """
    if leg.kind is LegKind.HOLD:
        return {}
    if leg.kind is not LegKind.SECTION:
        first = ticks_to_downbeat % TICKS_PER_CLOCK
        return {0: np.arange(first, leg.ticks, TICKS_PER_CLOCK)}
    half = TICKS_PER_CLOCK // 2
    return {
        phase: np.arange(-phase % TICKS_PER_CLOCK, leg.ticks, TICKS_PER_CLOCK)
        for phase in (0, half)
    }


def _loop_sources(legs: Sequence[Leg]) -> tuple[str, ...]:
    plays = (item.what for leg in legs for item in leg.items)
    return tuple(
        sorted(
            {
                play.source
                for play in plays
                if isinstance(play, PlayAudio) and play.kind is AudioKind.LOOP
            }
        )
    )

"""Sounds into listener mixes: add them up, fade and place them, never exceed the ceiling.

Everything is allocated in the constructor. All sums are element by element in one
order, and whatever moves is a line over frames, so the same show gives the same
samples whatever the block size is.

Each source has a bus of one or two rows, whatever its sounds are. On it work, in this
order, the source's filter, its fade and its solo; then every output adds up its share
of every row; then come the mix's own level, the level of all mixes, and the ceiling.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.engine.filters import LowPass
from syncbox.engine.glides import Fader
from syncbox.engine.sounds import NEVER, NO_GROUP, NO_SLOT, Sound, Sounds
from syncbox.schedule.hands import CUTOFF, RESONANCE
from syncbox.schedule.program import ALL_SOURCES, Program, SoundStart
from syncbox.units import db_to_gain

SOFT_START_SECONDS = 0.5
GLIDE_SECONDS = 0.02  # of every change that a person makes
LEVEL_DB_MIN, LEVEL_DB_MAX, LEVEL_STEP_DB = -40.0, 0.0, 2.0
MIX_DB_MIN, MIX_DB_MAX = -40.0, 0.0  # of one mix against the others
NOBODY = -1


class Bus:
    """One source: its sounds added up, its filter and faders, and its share in every output."""

    def __init__(self, rows: int, feeds: NDArray[np.float32], frames_max: int) -> None:
        """`feeds` is (rows, outputs)."""
        self.rows = np.zeros((rows, frames_max), dtype=np.float32)
        self.used = False
        self.filter: LowPass | None = None
        self.fade = Fader(1.0, frames_max)
        self.solo = Fader(1.0, frames_max)
        self.feeds: list[tuple[int, slice, NDArray[np.float32]]] = []
        for row, shares in enumerate(feeds):
            heard = np.flatnonzero(shares)
            if len(heard):
                outputs = slice(int(heard[0]), int(heard[-1]) + 1)
                self.feeds.append((row, outputs, np.ascontiguousarray(shares[outputs, None])))


class MixFaders:
    """One listener mix: its level against the others, and whether it is open."""

    def __init__(self, channels: tuple[int, ...], *, muted: bool, frames_max: int) -> None:
        self.channels = channels
        self.level_db = 0.0
        self.level = Fader(1.0, frames_max)
        self.muted = muted
        self.open = Fader(0.0 if muted else 1.0, frames_max)


class Mixer:
    """All sounds and all output channels of one engine. `out` is float32 (outputs, frames)."""

    def __init__(
        self, program: Program, frames_max: int, *, level_db: float, soft_start: bool
    ) -> None:
        """`frames_max` is the largest block; `level_db` the level of every mix, -40 to 0."""
        self._clips = tuple(np.asarray(clip) for clip in program.clips)  # mapped ones as plain
        self._sounds = Sounds(program.click_sources, program.rate)
        self._click_sources = program.click_sources
        self._buses = _buses(program, frames_max)
        self._curve = np.zeros(frames_max, dtype=np.float32)
        fade = self._sounds.fade_frames
        self._fade = np.linspace(1.0, 0.0, fade, dtype=np.float32)
        self._scratch = np.zeros((max(2, program.output_count), frames_max), dtype=np.float32)
        self.out = np.zeros((program.output_count, frames_max), dtype=np.float32)
        self._glide_frames = max(1, round(GLIDE_SECONDS * program.rate))
        soft = round(SOFT_START_SECONDS * program.rate) if soft_start else 0
        self._soft = np.linspace(0.0, 1.0, soft, endpoint=False, dtype=np.float32)
        self._rendered = 0  # frames since the start, for the soft start
        self._frame = 0  # the first of the coming block, as the mixer counts
        self._ceilings = np.full((program.output_count, 1), 1.0, dtype=np.float32)
        for mix in program.mixes:
            for channel in mix.channels:
                self._ceilings[channel] = mix.ceiling
        self._floors = -self._ceilings
        self.mixes = [
            MixFaders(mix.channels, muted=mix.muted, frames_max=frames_max) for mix in program.mixes
        ]
        self.solo_source = self.solo_mix = NOBODY
        self.level_db = level_db
        self._level = Fader(db_to_gain(level_db), frames_max)
        self._faders = [
            self._level,
            *(fader for bus in self._buses for fader in (bus.fade, bus.solo)),
            *(fader for mix in self.mixes for fader in (mix.level, mix.open)),
        ]
        self.click_muted = False
        self.leaving = False  # fading out for good

    # --- sounds ----------------------------------------------------------------------------

    def start(self, event: SoundStart, delay: int, late_frames: int = 0) -> None:
        """Start a clip `delay` frames into the coming block, or late and that much further in."""
        if self.click_muted and event.source in self._click_sources:
            return
        if event.slot != NO_SLOT:
            self._sounds.replace_slot(event.slot, self._frame + delay)
        self._sounds.start(
            self._clips[event.clip],
            event.from_frame + late_frames,
            self._frame + delay,
            number=event.clip,
            source=event.source,
            gain=event.gain,
            slot=event.slot,
        )

    def stream(self, source: int) -> NDArray[np.float32]:
        """The row of a source of one channel in the coming block, to be written into.

        It is silent at first. Shape (frames_max,); the same row however often it is asked for.
        """
        bus = self._buses[source]
        if not bus.used:
            bus.rows[:] = 0.0
            bus.used = True
        row: NDArray[np.float32] = bus.rows[0]
        return row

    def strike(self, clip: int, source: int, gain: float, group: int, delay: int) -> None:
        """Start a clip by hand; whatever sounds in its choke group ends there."""
        frame = self._frame + delay
        if group != NO_GROUP:
            self._sounds.fade_group(group, frame)
        self._sounds.start(
            self._clips[clip],
            0,
            frame,
            number=clip,
            source=source,
            gain=gain,
            group=group,
            hand=True,
        )

    def shots(self, first_clip: int) -> list[Sound]:
        """Sounds of clips from a number on that no slot holds and that sound to their own end."""
        return [
            sound
            for sound in self._sounds.active
            if sound.slot == NO_SLOT and sound.fade == NEVER and sound.number >= first_clip
        ]

    def stop(self, slot: int, delay: int = 0) -> None:
        """Fade out what a slot plays, beginning `delay` frames into the coming block."""
        self._sounds.fade_slot(slot, self._frame + delay)

    def stop_slots(self, delay: int = 0) -> None:
        """Fade out every loop and stem, beginning `delay` frames into the coming block."""
        self._sounds.fade_slots(self._frame + delay)

    def stop_all(self, delay: int = 0) -> None:
        """Fade out every sound, beginning `delay` frames into the coming block."""
        self._sounds.fade_all(self._frame + delay)

    def skip(self, frames: int) -> None:
        """Frames that were lost between two blocks: sounds go on where they would be by now."""
        self._frame += frames
        self._sounds.forget_ended(self._frame)

    @property
    def sounding(self) -> bool:
        """Whether any sound is still to be heard."""
        return bool(self._sounds.active) or any(
            bus.filter is not None and bus.filter.ringing for bus in self._buses
        )

    # --- levels ----------------------------------------------------------------------------

    def change_level(self, step_db: float) -> None:
        """All mixes louder or softer by a step, within the limits."""
        self.level_db = min(LEVEL_DB_MAX, max(LEVEL_DB_MIN, self.level_db + step_db))
        if not self.leaving:
            self._level.go(db_to_gain(self.level_db), self._frame, self._glide_frames)

    def change_mix_level(self, index: int, step_db: float) -> None:
        """One mix louder or softer by a step, never louder than it is written."""
        mix = self.mixes[index]
        mix.level_db = min(MIX_DB_MAX, max(MIX_DB_MIN, mix.level_db + step_db))
        mix.level.go(db_to_gain(mix.level_db), self._frame, self._glide_frames)

    def mute_mix(self, index: int) -> None:
        """One mix silent, or open again."""
        self.mixes[index].muted = not self.mixes[index].muted
        self._open_mixes()

    def solo_mix_only(self, index: int) -> None:
        """Only one mix is heard; the same again: all that are not muted."""
        self.solo_mix = NOBODY if index == self.solo_mix else index
        self._open_mixes()

    def _open_mixes(self) -> None:
        for index, mix in enumerate(self.mixes):
            heard = not mix.muted and self.solo_mix in (NOBODY, index)
            mix.open.go(float(heard), self._frame, self._glide_frames)

    def solo_source_only(self, index: int) -> None:
        """Only one source is heard, at its level in each mix; the same again: all of them."""
        self.solo_source = NOBODY if index == self.solo_source else index
        together = {index}
        if index in self._click_sources:
            together = set(self._click_sources)
        for source, bus in enumerate(self._buses):
            heard = self.solo_source == NOBODY or source in together
            bus.solo.go(float(heard), self._frame, self._glide_frames)

    def fade(self, source: int, gain: float, delay: int, frames: int) -> None:
        """A source glides to a factor, from `delay` frames into the coming block on.

        ALL_SOURCES: every fader opens again.
        """
        if source == ALL_SOURCES:
            self.open_faders(delay)
        else:
            self._buses[source].fade.go(gain, self._frame + delay, frames)

    def open_faders(self, delay: int) -> None:
        """Every fade is over: a song begins. What was faded does not come up again, it ends."""
        frame, length = self._frame + delay, self._sounds.fade_frames
        for source, bus in enumerate(self._buses):
            if bus.fade.open:
                continue
            silent = bus.fade.at(frame) == 0.0
            self._sounds.fade_source(source, frame - length if silent else frame)
            bus.fade.go(1.0, frame, 0 if silent else length)

    @property
    def faded(self) -> bool:
        """Whether any source is not, or will not be, at its written level."""
        return any(not bus.fade.open for bus in self._buses)

    def set_filter(self, source: int, moves: int, value: float, delay: int) -> None:
        """One setting of a source's filter: cutoff in Hz, resonance 0 to 1, level as a factor."""
        found, frame = self._buses[source].filter, self._frame + delay
        assert found is not None
        if moves == CUTOFF:
            found.set_cutoff(value, frame)
        elif moves == RESONANCE:
            found.set_resonance(value, frame)
        else:
            found.set_gain(value, frame)

    def mute_click(self) -> None:
        """The click off, or on again; the count-in stays."""
        self.click_muted = not self.click_muted

    def leave(self) -> None:
        """Fade all outputs to silence, for good."""
        self._level.go(0.0, self._frame, self._glide_frames)
        self.leaving = True

    @property
    def silent(self) -> bool:
        """Whether the outputs have faded out for good."""
        return self.leaving and not self._level.moves(self._frame, 1) and self._level.silent

    # --- the block -------------------------------------------------------------------------

    def render(self, frame_count: int) -> NDArray[np.float32]:
        """The next block, a view (outputs, frame_count) that the next call overwrites."""
        first = self._frame
        out = self.out[:, :frame_count]
        out[:] = 0.0
        for sound in self._sounds.active:
            self._add(sound, first, frame_count)
        heard = False
        for bus in self._buses:
            if bus.used or (bus.filter is not None and bus.filter.ringing):
                self._feed(bus, out, first, frame_count)
                heard = True
        if heard:
            for mix in self.mixes:
                if not mix.level.idle:
                    self._scale(out, mix.channels, mix.level, first)
                if not mix.open.idle:
                    self._scale(out, mix.channels, mix.open, first)
            self._finish(out, first, frame_count)
        else:  # silence needs no levels; they move on all the same
            for fader in self._faders:
                fader.moves(first, frame_count)
        self._frame += frame_count
        self._rendered += frame_count
        if self._sounds.active:
            self._sounds.forget_ended(self._frame)
        return out

    def _add(self, sound: Sound, first: int, frame_count: int) -> None:
        """Add what a sound gives in this block to its bus."""
        begins = max(first, sound.begin)
        ends = min(first + frame_count, sound.end(self._sounds.fade_frames))
        if ends <= begins:
            return
        fades = min(max(begins, sound.fade), ends)
        clip, bus = sound.clip, self._buses[sound.source]
        assert clip is not None
        at = sound.clip_frame + begins - sound.begin
        part = clip[: len(bus.rows), at : at + ends - begins]
        whole = not bus.used and ends - begins == frame_count
        if not bus.used and not whole:
            bus.rows[:, :frame_count] = 0.0
        bus.used = True
        target = bus.rows[:, begins - first : ends - first]
        scaled = target if whole else self._scratch[: len(bus.rows), : ends - begins]
        np.multiply(part, sound.gain, out=scaled)
        if fades < ends:
            curve = self._fade[fades - sound.fade : ends - sound.fade]
            faded = scaled[:, fades - begins :]
            np.multiply(faded, curve, out=faded)
        if not whole:
            np.add(target, scaled, out=target)

    def _feed(self, bus: Bus, out: NDArray[np.float32], first: int, frame_count: int) -> None:
        """Filter and fade a source, and add its share to every output."""
        rows = bus.rows[:, :frame_count]
        if not bus.used:
            rows[:] = 0.0
        bus.used = False
        if bus.filter is not None:
            bus.filter.run(rows, first)
        if not (bus.fade.idle or self._scaled(rows, bus.fade, first)):
            return
        if not (bus.solo.idle or self._scaled(rows, bus.solo, first)):
            return
        for row, outputs, shares in bus.feeds:
            target = out[outputs]
            scratch = self._scratch[: len(shares), :frame_count]
            np.multiply(shares, rows[row], out=scratch)
            np.add(target, scratch, out=target)

    def _scaled(self, rows: NDArray[np.float32], fader: Fader, first: int) -> bool:
        """Put a fader on some rows. False: nothing is left of them."""
        if fader.moves(first, rows.shape[1]):
            curve = self._curve[: rows.shape[1]]
            fader.fill(curve, first)
            np.multiply(rows, curve, out=rows)
        elif fader.gain != 1.0:
            np.multiply(rows, fader.gain, out=rows)
            return bool(fader.gain)
        return True

    def _scale(
        self, out: NDArray[np.float32], channels: tuple[int, ...], fader: Fader, first: int
    ) -> None:
        """Put a fader on some outputs."""
        if fader.moves(first, out.shape[1]):
            curve = self._curve[: out.shape[1]]
            fader.fill(curve, first)
            for channel in channels:
                np.multiply(out[channel], curve, out=out[channel])
        elif fader.gain != 1.0:
            for channel in channels:
                np.multiply(out[channel], fader.gain, out=out[channel])

    def _finish(self, out: NDArray[np.float32], first: int, frame_count: int) -> None:
        """The level of all mixes, the soft start, and the ceiling that nothing exceeds."""
        if not self._level.idle:
            self._scaled(out, self._level, first)
        if self._rendered < len(self._soft):
            part = min(frame_count, len(self._soft) - self._rendered)
            soft = self._soft[self._rendered : self._rendered + part]
            np.multiply(out[:, :part], soft, out=out[:, :part])
        np.minimum(out, self._ceilings, out=out)
        np.maximum(out, self._floors, out=out)


def _buses(program: Program, frames_max: int) -> list[Bus]:
    """A bus for each source, with the share of every output in each of its rows."""
    buses = []
    for source in range(len(program.sources)):
        rows = 1 if source in program.single else 2
        feeds = np.zeros((rows, program.output_count), dtype=np.float32)
        for mix in program.mixes:
            for channel, sides in zip(mix.channels, mix.sides, strict=True):
                feeds[:, channel] = sides[source][:rows]
        buses.append(Bus(rows, feeds, frames_max))
    for plan in program.filters:
        bus = buses[plan.source]
        bus.filter = LowPass(
            program.rate,
            frames_max,
            sides=len(bus.rows),
            cutoff_hz=plan.cutoff_hz,
            resonance=plan.resonance,
            gain=plan.gain,
        )
    return buses

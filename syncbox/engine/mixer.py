"""Sounds into listener mixes: start clips on their frame, add them up, never exceed the ceiling.

Everything is allocated in the constructor. All sums are element by element in one
order, so the same show gives the same samples whatever the block size is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.program import Program, SoundStart
from syncbox.score.rig import CLICK_SOURCE, OWN_SOURCES
from syncbox.units import db_to_gain

CLICK = OWN_SOURCES.index(CLICK_SOURCE)  # its place among a program's sources
SOUNDS_MAX = 96  # clips that can sound at once; the oldest gives way
FADE_SECONDS = 0.01  # a stopped sound fades over this long
SOFT_START_SECONDS = 0.5
LEVEL_DB_MIN, LEVEL_DB_MAX, LEVEL_STEP_DB = -40.0, 0.0, 2.0


class _Sound:
    """One clip that sounds, or may sound again: records are used over and over."""

    __slots__ = ("clip", "delay", "fade_delay", "fade_left", "gain", "position", "slot", "source")

    def __init__(self) -> None:
        self.clip: NDArray[np.float32] | None = None
        self.position = 0  # next frame of the clip
        self.delay = 0  # frames of the coming block before it begins
        self.source = 0
        self.gain = np.float32(0.0)
        self.slot = -1
        self.fade_left = -1  # frames of fade still to come; -1: not fading
        self.fade_delay = 0  # frames of the coming block before the fade begins


class Mixer:
    """All sounds and all output channels of one engine. `out` is float32 (outputs, frames)."""

    def __init__(
        self, program: Program, frames_max: int, *, level_db: float, soft_start: bool
    ) -> None:
        """`frames_max` is the largest block; `level_db` the level of every mix, -40 to 0."""
        sources = len(program.sources)
        self._clips = program.clips
        self._sounds = [_Sound() for _ in range(SOUNDS_MAX)]
        self._active: list[_Sound] = []
        self._bus = np.zeros((sources, 2, frames_max), dtype=np.float32)
        self._used = [False] * sources
        self._scratch = np.zeros(frames_max, dtype=np.float32)
        self.out = np.zeros((program.output_count, frames_max), dtype=np.float32)
        self._fade_frames = max(1, round(FADE_SECONDS * program.rate))
        self._fade = np.linspace(1.0, 0.0, self._fade_frames, dtype=np.float32)
        soft = round(SOFT_START_SECONDS * program.rate) if soft_start else 0
        self._soft_frames = soft
        self._soft = np.linspace(0.0, 1.0, soft, endpoint=False, dtype=np.float32)
        self._block_frames = 0
        self._rendered = 0  # frames since the start, for the soft start
        self._ceilings = np.full((program.output_count, 1), 1.0, dtype=np.float32)
        self._feeds = _feeds(program)
        for mix in program.mixes:
            for channel in mix.channels:
                self._ceilings[channel] = mix.ceiling
        self._floors = -self._ceilings
        self.level_db = level_db
        self._gain = np.float32(db_to_gain(level_db))
        self._target = self._gain
        self.click_muted = False
        self.leaving = False  # fading out for good

    def start(self, event: SoundStart, delay: int, late_frames: int = 0) -> None:
        """Start a clip `delay` frames into the coming block, or late and that much further in."""
        if self.click_muted and event.source == CLICK:
            return
        if event.slot >= 0:
            self.stop(event.slot, delay)
        clip = self._clips[event.clip]
        position = event.from_frame + late_frames
        if position >= clip.shape[1]:
            return
        if not self._sounds:
            self._sounds.append(self._active.pop(0))
        sound = self._sounds.pop()
        sound.clip, sound.position, sound.delay = clip, position, delay
        sound.source, sound.gain, sound.slot = event.source, np.float32(event.gain), event.slot
        sound.fade_left = -1
        self._active.append(sound)

    def stop(self, slot: int, delay: int = 0) -> None:
        """Fade out what a slot plays, beginning `delay` frames into the coming block."""
        for sound in self._active:
            if sound.slot == slot and sound.fade_left < 0:
                sound.fade_left, sound.fade_delay = self._fade_frames, delay

    def stop_slots(self, delay: int = 0) -> None:
        """Fade out every loop and stem, beginning `delay` frames into the coming block."""
        for sound in self._active:
            if sound.slot >= 0 and sound.fade_left < 0:
                sound.fade_left, sound.fade_delay = self._fade_frames, delay

    def stop_all(self, delay: int = 0) -> None:
        """Fade out every sound, beginning `delay` frames into the coming block."""
        for sound in self._active:
            if sound.fade_left < 0:
                sound.fade_left, sound.fade_delay = self._fade_frames, delay

    def skip(self, frames: int) -> None:
        """Frames that were lost between two blocks: sounds go on where they would be by now."""
        for sound in self._active:
            sound.position += frames

    def change_level(self, step_db: float) -> None:
        """Louder or softer by a step, within the limits; glides over the next block."""
        self.level_db = min(LEVEL_DB_MAX, max(LEVEL_DB_MIN, self.level_db + step_db))
        self._target = np.float32(db_to_gain(self.level_db))

    def mute_click(self) -> None:
        """The click off, or on again; the count-in stays."""
        self.click_muted = not self.click_muted

    def leave(self) -> None:
        """Fade all outputs to silence over the next block."""
        self._target = np.float32(0.0)
        self.leaving = True

    @property
    def sounding(self) -> bool:
        """Whether any sound is still to be heard."""
        return bool(self._active)

    @property
    def silent(self) -> bool:
        """Whether the outputs have faded out for good."""
        return self.leaving and self._gain == 0.0

    def render(self, frame_count: int) -> NDArray[np.float32]:
        """The next block, a view (outputs, frame_count) that the next call overwrites."""
        self._block_frames = frame_count
        out = self.out[:, :frame_count]
        out[:] = 0.0
        if self._active:
            self._fill_buses(frame_count)
            self._feed_outputs(out, frame_count)
        self._apply_level(out, frame_count)
        self._rendered += frame_count
        return out

    def _fill_buses(self, frame_count: int) -> None:
        ended = False
        for sound in self._active:
            ended |= self._add(sound, frame_count)
        if ended:
            for index in range(len(self._active) - 1, -1, -1):
                if self._active[index].clip is None:
                    self._sounds.append(self._active.pop(index))

    def _add(self, sound: _Sound, frame_count: int) -> bool:
        """Add a sound to its bus; true when it has ended."""
        clip, first = sound.clip, sound.delay
        assert clip is not None
        if first >= frame_count:
            sound.delay = first - frame_count
            return False
        room = min(frame_count - first, clip.shape[1] - sound.position)
        if sound.fade_left < 0:
            self._add_samples(sound, clip, first, room)
        else:
            plain = min(room, max(0, sound.fade_delay - first))
            self._add_samples(sound, clip, first, plain)
            faded = min(room - plain, sound.fade_left) if sound.fade_delay <= frame_count else 0
            self._add_faded(sound, clip, first + plain, faded)
            sound.fade_delay = max(0, sound.fade_delay - frame_count)
        sound.delay = 0
        if sound.position >= clip.shape[1] or sound.fade_left == 0:
            sound.clip = None
            return True
        return False

    def _open_bus(self, source: int) -> NDArray[np.float32]:
        if not self._used[source]:
            self._used[source] = True
            self._bus[source, :, : self._block_frames] = 0.0
        bus: NDArray[np.float32] = self._bus[source]
        return bus

    def _add_samples(
        self, sound: _Sound, clip: NDArray[np.float32], first: int, length: int
    ) -> None:
        """Add the next `length` frames of a sound from frame `first` of the block on."""
        if length <= 0:
            return
        bus, scratch = self._open_bus(sound.source), self._scratch[:length]
        last = sound.position + length
        for side in range(2):
            row = clip[side] if clip.shape[0] > 1 else clip[0]
            np.multiply(row[sound.position : last], sound.gain, out=scratch)
            target = bus[side, first : first + length]
            np.add(target, scratch, out=target)
        sound.position = last

    def _add_faded(self, sound: _Sound, clip: NDArray[np.float32], first: int, length: int) -> None:
        """The same for a sound that is fading out."""
        if length <= 0:
            return
        bus, scratch = self._open_bus(sound.source), self._scratch[:length]
        last, done = sound.position + length, self._fade_frames - sound.fade_left
        for side in range(2):
            row = clip[side] if clip.shape[0] > 1 else clip[0]
            np.multiply(row[sound.position : last], sound.gain, out=scratch)
            np.multiply(scratch, self._fade[done : done + length], out=scratch)
            target = bus[side, first : first + length]
            np.add(target, scratch, out=target)
        sound.position = last
        sound.fade_left -= length

    def _feed_outputs(self, out: NDArray[np.float32], frame_count: int) -> None:
        scratch = self._scratch[:frame_count]
        for source, used in enumerate(self._used):
            if not used:
                continue
            self._used[source] = False
            for channel, side, gain in self._feeds[source]:
                target = out[channel]
                np.multiply(self._bus[source, side, :frame_count], gain, out=scratch)
                np.add(target, scratch, out=target)

    def _apply_level(self, out: NDArray[np.float32], frame_count: int) -> None:
        if self._gain == self._target:
            if self._gain != 1.0:
                np.multiply(out, self._gain, out=out)
        else:
            glide = np.linspace(self._gain, self._target, frame_count, dtype=np.float32)
            np.multiply(out, glide, out=out)
            self._gain = self._target
        if self._rendered < self._soft_frames:
            part = min(frame_count, self._soft_frames - self._rendered)
            soft = self._soft[self._rendered : self._rendered + part]
            np.multiply(out[:, :part], soft, out=out[:, :part])
        np.minimum(out, self._ceilings, out=out)
        np.maximum(out, self._floors, out=out)


def _feeds(program: Program) -> list[list[tuple[int, int, np.float32]]]:
    """For each source (output channel, side, gain); a mix on one channel hears both sides."""
    feeds: list[list[tuple[int, int, np.float32]]] = [[] for _ in program.sources]
    for mix in program.mixes:
        for source, gain in enumerate(mix.gains):
            if gain == 0.0:
                continue
            if len(mix.channels) == 1:
                half = np.float32(gain / 2)
                feeds[source] += [(mix.channels[0], 0, half), (mix.channels[0], 1, half)]
            else:
                feeds[source] += [
                    (channel, side, np.float32(gain)) for side, channel in enumerate(mix.channels)
                ]
    return feeds

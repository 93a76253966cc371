"""Clips that sound: started on their frame, faded out without a click, limited in number.

Records are made once and used over and over. When there are too many sounds, one
gives way: of those played by hand the quietest, then the oldest of the others, and a
click never. It fades like any stopped sound, so nobody hears a cut.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SOUNDS_MAX = 96  # clips that can sound at once
HAND_SOUNDS_MAX = 24  # of them played by hand
LEAVING_MAX = 32  # clips that fade out beside them
FADE_SECONDS = 0.01  # a stopped sound fades over this long
ROUNDED_FRAMES = 2  # rounds of a loop begin on whole frames, so one may come a little early
NEVER = 2**62
NO_SLOT = -1  # a sound that is not a slot's
NO_GROUP = -1  # a sound that nothing chokes
_GLANCE = 256  # frames that are looked at to find the quietest sound


class Sound:
    """One clip that sounds, or may sound again. Frames are the mixer's."""

    __slots__ = (
        "begin",
        "clip",
        "clip_frame",
        "cut",
        "fade",
        "gain",
        "group",
        "hand",
        "number",
        "slot",
        "source",
    )

    def __init__(self) -> None:
        self.clip: NDArray[np.float32] | None = None
        self.number = 0  # of the clip among those of the program
        self.begin = 0  # the frame at which it begins
        self.clip_frame = 0  # the frame of the clip that sounds then
        self.fade = NEVER  # where it begins to fade out
        self.cut = NEVER  # where it ends at once, because the next one goes on from there
        self.source = 0
        self.gain = np.float32(0.0)
        self.slot = NO_SLOT
        self.group = NO_GROUP
        self.hand = False

    def end(self, fade_frames: int) -> int:
        """The frame after its last one."""
        assert self.clip is not None
        natural = min(self.begin + int(self.clip.shape[1]) - self.clip_frame, self.cut)
        return natural if self.fade == NEVER else min(natural, self.fade + fade_frames)

    def loudness(self, frame: int) -> float:
        """How loud it is about now: the largest value of the coming moment."""
        assert self.clip is not None
        at = self.clip_frame + max(0, frame - self.begin)
        part = self.clip[0, at : at + _GLANCE]
        return float(self.gain) * float(np.abs(part).max(initial=0.0))


class Sounds:
    """All sounds of a mixer, oldest first in `active`."""

    def __init__(self, click_sources: frozenset[int], rate: int) -> None:
        self._free = [Sound() for _ in range(SOUNDS_MAX + LEAVING_MAX)]
        self._click_sources = click_sources
        self.active: list[Sound] = []
        self.fade_frames = max(1, round(FADE_SECONDS * rate))

    def start(
        self,
        clip: NDArray[np.float32],
        clip_frame: int,
        frame: int,
        *,
        number: int,
        source: int,
        gain: float,
        slot: int = NO_SLOT,
        group: int = NO_GROUP,
        hand: bool = False,
    ) -> None:
        """A clip (channels, n) begins at a frame with its own `clip_frame`."""
        if clip_frame >= clip.shape[1]:
            return
        if hand and sum(s.hand and s.fade == NEVER for s in self.active) >= HAND_SOUNDS_MAX:
            self._give_way(frame)
        if sum(s.fade == NEVER for s in self.active) >= SOUNDS_MAX:
            self._give_way(frame)
        if not self._free:
            self._drop(min(self.active, key=lambda s: s.end(self.fade_frames)))
        sound = self._free.pop()
        sound.clip, sound.clip_frame, sound.begin = clip, clip_frame, frame
        sound.fade = sound.cut = NEVER
        sound.number = number
        sound.source, sound.gain, sound.slot = source, np.float32(gain), slot
        sound.group, sound.hand = group, hand
        self.active.append(sound)

    def _give_way(self, frame: int) -> None:
        """One sound fades to make room; one that has not begun yet is simply left out."""
        heard = [s for s in self.active if s.fade == NEVER]
        by_hand = [s for s in heard if s.hand]
        others = [s for s in heard if s.source not in self._click_sources]
        quietest = min(by_hand, key=lambda s: s.loudness(frame), default=None)
        chosen = quietest or (others or heard)[0]
        if chosen.begin >= frame:
            self._drop(chosen)
        else:
            chosen.fade = frame

    def _drop(self, sound: Sound) -> None:
        sound.clip = None
        self.active.remove(sound)
        self._free.append(sound)

    def fade_slot(self, slot: int, frame: int) -> None:
        """Fade out what a slot plays, from a frame on."""
        for sound in self.active:
            if sound.slot == slot:
                sound.fade = min(sound.fade, frame)

    def replace_slot(self, slot: int, frame: int) -> None:
        """A new sound takes over a slot from a frame on; what plays there fades out.

        A loop that is about to be over is cut instead: its next round, which begins on
        that frame, is what it goes on with, and both at once would be too loud.
        """
        for sound in self.active:
            if sound.slot == slot and sound.fade == NEVER:
                left = sound.end(self.fade_frames) - frame
                if 0 < left <= self.fade_frames + ROUNDED_FRAMES:
                    sound.cut = frame
                else:
                    sound.fade = frame

    def fade_group(self, group: int, frame: int) -> None:
        """Fade out every sound of a choke group, from a frame on."""
        for sound in self.active:
            if sound.group == group:
                sound.fade = min(sound.fade, frame)

    def fade_source(self, source: int, frame: int) -> None:
        """Fade out what a source plays, from a frame on."""
        for sound in self.active:
            if sound.source == source:
                sound.fade = min(sound.fade, frame)

    def fade_slots(self, frame: int) -> None:
        """Fade out every loop and stem, from a frame on."""
        for sound in self.active:
            if sound.slot != NO_SLOT:
                sound.fade = min(sound.fade, frame)

    def fade_all(self, frame: int) -> None:
        """Fade out every sound, from a frame on."""
        for sound in self.active:
            sound.fade = min(sound.fade, frame)

    def forget_ended(self, frame: int) -> None:
        """Take back the records of sounds that have nothing left from a frame on."""
        active = self.active
        for index in range(len(active) - 1, -1, -1):
            if active[index].end(self.fade_frames) <= frame:
                sound = active.pop(index)
                sound.clip = None
                self._free.append(sound)

"""Spoken words at their beats: left out where what they announce does not come.

Which section comes is known for sure only when the music is there: a vamp may go on,
and a pedal may ask for another section. Numbers give way to a long name, except the
last one, which everybody waits for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from syncbox.engine.run import LegRun
from syncbox.schedule.program import SoundStart, WordStart
from syncbox.schedule.words import LEAD_MS
from syncbox.score.layout import LegKind
from syncbox.units import ms_to_frames

if TYPE_CHECKING:
    from syncbox.engine.state import EngineState

NOTHING = -1


class Speaker:
    """Says the words of one engine, one after the other."""

    __slots__ = ("_lead", "until")

    def __init__(self, rate: int) -> None:
        self._lead = ms_to_frames(LEAD_MS, rate=rate)
        self.until = 0  # the frame from which another word can be heard

    def say(
        self, state: EngineState, run: LegRun, word: WordStart, frame: int, *, is_left: bool
    ) -> SoundStart | None:
        """The sound of a word that is due at a frame, if it is to be heard.

        `is_left`: the leg does not come round again after this.
        """
        song, clip = state.program.songs[run.song_index], word.clip
        if run.leg.kind is LegKind.SECTION:
            section = word.section
            if state.jump_leg >= 0:
                section = song.legs[state.jump_leg].section_index
            elif not is_left or section == run.leg.section_index:
                section = NOTHING
            if section == NOTHING:
                return None
            if clip == NOTHING:
                clip = song.name_clips[section]
        if clip == NOTHING or (frame < self.until and not word.last):
            return None
        self.until = frame + state.program.clips[clip].shape[1] - self._lead
        return SoundStart(clip, word.source, 1.0, 0, -1)

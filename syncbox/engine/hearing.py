"""What comes in by MIDI: presses for the transport, notes for the instruments.

A driver hands messages over before each block; `heed` turns presses into commands
before anything is decided, `play_on` sends the rest on while the block is made, by
the zones in force at each frame. Both do nothing without growing where nothing comes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from syncbox.engine.leader import LEADER_SAYS
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.transport import Command
from syncbox.engine.zones import Router
from syncbox.midi.parser import Parser
from syncbox.midi.triggers import Triggers
from syncbox.schedule.program import MessageOut, PatchOut, Program
from syncbox.schedule.zones import ZoneTable
from syncbox.units import ms_to_frames

if TYPE_CHECKING:
    from syncbox.engine.state import EngineState

TAKE_OVER = "take over"  # no business of the transport: the host of a spare computer looks for it
HEARD_MAX = 512  # messages in one block; what is more is counted and left out

_COMMANDS = {
    "start": Command.START,
    "stop": Command.STOP,
    "stop at bar": Command.STOP_AT_BAR,
    "cue": Command.CUE,
    "next song": Command.NEXT_SONG,
    "previous song": Command.PREVIOUS_SONG,
    "jump at bar": Command.JUMP_AT_BAR,
    "jump at end": Command.JUMP_AT_END,
    "repeat section": Command.REPEAT_SECTION,
    "panic": Command.PANIC,
    "mute click": Command.MUTE_CLICK,
    "faster": Command.TEMPO_UP,
    "slower": Command.TEMPO_DOWN,
    "louder": Command.LOUDER,
    "softer": Command.SOFTER,
    "mute mix": Command.MUTE_MIX,
    "solo mix": Command.SOLO_MIX,
    "mix louder": Command.MIX_LOUDER,
    "mix softer": Command.MIX_SOFTER,
    "sticks": Command.HIT_STICK,
    "tap tempo": Command.TAP_TEMPO,
}


class Hearing:
    """The inputs of one engine. All of it runs in the callback's thread."""

    def __init__(self, program: Program) -> None:
        rig = program.rig
        inputs = tuple(rig.input_ports)
        self._program = program
        self._parsers = [Parser() for _ in inputs]
        self._triggers = Triggers(rig.controls, inputs, program.rate)
        mixes = [mix.name for mix in rig.mixes]
        self._presses = [
            (_COMMANDS.get(c.does), c.section, mixes.index(c.mix) if c.mix in mixes else -1)
            for c in rig.controls
        ]
        self._heard: list[tuple[int, int, bytes]] = []  # offset in the block, input, message
        self._to_play: list[tuple[int, int, bytes]] = []
        self._changes: list[tuple[int, int, ZoneTable]] = []  # frame, order, what holds from it
        self._table = self._table_of(0, -1)
        self._early = ms_to_frames(rig.zones_early_ms, rate=program.rate)
        self._frame = 0  # of the message that is being sent on
        self.router = Router(len(inputs), self._send)
        self._out: list[tuple[int, int, bytes]] = []  # frame, port, message
        self.lost_count = 0
        self.take_overs = 0  # presses of a pedal that takes over
        self.deaf = False  # to all other presses
        # Patches that wait for the hands, and what follows them: run, latest frame, channel.
        self.put_off: list[tuple[LegRun, int, int, PatchOut | MessageOut]] = []

    @property
    def last_frame(self) -> int:
        """Of the last message that was played on, or the present block's first."""
        return self._frame

    @property
    def double_count(self) -> int:
        """Presses that were too soon after the same one to be meant."""
        return self._triggers.doubles

    def hear(self, offset: int, source: int, data: bytes) -> None:
        """Bytes of an input that arrived for an offset in the coming block."""
        for message in self._parsers[source].feed(data):
            if len(self._heard) < HEARD_MAX:
                self._heard.append((offset, source, message))
            else:
                self.lost_count += 1

    def release(self, source: int) -> None:
        """An input has gone: whatever it held ends, in the coming block."""
        self.router.release(source)

    def inherit(self, other: Hearing, *, steady: bool) -> None:
        """Go on with the pedals of another engine. Not `steady`: its frames were quite others."""
        self._parsers, self.take_overs = other._parsers, other.take_overs
        if steady:
            self._triggers = other._triggers

    def heed(self, state: EngineState, first: int) -> None:
        """Turn presses into commands, before the block that begins at a frame is decided."""
        triggers, self._frame = self._triggers, first
        triggers.settle(first)
        self._press_all(state, first)
        if self._heard:
            self._heard.sort(key=_by_offset)
            leader = state.leader
            for offset, source, message in self._heard:
                if leader is not None and source == leader.input and message[0] in LEADER_SAYS:
                    leader.hear(first + offset, message)
                elif not (
                    triggers.take(first + offset, source, message)
                    or state.hands.take(state, first + offset, source, message)
                ):
                    self._to_play.append((offset, source, message))
                self._press_all(state, first + offset)
            self._heard.clear()

    def _press_all(self, state: EngineState, frame: int) -> None:
        """Every press that a message, or time, has made at a frame."""
        for control in self._triggers.pressed:
            command, section, mix = self._presses[control]
            if command is None:
                self.take_overs += 1
            elif self.deaf:
                continue
            elif mix >= 0:
                state.press(command, mix)
            else:
                self._press(state, command, section, frame)
        self._triggers.pressed.clear()

    def _press(self, state: EngineState, command: Command, section: str, frame: int) -> None:
        if command in (Command.HIT_STICK, Command.TAP_TEMPO):
            state.press(command, frame)
        elif not section:
            state.press(command)
        elif section in state.song.sections:
            state.press(command, state.song.sections.index(section))
        else:
            state.now.refused_count += 1

    # --- zones --------------------------------------------------------------------------

    def section_begins(self, frame: int, song_index: int, section_index: int) -> None:
        """From a frame on the zones of a section hold; -1 is where the song will be entered."""
        table = self._table_of(song_index, section_index)
        self._changes.append((frame, len(self._changes), table))

    def _table_of(self, song_index: int, section_index: int) -> ZoneTable:
        song = self._program.songs[song_index]
        if section_index < 0:
            section_index = max(0, song.legs[song.entry.leg_index].section_index)
        return song.section_zones[section_index]

    def play_on(self, state: EngineState, first: int, end: int) -> None:
        """Send what was played on the keyboards to the instruments, each message at its frame."""
        if self._early:
            self._look_ahead(state, end)
        self._changes.sort(key=_by_frame)
        for offset, source, message in self._to_play:
            self._frame = first + offset
            self._change_zones(self._frame)
            self.router.take(self._table, source, message)
        self._to_play.clear()
        self._change_zones(NEVER)
        for frame, port, data in self._out:
            state.outboxes[port].played.append((frame, data, "played"))
            state.controls.pop((port, data[:2]), None)  # no longer what was sent there last
        self._out.clear()

    def _look_ahead(self, state: EngineState, end: int) -> None:
        """Sections that begin so soon that what is played now is meant for them."""
        for run in state.runs:
            frame = run.start_frame - self._early
            if not run.started and frame < end:
                self.section_begins(frame, run.song_index, run.leg.section_index)

    def _change_zones(self, frame: int) -> None:
        while self._changes and self._changes[0][0] <= frame:
            self._table = self._changes.pop(0)[2]

    def _send(self, port: int, data: bytes) -> None:
        self._out.append((self._frame, port, data))


def _by_frame(change: tuple[int, int, ZoneTable]) -> tuple[int, int]:
    return change[0], change[1]


def _by_offset(heard: tuple[int, int, bytes]) -> int:
    return heard[0]

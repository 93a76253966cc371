"""How long a key takes through syncbox: played by one JACK client, heard by another.

Both see JACK's frame numbers, so no clock is compared with another. A second ear
listens to the keyboard itself: what that one hears late is the measuring's own.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.voices import click_voices
from syncbox.drivers.session import open_session
from syncbox.drivers.status import Status
from syncbox.lab.capture import Capture, Heard
from syncbox.lab.hands import CLIENT_NAME, Hands, Stroke
from syncbox.lab.listener import ListenJob
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program
from syncbox.score.controls import Zone
from syncbox.score.rig import Instrument, MidiPort, Mix, Rig, SetEntry, SetList, Show, Wire
from syncbox.score.song import Body, Section, Song

_SETTLE_S = 2.0
_BOX = "box"
_KEYS = f"{CLIENT_NAME}:keys"
_GAP_FRAMES = (300, 4_000)  # between two strokes, drawn from this range


@dataclass(frozen=True, slots=True)
class Thru:
    """Frames from a message going in to its coming out, one entry for each that was heard.

    `direct` is the same without syncbox, for the same messages. `lost` went in and never
    came out, `lost_direct` never came out of the keyboard itself; `dropouts` are those
    of the engine and gaps of the capture.
    """

    rate: int
    block_frames: int
    frames: NDArray[np.int64]
    direct: NDArray[np.int64]
    lost: int
    lost_direct: int
    dropouts: int
    status: Status


def thru_program(rate: int) -> Program:
    """A song that plays on, with clock, click, and a keyboard on two layers."""
    rig = Rig(
        ports=(MidiPort(_BOX, "syncbox-capture:midi_1", Wire.USB, clock=True, start_stop=True),),
        instruments=(Instrument("organ", _BOX, 1), Instrument("strings", _BOX, 2)),
        mixes=(Mix("all", (1, 2), {"click": 0.0}),),
        input_ports={"keys": _KEYS},
        zones=(Zone("keys", "organ"), Zone("keys", "strings", low=128 - 24)),
    )
    song = Song("thru", "Thru", Fraction(120), (Section("all", Body(4), vamp_usual=2),))
    return compile_show(
        Show("", rig, SetList("", (SetEntry(song.id),)), {song.id: song}),
        rate,
        {},
        click_voices(rate),
    )


def measure_thru(server: str, *, driver: str, rate: int, strokes: int, seed: int = 1) -> Thru:
    """Play so many strokes through a session on a JACK server while a song runs."""
    program = thru_program(rate)
    played = _strokes(strokes, seed)
    seconds = sum(frames for frames, _, _ in played) / rate + 10 * _SETTLE_S
    device = server if driver == "jack" else "system"
    with Hands(server, ("keys",)) as hands:
        job = ListenJob(server, (), ("", _KEYS), seconds, "")
        with Capture(job) as capture, open_session(program, driver, device=device) as session:
            time.sleep(_SETTLE_S)
            session.press(1)
            time.sleep(_SETTLE_S)
            sent = hands.play(played)
            time.sleep(0.5)
            status = session.status()
            heard = capture.stop()
    through, straight = _delays(played, sent, heard, 0), _delays(played, sent, heard, 1)
    both = sorted(through.keys() & straight.keys())
    return Thru(
        rate,
        heard.block_frames,
        np.array([through[number] for number in both], dtype=np.int64),
        np.array([straight[number] for number in both], dtype=np.int64),
        len(played) - len(through),
        len(played) - len(straight),
        status.dropouts + len(heard.gaps),
        status,
    )


def _strokes(count: int, seed: int) -> list[Stroke]:
    """Notes on and off in turn, each different from its 12 000 neighbours."""
    rng = np.random.default_rng(seed)
    gaps = rng.integers(*_GAP_FRAMES, size=2 * count)
    found: list[Stroke] = []
    for number in range(count):
        note, velocity = number % 100, 1 + number // 100 % 127
        found.append((int(gaps[2 * number]), 0, bytes((0x90, note, velocity))))
        found.append((int(gaps[2 * number + 1]), 0, bytes((0x80, note, velocity))))
    return found


def _delays(
    played: Sequence[Stroke], sent: Sequence[int], heard: Heard, port: int
) -> dict[int, int]:
    """Frames that each message took to a port of the capture, by its number."""
    arrived: dict[bytes, list[int]] = {}
    on_port = heard.midi[:, 1] == port
    for row, data in zip(heard.midi[on_port], heard.midi_bytes[on_port], strict=True):
        arrived.setdefault(bytes(data[: row[2]]), []).append(int(row[0]))
    delays = {}
    for number, ((_, _, data), frame_time) in enumerate(zip(played, sent, strict=True)):
        there = arrived.get(data)
        if there:
            delays[number] = there.pop(0) - heard.frame_of(frame_time)
    return delays

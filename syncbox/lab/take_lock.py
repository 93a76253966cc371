"""How exactly a take through PortAudio lies on the map: clicks played, looped back and recorded.

PortAudio plays and records on a JACK server. The cable is a connection of the server from its
output to its input, which JACK plays exactly one block later. What PortAudio believes of the
way is what the server says of its dummy card, which is a longer one: so a recorded click is
off its frame by the one less the other, and by the same in every take if the lock is exact.
"""

from __future__ import annotations

import dataclasses
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.voices import click_voices
from syncbox.drivers.choose import choose
from syncbox.drivers.inputs import wanted_inputs
from syncbox.drivers.recorder import TakeRecorder
from syncbox.drivers.scan import scan
from syncbox.drivers.session import Session, open_session
from syncbox.drivers.tape import Tape
from syncbox.drivers.tapewriter import WriteJob
from syncbox.engine.transport import Command
from syncbox.lab.onsets import digital_onsets
from syncbox.schedule.compile import compile_show
from syncbox.score.rig import Mix, Rig, SetEntry, SetList, Show
from syncbox.score.song import Body, Section, Song

RATE = 48_000
_LOOK_S = 0.02
_TAIL_S = 0.5


@dataclass(frozen=True, slots=True)
class Locked:
    """One take. `off_frames`: of each recorded click from its frame on the map, shape (n,).

    `told_frames` is the way from input to output that the audio system told, and that was
    made up for. After each of `dropouts` some clicks may lie elsewhere: see `drivers/gaps`.
    """

    off_frames: NDArray[np.int64]
    played: int
    told_frames: int
    block_frames: int
    dropouts: int

    @property
    def expected_frames(self) -> int:
        """Where each click is if the lock is exact: the cable's length less what was told."""
        return self.block_frames - self.told_frames

    @property
    def right(self) -> int:
        """Clicks that are there to the frame."""
        return int((self.off_frames == self.expected_frames).sum())


def locked_take(server: str, *, bars: int = 8, qpm: int = 127) -> Locked:
    """Play four clicks a bar, record them through a cable, and hold both together.

    `JACK_DEFAULT_SERVER` must name the server, which is how PortAudio finds it.
    """
    rig = Rig((), (), (Mix("all", (1,), {"click": 0.0}),))
    song = Song("lock", "Lock", Fraction(qpm), (Section("all", Body(bars)),))
    show = Show("", rig, SetList("", (SetEntry(song.id),)), {song.id: song})
    program = compile_show(show, RATE, {}, click_voices(RATE))
    found = scan(server)
    choice = choose("portaudio", "system", rate=RATE, found=found)
    tape = Tape.create(wanted_inputs(("1",), choice, found))
    choice = dataclasses.replace(choice, tape=tape.job)
    try:
        with (
            tempfile.TemporaryDirectory(prefix="syncbox-lock-") as folder,
            open_session(program, choice, level_db=0.0, soft_start=False) as session,
            _cable(server),
        ):
            path = Path(folder) / "take.wav"
            recorder = TakeRecorder(WriteJob(tape.job, (0,), str(path)))
            beats = _play(session)
            status = session.status()
            done = recorder.finish()
            sound = _read(path)
            dropouts = status.dropouts
            told, block_frames = tape.latency_frames, status.block_frames
    finally:
        tape.close()
    clicks = digital_onsets(sound, rate=RATE) + done.first_frame_time
    nearest = beats[np.abs(clicks[:, None] - beats[None, :]).argmin(axis=1)]
    return Locked(clicks - nearest, len(beats), told, block_frames, dropouts)


def _play(session: Session) -> NDArray[np.int64]:
    """Play the song; frames of its beats, as the engine says them."""
    beats: dict[int, None] = {}
    session.press(Command.START)
    while not (now := session.status().now).sets_over:
        if now.bar:
            beats[now.beat_frame] = None
        time.sleep(_LOOK_S)
    time.sleep(_TAIL_S)
    return np.array(list(beats), dtype=np.int64)


def _read(path: Path) -> Any:
    import soundfile

    sound, _ = soundfile.read(path, dtype="float32")
    return sound


@contextmanager
def _cable(server: str) -> Iterator[None]:
    """Join PortAudio's output and its input."""
    import jack

    with jack.Client("syncbox-cable", no_start_server=True, servername=server) as client:
        (out,) = client.get_ports("^PortAudio.*:out_0$", is_output=True)
        (into,) = client.get_ports("^PortAudio.*:in_0$", is_input=True)
        client.connect(out, into)
        yield

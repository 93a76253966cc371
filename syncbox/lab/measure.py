"""Play the reference song on this computer, capture it independently, compare.

Where a JACK server runs, a second client in a process of its own hears what the
engine plays, frame by frame. Elsewhere only the sender's own times can be judged, and
the report says so. Real outputs are judged through a cable back into real inputs.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass

from syncbox.audio.voices import click_voices
from syncbox.drivers.choose import Choice, choose
from syncbox.drivers.scan import JackServer, scan
from syncbox.drivers.session import Session, open_session
from syncbox.drivers.simulated import DEFAULT_BLOCK_FRAMES, simulate
from syncbox.engine.play import play_program
from syncbox.engine.records import SentEvent
from syncbox.engine.transport import Command
from syncbox.errors import DeviceError, EngineError
from syncbox.lab.capture import Capture
from syncbox.lab.evidence import (
    Take,
    evidence_of_frames,
    evidence_of_recording,
    evidence_of_times,
    machine,
    no_jack,
    spans_of,
)
from syncbox.lab.listener import CLIENT_NAME, ListenJob
from syncbox.lab.reference import Grid, grid_from_map, reference_show
from syncbox.lab.report import Report, Setting, report
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program

LEVEL_DB = -24.0  # the test is heard where outputs are connected: quiet, and loud enough to find
SETTLE_S = 1.2  # before start: the soft start ends, new ports are connected
START_MAX_S = 2.0  # from start to the first click, loading included
TAIL_S = 0.7  # after the end: the last click rings out, late messages arrive
POLL_S = 0.05
STALLED_S = 5.0  # an engine whose frame has not moved for so long is not going to
SIMULATED_RATE = 48_000

OnProgress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What to measure. Names are shell-style patterns on the system's port names.

    `outputs` is even. `audio_in` and `midi_in` are real inputs to which cables lead from
    the outputs; `midi_out` is the real MIDI output at the other end of that cable.
    """

    seconds: float = 30.0
    driver: str = "auto"
    device: str | None = None
    block_frames: int | None = None
    outputs: int = 2
    audio_in: str = ""
    midi_in: str = ""
    midi_out: str = ""


def measure(wishes: Wishes, on_progress: OnProgress = lambda _part: None) -> Report:
    """Measure and report. Raises DeviceError where what was asked for is not there.

    `on_progress` is told the part that is done, 0 to 1.
    """
    if wishes.driver == "simulated":
        return _measure_simulated(wishes, ())
    found = scan(wishes.device if wishes.driver == "jack" else None)
    if wishes.driver == "jack" and found.jack is None and shutil.which("jackd") is None:
        raise DeviceError("there is no JACK server", hint=no_jack())
    choice = choose(wishes.driver, wishes.device, found=found)
    if choice.driver == "simulated":
        return _measure_simulated(wishes, (choice.why, f"To measure more: {no_jack()}."))
    if (wishes.audio_in or wishes.midi_in) and found.jack is None:
        raise DeviceError("a loopback is captured through JACK", hint=no_jack())
    return _measure_session(wishes, choice, found.jack, on_progress)


def _prepare(
    wishes: Wishes, rate: int, matches: tuple[str, str] = ("", "")
) -> tuple[Program, Grid]:
    show = reference_show(wishes.seconds, outputs=wishes.outputs, matches=matches)
    (song,) = show.songs.values()
    program = compile_show(show, rate, {}, click_voices(rate))
    return program, grid_from_map(song, show.rig, rate)


def _measure_session(
    wishes: Wishes, choice: Choice, server: JackServer | None, on_progress: OnProgress
) -> Report:
    on_jack = choice.driver == "jack"
    matches = (f"*{CLIENT_NAME}:midi_1*", f"*{CLIENT_NAME}:midi_2*")
    if wishes.midi_in:
        matches = (wishes.midi_out or wishes.midi_in, "")
    elif on_jack:
        matches = ("", "")  # the capture itself connects to the engine's ports
    program, grid = _prepare(wishes, choice.rate, matches)
    with open_session(
        program, choice, block_frames=wishes.block_frames, level_db=LEVEL_DB
    ) as session:
        heard = None
        if server is None:
            take = _play(session, grid, on_progress)
        else:
            with Capture(_listen_job(wishes, server, session.client, program, grid)) as capture:
                take = _play(session, grid, on_progress)
                heard = capture.stop()
    if heard is not None and on_jack:
        ports = 1 if wishes.midi_in else len(grid.patches)
        return report(
            *evidence_of_frames(choice, take, grid, heard, cable=bool(wishes.audio_in), ports=ports)
        )
    return report(*evidence_of_times(choice, take, grid, heard))


def _listen_job(
    wishes: Wishes, server: JackServer, client: str, program: Program, grid: Grid
) -> ListenJob:
    """Where the capture listens: the engine's own ports, or the ends of cables.

    PortAudio has a JACK client of its own name, and its MIDI comes by the sender, which
    connects to the capture.
    """
    names = [port.name for port in program.rig.ports]
    audio = f"{client}:out_1" if client else "PortAudio*:out_0"
    midi = tuple(f"{client}:{name}" if client else "" for name in names)
    song_s = (grid.end - int(grid.clicks[0])) / program.rate
    return ListenJob(
        server=server.name,
        audio=(wishes.audio_in or audio,),
        midi=(wishes.midi_in,) if wishes.midi_in else midi,
        seconds=song_s + SETTLE_S + START_MAX_S + 3 * TAIL_S,
        path="",
        cable=bool(wishes.audio_in),
    )


def _play(session: Session, grid: Grid, on_progress: OnProgress) -> Take:
    """Press start, watch until the song is over, note where time was lost."""
    time.sleep(SETTLE_S)
    session.sent()
    before = status = session.status()
    session.press(Command.START)
    sent: list[SentEvent] = []
    spans: list[tuple[int, int]] = []
    gaps: list[tuple[int, int]] = []
    length = grid.end - int(grid.clicks[0])
    moved_s = time.monotonic()
    while status.now is None or not status.now.sets_over:
        time.sleep(POLL_S)
        last, status = status, session.status()
        sent += session.sent()
        if status.frame != last.frame:
            moved_s = time.monotonic()
        if not status.engine_alive or time.monotonic() - moved_s > STALLED_S:
            raise EngineError(status.trouble or "the engine does not move any more")
        if (status.dropouts, status.xruns) != (last.dropouts, last.xruns):
            spans.append((last.frame, status.frame + status.block_frames))
        if status.dropouts != last.dropouts:
            gaps.append(spans[-1])
        on_progress(min(1.0, (status.frame - before.frame) / length))
    time.sleep(TAIL_S)
    sent += session.sent()
    wide, own = (spans_of(rows, rate=status.rate) for rows in (spans, gaps))
    return Take(sent, wide, own, before, session.status())


def _measure_simulated(wishes: Wishes, notes: tuple[str, ...]) -> Report:
    """The engine on a virtual device, as fast as the machine goes: a check of the program."""
    block_frames = wishes.block_frames or DEFAULT_BLOCK_FRAMES
    program, grid = _prepare(wishes, SIMULATED_RATE)
    length = grid.end - int(grid.clicks[0])
    recording = simulate(
        play_program(program, level_db=LEVEL_DB),
        rate=SIMULATED_RATE,
        frames=length + round((SETTLE_S + START_MAX_S + TAIL_S) * SIMULATED_RATE),
        presses=[(round(SETTLE_S * SIMULATED_RATE), Command.START)],
        block_frames=block_frames,
        keep_audio=True,
    )
    setting = Setting(
        driver="simulated",
        device="no audio device",
        rate=SIMULATED_RATE,
        block_frames=block_frames,
        priority="none: virtual time",
        machine=machine(),
        how="recorded from a virtual audio device, in virtual time",
        alignment="by the first downbeat",
        notes=(*notes, "Neither this computer's audio nor its MIDI was measured."),
    )
    return report(setting, evidence_of_recording(recording, grid))

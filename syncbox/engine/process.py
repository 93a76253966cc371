"""The engine process: a quiet interpreter that runs a driver's callback and nothing else.

Python keeps a deadline only where nobody else wants the interpreter. So this
process reads one job from its standard input, answers with one line of JSON, and
then its main thread sleeps until the host asks it to leave; then the engine fades
out and leaves. If the host is gone without having asked, an engine that plays a show
plays on (`forsaken`), and any other one leaves too.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import pickle
import signal
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from syncbox.engine.cycle import Cycle, Play
from syncbox.engine.forsaken import Staying, Vigil, tidy
from syncbox.engine.leaving import told_to_leave
from syncbox.engine.records import Deck, publish_text
from syncbox.engine.shared import Segment, load_object
from syncbox.engine.words import Word
from syncbox.errors import SyncboxError

_FADE_OUT_S = 2.0  # after this an engine that has not faded out is cut off
_WARM_UP_BLOCKS, _WARM_UP_FRAMES = 40, 256
_WARM_UP_NOTES = b"\x90\x3c\x40\xb0\x40\x7f\xb0\x40\x00\x80\x3c\x40"
_SWITCH_INTERVAL_S = 0.0005  # should a second Python thread ever wake up beside the callback


class Running(Protocol):
    """A driver that calls its callback. `facts` go to the host: device, rate, priority..."""

    @property
    def facts(self) -> Mapping[str, Any]: ...
    def close(self) -> None: ...


class Driver(Protocol):
    """What opens the audio system inside the engine process; pickled with the job."""

    def open(self, cycle: Cycle, program: Any) -> Running: ...


@dataclass(frozen=True, slots=True)
class Job:
    """All that the engine process needs. `maker(program, **options)` gives the engine."""

    deck_name: str
    program_name: str
    now_type: type[Any]
    maker: Callable[..., Play]
    driver: Driver
    now_ns: Callable[[], int]
    options: Mapping[str, Any] = field(default_factory=dict)
    resume: bool = False  # go on from where the engine before it on the same deck was
    staying: Staying | None = None  # None: it leaves when its host is gone


def prepare(job: Job) -> tuple[Cycle, Deck, Any]:
    """Load the program, build the engine and make the interpreter quiet."""
    deck = Deck.attach(job.deck_name, job.now_type)
    deck.words[Word.ENGINE] = os.getpid()
    program = load_object(Segment.attach(job.program_name))
    play = job.maker(program, **job.options)
    # The first blocks of a fresh interpreter are slow; another engine takes them.
    warm = job.maker(program, **job.options)
    warm.state.press(warm.start_command)
    for index in range(_WARM_UP_BLOCKS):
        if program.rig.input_ports:
            warm.state.hear(0, 0, _WARM_UP_NOTES)
        warm.render(warm.state, index * _WARM_UP_FRAMES, _WARM_UP_FRAMES)
    del warm
    cycle = Cycle(play, deck, now_ns=job.now_ns)
    if job.resume:
        cycle.resume()
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(_SWITCH_INTERVAL_S)
    return cycle, deck, program


def answer(facts: Mapping[str, Any]) -> None:
    """The one line that the host waits for. If the host is gone, nobody reads it."""
    try:
        print(json.dumps(facts), flush=True)  # noqa: T201  the host reads it from the pipe
    except OSError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115  what is left in the old one stays there


class _AskedToLeaveError(Exception):
    pass


def _leave(number: int, frame: object) -> None:
    del number, frame
    raise _AskedToLeaveError


def wait_for_the_end(job: Job, cycle: Cycle, deck: Deck) -> None:
    """Sleep until the host says leave, someone ends this process politely, or nobody is left."""
    with contextlib.suppress(_AskedToLeaveError):
        signal.signal(signal.SIGTERM, _leave)
        if not told_to_leave() and job.staying is not None:
            Vigil(cycle, deck, job.staying, now_ns=job.now_ns).keep()
    signal.signal(signal.SIGTERM, signal.SIG_IGN)


def fade_out(cycle: Cycle) -> None:
    """Let the engine stop as music does: Stop sent, notes off, sound faded."""
    cycle.quit_wanted = True
    deadline_s = time.monotonic() + _FADE_OUT_S
    while not cycle.finished and time.monotonic() < deadline_s:
        time.sleep(0.005)


def serve(job: Job) -> None:
    """Run one job to its end."""
    cycle, deck, program = prepare(job)
    if cycle.standby is not None:
        cycle.standby.begin()
    running = job.driver.open(cycle, program)
    facts = {"ready": True, **running.facts}
    publish_text(deck.engine_facts, json.dumps(facts).encode())  # for a host that comes later
    answer(facts)
    wait_for_the_end(job, cycle, deck)
    fade_out(cycle)
    running.close()
    if job.staying is not None:
        tidy(deck, job.staying)
    if cycle.failure is not None:
        traceback.print_exception(cycle.failure)


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the host's business
    try:
        serve(pickle.load(sys.stdin.buffer))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    except Exception as error:  # the host says it; the trace goes where the host keeps it
        traceback.print_exc()
        answer({"what": f"the engine did not start: {error!r}", "where": "", "hint": ""})
    sys.stdout.flush()
    sys.stderr.flush()
    # Views of shared memory and callbacks of C libraries are still alive: an orderly
    # interpreter exit would pull them apart in an order that nobody controls.
    os._exit(0)

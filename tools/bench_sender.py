"""Who keeps a deadline: our sender process, mido's file playback, a loop that sleeps.

All wake up at the clocks of the reference song, some 50 a second, and note how late they
were by the same clock. No port is open: what a driver adds is another matter.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from bench_table import Options, Row, busy_processes
from numpy.typing import NDArray

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.drivers.sender import SenderJob
from syncbox.engine.records import Deck, EventReader, push_event
from syncbox.engine.state import Now
from syncbox.lab.reference import grid_from_map, reference_show
from syncbox.units import NS_PER_SECOND

TARGET_MS = 0.2
AHEAD_NS = NS_PER_SECOND  # handed over so early that this process does not matter
RATE = 48_000

_SLEEP_LOOP = """
import json, sys, time
due = json.load(sys.stdin)
now = time.perf_counter_ns
zero, late = now() + 200_000_000, []
for at in due:
    left = zero + at - now()
    if left > 0:
        time.sleep(left / 1e9)
    late.append(now() - zero - at)
print(json.dumps(late))
"""
_PLAYBACK = """
import json, sys, time
import mido
due, times = json.load(sys.stdin), []
for message in mido.MidiFile(sys.argv[1]).play():
    times.append(time.perf_counter_ns())
late = [at - wanted for at, wanted in zip(times, due)]
print(json.dumps([n - min(late) for n in late]))  # it has no zero but its own: the best case
"""


def _due_ns(seconds: float) -> list[int]:
    show = reference_show(seconds)
    grid = grid_from_map(show.songs["reference"], show.rig, RATE)
    return [frame * NS_PER_SECOND // RATE for frame in grid.clocks.tolist()]


def _ours(due_ns: list[int], *, realtime: bool) -> NDArray[np.float64]:
    """Lateness in ms of the real sender process."""
    deck = Deck.create(Now)
    sender = Child("MIDI sender", "syncbox.drivers.sender", SenderJob(deck.name, Now, ((),)))
    try:
        sender.answer(patience_s=10)
        if not realtime:
            os.sched_setscheduler(sender.pid, os.SCHED_OTHER, os.sched_param(0))
        reader, sent = EventReader(deck.sent), []
        zero = system.now_ns() + 3 * NS_PER_SECOND // 2
        for number, at in enumerate(due_ns):
            while system.now_ns() < zero + at - AHEAD_NS:
                time.sleep(0.01)
            push_event(deck.to_sender, number, 0, b"\xf8", "clock", asked_ns=zero + at)
            sent += reader.all()
        time.sleep(2 * AHEAD_NS / NS_PER_SECOND)
        sent += reader.all()
    finally:
        sender.leave(patience_s=2)
        sender.close()
        deck.close()
    late = [(e.actual_ns or 0) - (e.asked_ns or 0) for e in sent]
    assert len(late) == len(due_ns), (len(late), len(due_ns))
    return np.array(late) / 1e6


def _sleep_loop(due_ns: list[int]) -> NDArray[np.float64]:
    done = subprocess.run(
        [sys.executable, "-c", _SLEEP_LOOP],
        input=json.dumps(due_ns).encode(),
        capture_output=True,
        check=True,
    )
    return np.array(json.loads(done.stdout)) / 1e6


def _playback(due_ns: list[int]) -> NDArray[np.float64]:
    """mido plays a file with a message at every deadline, in microsecond ticks."""
    import mido

    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=32_767, time=0)])
    before = 0
    for at in due_ns:
        us = at // 1000
        track.append(mido.Message("control_change", time=us - before))
        before = us
    # 32 767 ticks a quarter of 32 767 us: a tick is a microsecond
    file = mido.MidiFile(type=0, ticks_per_beat=32_767, tracks=[track])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clocks.mid"
        file.save(path)
        done = subprocess.run(
            [sys.executable, "-c", _PLAYBACK, str(path)],
            input=json.dumps(due_ns).encode(),
            capture_output=True,
            check=True,
        )
    return np.array(json.loads(done.stdout)) / 1e6


def _spread(late_ms: NDArray[np.float64]) -> str:
    p50, p99 = np.quantile(late_ms, [0.5, 0.99])
    return f"p50 {p50:.3f} p99 {p99:.3f} max {late_ms.max():.3f} ms"


@contextmanager
def _idle() -> Iterator[None]:
    yield


def deadlines(options: Options) -> Iterator[Row]:
    seconds = min(options.seconds, 60.0)
    due_ns = _due_ns(seconds)
    for name, load in (("idle", _idle), ("both cores busy", lambda: busy_processes(2))):
        with load():
            beside = f"sleep loop {_spread(_sleep_loop(due_ns))}; mido {_spread(_playback(due_ns))}"
            for realtime in (True, False):
                late_ms = _ours(due_ns, realtime=realtime)
                p99 = float(np.quantile(late_ms, 0.99))
                judged = name == "idle" and realtime
                yield Row(
                    f"sender, {name}, {'real-time' if realtime else 'normal'} priority, "
                    f"{len(due_ns)} clocks",
                    _spread(late_ms).removesuffix(" ms"),
                    f"p99 under {TARGET_MS} ms" if judged else "reported",
                    p99 < TARGET_MS if judged else None,
                    beside,
                )
                beside = ""

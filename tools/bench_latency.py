"""From a key to its instrument: a keyboard through syncbox, beside the same keyboard straight.

JACK's dummy driver at 64 frames; played by one client, heard by another. Through
PortAudio the computer's MIDI is python-rtmidi, whose JACK backend (the only one where
there is no other MIDI system) moves everything to the start of a block.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import numpy as np
from bench_jack import jack_server
from bench_table import Options, Row, busy_processes

from syncbox.lab.thru import Thru, measure_thru

RATE, BLOCK_FRAMES, STROKES, STROKES_QUICK = 48_000, 64, 2_000, 200


def _row(title: str, found: Thru, *, target: bool) -> Row:
    added = found.frames - found.direct
    p50, p99, most = (np.percentile(added, share) for share in (50, 99, 100))
    straight, allowed = np.percentile(found.direct, 99), 2 * found.block_frames
    return Row(
        f"{title}: added p99 of {len(added)}, blocks of {found.block_frames}",
        f"{p99:.0f} frames ({p99 * 1000 / found.rate:.2f} ms)",
        f"under {allowed} frames" if target else "",
        bool(p99 < allowed) if target else None,
        f"p50 {p50:.0f}, max {most:.0f}; straight p99 {straight:.0f}; "
        f"lost {found.lost}, straight {found.lost_direct}; dropouts {found.dropouts}, "
        f"callback p99 {found.status.callback.p99_us} us",
    )


def key_latency(options: Options) -> Iterator[Row]:
    """Idle, loaded, and through PortAudio."""
    strokes = STROKES_QUICK if options.quick else STROKES
    with jack_server(BLOCK_FRAMES) as server:
        found = measure_thru(server, driver="jack", rate=RATE, strokes=strokes)
        yield _row("jack, idle", found, target=True)
        with busy_processes(2):
            found = measure_thru(server, driver="jack", rate=RATE, strokes=strokes)
        yield _row("jack, two busy processes", found, target=True)
        os.environ["JACK_DEFAULT_SERVER"] = server
        try:
            found = measure_thru(server, driver="portaudio", rate=RATE, strokes=strokes)
        finally:
            del os.environ["JACK_DEFAULT_SERVER"]
        yield _row("portaudio, MIDI through rtmidi's JACK backend", found, target=False)

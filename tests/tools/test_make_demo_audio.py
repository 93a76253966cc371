"""The demo's sounds are what the tool makes, and exactly as long as their bars."""

from __future__ import annotations

import importlib.util
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncbox.audio.clips import clip_info
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.reading import read_show
from syncbox.score.song import AudioKind, PlayAudio

ROOT = Path(__file__).parents[2]
AUDIO = ROOT / "songs" / "audio"

_spec = importlib.util.spec_from_file_location("make_demo", ROOT / "tools" / "make_demo_audio.py")
assert _spec is not None
assert _spec.loader is not None
make_demo = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_demo)


@pytest.mark.parametrize("name", make_demo.SOUNDS)
def test_the_files_hold_what_the_tool_makes(name: str) -> None:
    held, rate = soundfile.read(AUDIO / f"{name}.flac", dtype="int16")
    fresh = make_demo.samples(name)
    assert rate == make_demo.RATE
    # One step of 16 bits is left to the sine of another processor's library.
    assert len(held) == len(fresh)
    assert np.max(np.abs(held.astype(int) - fresh.astype(int))) <= 1


def test_the_tool_makes_the_same_samples_twice() -> None:
    for name in make_demo.SOUNDS:
        assert np.array_equal(make_demo.samples(name), make_demo.samples(name))


def test_all_of_it_is_small() -> None:
    files = list(AUDIO.iterdir())
    assert {path.stem for path in files} == set(make_demo.SOUNDS)
    assert sum(path.stat().st_size for path in files) < 1_500_000


def test_every_loop_is_exactly_as_long_as_its_bars() -> None:
    show = read_show(ROOT / "songs", problems=[])
    assert show is not None
    loops = 0
    for song in show.songs.values():
        for leg in lay_out(song).legs:
            for placed in leg.items if leg.kind is LegKind.SECTION else ():
                what = placed.what
                if isinstance(what, PlayAudio) and what.kind is AudioKind.LOOP:
                    info = clip_info(ROOT / "songs" / what.file)
                    end = sum(bar.meter.bar_ticks for bar in leg.bars[: what.every_bars])
                    bars_s = leg.tempo_map.seconds_at(end)
                    assert Fraction(info.frame_count, info.rate) == bars_s, (song.id, what.file)
                    loops += 1
    assert loops >= 5

"""Make the demo show's loops, stem and one-shot in songs/audio.

Every loop is exactly as long as its bars at its section's tempo, and begins where it
ends: sounds that ring over the end are folded back to the beginning. Run it again and
the same samples come out.

    python3 tools/make_demo_audio.py [folder]
"""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE = 24_000  # frames a second: every tempo of the demo gives whole frames to a beat
Sound = NDArray[np.float64]


def beat_frames(tempo_qpm: int, quarters: Fraction) -> int:
    """Frames of a length in quarters; it must come out whole."""
    frames = Fraction(60 * RATE) / tempo_qpm * quarters
    assert frames.denominator == 1, (tempo_qpm, quarters)
    return int(frames)


def hertz(semitones_from_a: int) -> float:
    """Equal temperament from A = 220 Hz."""
    return float(220.0 * 2 ** (semitones_from_a / 12))


def pluck(pitch_hz: float, seconds: float, level: float) -> Sound:
    t = np.arange(int(seconds * RATE)) / RATE
    tone = sum(
        np.sin(2 * np.pi * pitch_hz * n * t) * np.exp(-t * (4 + 5 * n)) / n for n in (1, 2, 3)
    )
    return level * tone * np.minimum(1.0, t * 400)


def bell(pitch_hz: float, seconds: float, level: float) -> Sound:
    t = np.arange(int(seconds * RATE)) / RATE
    partials = ((1.0, 1.0, 1.5), (2.76, 0.5, 3.0), (5.4, 0.25, 6.0))
    tone = sum(a * np.sin(2 * np.pi * pitch_hz * r * t) * np.exp(-d * t) for r, a, d in partials)
    return level * tone * np.minimum(1.0, t * 800)


def brush(rng: np.random.Generator, seconds: float, level: float) -> Sound:
    t = np.arange(int(seconds * RATE)) / RATE
    noise = np.diff(rng.standard_normal(len(t) + 1))
    return level * noise * np.exp(-t / (seconds / 5)) * np.minimum(1.0, t * 300)


def add(loop: Sound, at: int, sound: Sound) -> None:
    """Mix a sound into a loop; what rings over the end comes round again at the beginning."""
    places = (at + np.arange(len(sound))) % len(loop)
    np.add.at(loop, places, sound)


def lantern_pulse() -> Sound:
    """Two bars of 7/8 in 2+2+3, eighth = 180."""
    eighth = beat_frames(90, Fraction(1, 2))
    loop = np.zeros(14 * eighth)
    for step, semitones in enumerate((-5, 2, 7, 2, -5, 2, 10, -5, 2, 7, 2, -7, 0, 9)):
        accent = 0.22 if step % 7 in {0, 2, 4} else 0.13
        add(loop, step * eighth, pluck(hertz(semitones), 0.6, accent))
    return loop


def salt_waves() -> Sound:
    """Two bars of 6/8, dotted quarter = 60: a chord that swells once a bar, whole cycles only."""
    beat = beat_frames(90, Fraction(3, 2))
    loop_s = 4 * beat / RATE
    t = np.arange(4 * beat) / RATE
    chord = np.zeros(len(t))
    for semitones in (-7, 0, 5, 9):
        cycles = round(hertz(semitones) * loop_s)
        chord += np.sin(2 * np.pi * cycles * t / loop_s)
    swell = 0.5 - 0.5 * np.cos(2 * np.pi * 2 * t / loop_s)
    return 0.09 * chord * (0.35 + 0.65 * swell)


def kites_grid() -> Sound:
    """One bar of 5/4 in 3+2, quarter = 125."""
    eighth = beat_frames(125, Fraction(1, 2))
    loop = np.zeros(10 * eighth)
    for step, semitones in enumerate((0, 12, 7, 12, 3, 12, -2, 10, 5, 10)):
        accent = 0.24 if step in {0, 6} else 0.12
        add(loop, step * eighth, pluck(hertz(semitones), 0.3, accent))
    return loop


def harbour_brush() -> Sound:
    """Two bars of 4/4 shuffled 2:1, quarter = 120."""
    quarter = beat_frames(120, Fraction(1))
    rng = np.random.Generator(np.random.PCG64(20))
    loop = np.zeros(8 * quarter)
    for beat in range(8):
        add(loop, beat * quarter, brush(rng, 0.16, 0.05 if beat % 2 else 0.025))
        add(loop, beat * quarter + 2 * quarter // 3, brush(rng, 0.07, 0.02))
    return loop


def copper_bells() -> Sound:
    """Eight bars of 4/4, quarter = 96, and nothing after them."""
    quarter = beat_frames(96, Fraction(1))
    stem = np.zeros(32 * quarter)
    for step, semitones in enumerate((10, 14, 17, 22, 7, 14, 15, 19)):
        ring = bell(hertz(semitones), 1.8, 0.16)
        add(stem, 4 * step * quarter, ring)
        add(stem, (4 * step + 2) * quarter, 0.6 * bell(hertz(semitones - 12), 1.2, 0.16))
    return stem


def tram_bell() -> Sound:
    return bell(hertz(22), 1.5, 0.3) + np.pad(bell(hertz(22), 1.25, 0.25), (RATE // 4, 0))


SOUNDS = {
    "lantern-pulse": lantern_pulse,
    "salt-waves": salt_waves,
    "kites-grid": kites_grid,
    "harbour-brush": harbour_brush,
    "copper-bells": copper_bells,
    "tram-bell": tram_bell,
}


def samples(name: str) -> NDArray[np.int16]:
    """One sound of the demo, 16 bits, shape (n,)."""
    sound = SOUNDS[name]()
    assert np.max(np.abs(sound)) < 0.9, name
    return np.round(sound * 32767).astype(np.int16)


def main() -> None:
    import soundfile

    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path("songs/audio")
    folder.mkdir(parents=True, exist_ok=True)
    for name in SOUNDS:
        data = samples(name)
        path = folder / f"{name}.flac"
        soundfile.write(path, data, RATE, subtype="PCM_16", format="FLAC")
        print(f"{path}: {len(data)} frames, {path.stat().st_size / 1024:.0f} kB")


if __name__ == "__main__":
    main()

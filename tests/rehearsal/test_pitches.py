"""The notes that bars are known by. A is 440 Hz: ISO 16:1975 (from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from syncbox.rehearsal.onsets import HOP, PITCH_STEPS, RATE, joined, onsets_of, part_of
from syncbox.rehearsal.pitches import PITCH_FRAMES, pitches_of


def tone(*notes: int, seconds: float = 2.0) -> np.ndarray:
    """Notes counted in half steps from A 440, as sound at RATE."""
    t = np.arange(round(seconds * RATE)) / RATE
    return sum(0.2 * np.sin(2 * np.pi * 440 * 2 ** (n / 12) * t) for n in notes).astype(np.float32)


@pytest.mark.parametrize("note", [-24, -21, -12, -5, 0, 3, 7])
def test_the_note_that_sounds_is_the_loudest_in_any_octave(note: int) -> None:
    found = pitches_of(tone(note), RATE)
    inner = found[:, 3:-3]
    assert (inner.argmax(axis=0) == note % 12).all()
    assert np.abs(found.mean(axis=0)).max() < 1e-5


def test_neighbours_in_the_bass_are_told_apart() -> None:
    one, other = (pitches_of(tone(n), RATE)[:, 10] for n in (-29, -28))
    assert one.argmax() == -29 % 12
    assert other.argmax() == -28 % 12


def test_silence_has_no_note() -> None:
    assert not pitches_of(np.zeros(RATE, np.float32), RATE).any()


def test_pieces_and_parts_keep_their_place() -> None:
    piece = 60 * HOP * PITCH_STEPS
    sound = np.concatenate([tone(0, seconds=4), tone(5, seconds=5)])
    whole = onsets_of(sound)
    both = joined([onsets_of(sound[:piece]), onsets_of(sound[piece:])])
    assert whole.pitches is not None
    assert both.pitches is not None
    assert both.pitches.shape == whole.pitches.shape
    at = round(2.0 * RATE / PITCH_FRAMES)
    part = part_of(whole, 2.0, 8.0)
    assert part.pitches is not None
    late = round(5.5 * RATE / PITCH_FRAMES)
    for pitches, row in ((both.pitches, late), (part.pitches, late - at)):
        assert pitches[:, row].argmax() == 5
    assert (both.pitches[:, at].argmax(), part.pitches[:, 2].argmax()) == (0, 0)

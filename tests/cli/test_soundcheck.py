from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from building import play
from click.testing import CliRunner

from syncbox.audio.tones import COUNT_HZ, SIDE_HZ, TONE_HZ, TONE_S, output_sound
from syncbox.cli.main import commands
from syncbox.cli.soundcheck import check_program, outputs_of
from syncbox.score.rig import Mix, Rig
from syncbox.units import db_to_gain

RATE = 48_000
RIG = Rig(
    mixes=(
        Mix("drummer", (1,), {}, ceiling_db=-40.0),
        Mix("band", (2, 3), {}),
        Mix("singer", (6,), {}, ceiling_db=-9.0),
    )
)


def beeps(sound: np.ndarray, pitch_hz: float) -> int:
    """Bursts of a pitch behind the tone, by the zero crossings of each burst."""
    sound = sound[round((TONE_S + 0.2) * RATE) :]
    loud = np.flatnonzero(np.abs(sound) > 1e-6)
    runs = np.split(loud, np.flatnonzero(np.diff(loud) > 2000) + 1)
    pitches = []
    for run in runs:
        above = sound[run[0] : run[-1]] > 0
        pitches.append(np.count_nonzero(above[1:] & ~above[:-1]) / len(above) * RATE)
    return sum(abs(pitch - pitch_hz) < 50 for pitch in pitches)


@pytest.mark.parametrize("number", [1, 3, 5, 12])
@pytest.mark.parametrize(("side", "low"), [("", 0), ("left", 1), ("right", 2)])
def test_the_beeps_tell_number_and_side(number: int, side: str, low: int) -> None:
    sound = output_sound(number, side, -30.0, RATE)[0]
    assert beeps(sound, COUNT_HZ) == number
    assert beeps(sound, SIDE_HZ) == low


def test_the_tone_has_its_pitch_and_level_and_begins_quietly() -> None:
    sound = output_sound(1, "", -30.0, RATE)[0].astype(np.float64)
    steady = sound[2 * RATE : 2 * RATE + RATE // 2]
    spectrum = np.abs(np.fft.rfft(steady)) * 2 / len(steady)
    assert int(np.argmax(spectrum)) * 2 == TONE_HZ
    assert 20 * np.log10(np.max(spectrum)) == pytest.approx(-30.0, abs=0.01)
    assert np.max(np.abs(sound)) <= db_to_gain(-30.0)
    assert np.max(np.abs(sound[: RATE // 10])) < db_to_gain(-60.0)
    assert np.max(np.abs(np.diff(sound))) < 0.01


def test_each_output_is_heard_alone_and_below_its_ceiling() -> None:
    outputs = outputs_of(RIG)
    assert [str(output) for output in outputs] == [
        "output 1: drummer",
        "output 2: band, left",
        "output 3: band, right",
        "output 6: singer",
    ]
    played = play(check_program(outputs, RATE, -30.0, waits=False), songs=4)
    heard = [np.flatnonzero(row) for row in played.audio]
    order = [1, 2, 3, 6]
    assert [n for n, frames in enumerate(heard, 1) if len(frames)] == order
    for before, after in pairwise(order):
        assert heard[before - 1][-1] < heard[after - 1][0]
    for output in outputs:
        peak = np.max(np.abs(played.audio[output.number - 1]))
        assert peak == pytest.approx(db_to_gain(min(-30.0, output.ceiling_db)), rel=1e-3)


def test_in_a_script_it_names_the_output_and_leaves(show_folder) -> None:
    told = CliRunner().invoke(
        commands,
        ["soundcheck", str(show_folder), "--driver", "simulated", "--once", "--output", "1"],
    )
    assert told.exit_code == 0, told.output
    assert "output 1: drummer, left" in told.output


def test_without_a_terminal_it_says_what_to_add(show_folder) -> None:
    told = CliRunner().invoke(commands, ["soundcheck", str(show_folder), "--driver", "simulated"])
    assert told.exception is not None
    assert "there is no terminal here" in str(told.exception)


def test_an_output_that_nobody_has_is_named(show_folder) -> None:
    told = CliRunner().invoke(commands, ["soundcheck", str(show_folder), "--output", "60"])
    assert "no mix has output 60" in str(told.exception)

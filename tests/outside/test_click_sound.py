"""The engine's click track against librosa.clicks and mir_eval.sonify.clicks, sample for sample.

The libraries add a given sound at given places and know nothing of blocks, mixes or
fades. One listener mix at full level, without a ceiling, must be the same samples.
"""

from fractions import Fraction

import librosa
import mir_eval
import numpy as np
import pytest

from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import PREROLL_SECONDS, play_through
from syncbox.engine.state import START_DELAY_MS
from syncbox.schedule.compile import compile_show
from syncbox.score.meter import Meter
from syncbox.score.rig import CLICK_SOURCE, Mix, Rig, SetEntry, SetList, Show
from syncbox.score.song import Body, Click, CountIn, Section, Song
from syncbox.units import round_half_up

RATE, TEMPO_QPM, BARS = 44_100, Fraction(133), 6
VOICES = click_voices(RATE)


def frame_of(quarter):
    return round_half_up(Fraction(quarter) * 60 * RATE / TEMPO_QPM)


def expected():
    """(voice, frames) of six bars of 3/4 with eighths, written out by hand."""
    bars = range(0, 3 * BARS, 3)
    halves = (Fraction(1, 2), Fraction(3, 2), Fraction(5, 2))
    return [
        (VOICES["accent"], np.array([frame_of(bar) for bar in bars])),
        (VOICES["beat"], np.array([frame_of(bar + n) for bar in bars for n in (1, 2)])),
        (VOICES["subdivision"], np.array([frame_of(bar + n) for bar in bars for n in halves])),
    ]


@pytest.fixture(scope="module", params=[256, 777])
def ours(request):
    song = Song(
        "clicks",
        "Clicks",
        TEMPO_QPM,
        (Section("all", Body(BARS)),),
        meter=Meter.of(3, 4),
        count_in=CountIn(),
        click=Click(subdivision_quarters=Fraction(1, 2)),
    )
    rig = Rig(mixes=(Mix("mono", (1,), {CLICK_SOURCE: 0.0}, ceiling_db=0.0),))
    show = Show("", rig, SetList("", (SetEntry(song.id),)), {song.id: song})
    program = compile_show(show, RATE, {}, VOICES)
    played = play_through(program, block_frames=request.param)
    downbeat = PREROLL_SECONDS * RATE + round_half_up(START_DELAY_MS * RATE / 1000)
    return np.concatenate([block.audio[0].copy() for _, block in played])[downbeat:]


def test_librosa_gives_the_same_samples(ours):
    length = frame_of(3 * BARS)
    track = sum(
        librosa.clicks(frames=frames, sr=RATE, hop_length=1, click=voice, length=length)
        for voice, frames in expected()
    )
    assert np.abs(track).max() > 0.1
    np.testing.assert_array_equal(ours[:length], track)


def test_mir_eval_gives_the_same_samples(ours):
    length = frame_of(3 * BARS)
    track = sum(
        # half a frame on: seconds are cut down to frames there
        mir_eval.sonify.clicks((frames + 0.5) / RATE, RATE, click=voice, length=length)
        for voice, frames in expected()
    )
    np.testing.assert_allclose(ours[:length], track, atol=1e-7)

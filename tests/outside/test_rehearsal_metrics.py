"""Our readings under the published measures of beat tracking, and the measures' own meaning.

M. Davies, N. Degara, M. Plumbley, Evaluation Methods for Musical Audio Beat Tracking
Algorithms, QMUL TR C4DM-TR-09-06, 2009, as mir_eval has them: beats before 5 s are left
out, the F-measure's window is 70 ms and includes its edge.
"""

import mir_eval.beat as measures
import numpy as np
import pytest
from rehearsing import read

TRUTH = np.arange(0, 30.01, 0.5)  # 120 beats a minute


def f_measure(truth, found):
    return measures.f_measure(measures.trim_beats(truth), measures.trim_beats(found))


@pytest.mark.parametrize(
    ("shift_s", "expected"), [(0.0, 1.0), (0.0699, 1.0), (0.0701, 0.0), (0.25, 0.0)]
)
def test_the_window_means_what_is_published(shift_s, expected):
    assert f_measure(TRUTH, TRUTH + shift_s) == pytest.approx(expected, abs=1e-9)


def test_twice_the_tempo_scores_two_thirds():
    double = np.arange(0, 30.01, 0.25)
    assert f_measure(TRUTH, double) == pytest.approx(0.671053, abs=1e-6)


@pytest.mark.parametrize(
    ("sounds", "least"), [("drums", 0.98), ("drums and bass", 0.98), ("mix", 0.95)]
)
def test_our_beats_under_the_measure(sounds, least):
    played, found = read(sounds=sounds)
    truth = np.sort(np.concatenate(played.beats_s))
    own = np.sort([beat.played_s for beat in found.beats])
    assert f_measure(truth, own) >= least
    scores = measures.continuity(measures.trim_beats(truth), measures.trim_beats(own))
    assert scores[1] >= 0.9, "correct metrical level, total"

from __future__ import annotations

import numpy as np
import pytest

from syncbox.lab.thru import measure_thru


@pytest.mark.jack
def test_a_key_comes_out_in_the_frame_in_which_it_went_in(jack_server):
    found = measure_thru(jack_server, driver="jack", rate=48_000, strokes=20)
    assert found.block_frames == 256
    assert len(found.frames) == len(found.direct) > 20
    clean = not (found.dropouts or found.lost or found.lost_direct)
    assert np.array_equal(found.frames, found.direct) or not clean
    # Dropouts lose messages on a loaded machine or delay what both clients hear, never one alone.
    assert np.median(found.frames - found.direct) == 0

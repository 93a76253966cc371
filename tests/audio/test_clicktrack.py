import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from syncbox.audio.clicktrack import click_track

SOUNDS = [np.linspace(1, 0.1, size, dtype=np.float32) for size in (1, 7, 40)]
PLACES = st.lists(st.tuples(st.integers(0, 300), st.integers(0, 2)), max_size=30).map(sorted)


@given(PLACES, st.integers(0, 300), st.sampled_from([1, 16, 64, 1000]))
def test_every_sound_is_added_at_its_frame(places, length, block_frames):
    """Whatever the blocks; sounds that ring over a block's end and over each other too."""
    expected = np.zeros(400, np.float32)
    for frame, which in places:
        expected[frame : frame + len(SOUNDS[which])] += SOUNDS[which]
    frames, sounds = [frame for frame, _ in places], [SOUNDS[which] for _, which in places]
    blocks = [block.copy() for block in click_track(frames, sounds, length, block_frames)]
    track = np.concatenate(blocks) if blocks else np.empty(0)
    assert np.array_equal(track, expected[:length])


def test_no_clicks_are_silence():
    (block,) = click_track([], [], 100)
    assert block.shape == (100,)
    assert not block.any()

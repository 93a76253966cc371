import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from syncbox.lab.capture import Heard


def heard(first_frame_time=0, midi=(), data=()):
    nothing = np.empty(0, np.int64)
    return Heard(
        rate=48_000,
        block_frames=256,
        first_frame_time=first_frame_time,
        frames=0,
        full=False,
        priority="normal",
        clicks=(nothing,),
        midi=np.array(midi, dtype=np.int64).reshape(-1, 3),
        midi_bytes=np.array(data, dtype=np.uint8).reshape(-1, 4),
        gaps=np.empty((0, 2), np.int64),
        xruns=nothing,
    )


@given(st.integers(0, 2**32 - 1), st.integers(-(2**31), 2**31 - 1))
def test_jack_frame_numbers_wrap_around(first, ahead):
    assert heard(first).frame_of((first + ahead) & 0xFFFF_FFFF) == ahead


def test_messages_are_told_apart_by_port_and_status():
    rows = [(10, 0, 1), (11, 1, 1), (12, 0, 2), (13, 0, 1)]
    data = [(0xF8, 0, 0, 0), (0xF8, 0, 0, 0), (0xC0, 5, 0, 0), (0xF8, 0, 0, 0)]
    found = heard(midi=rows, data=data)
    assert found.messages(0, 0xF8).tolist() == [10, 13]
    assert found.messages(1, 0xF8).tolist() == [11]
    assert found.messages(1, 0xFA).tolist() == []

"""A take through PortAudio lies on the frames that were played, compensated by what is told.

The server says how long the way through its dummy card is, a whole number of blocks; PortAudio
passes it on as the times of each callback (PortAudio's documentation, PaStreamCallbackTimeInfo:
`inputBufferAdcTime`, `outputBufferDacTime`).
"""

from __future__ import annotations

import pytest

from syncbox.lab.take_lock import locked_take

pytestmark = [pytest.mark.jack, pytest.mark.timeout(180)]


def test_each_click_is_off_by_the_same_and_by_what_was_told(start_jackd, monkeypatch) -> None:
    """Most of them: a machine that drops blocks moves those that come in the next moment."""
    told = []
    for block_frames in (256, 512):
        with start_jackd(block_frames=block_frames) as server:
            monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
            take = locked_take(server.name, bars=3, qpm=240)
        assert take.played >= 11
        assert take.right > take.played / 2, take
        told.append(take.told_frames)
    assert told[1] == 2 * told[0]

"""A click track: short sounds at their frames in one channel, as fast as memory goes.

No levels, mixes or ceiling: whoever wants those plays the song through the engine. The
samples are those that the engine gives for a mix of nothing but clicks at 0 dB.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

BLOCK_FRAMES = 65_536


def click_track(
    frames: Sequence[int],
    sounds: Sequence[NDArray[np.float32]],
    length: int,
    block_frames: int = BLOCK_FRAMES,
) -> Iterator[NDArray[np.float32]]:
    """Blocks, float32 (n,), of `length` frames with `sounds[i]` begun at `frames[i]` added up.

    `frames` ascend and are not negative; what would sound after `length` is left out. A
    block is valid until the next is asked for: there is one buffer, and it stays in the
    processor's cache, which is where the speed comes from.
    """
    ends = [frame + len(sound) for frame, sound in zip(frames, sounds, strict=True)]
    longest = max(map(len, sounds), default=0)
    track = np.zeros(block_frames + longest, dtype=np.float32)
    add, done = np.add, 0
    for first in range(0, length, block_frames):
        begun = done
        done = bisect_left(frames, first + block_frames, begun)
        for frame, end, sound in zip(
            frames[begun:done], ends[begun:done], sounds[begun:done], strict=True
        ):
            place = track[frame - first : end - first]
            add(place, sound, place)
        yield track[: min(block_frames, length - first)]
        track[:longest] = track[block_frames:]  # what rings on in the next block
        track[longest:] = 0.0

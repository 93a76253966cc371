"""A loop cut at its hits, and the slices moved: nothing is stretched, so hits stay as they are.

The loop is a circle, in the source and in the result. Each slice begins a little before
its hit and hands over there to the next one; with the hits where they were, what
comes out is what went in. Where the next hit comes sooner, a slice is faded out
early. Where it comes later, the slice's tail goes on backwards and forwards,
falling on as it fell before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.onsets import Sound, Values

HANDOVER_MS = 2.0  # before each hit: the last slice fades out, the next one in
EARLY_FADE_MS = 8.0  # at most, where a slice is cut short
TAIL_PART = 0.6  # of a slice: what may be read again where it is too short
LEVEL_MS = 25.0  # over which loudness is taken: longer than a wave of the lowest drum


def move_slices(
    loop: Sound,
    hits: NDArray[np.int64],
    places: NDArray[np.int64],
    frame_count: int,
    rate: int,
) -> Sound:
    """A loop (channels, n) of `frame_count` frames with each hit at its place.

    hits: frames of the loop, ascending, each once; places: frames of the result, likewise.
    """
    if not len(hits):
        hits, places = np.zeros(1, np.int64), np.zeros(1, np.int64)
    out = np.zeros((loop.shape[0], frame_count))
    lengths = np.diff(hits, append=hits[0] + loop.shape[1])
    rooms = np.diff(places, append=places[0] + frame_count)
    # How long each slice leads in before its hit, as long as the one before it fades out.
    leads = np.minimum(np.roll(np.minimum(lengths, rooms) // 2, 1), _frames(HANDOVER_MS, rate))
    for index, (hit, place) in enumerate(zip(hits, places, strict=True)):
        length, room = int(lengths[index]), int(rooms[index])
        lead, tail = int(leads[index]), int(leads[(index + 1) % len(leads)])
        slice_ = _slice(loop, int(hit), length, room, lead=lead, tail=tail, rate=rate)
        into = np.arange(-lead, room)
        for part in (slice(0, lead), slice(lead, None)):  # each index once in either part
            out[:, (place + into[part]) % frame_count] += slice_[:, part]
    return out.astype(np.float32)


def _frames(ms: float, rate: int) -> int:
    return max(1, round(ms * rate / 1000))


def _slice(
    loop: Sound, hit: int, length: int, room: int, *, lead: int, tail: int, rate: int
) -> Values:
    """A slice from `lead` frames before its hit, faded in and out, shape (c, lead + room)."""
    into = np.arange(-lead, room)
    gain = np.ones(len(into))
    end = length - tail
    if room > length:  # go on from where the next hit's lead would begin
        reach = max(1, int(TAIL_PART * end))
        beyond = np.maximum(into - end, 0)
        turn = beyond % (2 * reach)
        back = np.minimum(turn, 2 * reach - turn)
        gain *= np.where(
            beyond > 0, _falling(_level(loop, hit, end, rate), beyond, back, rate), 1.0
        )
        into = np.where(into > end, end - back, into)
    if lead:
        gain[:lead] *= (np.arange(lead) + 0.5) / lead
    fade = tail
    if room < length:
        early = min(length - room, round(EARLY_FADE_MS * rate / 1000))
        fade = min(max(tail, tail + early), max(1, room // 3))
    if fade:
        gain[len(gain) - fade :] *= 1 - (np.arange(fade) + 0.5) / fade
    taken = loop[:, (hit + into) % loop.shape[1]]
    return np.asarray(taken * gain, np.float64)


def _falling(
    level: Values, beyond: NDArray[np.int64], back: NDArray[np.int64], rate: int
) -> Values:
    """Gains of a tail that is read again `back` frames before its end, `beyond` it.

    What is read is held down to how loud the slice was at its end, and falls on from there.
    """
    end = len(level)
    width = max(1, min(end // 3, _frames(LEVEL_MS, rate)))
    last = float(level[end - width :].mean())
    before = float(level[max(0, end - 2 * width) : max(1, end - width)].mean())
    fall = min(1.0, last / (before + 1e-12)) ** (1 / width)  # a frame
    held = last / np.maximum(level[end - 1 - np.minimum(back, end - 1)], last + 1e-12)
    return np.asarray(held * fall**beyond)


def _level(loop: Sound, hit: int, end: int, rate: int) -> Values:
    """Loudness of the first `end` frames of a slice, each with what is around it, shape (end,)."""
    width = _frames(LEVEL_MS, rate)
    at = (hit + np.arange(end)) % loop.shape[1]
    power = np.square(loop[:, at], dtype=np.float64).mean(axis=0)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    first = np.maximum(np.arange(end) - width // 2, 0)
    last = np.minimum(np.arange(end) + width // 2 + 1, end)
    return np.asarray(np.sqrt(np.maximum(sums[last] - sums[first], 0.0) / (last - first)))

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
        gain *= 10 ** (_fall_db(loop, hit, end, rate) * (beyond + back) / 20)
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


def _fall_db(loop: Sound, hit: int, end: int, rate: int) -> float:
    """How fast a slice's tail falls, dB a frame, never rising."""
    width = min(end // 3, round(0.04 * rate))
    if width < 8:
        return 0.0
    at = hit + np.arange(end - 2 * width, end)
    power = np.square(loop[:, at % loop.shape[1]], dtype=np.float64).mean(axis=0)
    first, second = power[:width].mean() + 1e-14, power[width:].mean() + 1e-14
    return min(0.0, 10 * float(np.log10(second / first)) / width)

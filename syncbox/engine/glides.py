"""Values that move between two frames without a step: levels of mixes, fades, pedals.

A value is a line over the frames of the audio clock, so what it is at a frame does
not depend on the blocks that the frames come in. Levels move evenly in the square
root of the amplitude factor: a fade to silence then sounds even from end to end,
and the factor meets zero without a corner (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PIECES_MAX = 64  # moves of one value that are still to come or under way


@dataclass(slots=True)
class _Piece:
    """From frame `start` on, over `length` frames, from one value to another."""

    start: int
    length: int
    begin: float
    end: float

    def at(self, frame: int) -> float:
        passed = frame - self.start
        if passed >= self.length:
            return self.end
        return self.begin + (self.end - self.begin) * (passed / self.length)


class Line:
    """A value over frames, float64. Moves may begin later, but not before a frame rendered."""

    __slots__ = ("_counting", "_pieces")

    def __init__(self, value: float, frames_max: int) -> None:
        """`frames_max` is the largest block that `fill` will be asked for."""
        self._pieces = [_Piece(-1, 0, value, value)]
        self._counting = np.arange(frames_max, dtype=np.float64)

    def go(self, target: float, frame: int, length: int) -> None:
        """From a frame on move to a value, from wherever it is then; later plans are forgotten."""
        pieces = self._pieces
        while len(pieces) > 1 and (pieces[-1].start >= frame or len(pieces) >= PIECES_MAX):
            pieces.pop()
        begin = target if length <= 0 else pieces[-1].at(frame)
        pieces.append(_Piece(frame, max(0, length), begin, target))

    def at(self, frame: int) -> float:
        """The value at a frame that has not been passed by `moves` or `fill`."""
        found = self._pieces[0]
        for piece in self._pieces:
            if piece.start <= frame:
                found = piece
        return found.at(frame)

    @property
    def target(self) -> float:
        """Where it will end."""
        return self._pieces[-1].end

    @property
    def over(self) -> bool:
        """Whether no move is planned after the one that `moves` saw last."""
        return len(self._pieces) == 1

    def moves(self, first: int, count: int) -> bool:
        """Whether the value changes within a block. Frames before `first` are forgotten."""
        pieces = self._pieces
        while len(pieces) > 1 and pieces[1].start <= first:
            pieces.pop(0)
        if len(pieces) > 1 and pieces[1].start < first + count:
            return True
        return first < pieces[0].start + pieces[0].length

    def fill(self, out: NDArray[np.float64], first: int) -> None:
        """The values of the frames from `first` on, shape (n,)."""
        last = first + len(out)
        pieces = self._pieces
        for index, piece in enumerate(pieces):
            begins = first if index == 0 else max(first, piece.start)
            ends = last if index + 1 == len(pieces) else min(last, pieces[index + 1].start)
            if ends <= begins:
                continue
            moving = min(max(begins, piece.start + piece.length), ends)
            if moving > begins:
                part = out[begins - first : moving - first]
                np.add(self._counting[: len(part)], begins - piece.start, out=part)
                np.divide(part, piece.length, out=part)
                np.multiply(part, piece.end - piece.begin, out=part)
                np.add(part, piece.begin, out=part)
            out[moving - first : ends - first] = piece.end


class Fader:
    """An amplitude factor that glides. 1 is 0 dB."""

    __slots__ = ("_line", "_roots", "gain", "idle", "resting")

    def __init__(self, gain: float, frames_max: int) -> None:
        self._line = Line(math.sqrt(gain), frames_max)
        self._roots = np.empty(frames_max, dtype=np.float64)
        root = self._line.target
        self.gain = np.float32(root * root)  # in the present block, where it does not move
        # Most faders lie still most of the time, and the callback must not pay for them.
        self.resting = True  # no move is under way or to come
        self.idle = gain == 1.0  # resting at 0 dB: there is nothing to do

    def go(self, gain: float, frame: int, length: int) -> None:
        """From a frame on glide to a factor, over `length` frames."""
        self._line.go(math.sqrt(gain), frame, length)
        self.resting = self.idle = False

    def at(self, frame: int) -> float:
        """The factor at a frame that has not been passed."""
        root = self._line.at(frame)
        return root * root

    @property
    def silent(self) -> bool:
        """Whether it rests at nothing."""
        return self.gain == 0.0 and self._line.target == 0.0

    @property
    def open(self) -> bool:
        """Whether it is at 0 dB, or on its way there, with nothing else planned."""
        return self._line.target == 1.0

    def moves(self, first: int, count: int) -> bool:
        """Whether it moves within a block; if not, `gain` is the factor for all of it."""
        if self.resting:
            return False
        if self._line.moves(first, count):
            return True
        root = self._line.at(first)
        self.gain = np.float32(root * root)
        self.resting = self._line.over
        self.idle = self.resting and self.gain == 1.0
        return False

    def fill(self, out: NDArray[np.float32], first: int) -> None:
        """The factors of the frames from `first` on, shape (n,)."""
        roots = self._roots[: len(out)]
        self._line.fill(roots, first)
        np.multiply(roots, roots, out=roots)
        out[:] = roots

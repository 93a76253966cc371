"""Memory that two processes share without ever waiting for each other.

Theory of operation. Nothing here takes a lock, so a process that is killed in
the middle of a write holds nobody up. Instead of relying on the order in which
a processor lets another one see its writes, every record carries a seal: a
CRC-32 of its bytes that starts from the record's sequence number. A reader
copies the record and checks the seal; a record that is half written, or left
over from an earlier lap, does not fit and counts as "not there yet".

`Ring` has exactly one writer and one reader. `Board` has one writer and any
number of readers; it keeps the last two snapshots, so a reader always finds an
intact one beside the one being written. Both work on any writable buffer.

`Segment` is the named memory under them. Whoever created a segment removes it, also when it
is killed: Python's helper sees to that. A segment whose name was given stays when its creator
is killed, for those who play on; whoever owns it last removes it (`own`, `remove_segment`).
"""

from __future__ import annotations

import contextlib
import io
import os
import pickle
import secrets
import struct
from collections.abc import Iterator
from multiprocessing import resource_tracker, shared_memory
from typing import Any
from zlib import crc32

from syncbox.errors import EngineError

_MASK = 0xFFFF_FFFF
_LINE = 8  # int64 words in a cache line: each counter has a line to itself
_HEAD, _TAIL, _FULL = 0, _LINE, 2 * _LINE
_RING_HEADER_BYTES = 3 * _LINE * 8
_READ_ATTEMPTS = 64
_ALIGN = 64


def _rounded_up(size: int, multiple: int) -> int:
    return -(-size // multiple) * multiple


class Ring:
    """A bounded queue of records of one size, for one writing and one reading process.

    `capacity` is in records, `payload_bytes` the size of each. A push into a full
    ring is refused and counted; it never waits.
    """

    def __init__(self, buffer: memoryview, *, capacity: int, payload_bytes: int) -> None:
        """Use `buffer`, at least `Ring.size(...)` bytes, all zero before the first use."""
        self.capacity = capacity
        self.payload_bytes = payload_bytes
        self._record = struct.Struct(f"<{payload_bytes}sI")
        stride = _rounded_up(self._record.size, 8)
        self._places = [_RING_HEADER_BYTES + index * stride for index in range(capacity)]
        self._buffer = buffer
        self._counters = buffer[:_RING_HEADER_BYTES].cast("q")
        self._pushed = self._counters[_HEAD]
        self._popped = self._counters[_TAIL]

    @staticmethod
    def size(*, capacity: int, payload_bytes: int) -> int:
        """Bytes that such a ring needs."""
        return _RING_HEADER_BYTES + capacity * _rounded_up(payload_bytes + 4, 8)

    def push(self, payload: bytes) -> bool:
        """Add one record of `payload_bytes`; False when there is no room. Writer only."""
        number = self._pushed
        counters = self._counters
        if number - counters[_TAIL] >= self.capacity:
            counters[_FULL] += 1
            return False
        place = self._places[number % self.capacity]
        self._record.pack_into(self._buffer, place, payload, crc32(payload, number & _MASK))
        self._pushed = number + 1
        counters[_HEAD] = number + 1
        return True

    def has_room(self, count: int) -> bool:
        """Whether `count` records would fit; counted as refused when not. Writer only."""
        counters = self._counters
        fits = self._pushed - counters[_TAIL] + count <= self.capacity
        if not fits:
            counters[_FULL] += 1
        return fits

    def pop(self) -> bytes | None:
        """The oldest record, or None when there is none yet. Reader only."""
        number = self._popped
        if self._counters[_HEAD] == number:
            return None
        place = self._places[number % self.capacity]
        payload: bytes
        payload, seal = self._record.unpack_from(self._buffer, place)
        if crc32(payload, number & _MASK) != seal:
            return None
        self._popped = number + 1
        self._counters[_TAIL] = number + 1
        return payload

    def take_up(self) -> None:
        """Go on from where another process with the same side left off."""
        self._pushed, self._popped = self._counters[_HEAD], self._counters[_TAIL]

    @property
    def refused(self) -> int:
        """Records that found the ring full since it was made. Either side."""
        return self._counters[_FULL]

    def release(self) -> None:
        """Let go of the buffer; the ring is of no use afterwards."""
        self._counters.release()
        self._buffer.release()


class Board:
    """One process publishes a snapshot of fixed size, others read the newest intact one."""

    def __init__(self, buffer: memoryview, *, payload_bytes: int) -> None:
        """Use `buffer`, at least `Board.size(...)` bytes, all zero before the first use."""
        self._slot = struct.Struct(f"<{payload_bytes}sIq")
        self._places = (0, _rounded_up(self._slot.size, _ALIGN))
        self._buffer = buffer
        self._version = max(version for _, _, version in self._slots())
        self._newest: tuple[int, bytes | None] = (0, None)

    @staticmethod
    def size(*, payload_bytes: int) -> int:
        """Bytes that such a board needs."""
        return 2 * _rounded_up(payload_bytes + 12, _ALIGN)

    def publish(self, payload: bytes) -> None:
        """Show a new snapshot. Writer only."""
        version = self._version + 1
        place, seal = self._places[version & 1], crc32(payload, version & _MASK)
        self._slot.pack_into(self._buffer, place, payload, seal, version)
        self._version = version

    def read(self) -> bytes | None:
        """The newest intact snapshot, None before the first one. Any process but the writer.

        Never older than what the same reader saw before.
        """
        for _ in range(_READ_ATTEMPTS):
            for payload, seal, version in sorted(self._slots(), key=lambda slot: -slot[2]):
                if version > self._newest[0] and crc32(payload, version & _MASK) == seal:
                    self._newest = (version, payload)
                    return payload
                if version == self._newest[0]:
                    return self._newest[1]
        return self._newest[1]

    def _slots(self) -> list[tuple[bytes, int, int]]:
        return [self._slot.unpack_from(self._buffer, place) for place in self._places]

    def release(self) -> None:
        """Let go of the buffer; the board is of no use afterwards."""
        self._buffer.release()


class Segment:
    """Named memory. Its owner's `close` removes it; an attached one is only let go."""

    def __init__(
        self, memory: shared_memory.SharedMemory, *, owned: bool, noted: bool = False
    ) -> None:
        """`noted`: Python's helper knows of it."""
        self._memory = memory
        self._owned = owned
        self._noted = noted
        self.name = memory.name
        self.size = memory.size

    @classmethod
    def create(cls, size: int, name: str = "") -> Segment:
        """New memory, all zero. Raises EngineError when the system has no room for it.

        With a `name` it stays when this process is killed.
        """
        noted = not name
        try:
            with contextlib.nullcontext() if noted else _unnoted():
                memory = shared_memory.SharedMemory(name or new_name(), create=True, size=size)
        except OSError as error:
            raise _no_room(size, error) from None
        segment = cls(memory, owned=True, noted=noted)
        try:
            segment._reserve()
        except OSError as error:
            segment.close()
            raise _no_room(size, error) from None
        return segment

    @classmethod
    def attach(cls, name: str) -> Segment:
        """Memory that another process created. Raises EngineError when it is gone."""
        try:
            with _unnoted():
                memory = shared_memory.SharedMemory(name=name)
        except (OSError, ValueError):  # a ValueError: it was being made when its maker was killed
            raise EngineError(f"shared memory {name} is gone") from None
        return cls(memory, owned=False)

    def own(self) -> Segment:
        """From now on it is this side that removes it."""
        self._owned = True
        return self

    def disown(self) -> None:
        """Somebody else removes it."""
        self._owned = False

    def view(self, start: int, size: int) -> memoryview:
        """A writable part. The caller releases it before `close`."""
        whole = self._memory.buf
        assert whole is not None
        assert start + size <= self.size
        return whole[start : start + size]

    def close(self) -> None:
        """Let go of the memory, and remove it if this side owns it. Safe to repeat."""
        self._memory.close()
        if self._owned:
            self._owned = False
            kept = contextlib.nullcontext() if self._noted else _unnoted()
            with kept, contextlib.suppress(FileNotFoundError):
                self._memory.unlink()

    def _reserve(self) -> None:
        # Without this a full memory file system shows itself as a bus error at the first
        # write instead of an error here. Not every system offers the call.
        reserve = getattr(os, "posix_fallocate", None)
        descriptor = getattr(self._memory, "_fd", -1)
        if reserve is not None and descriptor >= 0:
            reserve(descriptor, 0, self.size)


def new_name() -> str:
    """A name that no other segment has."""
    return f"syncbox-{os.getpid()}-{secrets.token_hex(4)}"  # macOS allows 30 characters


def remove_segment(name: str) -> None:
    """Remove one that nobody owns any more, if it is there. Who uses it still has it."""
    with contextlib.suppress(EngineError):
        Segment.attach(name).own().close()


@contextlib.contextmanager
def _unnoted() -> Iterator[None]:
    """Keep a segment from Python's helper, which removes what it knows when this process ends.

    Python 3.11 and 3.12 tell it of every segment, also of those that are only attached.
    """
    register, unregister = resource_tracker.register, resource_tracker.unregister
    resource_tracker.register = resource_tracker.unregister = _nothing
    try:
        yield
    finally:
        resource_tracker.register, resource_tracker.unregister = register, unregister


def _nothing(name: object, rtype: str) -> None:
    del name, rtype


def _no_room(size: int, error: OSError) -> EngineError:
    return EngineError(
        f"no room for {size / 1e6:.0f} MB of shared memory: {error.strerror or error}",
        hint="free some memory or play fewer songs in one run",
    )


_LOAF = struct.Struct("<qq")  # start and length of one part


class _Pickler(pickle.Pickler):
    """Pickles a sound that is mapped from a file as its place there, not as its samples."""

    def reducer_override(self, thing: Any) -> Any:
        from syncbox.audio.mapped import map_sound, place_in_file  # only the host shares

        place = place_in_file(thing)
        return NotImplemented if place is None else (map_sound, tuple(place))


def share_object(thing: Any, name: str = "") -> Segment:
    """Pickle into a new segment, arrays side by side with the pickle and not copied on load.

    With a `name` the segment stays when this process is killed. Mapped sounds stay in their
    files, which the other side maps for itself.
    """
    loose: list[pickle.PickleBuffer] = []
    written = io.BytesIO()
    _Pickler(written, protocol=5, buffer_callback=loose.append).dump(thing)
    parts = [written.getbuffer(), *(part.raw() for part in loose)]
    spans = []
    place = _rounded_up(8 + _LOAF.size * len(parts), _ALIGN)
    for part in parts:
        spans.append((place, part.nbytes))
        place = _rounded_up(place + part.nbytes, _ALIGN)
    segment = Segment.create(max(place, 1), name)
    with segment.view(0, segment.size) as view:
        struct.pack_into("<q", view, 0, len(parts))
        for index, (span, part) in enumerate(zip(spans, parts, strict=True)):
            _LOAF.pack_into(view, 8 + _LOAF.size * index, *span)
            view[span[0] : span[0] + span[1]] = part
    return segment


def load_object(segment: Segment) -> Any:
    """What `share_object` put there. Its arrays are read-only views of the segment.

    The segment must stay open as long as the result is used.
    """
    view = segment.view(0, segment.size).toreadonly()
    return _unpacked(view)


def load_copy(segment: Segment) -> Any:
    """The same, but the segment may be closed afterwards."""
    with segment.view(0, segment.size) as view:
        return _unpacked(memoryview(bytes(view)))


def _unpacked(view: memoryview) -> Any:
    (count,) = struct.unpack_from("<q", view, 0)
    spans = [_LOAF.unpack_from(view, 8 + _LOAF.size * index) for index in range(count)]
    parts = [view[start : start + length] for start, length in spans]
    return pickle.loads(parts[0], buffers=parts[1:])

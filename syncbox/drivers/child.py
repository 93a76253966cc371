"""A helper process as its host sees it: a job goes in, one line comes back, a leave note ends it.

A child reads its pickled job from its standard input and answers with one line of JSON. When it
shall leave, `Child.leave` writes the leave note (`engine.leaving`) and then ends the input. An
input that ends without that note means that the host was killed: nobody will tell the child
anything any more, and what it writes to its output goes into a broken pipe. Each kind of child
knows what that means for it. One that only serves the host leaves, and may go by the end of its
input alone; one that the band hears, or that others rely on, plays on. Such a child waits with
`told_to_leave`, and must have another way to be found and told to leave.

What a child or the C libraries in it write to the error output is kept, for the
message when it dies, and never reaches the user's screen.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import syncbox
from syncbox.drivers import system
from syncbox.engine.leaving import LEAVE
from syncbox.errors import DeviceError, EngineError

_LEAVE_S = 1.0  # from an unkind request to the last resort


class Child:
    """A Python process that runs `module:main`."""

    def __init__(self, title: str, module: str, job: object) -> None:
        """Start it and hand it a pickled job. `title` names it in messages."""
        self.title = title
        self._noise = tempfile.TemporaryFile()  # noqa: SIM115  closed with the process
        # -P: a file of the user's that is called like a library must not be imported.
        command = [sys.executable, "-P", "-c", f"from {module} import main; main()"]
        own_home = str(Path(syncbox.__file__).parent.parent)
        paths = os.pathsep.join([path for path in sys.path if path] + [own_home])
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._noise,
            env={**os.environ, "PYTHONPATH": paths},
            **system.child_options(),
        )
        try:
            self._write(pickle.dumps(job))
        except BaseException:
            self.kill()
            raise

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def answer(self, *, patience_s: float) -> dict[str, Any]:
        """The child's line. Raises DeviceError with the child's own message, or EngineError."""
        giving_up = threading.Timer(patience_s, self._process.kill)
        giving_up.start()
        try:
            facts = next(self.further_answers(), None)
        finally:
            giving_up.cancel()
        if facts is None:
            self.kill()
            raise EngineError(
                f"the {self.title} process ended before it was ready", hint=self.last_words()
            )
        if "what" in facts:
            raise DeviceError(facts["what"], where=facts["where"], hint=facts["hint"])
        return facts

    def further_answers(self) -> Iterator[dict[str, Any]]:
        """Every later line, as it comes, until the child closes its output."""
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError, OSError):  # closed under our hands
            while line := self._process.stdout.readline():
                if line.startswith(b"{"):  # some audio libraries chat on the output too
                    yield json.loads(line)

    def tell(self, note: bytes) -> None:
        """Send a note that the child understands; nothing happens if it is gone."""
        with contextlib.suppress(OSError, ValueError):  # broken, or closed on our side
            self._write(note)

    def _write(self, data: bytes) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(data)
        self._process.stdin.flush()

    def leave(self, *, patience_s: float) -> bool:
        """Tell it to leave and wait until it has. False if it had to be killed."""
        assert self._process.stdin is not None
        self.tell(LEAVE)
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        try:
            self._process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.kill()
            return False
        return self._process.returncode == 0

    def kill(self) -> None:
        """End it now. Safe to repeat."""
        self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_LEAVE_S)

    def last_words(self) -> str:
        """The last line it wrote to its error output, if any."""
        if self._noise.closed:
            return ""
        self._noise.seek(0)
        lines = self._noise.read().decode(errors="replace").strip().splitlines()
        return lines[-1].strip() if lines else ""

    def close(self) -> None:
        """Let go of the pipes, after the process has left. Safe to repeat."""
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self._noise.close()

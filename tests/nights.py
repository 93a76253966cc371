"""Shows that run in processes of their own, in folders where they can be killed and found again."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import time

from syncbox.drivers.journal import entry_of, journal_path, read_journal
from syncbox.drivers.processes import runtime_folder, watch
from syncbox.drivers.runfile import Segments, engine_of
from syncbox.engine.shared import Segment, remove_segment
from syncbox.engine.words import WORDS_BYTES, Word

SYNCBOX = [sys.executable, "-m", "syncbox"]
RUN = [*SYNCBOX, "run"]
PATIENCE_S = 40
LONG = """
syncbox: 1
title: Long Road
tempo: quarter = 240
count-in: 1 bar
sections:
  - {section: Verse, bars: 2}
  - {section: Chorus, bars: 400}
"""


class Night:
    """A show folder with what runs there."""

    def __init__(self, folder):
        self.folder = folder
        self.started = []

    def run(self, *options, command="run"):
        process = subprocess.Popen(
            [*SYNCBOX, command, str(self.folder), "--driver", "simulated", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.started.append(process)
        return process

    def wait_for(self, what, **facts):
        """Until the journal says so after the last time that a host came."""
        deadline_s = time.monotonic() + PATIENCE_S
        while True:
            entries = read_journal(journal_path(self.folder))[0]
            starts = [n for n, e in enumerate(entries) if e["what"] in ("opened", "taken over")]
            for entry in entries[starts[-1] :] if starts else []:
                if entry["what"] == what and facts.items() <= entry.items():
                    return
            assert time.monotonic() < deadline_s, f"{what} never came"
            time.sleep(0.05)

    def killed(self, process):
        process.kill()
        process.communicate(timeout=PATIENCE_S)

    def left(self, process):
        """Everything that it wrote, after it was told to leave."""
        process.send_signal(signal.SIGINT)
        return process.communicate(timeout=PATIENCE_S)

    @property
    def deck(self):
        """The name of its deck."""
        notes = [entry_of(file.read_bytes()) for file in runtime_folder().glob("*.show")]
        (note,) = [note for note in notes if note and note["show"] == str(self.folder.resolve())]
        return Segments.of(note["token"]).deck

    def beacon(self):
        """The process that tells its spare."""
        return watch(self.beacon_pid())

    def beacon_pid(self):
        deck = Segment.attach(self.deck)
        with deck.view(0, WORDS_BYTES) as view, view.cast("q") as words:
            pid = words[Word.BEACON]
        deck.close()
        return pid


@contextlib.contextmanager
def night_in(folder):
    """One with a song that lasts; nothing of it is left."""
    (folder / "quick-one.yaml").write_text(LONG, encoding="utf-8")
    found = Night(folder)
    try:
        yield found
    finally:
        for process in found.started:
            process.kill()
            process.communicate()
        for file in runtime_folder().glob("*.show"):
            if note := entry_of(file.read_bytes()):
                segments = Segments.of(note["token"])
                watch(engine_of(segments.deck) or 0).kill()
                for name in segments.all:
                    remove_segment(name)

"""What a session has in shared memory, and the run file by which it is found again.

A session that stays gives its segments names that its run file knows. Where there is no room
for that file or those papers it plays all the same, and ends when its host is killed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
from dataclasses import dataclass
from typing import Any

import numpy as np

from syncbox.audio.mapped import place_in_file
from syncbox.drivers.forsaken import Found, Papers, Stay
from syncbox.drivers.processes import watch
from syncbox.drivers.runfile import RunFile, Segments
from syncbox.engine.forsaken import Staying
from syncbox.engine.records import Deck
from syncbox.engine.shared import Segment, share_object
from syncbox.engine.words import Word
from syncbox.errors import EngineError


@dataclass(slots=True)
class Belongings:
    """The segments of a session. `staying` is for its engine, None if it ends with its host."""

    deck: Deck
    program: Segment
    papers: Segment | None = None
    run_file: RunFile | None = None
    staying: Staying | None = None

    @classmethod
    def make(cls, program: Any, papers: Papers, stay: Stay | None) -> Belongings:
        """Those of a session that begins. Raises EngineError when there is no room for it."""
        names = None if stay is None else _noted(stay)
        with contextlib.ExitStack() as undo:
            deck = Deck.create(papers.kind.now_type, names.deck if names else "")
            undo.callback(deck.close)
            shared = share_object(program, names.program if names else "")
            undo.callback(shared.close)
            made = cls(deck, shared)
            if stay is not None and names is not None:
                made._stay(papers, stay, names)
            undo.pop_all()
        return made

    def _stay(self, papers: Papers, stay: Stay, names: Segments) -> None:
        light = dataclasses.replace(
            papers,
            program=light_program(papers.program),
            show=stay.show,
            idle_s=stay.idle_s,
        )
        try:
            self.papers = share_object(light, names.papers)
        except EngineError as error:
            stay.note = str(error)
            return  # its names stay in the run file, so that all of them are removed
        self.run_file = stay.run_file
        self.staying = Staying(watch, names.all, stay.idle_s)
        self.deck.words[Word.STAYS] = 1

    @classmethod
    def take_over(cls, found: Found) -> Belongings:
        """Those of a forsaken engine."""
        names = found.segments
        deck = Deck.take_over(names.deck, found.papers.kind.now_type)
        deck.words[Word.HOST] = os.getpid()
        deck.words[Word.FORSAKEN] = 0
        with contextlib.suppress(OSError):  # whose process it is matters for messages only
            found.run_file.note(found.run_file.token)
        program, papers = (Segment.attach(name).own() for name in (names.program, names.papers))
        staying = Staying(watch, names.all, found.papers.idle_s)
        return cls(deck, program, papers, found.run_file, staying)

    def let_be(self) -> None:
        """Let go of what plays on without us."""
        self.deck.words[Word.FORSAKEN] = 1
        for each in (self.deck, self.program, self.papers):
            if each is not None:
                each.disown()
                each.close()

    def close(self) -> None:
        """Remove everything, after the engine has left. Safe to repeat."""
        self.deck.close()
        self.program.close()
        if self.papers is not None:
            self.papers.close()
        if self.run_file is not None:
            self.run_file.forget()


def _noted(stay: Stay) -> Segments | None:
    try:
        return stay.run_file.note()
    except OSError as error:
        stay.note = f"{stay.run_file.path} cannot be written: {error.strerror or error}"
        return None


def light_program(program: Any) -> Any:
    """A program without the samples of its sounds; sounds that are mapped stay in their files."""
    clips = getattr(program, "clips", None)
    if clips is None:
        return program
    bare = tuple(
        clip if place_in_file(clip) is not None else np.zeros((len(clip), 0), np.float32)
        for clip in clips
    )
    return dataclasses.replace(program, clips=bare)

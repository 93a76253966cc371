"""What a phone may send, and what of it a show understands. Pure.

A phone sends one short JSON object at a time. Whatever else arrives is refused by its shape,
before anybody has looked at its meaning.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction

from syncbox.engine.moving import TRIM_PERMILLE_MAX
from syncbox.engine.transport import Command
from syncbox.score.reading.report import Mistake
from syncbox.score.reading.rig_tables import tempo_trim
from syncbox.units import round_half_up

NOTE_BYTES_MAX = 2048  # of what a phone sends at once
WORD_LENGTH_MAX = 200
PRESS_ID_MAX = 2**31

TEMPO = "tempo"
# In the words that `does` has in rig.yaml; `tempo` alone has an argument, as in the set list.
COMMAND_OF_PRESS = {
    "cue": Command.CUE,
    "stop at bar": Command.STOP_AT_BAR,
    "mute click": Command.MUTE_CLICK,
    "faster": Command.TEMPO_UP,
    "slower": Command.TEMPO_DOWN,
    TEMPO: Command.TEMPO_TRIM,
}
LEARN, LET_BE, KEEP = "learn", "let be", "keep"
LEARN_PRESSES = (LEARN, LET_BE, KEEP)
PRESSES = (*COMMAND_OF_PRESS, *LEARN_PRESSES)


@dataclass(frozen=True, slots=True)
class Press:
    """A press on a page. `seen` is the number of the last card that the phone had shown."""

    what: str
    id: int
    seen: int
    words: tuple[tuple[str, str], ...] = ()  # what it needs to know, by name

    def word(self, name: str) -> str:
        """One of its words, empty where it was not given."""
        return dict(self.words).get(name, "")


@dataclass(frozen=True, slots=True)
class Code:
    """Somebody wants to be let in."""

    code: str


def read_note(text: str | bytes) -> Press | Code | None:
    """What a phone has sent; None if it is nothing that we know."""
    if not isinstance(text, str) or len(text) > NOTE_BYTES_MAX:
        return None
    try:
        note = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(note, dict):
        return None
    if set(note) == {"code"}:
        code = note["code"]
        return Code(code) if _is_word(code) else None
    return _press(note)


def _press(note: dict[str, object]) -> Press | None:
    what, number, seen, words = (note.get(name) for name in ("press", "id", "seen", "words"))
    if len(note) != 4 or not isinstance(what, str) or what not in PRESSES:
        return None
    if not (_is_count(number) and _is_count(seen) and isinstance(words, dict)):
        return None
    if len(words) > 4 or not all(_is_word(word) for pair in words.items() for word in pair):
        return None
    assert isinstance(number, int)
    assert isinstance(seen, int)
    return Press(what, number, seen, tuple(words.items()))


def _is_word(value: object) -> bool:
    return isinstance(value, str) and len(value) <= WORD_LENGTH_MAX and value.isprintable()


def _is_count(value: object) -> bool:
    return type(value) is int and 0 <= value <= PRESS_ID_MAX


def trim_permille(text: str, map_mqpm: int) -> int:
    """Tonight's tempo as the set list writes it, in thousandths of the written tempo.

    `map_mqpm`: the written tempo in thousandths of quarters a minute. Raises Mistake.
    """
    trim = tempo_trim(text)
    if trim.add_qpm and map_mqpm <= 0:
        raise Mistake("there is no tempo here to add bpm to", "write it in percent: -3 %")
    added = trim.add_qpm * 1000 / map_mqpm if trim.add_qpm else Fraction(0)
    permille = round_half_up((trim.factor - 1 + added) * 1000)
    if abs(permille) > TRIM_PERMILLE_MAX:
        most = TRIM_PERMILLE_MAX // 10
        raise Mistake(
            f"{text.strip()} is more than {most} % of this tempo", f"write -{most} % to +{most} %"
        )
    return permille

"""What the page shows at one moment: a plain record, the same facts as the stage screen. Pure."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

# Thousandths of quarters a minute; thousandths of the tempo. As in the engine's `Now`.


@dataclass(frozen=True, slots=True)
class StageCard:
    """The show at one moment. Bars and beats count from 1.

    `to_go_bars` is None where the section waits for the cue. `map_mqpm` is the tempo as
    written, `trim_permille` what tonight adds to it; it counts after `trim_wait_bars` more bar
    lines, 0 if it does already; `sounds_permille` is what counts now. `stop_wait_bars` is how
    many bar lines a stop waits for, 0 if none was asked for. `means` names the presses that
    mean something now.
    """

    song: str
    song_no: int
    song_count: int
    state: str
    waits: bool
    section: str
    bar: int
    bars: int
    beat: int
    beats: int
    to_go_bars: int | None
    map_mqpm: int
    trim_permille: int = 0
    trim_wait_bars: int = 0
    sounds_permille: int = 0
    stop_wait_bars: int = 0
    cue_given: bool = False
    cue_late: bool = False  # too late for this round of the vamp: it counts for the next one
    click_off: bool = False
    detail: str = ""
    meter: str = ""
    key: str = ""
    set_time: str = ""
    set_over: str = ""
    text_cue: str = ""
    by_hand: str = ""
    next_label: str = ""
    next_section: str = ""
    next_patches: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()
    notice: str = ""
    means: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ControlRow:
    """One control of the rig, in the rig's own words."""

    does: str
    about: str  # the section of a jump, the mix of a command about one
    message: str
    port: str
    hold_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class LearnCard:
    """The learn page at one moment. `step` is one of `LEARN_STEPS`."""

    show: str
    step: str
    controls: tuple[ControlRow, ...] = ()
    inputs: tuple[str, ...] = ()
    commands: tuple[str, ...] = ()
    jumps: tuple[str, ...] = ()  # the commands that need a section
    of_a_mix: tuple[str, ...] = ()  # the commands that need a mix
    sections: tuple[str, ...] = ()
    mixes: tuple[str, ...] = ()
    wanted: str = ""  # what the next press shall do
    left_s: int = 0  # how long it is still waited for
    heard: str = ""  # what was pressed
    lines: tuple[str, ...] = ()  # what goes into the rig
    said: str = ""
    trouble: bool = False  # what is said is bad news


LEARN_STEPS = ("choose", "listen", "keep")

Card = StageCard | LearnCard


def card_text(card: Card) -> str:
    """The card as one line of JSON."""
    return json.dumps(asdict(card), ensure_ascii=False, separators=(",", ":"))

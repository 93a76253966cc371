"""Pedals, pads and zones as a file writes them."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.score.controls import Control, ControllerRoute, Sign, SignKind, Touch, Zone
from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.control_tables import keys, note_number, sign, sign_text, velocities
from syncbox.score.reading.report import Mistake
from syncbox.score.reading.rig import read_rig

HEAD = 'syncbox: 1\nmixes: {a: {outputs: 1, levels: {}}}\ninputs: {pedals: "*"}\n'


def control(written: str) -> tuple[Control | None, list[tuple[str, str]]]:
    problems: list[Problem] = []
    rig = read_rig(f"{HEAD}controls: [{{port: pedals, {written}}}]\n", "rig.yaml", problems)
    return (rig.controls[0] if rig else None), [(p.what, p.hint) for p in problems]


@pytest.mark.parametrize(
    ("text", "number"),
    # C4 = 60 is the pitch notation of acoustics (middle C, 261.6 Hz); common practice, no source,
    # that some makers print C3 there.
    [("C4", 60), ("c-1", 0), ("G9", 127), ("A4", 69), ("Bb3", 58), ("F#2", 42), ("36", 36)],
)
def test_keys_have_names(text: str, number: int) -> None:
    assert note_number(text) == number


@pytest.mark.parametrize("text", ["H2", "C10", "Cb-1", "128", "-1", "", "G#9"])
def test_and_nothing_else_is_a_key(text: str) -> None:
    with pytest.raises(Mistake):
        note_number(text)


def test_runs_of_keys_and_velocities() -> None:
    assert keys("C2 to B3") == (36, 59)
    assert keys("from C4") == (60, 127)
    assert keys("up to B3") == keys("to 59") == (0, 59)
    assert keys("all") == (0, 127)
    assert velocities("1 to 90") == (1, 90)
    with pytest.raises(Mistake, match="backwards"):
        keys("B3 to C2")
    with pytest.raises(Mistake):
        velocities("0 to 90")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("controller 64", Sign(SignKind.CONTROLLER, 64, 64)),
        ("Controller 64 on channel 3", Sign(SignKind.CONTROLLER, 64, 64, 3)),
        ("note 36 channel 10", Sign(SignKind.NOTE, 36, 36, 10)),
        ("keys C1 to B1", Sign(SignKind.NOTE, 24, 35)),
        ("program 5", Sign(SignKind.PROGRAM, 4, 4)),
    ],
)
def test_the_message_of_a_press(text: str, wanted: Sign) -> None:
    assert sign(text) == wanted
    assert sign(sign_text(wanted)) == wanted


def test_a_control_with_everything() -> None:
    found, problems = control(
        "does: jump at end, section: Chorus, message: note 36, hold: 600 ms, debounce: 10 ms, "
        "apart: 1 s, reversed: yes"
    )
    assert problems == []
    assert found == Control(
        "jump at end",
        "pedals",
        Sign(SignKind.NOTE, 36, 36),
        "Chorus",
        Fraction(600),
        Fraction(10),
        Fraction(1000),
        reversed=True,
    )


@pytest.mark.parametrize(
    ("written", "what", "hint"),
    [
        (
            "does: jmp at end, message: note 1",
            "'jmp at end' is not known here",
            "did you mean 'jump at end'?",
        ),
        ("does: jump at bar, message: note 1", "'jump at bar' needs to know where", "section"),
        ("does: cue, section: A, message: note 1", "'section' means nothing for 'cue'", "out"),
        ("does: cue, message: program 5, hold: 1 s", "has no length", "take 'hold' out"),
        ("does: cue, message: note 5, hold: 1 s, latching: yes", "does not tell", "take it out"),
        ("does: cue, message: note 5, hold: 20 ms", "'20 ms' is out of range", "write 100 ms to"),
        ("does: cue, message: program 0", "'0' is out of range", "write 1 to 128"),
    ],
)
def test_mistakes_in_a_control(written: str, what: str, hint: str) -> None:
    found, problems = control(written)
    assert found is None
    assert len(problems) == 1
    assert what in problems[0][0]
    assert hint in problems[0][1]


# --- zones ----------------------------------------------------------------------------------------


def zones(written: str) -> tuple[tuple[Zone, ...], list[tuple[str, str]]]:
    problems: list[Problem] = []
    text = f"syncbox: 1\ntitle: x\ntempo: 96\nsections: [{{section: A, bars: 2, zones: {written}}}]"
    song = read_song(text, "song.yaml", problems)
    found = song.sections[0].zones if song else ()
    return found, [(p.what, p.hint) for p in problems]


def test_a_zone_needs_only_a_keyboard_and_an_instrument() -> None:
    assert zones("{from: upper, play: organ}") == ((Zone("upper", "organ"),), [])
    assert zones("[{from: upper, play: nothing}]") == ((Zone("upper", ""),), [])


def test_a_zone_with_everything() -> None:
    found, problems = zones(
        "[{from: upper, play: organ, channel: 2, keys: C2 to B3, transpose: -1 octave, "
        "velocity: up to 90, touch: heavy, sent-velocity: 20 to 100, pedals: 'sustain, soft', "
        "controllers: {1: 11 from 100 to 20, 7: off, 4: 11, others: no}, bend: no, pressure: no}]"
    )
    assert problems == []
    routes = {1: ControllerRoute(11, 100, 20), 7: None, 4: ControllerRoute(11)}
    assert found == (
        Zone(
            "upper", "organ", 2, 36, 59, -12, 1, 90, Touch.HEAVY, 20, 100,
            frozenset({64, 67}), routes, others=False, bend=False, pressure=False,
        ),
    )  # fmt: skip


def test_a_fixed_touch_and_words_for_transposition() -> None:
    found, _ = zones("[{from: a, play: b, touch: fixed 100, transpose: +7 semitones}]")
    assert (found[0].touch, found[0].sent_low, found[0].sent_high) == (Touch.FIXED, 100, 100)
    assert found[0].transpose == 7
    found, _ = zones("[{from: a, play: b, transpose: 2 octaves, pedals: no}]")
    assert (found[0].transpose, found[0].pedals) == (24, frozenset())


@pytest.mark.parametrize(
    ("written", "what", "hint"),
    [
        ("{play: organ}", "a zone needs 'from'", "add it"),
        ("{from: a, play: b, keys: H2}", "'h2' is not a key", "C4 (middle C)"),
        ("{from: a, play: b, touch: soft}", "'soft' is not a touch", "light"),
        ("{from: a, play: b, pedals: sustin}", "'sustin' is not known", "'sustain'"),
        ("{from: a, play: b, transpose: 61}", "'61' is out of range", "write -60 to 60"),
        ("{from: a, play: b, controllers: {x: 1}}", "'x' is not a controller", "1 to 119"),
        ("{from: a, play: b, controllers: {120: 1}}", "'120' is not a controller", "1 to 119"),
        ("{from: a, play: b, controllers: {1: up}}", "does not say", "11 from 20 to 110"),
        ("{from: a, play: b, controllers: {others: 4}}", "'others' is yes or no", "others: off"),
        (
            "{from: a, play: b, touch: fixed 9, sent-velocity: 1 to 2}",
            "one velocity only",
            "take it out",
        ),
        ("{from: a, play: b, curve: 1}", "a zone has no 'curve'", "write touch"),
    ],
)
def test_mistakes_in_a_zone(written: str, what: str, hint: str) -> None:
    found, problems = zones(written)
    assert found == ()
    assert len(problems) == 1
    assert what in problems[0][0]
    assert hint in problems[0][1]

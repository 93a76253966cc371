"""What phones send, right and wrong, and tempi as the set list writes them."""

import json
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from syncbox.engine.moving import TRIM_PERMILLE_MAX
from syncbox.engine.transport import NEXT_STATE
from syncbox.score.reading.control_tables import COMMANDS
from syncbox.score.reading.report import Mistake
from syncbox.stage.presses import (
    COMMAND_OF_PRESS,
    NOTE_BYTES_MAX,
    PRESSES,
    TEMPO,
    Code,
    Press,
    read_note,
    trim_permille,
)

anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)
presses = st.builds(
    Press,
    st.sampled_from(PRESSES),
    st.integers(0, 2**31),
    st.integers(0, 2**31),
    st.dictionaries(st.text("abc", max_size=9), st.text("+-0 %", max_size=30), max_size=4).map(
        lambda words: tuple(words.items())
    ),
)


def as_sent(press):
    return json.dumps(
        {"press": press.what, "id": press.id, "seen": press.seen, "words": dict(press.words)}
    )


@given(presses)
def test_a_press_is_read_as_it_was_sent(press):
    assert read_note(as_sent(press)) == press


def test_a_code_is_read():
    assert read_note('{"code": "471 028"}') == Code("471 028")


@given(anything | st.dictionaries(st.sampled_from(["code", "press", "id", "seen"]), anything))
@example({"code": 471028})
@example({"code": "1", "press": "cue"})
@example({"press": "cue", "id": True, "seen": 1, "words": {}})
@example({"press": "cue", "id": -1, "seen": 1, "words": {}})
@example({"press": "cue", "id": 1, "seen": 1, "words": {"a": 1}})
@example({"press": "cue", "id": 1, "seen": 1, "words": {"a": "\n"}})
@example({"press": "quit", "id": 1, "seen": 1, "words": {}})
@example({"press": ["cue"], "id": 1, "seen": 1, "words": {}})
def test_anything_else_is_nothing_or_a_code(note):
    found = read_note(json.dumps(note))
    assert found is None or isinstance(found, Code)


@pytest.mark.parametrize(
    "text", ["", "no", "[" * 2000, b"\x00\xff", '{"code": "' + "1" * NOTE_BYTES_MAX + '"}']
)
def test_garbage_is_nothing(text):
    assert read_note(text) is None


def test_presses_are_called_as_in_the_rig():
    assert set(COMMAND_OF_PRESS) - {TEMPO} <= set(COMMANDS)
    known = {trigger for _, trigger in NEXT_STATE}
    assert set(COMMAND_OF_PRESS.values()) <= known


@pytest.mark.parametrize(
    ("text", "map_qpm", "permille"),
    [
        ("-3 %", 104, -30),
        ("−3%", 104, -30),
        ("+1.5 %", 104, 15),
        ("0 %", 104, 0),
        ("+2 bpm", 100, 20),
        ("-3", 120, -25),
        ("+1", 104, 10),  # 9.6 thousandths
        ("+20 %", 104, 200),
    ],
)
def test_tonights_tempo_is_written_as_in_the_set_list(text, map_qpm, permille):
    assert trim_permille(text, map_qpm * 1000) == permille


@pytest.mark.parametrize("text", ["", "3 %", "faster", "-21 %", "+30 bpm", "-51", "1e9"])
def test_what_is_no_tempo_says_what_to_write(text):
    with pytest.raises(Mistake) as found:
        trim_permille(text, 104_000)
    assert found.value.hint


def test_bpm_need_a_tempo():
    with pytest.raises(Mistake, match="no tempo here"):
        trim_permille("+2 bpm", 0)


@given(st.integers(-200, 200), st.integers(20_000, 300_000))
def test_bpm_and_percent_agree_to_half_a_thousandth(permille, map_mqpm):
    bpm = Fraction(map_mqpm * permille, 1_000_000)
    text = f"{float(bpm):+.9f} bpm"
    if abs(bpm) > 50:
        return
    assert abs(trim_permille(text, map_mqpm) - permille) <= 1
    assert abs(trim_permille(text, map_mqpm)) <= TRIM_PERMILLE_MAX

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.midi import messages
from syncbox.midi.panel import PatchBytes, instrument_patch, panel_text, patch_bytes
from syncbox.score.rig import BankCount, Instrument, Panel, ProgramCount

panels = st.builds(Panel, st.sampled_from(ProgramCount), st.sampled_from(BankCount))


@st.composite
def panels_with_patches(draw):
    panel = draw(panels)
    program = draw(st.integers(0, 63 if panel.programs is ProgramCount.EIGHTS else 127))
    if panel.banks is BankCount.NONE:
        return panel, PatchBytes(None, None, program)
    return panel, PatchBytes(draw(st.integers(0, 127)), draw(st.integers(0, 127)), program)


@given(panels_with_patches())
def test_what_the_panel_shows_comes_back_as_the_same_bytes(case):
    panel, patch = case
    assert patch_bytes(panel, panel_text(panel, patch)) == patch


@given(panels, st.text(st.sampled_from("0123456789/ -x٣"), max_size=9))
def test_any_text_is_a_patch_or_a_value_error(panel, text):
    try:
        patch = patch_bytes(panel, text)
    except ValueError as problem:
        assert "panel" in str(problem)  # noqa: PT017 - both outcomes are right
    else:
        assert patch_bytes(panel, panel_text(panel, patch)) == patch


@given(panels_with_patches())
def test_byte_count_is_what_the_messages_take(case):
    patch = case[1]
    sent = b"".join(messages.patch(1, patch.msb, patch.lsb, patch.program))
    assert len(sent) == patch.byte_count


@pytest.mark.parametrize(
    ("programs", "banks", "text", "patch"),
    [
        (ProgramCount.FROM_1, BankCount.NONE, "1", PatchBytes(None, None, 0)),
        (ProgramCount.FROM_1, BankCount.NONE, "128", PatchBytes(None, None, 127)),
        (ProgramCount.FROM_0, BankCount.NONE, "000", PatchBytes(None, None, 0)),
        (ProgramCount.FROM_0, BankCount.NONE, "017", PatchBytes(None, None, 17)),
        (ProgramCount.FROM_1, BankCount.FROM_1, "3/17", PatchBytes(0, 2, 16)),
        (ProgramCount.FROM_1, BankCount.FROM_0, "130 / 17", PatchBytes(1, 2, 16)),
        (ProgramCount.FROM_0, BankCount.PAIR, "87/3/17", PatchBytes(87, 3, 17)),
        (ProgramCount.EIGHTS, BankCount.PAIR, "1/0/18", PatchBytes(1, 0, 7)),
    ],
)
def test_numberings(programs, banks, text, patch):
    assert patch_bytes(Panel(programs, banks), text) == patch


@pytest.mark.parametrize(
    ("programs", "banks", "text", "words"),
    [
        (
            ProgramCount.FROM_1,
            BankCount.NONE,
            "0",
            "program 0 is not on this panel; it goes from 1 to 128",
        ),
        (ProgramCount.FROM_0, BankCount.NONE, "128", "it goes from 0 to 127"),
        (ProgramCount.EIGHTS, BankCount.NONE, "19", "program 19 .* groups of 8, 11 to 18"),
        (ProgramCount.EIGHTS, BankCount.NONE, "91", "up to 88"),
        (ProgramCount.EIGHTS, BankCount.NONE, "1", "groups of 8"),
        (ProgramCount.FROM_1, BankCount.NONE, "3/17", "it shows program, for example 17,"),
        (ProgramCount.FROM_1, BankCount.FROM_1, "17", "it shows bank/program, for example 3/17"),
        (ProgramCount.FROM_1, BankCount.FROM_1, "0/17", "bank 0 .* from 1 to 16384"),
        (ProgramCount.FROM_1, BankCount.FROM_0, "16384/1", "from 0 to 16383"),
        (ProgramCount.FROM_1, BankCount.PAIR, "128/0/1", "bank MSB 128 .* from 0 to 127"),
        (ProgramCount.FROM_1, BankCount.PAIR, "0/128/1", "bank LSB 128"),
        (ProgramCount.FROM_1, BankCount.NONE, "Soft", "'Soft' is not a patch of this panel"),
    ],
)
def test_messages_say_what_the_panel_can_show(programs, banks, text, words):
    with pytest.raises(ValueError, match=words):
        patch_bytes(Panel(programs, banks), text)


@pytest.mark.parametrize(
    ("panel", "patch"),
    [
        (Panel(ProgramCount.EIGHTS), PatchBytes(None, None, 64)),
        (Panel(banks=BankCount.NONE), PatchBytes(0, 0, 0)),
        (Panel(banks=BankCount.FROM_1), PatchBytes(None, None, 0)),
        (Panel(banks=BankCount.FROM_1), PatchBytes(0, None, 0)),
    ],
)
def test_a_patch_that_the_panel_cannot_show_is_refused(panel, patch):
    with pytest.raises(ValueError, match=r"cannot show|both or neither"):
        panel_text(panel, patch)


ORGAN = Instrument("organ", "keys", 1, patch_names={"Soft": "12", "Broken": "400"})


def test_a_name_from_the_rig_stands_for_its_panel_text():
    assert instrument_patch(ORGAN, "Soft") == PatchBytes(None, None, 11)
    assert instrument_patch(ORGAN, "12") == PatchBytes(None, None, 11)


def test_an_unknown_name_is_answered_with_the_names_there_are():
    with pytest.raises(ValueError, match=r"organ: 'Loud' is not .* named patches are Soft, Broken"):
        instrument_patch(ORGAN, "Loud")


def test_a_named_patch_outside_the_panel_names_the_instrument():
    with pytest.raises(ValueError, match="organ: program 400 is not on this panel"):
        instrument_patch(ORGAN, "Broken")

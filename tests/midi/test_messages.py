import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.midi import messages

channels = st.integers(1, 16)
sevens = st.integers(0, 127)


@given(channels, sevens, sevens)
def test_channel_messages_agree_with_mido(channel, first, second):
    assert mido.Message.from_bytes(messages.controller(channel, first, second)) == mido.Message(
        "control_change", channel=channel - 1, control=first, value=second
    )
    assert mido.Message.from_bytes(messages.program_change(channel, first)) == mido.Message(
        "program_change", channel=channel - 1, program=first
    )
    assert mido.Message.from_bytes(messages.note_off(channel, first, second)) == mido.Message(
        "note_off", channel=channel - 1, note=first, velocity=second
    )


@given(st.integers(0, 16_383))
def test_song_position_agrees_with_mido(sixteenths):
    assert (
        list(messages.song_position(sixteenths)) == mido.Message("songpos", pos=sixteenths).bytes()
    )


def test_real_time_messages_are_the_only_ones_that_may_stand_inside_others():
    for single in (messages.clock(), messages.start(), messages.continue_(), messages.stop()):
        assert len(single) == 1
        assert messages.is_realtime(single)
    others = (*messages.patch(1, 0, 0, 0), messages.song_position(0), messages.note_off(1, 60))
    assert not any(messages.is_realtime(other) for other in others)


def test_patch_without_a_bank_is_a_bare_program_change():
    assert messages.patch(16, None, None, 127) == (b"\xcf\x7f",)


def test_patch_with_half_a_bank_is_refused():
    with pytest.raises(ValueError, match="both or neither"):
        messages.patch(1, 3, None, 0)
    with pytest.raises(ValueError, match="both or neither"):
        messages.patch(1, None, 3, 0)


def test_panic_takes_the_pedal_off_first():
    assert [message.hex() for message in messages.panic(3)] == [
        "b24000",
        "b27800",
        "b27900",
        "b27b00",
    ]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: messages.program_change(0, 5), "the channel is 0; it goes from 1 to 16"),
        (lambda: messages.program_change(17, 5), "the channel is 17"),
        (lambda: messages.program_change(1, 128), "the program is 128; it goes from 0 to 127"),
        (lambda: messages.controller(1, -1, 0), "the controller is -1"),
        (lambda: messages.controller(1, 7, 128), "the value is 128"),
        (lambda: messages.note_off(1, 128), "the note is 128"),
        (lambda: messages.note_off(1, 60, 128), "the velocity is 128"),
        (lambda: messages.song_position(16_384), "song position is 16384; it goes from 0 to 16383"),
        (lambda: messages.song_position(-1), "song position is -1"),
    ],
)
def test_values_outside_the_wire_are_refused_in_plain_words(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_sysex_is_one_framed_message_of_seven_bit_bytes():
    assert messages.sysex(b"\xf0\x7d\x01\xf7") == b"\xf0\x7d\x01\xf7"
    for broken in (b"", b"\xf0\xf7", b"\xf0\x7d\x01", b"\x7d\x01\xf7"):
        with pytest.raises(ValueError, match="begins with F0 and ends with F7"):
            messages.sysex(broken)
    with pytest.raises(ValueError, match="F8 cannot stand inside"):
        messages.sysex(b"\xf0\x7d\xf8\xf7")

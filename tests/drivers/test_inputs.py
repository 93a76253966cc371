from __future__ import annotations

import pytest

from syncbox.drivers.choose import choose
from syncbox.drivers.inputs import input_number, wanted_inputs
from syncbox.drivers.scan import AudioDevice, AudioInput, Found
from syncbox.errors import DeviceError

OUTPUTS = (
    AudioDevice(0, "Built-in speaker", "One API", 2, 44_100, True),
    AudioDevice(3, "Stage box", "Other API", 8, 48_000, False),
)
INPUTS = (
    AudioInput(1, "Built-in microphone", "One API", 1, True),
    AudioInput(2, "Stage box", "One API", 4, False),
    AudioInput(3, "Stage box", "Other API", 4, False),
)
FOUND = Found(None, OUTPUTS, "", (), (), (), (), audio_inputs=INPUTS)
BARE = Found(None, OUTPUTS, "", (), (), (), ())


def wanted(*names: str, device: str = "stage", found: Found = FOUND):
    return wanted_inputs(names, choose("portaudio", device, found=FOUND), found)


def test_a_number_is_an_input_of_the_device_that_plays():
    job = wanted("2", "1")
    assert (job.device, job.device_index, job.channels) == ("Stage box", 3, (2, 1))
    assert job.rate == 48_000


def test_an_input_that_is_recorded_and_spoken_into_is_taken_once():
    assert wanted("1", "3", "1").channels == (1, 3)


def test_another_device_is_named_by_a_part_of_its_name():
    job = wanted("MICROPHONE:1")
    assert (job.device, job.device_index, job.channels) == ("Built-in microphone", 1, (1,))
    assert input_number("MICROPHONE:1") == 1


@pytest.mark.parametrize(
    ("names", "device", "found", "message", "hint"),
    [
        (("1",), "speaker", FOUND, "speaker has no inputs", "Stage box (4)"),
        (("1",), "stage", BARE, "Stage box has no inputs", "plug one in"),
        (("5",), "stage", FOUND, "Stage box has no input 5", "1 to 4"),
        (("0",), "stage", FOUND, "Stage box has no input 0", "1 to 4"),
        (("microphone:2",), "stage", FOUND, "has no input 2", "it has one"),
        (("cassette:1",), "stage", FOUND, "no audio input device is called cassette", "(4)"),
        (("1", "microphone:1"), "stage", FOUND, "one audio device only", "Stage box"),
        (("system:capture_1",), "stage", FOUND, "is no input of an audio device", "its number"),
        (("the singer",), "stage", FOUND, "is no input of an audio device", "its number"),
    ],
)
def test_what_cannot_be_recorded_is_said_with_what_can(names, device, found, message, hint):
    with pytest.raises(DeviceError) as caught:
        wanted(*names, device=device, found=found)
    assert message in caught.value.what
    assert hint in caught.value.hint

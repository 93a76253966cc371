from __future__ import annotations

import pytest

from syncbox.drivers.choose import choose
from syncbox.drivers.scan import NOTHING, AudioDevice, Found, JackServer
from syncbox.errors import DeviceError

SERVER = JackServer("stage", 96_000, 128, True, ("a", "b", "c"))
DEVICES = (
    AudioDevice(0, "Built-in speaker", "Some API", 2, 44_100, False),
    AudioDevice(3, "USB box", "Some API", 8, 48_000, True),
    AudioDevice(5, "USB box, second", "Some API", 2, 48_000, False),
)
BOTH = Found(SERVER, DEVICES, "", (), (), (), ())
LAPTOP = Found(None, DEVICES, "", (), (), (), ())


def test_auto_prefers_jack():
    choice = choose(found=BOTH)
    assert (choice.driver, choice.device, choice.rate) == ("jack", "stage", 96_000)
    assert (choice.block_frames, choice.outputs) == (128, 3)
    assert "JACK" in choice.why


def test_auto_takes_the_default_device_where_there_is_no_jack():
    choice = choose(found=LAPTOP)
    assert (choice.driver, choice.device, choice.device_index) == ("portaudio", "USB box", 3)
    assert (choice.rate, choice.outputs) == (48_000, 8)
    assert "No JACK server runs" in choice.why


def test_auto_without_any_audio_still_runs_and_says_why():
    choice = choose(found=NOTHING)
    assert choice.driver == "simulated"
    assert "nothing will be heard" in choice.why


def test_a_device_by_a_part_of_its_name():
    assert choose(device="SPEAKER", found=BOTH).device_index == 0
    assert choose("portaudio", "second", found=LAPTOP).device_index == 5


def test_the_rate_that_was_asked_for():
    assert choose("portaudio", rate=96_000, found=LAPTOP).rate == 96_000
    assert choose("simulated", rate=44_100).rate == 44_100
    assert choose("simulated").rate == 48_000


@pytest.mark.parametrize(
    ("driver", "device", "found", "message"),
    [
        ("jack", None, LAPTOP, "a JACK server does not answer"),
        ("jack", "attic", LAPTOP, "a JACK server called attic does not answer"),
        ("portaudio", None, NOTHING, "no audio output device"),
        ("auto", "cassette", BOTH, "no audio output device is called cassette"),
        ("tape", None, BOTH, "there is no driver tape"),
    ],
)
def test_what_is_not_there_is_one_message(driver, device, found, message):
    with pytest.raises(DeviceError, match=message) as caught:
        choose(driver, device, found=found)
    assert caught.value.hint


def test_a_jack_server_has_its_own_rate():
    with pytest.raises(DeviceError, match="runs at 96000 Hz, not at 48000 Hz"):
        choose("jack", rate=48_000, found=BOTH)
    assert choose("jack", rate=96_000, found=BOTH).rate == 96_000


def test_what_trouble_the_search_had_is_said():
    found = Found(None, (), "", (), (), (), (), trouble="a library crashed")
    assert "a library crashed" in choose(found=found).why

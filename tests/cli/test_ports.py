from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from syncbox.cli.ports import as_text, ports
from syncbox.drivers import scan
from syncbox.drivers.scan import NOTHING, AudioDevice, Found, JackServer
from syncbox.midi.ports import SystemPort

SERVER = JackServer("default", 48_000, 256, True, ("system:playback_1", "system:playback_2"))
WITH_JACK = Found(
    jack=SERVER,
    audio=(AudioDevice(0, "Built-in", "Some API", 1, 44_100, True),),
    midi_system="",
    midi_outputs=(),
    midi_inputs=(),
    jack_outputs=(
        SystemPort("bridge:Some Box", ("Some Box", "nothing of this name at all")),
        SystemPort("bridge:Other Box", ("Other Box",)),
    ),
    jack_inputs=(SystemPort("bridge:Pedals", ("Pedals",)),),
)


@pytest.fixture
def computer(monkeypatch):
    """Gives the computer that the command sees."""

    def use(found):
        monkeypatch.setattr(scan, "scan", lambda server=None: found)

    return use


def run(*arguments):
    return CliRunner().invoke(ports, [str(argument) for argument in arguments])


def test_a_computer_with_nothing(computer):
    computer(NOTHING)
    result = run()
    assert result.exit_code == 0
    assert "no audio system answers" in result.output
    assert "simulated" in result.output
    assert "Rig" not in result.output


def test_what_the_rig_means(computer, show_folder):
    computer(WITH_JACK)
    result = run(show_folder)
    assert result.exit_code == 0
    assert "JACK server default: 48000 Hz, blocks of 256 frames, 2 outputs" in result.output
    assert "Built-in: 44100 Hz, 1 output (Some API)" in result.output
    assert "keys  *nothing of this name*  ->  bridge:Some Box" in result.output
    assert "would use: jack." in result.output


def test_a_port_that_is_not_there(computer, show_folder):
    computer(NOTHING)
    assert "->  nothing matches" in run(show_folder).output


def test_json(computer, show_folder):
    computer(WITH_JACK)
    data = json.loads(run(show_folder, "--json").output)
    assert data["driver"] == "jack"
    assert data["jack"]["rate"] == 48_000
    assert data["rig"] == {
        "keys": {"match": "*nothing of this name*", "ports": ["bridge:Some Box"]}
    }


def test_trouble_is_not_hidden():
    found = Found(None, (), "", (), (), (), (), trouble="a library crashed")
    assert any("a library crashed" in line for line in as_text(found, None))


def test_a_wrong_rig_is_one_message(computer, show_folder):
    from syncbox.errors import ShowError

    computer(NOTHING)
    (show_folder / "rig.yaml").write_text("syncbox: 1\nprots: {}\n", encoding="utf-8")
    with pytest.raises(ShowError, match="prots"):
        CliRunner().invoke(ports, [str(show_folder)], catch_exceptions=False)


def test_a_real_look_is_silent(capfd):
    """Audio libraries complain on the error output where there is no audio."""
    assert isinstance(scan.scan("no server of this name"), Found)
    assert capfd.readouterr() == ("", "")

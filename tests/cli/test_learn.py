"""A press becomes a line in rig.yaml."""

from contextlib import contextmanager

import pytest
from click.testing import CliRunner

from syncbox.cli import learn as learn_module
from syncbox.cli.learn import learn
from syncbox.drivers import ear as ear_module
from syncbox.drivers.ear import Ear, listening
from syncbox.errors import DeviceError, ShowError
from syncbox.lab.hands import Hands
from syncbox.midi.ports import SystemPort
from syncbox.score.reading.rig import read_rig

FOOT = SystemPort("Stage Pedal:Stage Pedal 24:0")
PRESS, LET_GO = b"\xb0\x40\x7f", b"\xb0\x40\x00"


@pytest.fixture
def pressing(monkeypatch):
    """Let a port say something while the command listens."""

    def set_up(*messages, port=FOOT):
        @contextmanager
        def made_up(server):
            ear = Ear()
            ear.ports = (port,)
            for message in messages:
                ear.put(port, message)
            yield ear

        monkeypatch.setattr(ear_module, "listening", made_up)

    return set_up


def run(*arguments, **more):
    return CliRunner().invoke(learn, [str(each) for each in arguments], **more)


def test_a_pedal_is_written_into_the_rig(show_folder, pressing):
    pressing(PRESS, LET_GO)
    before = (show_folder / "rig.yaml").read_text("utf-8")
    done = run(show_folder, "stop", "at", "bar")
    assert done.exit_code == 0, done.output
    text = (show_folder / "rig.yaml").read_text("utf-8")
    assert text == before + (
        '\ninputs:\n  stage-pedal: "Stage Pedal:Stage Pedal*"\n'
        "\ncontrols:\n"
        "  - {does: stop at bar, port: stage-pedal, message: controller 64 channel 1}\n"
    )
    assert "stop at bar" in done.output
    assert (show_folder / "rig.yaml.before").read_text("utf-8") == before


def test_an_input_that_is_known_keeps_its_name(show_folder, pressing):
    rig = show_folder / "rig.yaml"
    rig.write_text(rig.read_text("utf-8") + "inputs:\n  feet: '*pedal*'\n", "utf-8")
    pressing(b"\x99\x24\x40")
    done = run(show_folder, "jump at end", "--section", "Solo", "--hold", "600ms")
    assert done.exit_code == 0, done.output
    assert rig.read_text("utf-8").endswith(
        "  - {does: jump at end, port: feet, message: note 36 channel 10, section: Solo, "
        "hold: 600 ms}\n"
    )


def test_a_command_about_a_mix_says_which(show_folder, pressing):
    rig = show_folder / "rig.yaml"
    mix = read_rig(rig.read_text("utf-8"), str(rig), []).mixes[0].name
    pressing(PRESS, LET_GO)
    done = run(show_folder, "mute", "mix", "--mix", mix)
    assert done.exit_code == 0, f"{done.output}{done.exception}"
    (control,) = read_rig(rig.read_text("utf-8"), str(rig), []).controls
    assert (control.does, control.mix) == ("mute mix", mix)


@pytest.mark.parametrize(
    ("messages", "manners"),
    [((LET_GO, PRESS), "reversed: yes"), ((PRESS,), "latching: yes")],
)
def test_pedals_have_manners(show_folder, pressing, messages, manners):
    pressing(*messages)
    assert run(show_folder, "cue").exit_code == 0
    assert f"channel 1, {manners}}}" in (show_folder / "rig.yaml").read_text("utf-8")


def test_a_press_that_has_a_meaning_already_changes_nothing(show_folder, pressing):
    pressing(PRESS, LET_GO)
    assert run(show_folder, "cue").exit_code == 0
    before = (show_folder / "rig.yaml").read_text("utf-8")
    done = run(show_folder, "start")
    assert isinstance(done.exception, ShowError)
    assert "does 'cue' already" in str(done.exception)
    assert (show_folder / "rig.yaml").read_text("utf-8") == before


def test_a_line_that_is_not_wanted_goes_away_again(show_folder, pressing, monkeypatch):
    monkeypatch.setattr(learn_module, "_is_terminal", lambda: True)
    pressing(PRESS, LET_GO)
    before = (show_folder / "rig.yaml").read_text("utf-8")
    done = run(show_folder, "cue", input="n\n")
    assert "is as it was" in done.output
    assert (show_folder / "rig.yaml").read_text("utf-8") == before
    run(show_folder, "cue", "--yes")
    assert (show_folder / "rig.yaml").read_text("utf-8") != before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("que",), "did you mean 'cue'?"),
        (("cue", "--hold", "9 ms"), "out of range"),
        (("jump at bar",), "needs to know where"),
        (("mute mix", "--mix", "nobody"), "nobody"),
        (("mute mix",), "which"),
    ],
)
def test_mistakes_are_said(show_folder, pressing, arguments, message):
    pressing(PRESS, LET_GO)
    done = run(show_folder, *arguments)
    assert done.exit_code
    assert message in f"{done.output}{done.exception}"


def test_nobody_presses_anything(show_folder, pressing):
    pressing()
    done = run(show_folder, "cue", "--seconds", "1")
    assert isinstance(done.exception, DeviceError)
    assert "nothing was pressed" in str(done.exception)


@pytest.mark.jack
def test_a_real_jack_client_is_heard(jack_server, show_folder):
    with Hands(jack_server, ("foot",)) as hands, listening(jack_server) as ear:
        assert "syncbox-hands:foot" in [port.name for port in ear.ports]
        for _ in range(20):
            hands.play([(0, 0, PRESS)])
            heard = ear.next(0.5)
            if heard is not None:
                break
    assert heard is not None
    assert (heard[0].name, heard[1]) == ("syncbox-hands:foot", PRESS)

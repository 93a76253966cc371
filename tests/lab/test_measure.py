import json
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from syncbox.cli.main import run_command
from syncbox.cli.measure import measure as command
from syncbox.drivers.simulated import Faults, simulate
from syncbox.engine.play import play_program
from syncbox.engine.transport import Command
from syncbox.errors import DeviceError
from syncbox.lab import measure as lab
from syncbox.lab.capture import Capture
from syncbox.lab.evidence import evidence_of_recording
from syncbox.lab.listener import ListenJob
from syncbox.lab.measure import Wishes, measure
from syncbox.lab.report import Setting, report

RATE = 48_000


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_click_clock_and_patches_are_exact_through_jack(jack_server):
    """The whole way: engine process, JACK, an independent client in a process of its own."""
    told = []
    found = measure(Wishes(seconds=10, driver="jack", device=jack_server), told.append)
    assert found.setting.driver == "jack"
    assert found.setting.block_frames == 256
    # A busy machine may cost dropouts, which are counted apart; nothing else may move.
    assert found.clicks.spread.max == 0
    assert [clock.spread.max for clock in found.clocks] == [0, 0]
    assert set(found.clock_against_click.tolist()) == {0}
    assert found.clicks.count > 20
    assert found.clocks[0].count > 500
    if not found.dropouts and not found.xruns and not found.spoilt:
        assert (found.lost, found.doubled) == (0, 0)
        assert [len(patch.errors) for patch in found.patches] == [3, 3]
        assert [patch.spread.max for patch in found.patches] == [0, 0]
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_the_command_draws_and_prints_json(jack_server, tmp_path):
    picture = tmp_path / "tight.png"
    arguments = ["--driver", "jack", "--device", jack_server, "--seconds", "2", "--json"]
    shown = CliRunner().invoke(command, [*arguments, "--picture", str(picture)])
    assert shown.exit_code == 0, shown.output
    told = json.loads(shown.stdout)
    assert told["click_error_frames"]["max"] == 0
    assert told["device"].endswith(jack_server)
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.jack
@pytest.mark.timeout(60)
def test_a_port_that_is_not_there_is_named(jack_server):
    job = ListenJob(jack_server, ("no-such:port",), (), 1.0, "")
    with pytest.raises(DeviceError, match="no audio port is called no-such:port"):
        Capture(job)


def test_a_server_that_is_not_there_is_one_message():
    shown = CliRunner().invoke(command, ["--driver", "jack", "--device", "no-such-server"])
    assert isinstance(shown.exception, DeviceError)


def test_without_jack_installed_it_says_what_to_install(monkeypatch):
    monkeypatch.setattr(lab.shutil, "which", lambda name: None)
    with pytest.raises(DeviceError) as caught:
        measure(Wishes(driver="jack", device="no-such-server"))
    assert "install" in caught.value.hint


def test_the_simulated_driver_needs_nothing_and_claims_nothing():
    shown = CliRunner().invoke(command, ["--driver", "simulated", "--seconds", "20", "--json"])
    told = json.loads(shown.stdout)
    assert told["click_error_frames"]["max"] == told["clock_error_frames"]["max"] == 0
    assert told["patch_error_frames"]["max"] == 0
    assert told["lost"] == told["doubled"] == 0
    assert told["verdict"].startswith("Cannot tell")
    assert run_command(["measure", "--driver", "simulated", "--seconds", "2"]) == 2


@pytest.mark.parametrize(("good", "code"), [(True, 0), (False, 1), (None, 2)])
def test_a_script_can_read_the_verdict(monkeypatch, good, code):
    monkeypatch.setattr(lab, "measure", lambda *_: SimpleNamespace(as_text=lambda: "measured"))
    monkeypatch.setattr("syncbox.lab.report.judge", lambda _: (good, "in words"))
    assert run_command(["measure"]) == code


@pytest.mark.parametrize("seed", range(3))
def test_after_dropouts_everything_is_back_on_the_grid(seed):
    """Seeded stalls: blocks are lost, and outside of them nothing has moved."""
    wishes = Wishes(seconds=30)
    program, grid = lab._prepare(wishes, RATE)
    recording = simulate(
        play_program(program),
        rate=RATE,
        frames=grid.end + 5 * RATE,
        presses=[(RATE, Command.START)],
        faults=Faults(seed=seed, stall_chance=0.002, stall_ms_max=60),
        keep_audio=True,
    )
    assert recording.gaps
    setting = Setting("simulated", "", RATE, 256, "", "", "")
    found = report(setting, evidence_of_recording(recording, grid))
    assert found.clicks.spread.max == 0
    assert [clock.spread.max for clock in found.clocks] == [0, 0]
    assert sum(clock.lost for clock in found.clocks) == 0  # late, never left out
    assert found.dropouts == len(recording.gaps)


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_a_loopback_is_found_by_the_shape_of_the_click(jack_server):
    """The engine's own ports stand for the far ends of cables."""
    found = measure(
        Wishes(
            seconds=3,
            driver="jack",
            device=jack_server,
            audio_in="syncbox*:out_1",
            midi_in="syncbox*:steady",
        )
    )
    assert "cable" in found.setting.how
    assert found.clicks.spread.max == 0
    assert [clock.spread.max for clock in found.clocks] == [0]


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_through_portaudio_the_sender_is_judged_by_its_own_times(jack_server, monkeypatch):
    """What a busy machine makes of the figures is not asserted, only what they are said to be."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jack_server)
    for _ in range(4):  # until it is not so busy that nothing is left to judge
        told = measure(Wishes(seconds=2, driver="portaudio")).as_json()
        if told["clicks"] and told["heard_clock_error_frames"]["max"] is not None:
            break
    assert told["driver"] == "portaudio"
    assert told["clicks"] > 0
    assert told["clock_resolution_frames"] == told["block_frames"] == 256
    assert told["heard_clock_error_frames"]["max"] is not None
    assert "own times" in told["how"]
    assert any("block starts only" in note for note in told["notes"])

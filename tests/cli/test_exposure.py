"""syncbox exposure: an estimate with a calibration, a plain refusal without one."""

import pytest
from click.testing import CliRunner

from syncbox.cli.main import run_command

SONG = """syncbox: 1
title: Lantern Street
tempo: quarter = 120
sections:
  - {section: Verse, bars: 4}
"""
RIG = """syncbox: 1
mixes:
  drummer: {outputs: 1-2, levels: {click: 0 dB, backing: 0 dB}, ceiling: 0 dB}
  singer: {outputs: 3, levels: {backing: 0 dB}}
"""
CALIBRATION = "calibration: {mix: drummer, reading: 90 dBA, tone: -20 dBFS}\n"


@pytest.fixture
def show(tmp_path):
    (tmp_path / "lantern-street.yaml").write_text(SONG)
    (tmp_path / "rig.yaml").write_text(RIG + CALIBRATION)
    return tmp_path


def run(capsys, *arguments):
    code = run_command(["exposure", *map(str, arguments)])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def average(out):
    (line,) = (line for line in out.splitlines() if "on average" in line)
    return float(line.split(" dBA on average")[0].split()[-1])


def test_the_average_follows_the_calibration_and_the_level(show, capsys):
    code, out, err = run(capsys, show)
    assert code == 0
    assert "drummer: 90 dBA was read for a tone of -20 dBFS; played at 0 dB" in out
    assert "NIOSH 1998" in out
    assert "H.870" in out
    level = average(out)
    assert 60 < level < 110
    _, softer, _ = run(capsys, show, "--level", "-12")
    assert average(softer) == pytest.approx(level - 12, abs=0.11)
    (show / "rig.yaml").write_text(RIG + CALIBRATION.replace("90", "84"))
    _, quieter, _ = run(capsys, show)
    assert average(quieter) == pytest.approx(level - 6, abs=0.11)
    assert "no promise" in err
    assert "hearing professional" in err


def test_a_rehearsal_takes_more_of_the_day(show, capsys):
    (show / "rig.yaml").write_text(RIG + CALIBRATION.replace("90", "110"))
    _, short, _ = run(capsys, show)
    _, out, _ = run(capsys, show, "--for", "3 h")
    assert "the same for so long         180:00" in out
    assert "Too much" in out
    assert "Too much" not in short


def test_without_a_calibration_the_arithmetic_is_refused(show, capsys):
    (show / "rig.yaml").write_text(RIG)
    code, out, err = run(capsys, show)
    assert code == 1
    assert out == ""
    assert "nobody can say how loud any mix is at the ear" in err
    assert "sound level meter" in err
    assert "hearing professional" in err


def test_a_mix_that_was_not_measured_is_refused(show, capsys):
    code, out, err = run(capsys, show, "--mix", "singer")
    assert code == 1
    assert not out
    assert "how loud the mix 'singer' is" in err
    code, _, err = run(capsys, show, "--mix", "bass")
    assert code == 1
    assert "the mixes are drummer, singer" in err


def test_silence_has_no_level(show, capsys):
    (show / "rig.yaml").write_text(RIG + CALIBRATION.replace("drummer", "singer"))
    code, out, _ = run(capsys, show)
    assert code == 0
    assert "Nothing of this mix was heard." in out


@pytest.mark.parametrize("wrong", ["soon", "0 s"])
def test_a_length_that_is_none(show, wrong):
    from syncbox.cli.main import commands

    shown = CliRunner().invoke(commands, ["exposure", str(show), "--for", wrong])
    assert shown.exit_code == 2
    assert "--for" in shown.output

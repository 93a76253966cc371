"""One message and one exit code for whatever goes wrong."""

import subprocess
import sys

import click
import pytest

from syncbox import errors
from syncbox.cli import main as front
from syncbox.errors import DeviceError, ShowError, UnreadableError


@pytest.fixture
def failing(monkeypatch):
    """A command that raises what it is told to."""

    def with_error(error):
        def fail():
            raise error

        command = click.Command("check", callback=fail)
        monkeypatch.setattr(front.Commands, "get_command", lambda *_: command)
        return front.run_command(["check"])

    return with_error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ShowError("meter 7/0 has no beat unit", where="a.yaml:3:8", hint="write 7/8"), 1),
        (UnreadableError("there is no such folder"), 2),
        (DeviceError("no audio output device", hint="plug one in"), 2),
        (click.UsageError("that is no option"), 2),
        (KeyboardInterrupt(), 130),
        (click.Abort(), 130),
    ],
)
def test_every_failure_has_its_code_and_no_traceback(failing, capsys, error, code):
    assert failing(error) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    assert err.strip()


def test_a_message_says_where_what_and_what_instead(failing, capsys):
    failing(ShowError("meter 7/0 has no beat unit", where="a.yaml:3:8", hint="write 7/8"))
    assert capsys.readouterr().err == "a.yaml:3:8: meter 7/0 has no beat unit (write 7/8)\n"


def test_a_fault_of_ours_is_told_without_a_traceback(failing, capsys, monkeypatch):
    monkeypatch.delenv(front.TRACE_VARIABLE, raising=False)
    assert failing(RuntimeError("boom")) == front.EXIT_FAULT
    err = capsys.readouterr().err
    assert "RuntimeError: boom" in err
    assert "Traceback" not in err


def test_the_details_of_a_fault_can_be_asked_for(failing, capsys, monkeypatch):
    monkeypatch.setenv(front.TRACE_VARIABLE, "1")
    assert failing(RuntimeError("boom")) == front.EXIT_FAULT
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize("error", vars(errors).values(), ids=str)
def test_every_kind_of_error_has_an_exit_code_that_scripts_know(error):
    if isinstance(error, type) and issubclass(error, errors.SyncboxError):
        assert error("x").exit_code in (1, 2)


def test_a_wrong_command_is_answered_with_the_near_one(capsys):
    assert front.run_command(["chekc"]) == 2
    assert "did you mean 'check'?" in capsys.readouterr().err


def test_python_m_syncbox_is_the_same_program():
    done = subprocess.run(
        [sys.executable, "-m", "syncbox", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("syncbox ")


def test_a_reader_that_leaves_early_causes_no_complaint():
    code = (
        "import subprocess, sys\n"
        "p = subprocess.Popen([sys.executable, '-m', 'syncbox', 'guide', 'words'],\n"
        "    stdout=subprocess.PIPE, stderr=subprocess.PIPE)\n"
        "p.stdout.close()\n"
        "print(repr(p.stderr.read()), p.wait())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout in ("b'' 0\n", "b'' 1\n")


def test_a_terminal_without_unicode_gets_question_marks():
    done = subprocess.run(
        [sys.executable, "-m", "syncbox", "guide", "format"],
        capture_output=True,
        check=False,
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )
    assert b"Traceback" not in done.stderr

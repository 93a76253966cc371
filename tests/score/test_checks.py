"""Checks on names, the form, the rig and the tempo map, each with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest

from syncbox.score import checks, map_checks
from syncbox.score.layout import Route, lay_out
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import read_rig
from syncbox.score.rig import Rig
from syncbox.score.song import Song

HEAD = "syncbox: 1\ntitle: x\ntempo: quarter = 100\n"
RIG = """\
syncbox: 1
ports:
  din: {match: a}
  quiet: {match: b, patches: no}
instruments:
  organ: {port: din, channel: 1}
  lead: {port: quiet, channel: 1}
mixes:
  all: {outputs: 1, levels: {click: -6}}
"""


def song_of(lines: str, head: str = HEAD) -> Song:
    problems: list[Problem] = []
    song = read_song(f"{head}sections:\n{lines}", "s.yaml", problems)
    assert [str(p) for p in problems if p.severity is Severity.ERROR] == []
    assert song is not None
    return song


def rig_of(text: str = RIG) -> Rig:
    problems: list[Problem] = []
    rig = read_rig(text, "rig.yaml", problems)
    assert problems == []
    assert rig is not None
    return rig


def told(problems: Iterable[Problem]) -> list[tuple[str, str, str]]:
    """Each problem as its severity, line and text."""
    return [(p.severity.value, str(p.place.line), p.what) for p in problems]


def one(problems: Iterable[Problem]) -> tuple[str, str, str]:
    (only,) = told(problems)
    return only


# --- names -------------------------------------------------------------------------------------


def test_unknown_instruments() -> None:
    song = song_of(
        "  - section: A\n    bars: 4\n    patches: {organ: 1, organs: 2}\n"
        "    endings:\n      - bars: 1\n        send: {to: drum, controller: 1, value: 1}\n"
    )
    first, second = checks.check_names(song, rig_of())
    assert (str(first.place), first.hint) == ("s.yaml:7:33", "did you mean 'organ'?")
    assert (str(second.place), second.hint) == ("s.yaml:10:15", "there are organ, lead")


def test_an_instrument_behind_a_port_without_patches() -> None:
    song = song_of("  - {section: A, bars: 4, patches: {lead: 2}}\n")
    severity, _, what = one(checks.check_names(song, rig_of()))
    assert (severity, what) == (
        "warning",
        "nothing is sent to 'lead': its port 'quiet' has patches: no",
    )


@pytest.mark.parametrize("name", ["click", "count-in", "voice", "backing"])
def test_sounds_named_like_our_own_sources(name: str) -> None:
    song = song_of(f"  - {{section: A, bars: 4, play: {{stem: a.wav, as: {name}}}}}\n")
    severity, line, _ = one(checks.check_names(song, rig_of()))
    assert (severity, line) == ("error", "5")


def test_sections_with_one_name_and_holds_in_vamps() -> None:
    song = song_of("  - {section: A, bars: 4}\n  - {section: A, bars: 4, vamp: yes, hold: 3 s}\n")
    assert told(checks.check_form(song)) == [
        ("warning", "6", "two sections are called 'A'"),
        ("error", "6", "a hold inside a vamp would stop every round"),
    ]


def test_a_channel_and_an_output_for_two() -> None:
    text = RIG.replace("port: quiet", "port: din") + "  two: {outputs: 1-2, levels: {click: 0}}\n"
    assert told(checks.check_rig(rig_of(text))) == [
        ("error", "7", "'lead' and 'organ' are both on channel 1 of 'din'"),
        ("error", "10", "output 1 belongs to the mix 'all' already"),
    ]
    assert told(checks.check_rig(rig_of())) == []


def test_faders_without_sounds_and_sounds_without_faders() -> None:
    song = song_of("  - {section: A, bars: 4, play: {stem: a.wav, as: strings}}\n")
    wrong = rig_of(RIG.replace("click: -6", "string: -6"))
    assert told(checks.check_sources([song], wrong)) == [
        ("warning", "9", "the mix 'all' sets 'string', but no song plays a sound of that name"),
        ("warning", "5", "nobody hears 'strings': it is off in every mix"),
    ]
    for level in ("strings: -6", "backing: -6"):
        assert told(checks.check_sources([song], rig_of(RIG.replace("click: -6", level)))) == []


# --- the tempo map -------------------------------------------------------------------------------


def test_tempo_out_of_range_by_modulation() -> None:
    song = song_of(
        "  - {section: A, bars: 4}\n"
        "  - {section: B, bars: 4, tempo: eighth triplet = quarter}\n"
        "  - {section: C, bars: 4, tempo: eighth = quarter}\n"
        "  - {section: D, bars: 4}\n"
    )
    severity, line, what = one(map_checks.check_tempo_range(lay_out(song)))
    assert (severity, line) == ("error", "7")
    assert what == "the tempo comes to 600 quarters a minute here"


def test_a_modulation_inside_a_section_is_blamed_itself() -> None:
    song = song_of(
        "  - section: A\n    bars: 4\n    tempo: 399\n    during:\n"
        "      - {bar: 2, tempo: quarter = dotted quarter}\n      - {bar: 3, tempo: 100}\n"
    )
    assert one(map_checks.check_tempo_range(lay_out(song)))[1] == "9"


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            "  - {section: A, bars: 8, ramp: to 120 over 4 bars, "
            "during: [{bar: 3, ramp: to 90 over 2 bars}]}\n",
            ("error", "5", "this ramp begins while the one on line 5 still moves"),
        ),
        (
            "  - {section: A, bars: 8, ramp: to 120 over 4 bars, during: [{bar: 3, tempo: 90}]}\n",
            ("warning", "5", "this tempo cuts the ramp on line 5 short"),
        ),
        (
            "  - {section: A, bars: 8, ramp: to 120 over 4 bars, during: [{bar: 1, tempo: 90}]}\n",
            ("warning", "5", "this tempo cuts the ramp on line 5 short"),
        ),
        (
            "  - {section: A, bars: 8, times: 2, during: [{bar: 7, ramp: to 120 over 4 bars}]}\n",
            ("error", "5", "this ramp runs across the repeat of 'A'"),
        ),
        (
            "  - {section: A, bars: 2, vamp: yes, ramp: to 120 over 4 bars}\n"
            "  - {section: B, bars: 8}\n",
            ("error", "5", "this ramp runs on after the vamp 'A'"),
        ),
        (
            "  - {section: A, bars: 2, ramp: to 120 over 4 bars}\n"
            "  - {section: B, bars: 8, vamp: yes}\n",
            ("error", "5", "this ramp runs into 'B', which is repeated"),
        ),
        (
            "  - {section: A, bars: 2, ramp: to 120 over 4 bars}\n",
            ("warning", "5", "this ramp goes on beyond the end of the song"),
        ),
    ],
)
def test_ramps_that_cannot_be_meant(lines: str, expected: tuple[str, str, str]) -> None:
    assert one(map_checks.check_ramps(lay_out(song_of(lines)))) == expected


@pytest.mark.parametrize(
    "lines",
    [
        "  - {section: A, bars: 2, ramp: to 120 over 4 bars}\n  - {section: B, bars: 2}\n",
        "  - {section: A, bars: 8, ramp: to 120 over 4 bars, during: [{bar: 5, tempo: 90}]}\n",
        "  - {section: A, bars: 8, times: 2, tempo: 90, ramp: to 120 to the end}\n",
        "  - {section: A, bars: 8, tempo: 90, "
        "during: [{bar: 3, ramp: to 99 over 6 bars}]}\n  - {section: B, bars: 8, tempo: 100}\n",
    ],
)
def test_ramps_that_are_well(lines: str) -> None:
    assert told(map_checks.check_ramps(lay_out(song_of(lines)))) == []


def test_a_repeat_that_jumps_back_to_another_tempo() -> None:
    text = "  - {{section: A, bars: 8, {}, ramp: to 120 to the end}}\n"
    for repeat in ("times: 2", "vamp: yes"):
        severity, _, what = one(map_checks.check_repeats(lay_out(song_of(text.format(repeat)))))
        assert severity == "warning"
        assert what.startswith("'A' begins at 100 and ends at 120 quarters a minute")
    assert told(map_checks.check_repeats(lay_out(song_of(text.format("times: 1"))))) == []


def test_bar_lines_between_two_song_positions() -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, p. 27: song position counts sixteenths."""
    song = song_of(
        "  - {section: A, bars: 3}\n  - {section: B, bars: 1, meter: 5/32}\n"
        "  - {section: C, bars: 2, meter: 4/4}\n"
    )
    severity, line, what = one(map_checks.check_song_position(lay_out(song)))
    assert (severity, line) == ("warning", "7")
    assert what.startswith("song position cannot name bar 1 of 'C'")


def test_bar_lines_beyond_song_position() -> None:
    """The same, Table V: 14 bits, so bar 1024 of 4/4 is the last."""
    lines = "  - {{section: A, bars: 1000}}\n  - {{section: B, bars: {}}}\n"
    assert told(map_checks.check_song_position(lay_out(song_of(lines.format(24))))) == []
    (only,) = told(map_checks.check_song_position(lay_out(song_of(lines.format(25)))))
    assert "bar 25 of 'B'" in only[2]


@pytest.mark.parametrize(
    "check", [map_checks.check_ramps, map_checks.check_repeats, map_checks.check_tempo_range]
)
def test_a_plain_song_has_no_problem(check: Callable[[Route], Iterable[Problem]]) -> None:
    song = song_of("  - {section: A, bars: 8, times: 2}\n  - {section: B, bars: 4, vamp: yes}\n")
    assert told(check(lay_out(song))) == []

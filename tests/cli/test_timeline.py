import csv
import io
import json
from fractions import Fraction

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from syncbox.cli.main import run_command
from syncbox.cli.timeline import COLUMNS, decimal_text, minutes_text, tempo_text, timeline


def shown(*arguments):
    done = CliRunner().invoke(timeline, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@given(st.fractions(-10_000, 10_000), st.integers(0, 15))
def test_decimal_text_is_the_nearest_of_its_places(value, decimals):
    text = decimal_text(value, decimals)
    assert abs(Fraction(text) - value) <= Fraction(1, 2 * 10**decimals)
    assert len(text.partition(".")[2]) == decimals
    assert text.strip("-0.") or not text.startswith("-"), "no minus nothing"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (Fraction(0), "0:00.000"),
        (Fraction(-14, 3), "-0:04.667"),
        (Fraction(-1, 10_000), "0:00.000"),
        (Fraction(3599_9996, 10_000), "60:00.000"),
        (Fraction(605, 10), "1:00.500"),
    ],
)
def test_minutes_and_seconds(seconds, text):
    assert minutes_text(seconds) == text


def test_tempo_has_as_many_decimals_as_it_needs():
    assert [tempo_text(Fraction(t)) for t in ("120", "92.5", "80/3")] == ["120", "92.5", "26.667"]


def test_json_says_every_bar_in_seconds_frames_and_clocks(show_folder):
    data = json.loads(shown(show_folder, "quick-one", "--json", "--rate", "44100"))
    assert list(data) == ["song", "rate", "bars", "end_s", "end_frame"]
    assert (data["song"], data["rate"]) == ("quick-one", 44_100)
    assert {tuple(bar) for bar in data["bars"]} == {COLUMNS}
    # 240 quarters a minute: a bar of 4/4 lasts a second, one of 3/4 three quarters of one.
    assert [bar["bar"] for bar in data["bars"]] == list(range(8))
    assert [bar["section"] for bar in data["bars"]] == (
        ["count-in"] + ["Verse"] * 4 + ["Solo"] * 2 + ["End"]
    )
    assert [bar["start_frame"] for bar in data["bars"]] == [44_100 * n for n in range(-1, 7)]
    assert [bar["start_s"] for bar in data["bars"]] == [f"{n}.000000000000" for n in range(-1, 7)]
    assert [bar["clock"] for bar in data["bars"]] == [96 * n for n in range(-1, 7)]
    assert [bar["song_position"] for bar in data["bars"]] == [None, *(16 * n for n in range(7))]
    assert [bar["pass"] for bar in data["bars"]] == [1, 1, 1, 2, 2, 1, 1, 1]
    assert data["bars"][1]["patches"] == {"organ": "Soft"}
    assert data["bars"][7]["meter"] == "3/4"
    assert {bar["tempo"] for bar in data["bars"]} == {240}
    assert (data["end_s"], data["end_frame"]) == ("6.750000000000", 297_675)


def test_csv_has_the_same_bars(show_folder):
    data = json.loads(shown(show_folder, "quick-one", "--json"))
    rows = list(csv.DictReader(io.StringIO(shown(show_folder, "quick-one", "--csv"))))
    assert list(rows[0]) == list(COLUMNS)
    for row, bar in zip(rows, data["bars"], strict=True):
        for name in ("bar", "section", "pass", "meter", "start_s", "start_frame", "clock"):
            assert row[name] == str(bar[name])
        assert row["song_position"] == (
            "" if bar["song_position"] is None else str(bar["song_position"])
        )
    assert rows[1]["patches"] == "organ Soft"


def test_text_is_a_narrow_table(show_folder):
    text = shown(show_folder, "quick-one")
    assert max(map(len, text.splitlines())) <= 72
    assert text == (
        "Quick One   D   0:06.750\n"
        "\n"
        " bar       time  position  changes\n"
        "count-in\n"
        "   0  -0:01.000         -  4/4, ♩ = 240\n"
        "A Verse, pass 1 of 2\n"
        "   1   0:00.000         0  organ Soft\n"
        "   2   0:01.000        16\n"
        "A Verse, pass 2 of 2\n"
        "   3   0:02.000        32\n"
        "   4   0:03.000        48\n"
        "B Solo, 2 times\n"
        "   5   0:04.000        64\n"
        "   6   0:05.000        80\n"
        "End\n"
        "   7   0:06.000        96  3/4\n"
        " end   0:06.750\n"
    )


def test_tonights_changes_count_unless_the_song_is_wanted_as_written(show_folder):
    path = show_folder / "setlist.yaml"
    path.write_text(
        path.read_text("utf-8").replace("- quick-one", "- {song: quick-one, tempo: -50 %}"), "utf-8"
    )
    tonight = json.loads(shown(show_folder, "quick-one", "--json"))
    written = json.loads(shown(show_folder, "quick-one", "--json", "--as-written"))
    assert (tonight["bars"][1]["tempo"], written["bars"][1]["tempo"]) == (120, 240)


@pytest.mark.parametrize(
    ("song", "code", "words"), [("quick", 1, "did you mean 'quick-one'"), ("zzz", 1, "the set has")]
)
def test_a_song_that_is_not_there(show_folder, capsys, song, code, words):
    assert run_command(["timeline", str(show_folder), song]) == code
    assert words in capsys.readouterr().err

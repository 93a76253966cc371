"""What is said about a reading: words, tables, picture, report, players, weeks."""

import csv
import io
import json
from dataclasses import replace

import pytest
from rehearsing import read

from syncbox.rehearsal.page import as_html
from syncbox.rehearsal.picture import _SLIP, _starts, draw
from syncbox.rehearsal.reading import BarRow, SectionRow, TakeReading
from syncbox.rehearsal.tables import CSV_COLUMNS, as_csv, as_json
from syncbox.rehearsal.thresholds import heard_from_ms, scatter_word, tempo_word
from syncbox.rehearsal.wording import compare_weeks, signed, summary


@pytest.mark.parametrize(
    ("bpm", "heard_ms"), [(60, 25), (100, 15), (120, 12.5), (140, 10.714), (180, 8.333)]
)
def test_what_is_heard_of_one_beat(bpm, heard_ms):
    # Friberg and Sundberg 1995: 2.5 % of the interval, 6 ms below 240 ms.
    assert heard_from_ms(60_000 / bpm) == pytest.approx(heard_ms, abs=0.001)
    assert heard_from_ms(230) == 6


@pytest.mark.parametrize(
    ("scatter_ms", "word"),
    [(5, "cannot be heard"), (20, "tight"), (40, "in between"), (60, "loose")],
)
def test_words_for_scatter(scatter_ms, word):
    assert scatter_word(scatter_ms, 500) == word


def test_words_for_tempo():
    assert tempo_word(0.01) == "cannot be heard"
    assert tempo_word(0.02) == "faster, just to be heard"
    assert tempo_word(-0.04) == "slower, clearly to be heard"


def test_json_has_the_published_keys():
    _, found = read()
    data = json.loads(json.dumps(as_json(found)))
    assert {"song", "match", "latency_ms", "beats", "bars", "sections"} <= set(data)
    assert {"missing_bars", "extra_bars"} <= set(data)
    beat = {"bar", "beat", "expected_s", "played_s", "late_ms", "confidence"}
    assert beat <= set(data["beats"][0])
    bar = {"bar", "section", "late_ms", "tempo", "map_tempo", "confidence"}
    assert bar <= set(data["bars"][0])
    for beat in data["beats"]:
        late = 1000 * (beat["played_s"] - beat["expected_s"])
        assert late == pytest.approx(beat["late_ms"], abs=0.2)


def test_csv_has_a_line_for_every_beat():
    _, found = read()
    rows = list(csv.DictReader(io.StringIO(as_csv(found))))
    assert len(rows) == len(found.beats)
    assert tuple(rows[0]) == CSV_COLUMNS


def test_the_summary_tells_the_section_that_strays():
    _played, found = read(drift=0.06, seed=6)
    lines = summary(found)
    told = [s for s in found.sections if abs(s.tempo_share) >= 0.015]
    assert told
    for section in told:
        way = "pulls ahead" if section.tempo_share > 0 else "drags"
        assert any(f"bars {section.first_bar} to" in line and way in line for line in lines)


def test_the_picture_and_the_report_stand_alone(tmp_path):
    _, found = read()
    draw(found, "A take", tmp_path / "take.png")
    assert (tmp_path / "take.png").read_bytes().startswith(b"\x89PNG")
    html = as_html(found, "A <take>", "tuesday.wav")
    assert "A &lt;take&gt;" in html
    assert "http" not in html
    assert "Friberg" in html
    assert "viewport" in html
    assert "prefers-color-scheme: dark" in html
    assert html.count("data:image/png;base64,") == 2, "one picture for narrow screens"


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_no_name_spoils_a_picture(tmp_path, ending):
    """A dollar sign begins a formula for matplotlib, and no font has every letter."""
    _, found = read()
    named = replace(found, bars=tuple(replace(b, section="$\\frac$ \u6a4b") for b in found.bars))
    path = tmp_path / f"take.{ending}"
    draw(named, r"Money $5 \frac$ \u7df4\u7fd2 " * 6, path)
    assert path.stat().st_size > 1000
    draw(replace(found, bars=(), notes=(r"$\frac$",)), "$", path)


def test_a_further_pass_of_a_section_begins_at_a_line_of_its_own():
    _, found = read()
    starts = _starts(found)
    assert {row.first_row for row in found.sections} == {n for n in starts if found.bars[n].bar > 0}
    again = replace(found.sections[1], section="Intro", pass_no=1, first_row=2)
    vamped = replace(found, sections=(replace(again, first_row=0), again))
    assert 2 not in _starts(vamped), "rounds of a vamp are no passes"


def test_a_report_says_what_its_words_and_columns_mean():
    _, found = read()
    html = as_html(found, "A take", "tuesday.wav").replace("\u00a0", " ")
    for words in ("up to 30 ms it is tight", "over 50 ms loose", "played minus expected"):
        assert words in html
    assert "played minus" not in as_html(replace(found, match=0.1), "A take", "tuesday.wav")


def test_takes_are_compared_over_weeks():
    _, first = read(drift=0.06, seed=6)
    _, second = read(drift=0.0, seed=6)
    head, *lines = compare_weeks([("monday", first), ("friday", second)])
    assert "+ is faster" in head
    assert any("nearer the map" in line for line in lines)
    assert all(line.index("monday ") < line.index("friday ") for line in lines)


def of_tempi(shares, map_tempo=100.0):
    """A reading of one section whose bars stray from the map like this."""
    bars = tuple(
        BarRow(n, "Chorus", 2.4 * n, 0.0, map_tempo * (1 + share), map_tempo, 0.9)
        for n, share in enumerate(shares, 9)
    )
    whole = len(shares) / sum(1 / (1 + share) for share in shares) - 1
    row = SectionRow("Chorus", 1, 9, 8 + len(shares), 0.0, 0.0, 5.0, whole, 0.9, 0, 0, len(shares))
    return TakeReading("x", 0.95, None, True, 20.0, bars=bars, sections=(row,))


@pytest.mark.parametrize(
    ("shares", "says"),
    [
        ((0, 0, 0.03, 0.03, 0.03, 0.03, 0.03, 0.03), "pulls ahead by 3.0 % from its third bar"),
        ((0.002, -0.03, -0.028, -0.032), "drags by 3.0 % from its second bar"),
        ((-0.01, -0.018, -0.02, -0.02, -0.018), "drags by 1.7 %"),
        ((0.02,) * 8, "pulls ahead by 2.0 %"),
    ],
)
def test_from_which_bar_on_a_section_strays_and_how_far_from_there(shares, says):
    line = summary(of_tempi(shares))[0]
    assert line == f"Chorus (bars 9 to {8 + len(shares)}) {says}"


def test_a_take_that_is_faster_all_through_is_told_in_one_line():
    both = of_tempi((0.02,) * 4)
    rows = (both.sections[0], replace(both.sections[0], section="Verse", tempo_share=0.024))
    assert summary(replace(both, sections=rows))[0] == (
        "the whole take is 2.2 % faster than the map"
    )
    apart = (rows[0], replace(rows[1], tempo_share=0.05))
    assert "Verse" in summary(replace(both, sections=apart))[1]


def test_what_all_beats_have_in_common_is_told_where_it_is_known():
    _, found = read()
    assert not any("all beats together" in line for line in summary(found))
    for latency_ms, words in ((21.4, "21 ms behind"), (-6.2, "6 ms ahead"), (0.4, "millisecond")):
        lines = summary(replace(found, latency_ms=latency_ms))
        assert any("all beats together" in line and words in line for line in lines)


@pytest.mark.parametrize(
    ("share", "shown"), [(-0.0001, "+0.0 %"), (0.021, "+2.1 %"), (-0.015, "-1.5 %")]
)
def test_a_tempo_that_is_the_maps_has_no_minus(share, shown):
    assert signed(share) == shown


def test_clicks_that_lead_back_in_are_no_slip_in_the_picture(tmp_path):
    """After a hold the band is counted in again; that bar has no number."""
    _, found = read()
    bars = found.bars
    lead = replace(bars[4], bar=0)
    for name, row, marked in (("counted", (*bars[:5], lead, *bars[5:]), False),
                              ("twice", (*bars[:5], *bars[3:]), True)):  # fmt: skip
        path = tmp_path / f"{name}.svg"
        draw(replace(found, bars=row), name, path)
        assert (_SLIP in path.read_text(encoding="utf-8")) == marked

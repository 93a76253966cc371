from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from building import item, play, program_of, section, song, songs
from hypothesis import HealthCheck, given, settings

from syncbox.schedule.timeline import timeline
from syncbox.score.meter import Meter
from syncbox.score.song import Body, ControllerSend, CountIn, Hold, PatchChange, Song, Span


def test_rows_say_where_everything_is() -> None:
    patch = item(PatchChange("organ", "5"), bar=2, beat=3)
    written = song(section("A", 2, patch), section("V", 1, vamp_usual=2), count_in=CountIn(bars=1))
    rows = timeline(written, 48_000).bars
    assert [row.bar for row in rows] == [0, 1, 2, 3, 4]
    assert [row.start_frame for row in rows] == [-96_000, 0, 96_000, 192_000, 288_000]
    assert [row.clock for row in rows] == [-96, 0, 96, 192, 288]
    assert [row.song_position for row in rows] == [None, 0, 16, 32, 48]
    assert [row.round_no for row in rows] == [1, 1, 1, 1, 2]
    assert [row.patches for row in rows][2] == {"organ": "5"}


def test_a_bar_line_off_the_sixteenths_has_no_song_position() -> None:
    rows = timeline(song(section("A", 3), meter=Meter.of(5, 32)), 48_000).bars
    assert [row.song_position for row in rows] == [0, None, 5]
    assert [row.clock for row in rows] == [0, 15, 30]


def test_the_pickup_is_bar_zero() -> None:
    rows = timeline(song(section("A", 1), pickup=Span(beats=Fraction(1))), 48_000).bars
    assert [(row.bar, row.start_frame) for row in rows] == [(0, -24_000), (1, 0)]


def test_a_hold_delays_what_follows_and_keeps_the_count() -> None:
    rows = timeline(song(section("A", 2, item(Hold(seconds=Fraction(1)), beat=4))), 48_000).bars
    assert [(row.start_frame, row.clock) for row in rows] == [(0, 0), (144_000, 96)]


def with_a_message_on_every_bar_line(drawn: Song) -> Song:
    """On the USB port, which takes no time: each message lies on its bar line's frame."""

    def marked(body: Body) -> Body:
        marks = [item(ControllerSend("choir", 1, 1), bar) for bar in range(1, body.bars + 1)]
        return replace(body, items=(*body.items, *marks))

    sections = (
        replace(each, body=marked(each.body), endings=tuple(map(marked, each.endings)))
        for each in drawn.sections
    )
    return replace(drawn, sections=tuple(sections))


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(songs())
def test_the_engine_starts_every_bar_where_the_timeline_says(drawn: Song) -> None:
    marked = with_a_message_on_every_bar_line(drawn)
    rows = [row.start_frame for row in timeline(marked, 8000).bars if row.bar >= 1]
    # The first one also goes out when the song is prepared, and is not wanted twice here.
    played = play(program_of(marked, rate=8000), block_frames=50_000).frames("controller", 1)[1:]
    downbeat = played[0]
    assert [frame - downbeat for frame in played] == rows

"""The reader answers or reports, whatever it is given: it never raises and never hangs."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncbox.checking.whole import check_show
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import read_show, read_song
from syncbox.score.reading.rig import draft_set, read_rig

SONGS = Path(__file__).parents[3] / "songs"
GOOD = {path.name: path.read_text(encoding="utf-8") for path in sorted(SONGS.glob("*.yaml"))}
SONG_NAMES = [name for name in GOOD if name not in {"rig.yaml", "setlist.yaml"}]

# What trips YAML readers and number readers, besides letters.
PIECES = st.sampled_from(
    [
        *":-[]{},&*!|>'\"%@`#?~=\t\n\r ",
        "\n  - ",
        "\n    ",
        ": ",
        "- ",
        "<<: ",
        "--- ",
        "\ufeff",
        "\u2028",
        "\x00",
        "\ud800",
        "♩. = ",
        "-1",
        "0",
        "999999999999",
        "1e999",
        "1/0",
        "7/8 in 2+2+3",
        "nan",
        ".",
        "²",
        "\U0001d161",
        "to the end",
    ]
)


def answers_or_reports(text: str) -> None:
    for read in (read_song, read_rig):
        problems: list[Problem] = []
        answer = read(text, "x.yaml", problems)
        assert (answer is None) == any(p.severity is Severity.ERROR for p in problems)
        lines = text.count("\n") + text.count("\r") + 2
        assert all(0 <= problem.place.line <= lines for problem in problems)
    draft_set(text, "setlist.yaml", [])


@given(st.text())
def test_random_text(text: str) -> None:
    answers_or_reports(text)


@given(st.lists(PIECES | st.text(max_size=6), max_size=40))
def test_random_signs(pieces: list[str]) -> None:
    answers_or_reports("".join(pieces))


@st.composite
def spoiled_songs(draw: st.DrawFn) -> str:
    """A good song with some places overwritten, doubled or taken out."""
    text = GOOD[draw(st.sampled_from(SONG_NAMES))]
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        cut = draw(st.integers(0, 12))
        fresh = draw(PIECES | st.text(max_size=8) | st.just(text[at : at + cut] * 2))
        text = text[:at] + fresh + text[at + cut :]
    return text


@given(spoiled_songs())
@settings(max_examples=200)
def test_spoiled_songs(text: str) -> None:
    answers_or_reports(text)


@given(st.binary(max_size=400) | spoiled_songs().map(lambda t: t.encode("utf-8", "replace")))
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_a_whole_show_with_one_bad_file(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, text in GOOD.items():
            (folder / file).write_text(text, encoding="utf-8")
        (folder / SONG_NAMES[0]).write_bytes(data)
        check_show(folder)
        show = read_show(folder, problems=[])
        if show is not None:
            assert all(entry.song_id in show.songs for entry in show.set_list.entries)


NUMBERS = st.sampled_from(["1", "2", "3", "4", "7", "16", "400", "20", "399"])
UNITS = st.sampled_from(["quarter", "dotted quarter", "eighth triplet", "half", "sixteenth"])
METERS = st.sampled_from(["4/4", "7/8 in 2+2+3", "5/32", "6/8", "1/1", "3/64"])
LINES = st.one_of(
    st.builds("tempo: {} = {}".format, UNITS, UNITS),
    st.builds("tempo: {}".format, st.sampled_from(["20", "400", "96", "half = 60"])),
    st.builds("ramp: to {} over {} bars".format, st.sampled_from(["20", "400", "96"]), NUMBERS),
    st.builds("ramp: to {} over {} beats by time".format, st.sampled_from(["30", "99"]), NUMBERS),
    st.just("ramp: to 111 to the end by period"),
    st.builds("meter: {}".format, METERS),
    st.just("hold: until cue"),
    st.just("hold: {for: 1 s, count: 3}"),
    st.just("patches: {organ: Soft, lead-synth: Wire}"),
    st.just("play: {loop: audio/kites-grid.flac, every: 1 bar}"),
    st.just("click: {beats: [1, 9], divide: eighth triplets, swing: 2:1}"),
)


@st.composite
def lawful_songs(draw: st.DrawFn) -> str:
    """Songs that are written well and may mean anything."""
    out = ["syncbox: 1", "title: x", "tempo: 96", f"meter: {draw(METERS)}"]
    out.append(f"count-in: {draw(st.sampled_from(['none', '2 bars', '3 beats', '1 bar of 7/8']))}")
    out.append("sections:")
    for index in range(draw(st.integers(1, 4))):
        out.append(f"  - section: S{index}")
        out.append(f"    bars: {draw(st.integers(1, 4))}")
        out.append(draw(st.sampled_from(["", "    times: 3", "    vamp: yes"])))
        lines = draw(st.lists(LINES, max_size=2, unique_by=lambda line: line.split(":")[0]))
        out += [f"    {line}" for line in lines]
        out.append("    during:")
        during = draw(st.lists(st.tuples(st.integers(1, 3), LINES), max_size=3))
        out += [f"      - {{bar: {bar}, {line}}}" for bar, line in during]
    return "\n".join(out) + "\n"


@given(lawful_songs())
@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_songs_that_are_well_written_are_checked_to_the_end(text: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.yaml").write_text(GOOD["rig.yaml"], encoding="utf-8")
        (folder / "x.yaml").write_text(text, encoding="utf-8")
        (folder / "setlist.yaml").write_text(
            "syncbox: 1\nslot: 1 s\nsongs: [{song: x, tempo: -40 %}]\n", encoding="utf-8"
        )
        for problem in check_show(folder).problems:
            assert problem.what

"""A folder becomes a show, with or without a rig and a set list."""

from __future__ import annotations

from pathlib import Path

from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import read_draft, read_show
from syncbox.score.rig import Show

SONG = "syncbox: 1\ntitle: {}\ntempo: 100\nsections: [{{section: A, bars: 2}}]\n"
RIG = "syncbox: 1\nmixes: {all: {outputs: 1, levels: {click: -6}}}\n"


def show_in(folder: Path, **files: str) -> tuple[Show | None, list[Problem]]:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    problems: list[Problem] = []
    return read_show(folder, problems=problems), problems


def test_without_a_set_list_songs_come_in_alphabetical_order(tmp_path: Path) -> None:
    show, problems = show_in(tmp_path, zebra=SONG.format("Z"), apple=SONG.format("A"), rig=RIG)
    assert problems == []
    assert show is not None
    assert [entry.song_id for entry in show.set_list.entries] == ["apple", "zebra"]


def test_without_a_rig_there_is_one_mix_and_a_note(tmp_path: Path) -> None:
    show, (note,) = show_in(tmp_path, apple=SONG.format("A"))
    assert show is not None
    assert note.severity is Severity.WARNING
    (mix,) = show.rig.mixes
    assert mix.channels == (1, 2)
    assert set(mix.levels_db) == {"click", "count-in", "voice", "backing"}


def test_songs_with_errors_are_left_out_of_the_show_but_not_of_the_draft(tmp_path: Path) -> None:
    show, problems = show_in(
        tmp_path, good=SONG.format("G"), bad=SONG.format("B") + "x: 1\n", rig=RIG
    )
    assert show is not None
    assert list(show.songs) == ["good"]
    assert [entry.song_id for entry in show.set_list.entries] == ["good"]
    assert len(problems) == 1
    draft = read_draft(tmp_path, problems=[])
    assert (set(draft.show.songs), draft.broken) == ({"good", "bad"}, {"bad"})


def test_a_broken_rig_or_set_list_gives_no_show(tmp_path: Path) -> None:
    show, _ = show_in(tmp_path, a=SONG.format("A"), rig="syncbox: 1\nports: 3\n")
    assert show is None
    show, _ = show_in(tmp_path, rig=RIG, setlist="syncbox: 1\n")
    assert show is None


def test_an_empty_folder_says_what_to_do(tmp_path: Path) -> None:
    show, problems = show_in(tmp_path, rig=RIG)
    assert show is None
    assert [problem.what for problem in problems] == ["there is no song in this folder"]


def test_names_in_the_set_list_are_looked_up(tmp_path: Path) -> None:
    setlist = (
        "syncbox: 1\nsongs:\n"
        "  - aple\n"
        "  - Big Apple\n"
        "  - song: apple\n"
        "    skip: [a, A]\n"
        "    patches:\n"
        "      Verse: {organ: 1}\n"
    )
    show, problems = show_in(tmp_path, apple=SONG.format("Big Apple"), rig=RIG, setlist=setlist)
    assert show is None
    found = [(p.place.line, p.place.column, p.what, p.hint) for p in problems]
    assert found == [
        (3, 5, "there is no song file 'aple.yaml'", "did you mean 'apple'?"),
        (4, 5, "there is no song file 'Big Apple.yaml'", "did you mean 'apple'?"),
        (5, 11, "every section of this song is skipped", "take the song out"),
        (6, 12, "'a' is not a section of apple", "there are 'A'"),
        (8, 7, "'Verse' is not a section of apple", "there are 'A'"),
        (8, 15, "'organ' is not an instrument of the rig", ""),
    ]


def test_two_files_with_one_name_are_reported(tmp_path: Path) -> None:
    (tmp_path / "apple.yml").write_text(SONG.format("A"), encoding="utf-8")
    _, (problem,) = show_in(tmp_path, apple=SONG.format("A"), rig=RIG)
    assert problem.place.file == str(tmp_path / "apple.yml")


def test_other_files_in_the_folder_are_nobodys_business(tmp_path: Path) -> None:
    (tmp_path / ".hidden.yaml").write_text("{", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("{", encoding="utf-8")
    (tmp_path / "apple.yaml.before").write_text("{", encoding="utf-8")
    show, problems = show_in(tmp_path, apple=SONG.format("A"), rig=RIG)
    assert (show is not None, problems) == (True, [])

"""A show's folder to its records: the rig, tonight's set and every song."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from syncbox.score.problem import Problem, Severity
from syncbox.score.reading.fields import Found
from syncbox.score.reading.files import find_files, read_text
from syncbox.score.reading.numbers import near, shown
from syncbox.score.reading.report import Located, Report
from syncbox.score.reading.rig import DEFAULT_RIG, EntryDraft, SetDraft, build_rig, draft_set
from syncbox.score.reading.rig_tables import RIG_TABLE
from syncbox.score.reading.song import draft_song, read_file_table
from syncbox.score.rig import Rig, SetEntry, SetList, Show
from syncbox.score.song import Place, Song


@dataclass(frozen=True, slots=True)
class Draft:
    """A show as far as it could be read.

    `broken` holds the ids of songs whose files have errors; what could be read of
    them is in the show too, so that their names can be checked. A song of the set
    may be missing from `show.songs`. `playable` is False if the rig or the set list
    has errors, or no song is without.
    """

    show: Show
    broken: frozenset[str]
    playable: bool


def read_show(folder: Path, *, problems: list[Problem]) -> Show | None:
    """The show in a folder; problems are appended, sorted by file and line.

    Songs with errors, and entries of the set that name them, are left out. None if
    the rig or the set list has errors or no song is left. Raises UnreadableError only
    for a folder that is not there or may not be read.
    """
    draft = read_draft(folder, problems=problems)
    if not draft.playable:
        return None
    show = draft.show
    songs = {key: song for key, song in show.songs.items() if key not in draft.broken}
    entries = tuple(entry for entry in show.set_list.entries if entry.song_id in songs)
    if not entries:
        return None
    return replace(show, songs=songs, set_list=replace(show.set_list, entries=entries))


def read_draft(folder: Path, *, problems: list[Problem]) -> Draft:
    """The same, keeping what could be read of files with errors."""
    files = find_files(folder)
    fresh: list[Problem] = []
    songs, broken = _read_songs(files.songs, fresh)
    for path in files.doubles:
        Report(str(path), fresh).file_error(
            "another file has the same name with a different ending", "rename one of the two"
        )
    rig, rig_sound = _read_rig(folder, files.rig, fresh)
    set_list, set_sound = _read_set(files.set_list, songs, set(files.songs), rig, fresh)
    if not files.songs:
        fresh.append(
            Problem(
                Place(str(folder)),
                "there is no song in this folder",
                "write one as a .yaml file; `syncbox guide format` shows how",
            )
        )
    fresh.sort(key=lambda p: (p.place.file, p.place.line, p.place.column))
    problems.extend(fresh)
    show = Show(str(folder), rig, set_list, songs)
    playable = rig_sound and set_sound and any(key not in broken for key in songs)
    return Draft(show, frozenset(broken), playable)


def _read_songs(
    paths: Mapping[str, Path], problems: list[Problem]
) -> tuple[dict[str, Song], set[str]]:
    songs: dict[str, Song] = {}
    broken: set[str] = set()
    for song_id, path in paths.items():
        text = read_text(path, Report(str(path), problems))
        draft = None if text is None else draft_song(text, str(path), problems, song_id=song_id)
        if draft is not None:
            songs[song_id] = draft.song
        if draft is None or not draft.sound:
            broken.add(song_id)
    return songs, broken


def _read_rig(folder: Path, path: Path | None, problems: list[Problem]) -> tuple[Rig, bool]:
    if path is None:
        problems.append(
            Problem(
                Place(str(folder / "rig.yaml")),
                "there is no rig.yaml; click and backing go to outputs 1-2, and nothing to MIDI",
                "write one when there are instruments; `syncbox guide format` shows how",
                Severity.WARNING,
            )
        )
        return DEFAULT_RIG, True
    report = Report(str(path), problems)
    text = read_text(path, report)
    found: Found | None = None if text is None else read_file_table(text, RIG_TABLE, report)
    rig = DEFAULT_RIG if found is None else build_rig(found, report)
    return rig, report.errors == 0


def _read_set(
    path: Path | None,
    songs: Mapping[str, Song],
    song_ids: set[str],
    rig: Rig,
    problems: list[Problem],
) -> tuple[SetList, bool]:
    everything = SetList("", tuple(SetEntry(song_id) for song_id in songs))
    if path is None:
        return everything, True
    report = Report(str(path), problems)
    text = read_text(path, report)
    draft = None if text is None else draft_set(text, str(path), problems)
    if draft is None:
        return everything, False
    for entry in draft.entries:
        _judge_entry(entry, draft, songs, song_ids, rig)
    return draft.set_list, draft.report.errors == 0


def _judge_entry(
    entry: EntryDraft, draft: SetDraft, songs: Mapping[str, Song], song_ids: set[str], rig: Rig
) -> None:
    """Report the names in an entry of the set that mean nothing."""
    report, song_id = draft.report, entry.entry.song_id
    if song_id not in song_ids:
        titles = {song.title.lower(): key for key, song in songs.items()}
        bare = song_id.removesuffix(".yaml").removesuffix(".yml")
        guess = titles.get(song_id.lower()) or near(bare, song_ids)
        report.error(
            entry.song,
            f"there is no song file {shown(song_id + '.yaml')}",
            f"did you mean '{guess}'?" if guess else "write the file's name without .yaml",
        )
        return
    if song_id not in songs:
        return
    sections = [section.name for section in songs[song_id].sections]
    for node, section in entry.skip:
        _judge_name(node, section, sections, f"a section of {song_id}", report)
    if entry.skip and set(sections) <= set(entry.entry.skip):
        report.error(entry.song, "every section of this song is skipped", "take the song out")
    instruments = [instrument.name for instrument in rig.instruments]
    for key, section, patches in entry.patches:
        _judge_name(key, section, sections, f"a section of {song_id}", report)
        for name_node, _, instrument, _ in patches:
            _judge_name(name_node, instrument, instruments, "an instrument of the rig", report)


def _judge_name(node: Located, word: str, known: list[str], what: str, report: Report) -> None:
    if word in known:
        return
    guess = near(word, known)
    listed = ", ".join(f"'{name}'" for name in dict.fromkeys(known))
    hint = f"did you mean '{guess}'?" if guess else f"there are {listed}" if known else ""
    report.error(node, f"{shown(word)} is not {what}", hint)

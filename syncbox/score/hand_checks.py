"""What can be wrong with pads, filters and fades: names that nothing answers to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from difflib import get_close_matches

from syncbox.score.checks import items
from syncbox.score.controls import Sign
from syncbox.score.hands import Pad, pads_in_force
from syncbox.score.problem import Problem, Severity
from syncbox.score.rig import EVERYTHING_ELSE, OWN_SOURCES, Rig
from syncbox.score.song import Place, PlayAudio, Song, SourceFade


def check_hands(rig: Rig, songs: Iterable[Song]) -> Iterator[Problem]:
    """Pads that nothing strikes, filters and fades of sources that nobody plays."""
    songs = list(songs)
    yield from _check_pads(rig.pads, rig)
    for song in songs:
        own = {pad.name for pad in song.pads}
        whole = pads_in_force(rig.pads, song.pads)
        yield from _check_pads([pad for pad in whole if pad.name in own], rig)
    played = _played(rig, songs)
    for written in rig.filters:
        if written.source not in played:
            yield Problem(
                written.place,
                f"there is no sound called '{written.source}' to filter",
                _guess(written.source, played, "write the 'as' name of a loop"),
                Severity.WARNING,
            )
        for setting in written.settings:
            if setting.sign is not None:
                yield from _check_input(setting.port, written.place, rig)
    for song in songs:
        for item in items(song):
            if isinstance(item.what, SourceFade) and item.what.source not in played:
                yield Problem(
                    item.place,
                    f"there is no sound called '{item.what.source}' to fade",
                    _guess(item.what.source, played, "write the 'as' name of a sound"),
                )


def _played(rig: Rig, songs: Iterable[Song]) -> list[str]:
    """Every source that something can sound on."""
    names = [*OWN_SOURCES, *(pad.source for pad in rig.pads)]
    for song in songs:
        names += [pad.source for pad in song.pads]
        names += [each.what.source for each in items(song) if isinstance(each.what, PlayAudio)]
    return list(dict.fromkeys(names))


def _check_pads(pads: Iterable[Pad], rig: Rig) -> Iterator[Problem]:
    for pad in pads:
        if pad.source in (*OWN_SOURCES, EVERYTHING_ELSE):
            yield Problem(
                pad.place,
                f"'{pad.source}' is the name of one of syncbox's own sources",
                "call the sound something else with 'as'",
            )
        if pad.sign is None or not pad.port:
            yield Problem(
                pad.place,
                f"nothing says how the pad '{pad.name}' is struck",
                "write its port and message here, or a pad of that name in rig.yaml",
            )
            continue
        yield from _check_input(pad.port, pad.place, rig)
        for control in rig.controls:
            if control.port == pad.port and _meet(control.sign, pad.sign):
                yield Problem(
                    pad.place,
                    f"the same stroke does '{control.does}' already",
                    "give one of them another message",
                )


def _meet(one: Sign, other: Sign) -> bool:
    channels = one.channel == other.channel or 0 in (one.channel, other.channel)
    return one.kind is other.kind and channels and one.low <= other.high and other.low <= one.high


def _check_input(port: str, place: Place, rig: Rig) -> Iterator[Problem]:
    if port not in rig.input_ports:
        yield Problem(
            place,
            f"'{port}' is not an input of the rig",
            _guess(port, rig.input_ports, "write it in rig.yaml under 'inputs'"),
        )


def _guess(word: str, known: Iterable[str], nothing: str) -> str:
    known = list(known)
    found = get_close_matches(word[:60], known, n=1)
    if found:
        return f"did you mean '{found[0]}'?"
    return f"there are {', '.join(known)}" if known else nothing

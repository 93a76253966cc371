"""What can be wrong with a show that its single files do not tell: names, meters and tempo.

Pure: records in, problems out. What needs wires or sound files is checked in
`syncbox.checking`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches

from syncbox.score.problem import Problem, Severity
from syncbox.score.rig import EVERYTHING_ELSE, OWN_SOURCES, Instrument, Rig
from syncbox.score.song import (
    Body,
    ControllerSend,
    Hold,
    Item,
    PatchChange,
    Place,
    PlayAudio,
    Section,
    Song,
    SysexSend,
)


def warning(place: Place, what: str, hint: str = "") -> Problem:
    """Something to know that does not keep the show from being played."""
    return Problem(place, what, hint, Severity.WARNING)


def bodies(section: Section) -> tuple[Body, ...]:
    """A section's body and its endings."""
    return (section.body, *section.endings)


def items(song: Song) -> Iterator[Item]:
    """Everything that happens in a song, in file order."""
    for section in song.sections:
        for body in bodies(section):
            yield from body.items


def _guess(word: str, known: Iterable[str], nothing: str) -> str:
    known = list(known)
    found = get_close_matches(word[:60], known, n=1)
    if found:
        return f"did you mean '{found[0]}'?"
    return f"there are {', '.join(known)}" if known else nothing


def check_names(song: Song, rig: Rig) -> Iterator[Problem]:
    """Instruments that the rig does not have, and sounds named like syncbox's own sources."""
    instruments = {instrument.name: instrument for instrument in rig.instruments}
    for item in items(song):
        what = item.what
        if isinstance(what, PatchChange | ControllerSend | SysexSend):
            yield from _check_instrument(item, what.instrument, instruments, rig)
        if isinstance(what, PlayAudio) and what.source in (*OWN_SOURCES, EVERYTHING_ELSE):
            yield Problem(
                item.place,
                f"'{what.source}' is the name of one of syncbox's own sources",
                "call the sound something else with 'as'",
            )


def _check_instrument(
    item: Item, name: str, instruments: Mapping[str, Instrument], rig: Rig
) -> Iterator[Problem]:
    if name not in instruments:
        yield Problem(
            item.place,
            f"'{name}' is not an instrument of the rig",
            _guess(name, instruments, "write it in rig.yaml under 'instruments'"),
        )
        return
    port = rig.port(instruments[name].port)
    if port is not None and not port.patches:
        yield warning(
            item.place,
            f"nothing is sent to '{name}': its port '{port.name}' has patches: no",
            "write patches: yes at the port in rig.yaml, or take this out",
        )


def check_form(song: Song) -> Iterator[Problem]:
    """Section names that stand twice, and holds where time has no known place to stop."""
    seen: set[str] = set()
    for section in song.sections:
        if section.name in seen:
            yield warning(
                section.place,
                f"two sections are called '{section.name}'",
                "give each its own name, so that the set list and the pedals can tell them apart",
            )
        seen.add(section.name)
        for body in bodies(section):
            for item in body.items:
                if isinstance(item.what, Hold) and section.vamp_usual:
                    yield Problem(
                        item.place,
                        "a hold inside a vamp would stop every round",
                        "put the hold into a section of its own after the vamp",
                    )


def check_rig(rig: Rig) -> Iterator[Problem]:
    """Channels and outputs that two want at once."""
    channels: dict[tuple[str, int], Instrument] = {}
    for instrument in rig.instruments:
        first = channels.setdefault((instrument.port, instrument.channel), instrument)
        if first is not instrument:
            yield Problem(
                instrument.place,
                f"'{instrument.name}' and '{first.name}' are both on channel "
                f"{instrument.channel} of '{instrument.port}'",
                "give one of them another channel",
            )
    outputs: dict[int, str] = {}
    for mix in rig.mixes:
        taken = [channel for channel in mix.channels if channel in outputs]
        for channel in taken:
            yield Problem(
                mix.place,
                f"output {channel} belongs to the mix '{outputs[channel]}' already",
                f"give '{mix.name}' an output of its own",
            )
        outputs.update(dict.fromkeys(mix.channels, mix.name))


def _played(songs: Iterable[Song], rig: Rig) -> dict[str, Place]:
    """Every source that something sounds on, and where it is first written."""
    played: dict[str, Place] = {}
    for song in songs:
        for item in items(song):
            if isinstance(item.what, PlayAudio):
                played.setdefault(item.what.source, item.place)
        for pad in song.pads:
            played.setdefault(pad.source, pad.place)
    for pad in rig.pads:
        played.setdefault(pad.source, pad.place)
    return played


def check_sources(songs: Iterable[Song], rig: Rig) -> Iterator[Problem]:
    """Faders without a sound, and sounds that nobody hears."""
    played = _played(songs, rig)
    known = {*played, *OWN_SOURCES, EVERYTHING_ELSE}
    for mix in rig.mixes:
        for source in mix.levels_db:
            if source not in known:
                yield warning(
                    mix.place,
                    f"the mix '{mix.name}' sets '{source}', but no song plays a sound of that name",
                    _guess(source, known, ""),
                )
    for source, place in played.items():
        if all(
            mix.levels_db.get(source, mix.levels_db.get(EVERYTHING_ELSE, float("-inf")))
            == float("-inf")
            for mix in rig.mixes
        ):
            yield warning(
                place,
                f"nobody hears '{source}': it is off in every mix",
                f"write {EVERYTHING_ELSE} or {source} into a mix in rig.yaml",
            )

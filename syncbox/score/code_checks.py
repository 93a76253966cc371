"""Time code, clock pulses and spoken words that lead nowhere, and outputs that would hurt."""

from __future__ import annotations

from collections.abc import Iterator

from syncbox.score.checks import warning
from syncbox.score.problem import Problem
from syncbox.score.rig import PULSE_SOURCE, TIME_CODE_SOURCE, VOICE_SOURCE, Mix, Rig, Show
from syncbox.score.song import Place

_SILENT = float("-inf")
_ALONE = {TIME_CODE_SOURCE: "time code", PULSE_SOURCE: "clock pulses"}


def check_codes(show: Show) -> Iterator[Problem]:
    """What is made for nobody, what is wanted and not made, and what does not belong in an ear."""
    rig = show.rig
    coded = show.set_list.time_code is not None or any(
        song.time_code is not None for song in show.songs.values()
    )
    hears_code = _heard(rig, TIME_CODE_SOURCE)
    wants_code = hears_code or any(port.time_code for port in rig.ports)
    if coded and not wants_code:
        places = [song.place for song in show.songs.values() if song.time_code is not None]
        places += [entry.place for entry in show.set_list.entries]
        yield warning(
            places[0] if places else Place(),
            "the time code goes nowhere",
            "write time-code: yes at a port, or a level for time-code in a mix, in rig.yaml",
        )
    if wants_code and not coded:
        where = [port.place for port in rig.ports if port.time_code]
        where += [mix.place for mix in rig.mixes if _level(mix, TIME_CODE_SOURCE) > _SILENT]
        yield warning(
            where[0],
            "no song has a time code, so none is sent",
            "write for example time-code: 01:00:00:00 in setlist.yaml or in a song",
        )
    yield from _check_pulses(rig)
    yield from _check_voice(show)
    for mix in rig.mixes:
        yield from _check_alone(mix)


def _level(mix: Mix, source: str) -> float:
    return mix.levels_db.get(source, _SILENT)


def _heard(rig: Rig, source: str) -> bool:
    return any(_level(mix, source) > _SILENT for mix in rig.mixes)


def _check_pulses(rig: Rig) -> Iterator[Problem]:
    wanting = [mix for mix in rig.mixes if _level(mix, PULSE_SOURCE) > _SILENT]
    if wanting and rig.pulse is None:
        yield warning(
            wanting[0].place,
            f"the mix '{wanting[0].name}' wants clock pulses, but there are none",
            "write for example pulse: 2 in rig.yaml",
        )
    if rig.pulse is not None and not wanting and rig.mixes:
        yield warning(
            rig.mixes[0].place,
            "no output gets the clock pulses",
            f"write a level for {PULSE_SOURCE} into a mix of its own",
        )


def _check_voice(show: Show) -> Iterator[Problem]:
    speaking = [s for s in show.songs.values() if (s.spoken, show.rig.spoken) in _SPOKEN]
    if speaking and not _heard(show.rig, VOICE_SOURCE):
        yield warning(
            speaking[0].place,
            "nobody hears the spoken words: voice is off in every mix",
            f"write a level for {VOICE_SOURCE} into a mix in rig.yaml, or spoken: no",
        )


_SPOKEN = {(True, True), (True, False), (None, True)}  # of a song and of the rig


def _check_alone(mix: Mix) -> Iterator[Problem]:
    """Harsh signals for machines belong on outputs that no ear is at."""
    for source, what in _ALONE.items():
        others = [
            other for other, level in mix.levels_db.items() if other != source and level > _SILENT
        ]
        if _level(mix, source) > _SILENT and others:
            yield warning(
                mix.place,
                f"the mix '{mix.name}' has {what} together with {', '.join(others)}: it is harsh "
                "and loud, and no ear should hear it",
                "give it a mix and an output of its own",
            )

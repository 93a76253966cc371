"""Tonight's changes: a song with the set list's tempo trim, skips and other patches applied."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from fractions import Fraction

from syncbox.score.rig import SetEntry, TempoTrim
from syncbox.score.song import At, Body, Item, PatchChange, Ramp, Section, Song, TempoStep


def tonight(song: Song, entry: SetEntry) -> Song:
    """The song as it is to be played tonight. Metric modulations follow the trimmed tempo."""
    sections = tuple(section for section in song.sections if section.name not in entry.skip)
    if entry.trim != TempoTrim():
        sections = tuple(_each_item(section, _trimmer(entry.trim)) for section in sections)
        song = replace(song, tempo_qpm=_trim(song.tempo_qpm, entry.trim))
    sections = tuple(
        _with_patches(section, entry.patches[section.name])
        if section.name in entry.patches
        else section
        for section in sections
    )
    return replace(song, sections=sections)


def _trim(tempo_qpm: Fraction, trim: TempoTrim) -> Fraction:
    return tempo_qpm * trim.factor + trim.add_qpm


def _trimmer(trim: TempoTrim) -> Callable[[Item], Item]:
    def trimmed(item: Item) -> Item:
        match item.what:
            case TempoStep(tempo_qpm):
                return replace(item, what=TempoStep(_trim(tempo_qpm, trim)))
            case Ramp(to_qpm, over, shape):
                return replace(item, what=Ramp(_trim(to_qpm, trim), over, shape))
            case _:
                return item

    return trimmed


def _each_item(section: Section, change: Callable[[Item], Item]) -> Section:
    def changed(body: Body) -> Body:
        return replace(body, items=tuple(change(item) for item in body.items))

    return replace(
        section,
        body=changed(section.body),
        endings=tuple(changed(ending) for ending in section.endings),
    )


def _with_patches(section: Section, patches: Mapping[str, str]) -> Section:
    """The section's opening patches, with tonight's in place of those of the same instruments."""
    kept = tuple(
        item
        for item in section.body.items
        if not (
            isinstance(item.what, PatchChange)
            and item.at == At()
            and item.what.instrument in patches
        )
    )
    added = tuple(
        Item(At(), PatchChange(instrument, patch), place=section.place)
        for instrument, patch in patches.items()
    )
    return replace(section, body=replace(section.body, items=kept + added))

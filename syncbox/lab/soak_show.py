"""Made-up shows for nights that go wrong on purpose: short songs with everything in them."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

from syncbox.score.controls import Zone
from syncbox.score.hands import Pad, PadStart
from syncbox.score.meter import Meter
from syncbox.score.rig import (
    Instrument,
    MidiPort,
    Mix,
    Rig,
    SetEntry,
    SetList,
    Show,
    Then,
    Wire,
)
from syncbox.score.song import (
    At,
    Body,
    ControllerSend,
    CountIn,
    Hold,
    Item,
    MeterChange,
    PatchChange,
    Ramp,
    RampShape,
    Section,
    Song,
    Span,
    TempoStep,
)
from syncbox.score.timecode import CodeRate, TimeCode

_METERS = (
    Meter.of(4, 4),
    Meter.of(4, 4),
    Meter.of(3, 4),
    Meter.of(6, 8),
    Meter.of(7, 8, (2, 2, 3)),
    Meter.of(5, 16),
)
_INSTRUMENTS = ("organ", "lead", "choir")


def made_up_rig(random_: random.Random) -> Rig:
    """Three ports of different kinds; a keyboard that plays an instrument on one of them."""
    offset = Fraction(random_.choice((0, 0, -3, 5)))
    return Rig(
        ports=(
            MidiPort("stand", "stand", clock=True, start_stop=True, song_position=True),
            MidiPort("strings", "strings", wire=Wire.USB, offset_ms=offset, clock=True),
            MidiPort("lights", "lights", wire=Wire.USB, clock=True, start_stop=True),
        ),
        instruments=(
            Instrument("organ", "stand", 1, loading_ms=Fraction(40)),
            Instrument("lead", "stand", 2, loading_ms=Fraction(120)),
            Instrument("choir", "strings", 1),
        ),
        mixes=(Mix("all", (1, 2), {"click": 0.0, "count-in": 0.0}),),
        input_ports={"keys": "keys"},
        zones=(Zone("keys", random_.choice(_INSTRUMENTS)),),
    )


def _items(random_: random.Random, bars: int, *, vamp: bool) -> tuple[Item, ...]:
    items = [
        Item(At(1, Fraction(1)), PatchChange(name, str(random_.randint(1, 100))))
        for name in _INSTRUMENTS
        if random_.random() < 0.6
    ]
    for bar in range(1, bars + 1):
        chance, at = random_.random(), At(bar, Fraction(1))
        if chance < 0.1:
            items.append(Item(at, TempoStep(Fraction(random_.randint(600, 2400), 10))))
        elif chance < 0.2:
            shape, over = random_.choice(list(RampShape)), Span(bars=random_.randint(1, 3))
            items.append(Item(at, Ramp(Fraction(random_.randint(60, 240)), over, shape)))
        elif chance < 0.3 and not vamp:
            items.append(Item(at, MeterChange(random_.choice(_METERS))))
        elif chance < 0.36 and not vamp:
            seconds = random_.choice((None, Fraction(1, 3)))
            items.append(Item(at, Hold(seconds, Fraction(1, 2))))
        elif chance < 0.5:
            sent = ControllerSend("organ", 11, random_.randint(0, 127))
            items.append(Item(at, sent))
    return tuple(items)


def _section(random_: random.Random, name: str) -> Section:
    vamp, bars = random_.random() < 0.25, random_.randint(1, 4)
    body = Body(bars, _items(random_, bars, vamp=vamp))
    passes = 1 if vamp else random_.choice((1, 1, 2))
    return Section(name, body, passes=passes, vamp_usual=2 if vamp else 0)


def made_up_show(random_: random.Random) -> Show:
    """A set of three songs of some seconds each."""
    songs = {}
    for number in range(3):
        names = "ABCD"[: random_.randint(2, 4)]
        songs[f"song-{number}"] = Song(
            f"song-{number}",
            f"Song {number}",
            Fraction(random_.randint(700, 2200), 10),
            tuple(_section(random_, name) for name in names),
            meter=random_.choice(_METERS),
            count_in=CountIn(bars=random_.choice((0, 1))),
        )
    thens = (Then.WAIT, Then.SEGUE, Then.GAP)
    entries = tuple(SetEntry(name, then=random_.choice(thens)) for name in songs)
    return Show("", made_up_rig(random_), SetList("made up", entries), songs)


def widened(show: Show, random_: random.Random) -> Show:
    """The same with pads, zones that change, time code, patches that wait, and perhaps a leader."""
    stand, strings, lights = show.rig.ports
    code_port, late = random_.choice((0, 1)), Fraction(random_.choice((0, -4, 6)))
    organ, *others = show.rig.instruments
    rig = replace(
        show.rig,
        ports=(
            replace(stand, time_code=code_port == 0),
            replace(strings, time_code=code_port == 1),
            replace(lights, offset_ms=late),
        ),
        instruments=(replace(organ, when_released=random_.random() < 0.5), *others),
        input_ports={"keys": "keys", "box": "box"},
        follow=random_.choice((None, None, "box")),
        pads=(Pad("hit", "hit.wav", "hits", start=random_.choice(list(PadStart))),),
        zones_early_ms=Fraction(random_.choice((0, 0, 40))),
    )
    rate = random_.choice(list(CodeRate))
    songs = {
        name: replace(
            song,
            sections=tuple(replace(each, zones=_zones(random_)) for each in song.sections),
            time_code=TimeCode(rate, random_.randrange(1000), in_count=random_.random() < 0.5),
        )
        for name, song in show.songs.items()
    }
    return replace(show, rig=rig, songs=songs)


def _zones(random_: random.Random) -> tuple[Zone, ...]:
    """None, one, or two that share the keyboard."""
    split = random_.randint(50, 70)
    pedals = random_.choice((None, frozenset[int]()))
    low = Zone("keys", random_.choice(_INSTRUMENTS), high=split, transpose=12)
    high = Zone("keys", random_.choice(_INSTRUMENTS), low=split, pedals=pedals)
    return random_.choice(((), (low,), (low, high), (high,)))

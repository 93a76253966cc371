from fractions import Fraction

from syncbox.engine.script import CueScript
from syncbox.pack.usual import cued, file_steps, shares
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.song import At, Body, Hold, Item, Section, Song


def vamp(name, usual):
    return Section(name, Body(1), vamp_usual=usual)


def hold(name, seconds=None, usual=3):
    what = Hold(None if seconds is None else Fraction(seconds), Fraction(usual))
    return Section(name, Body(1, (Item(At(), what),)))


def route_of(*sections):
    return lay_out(Song("a", "A", Fraction(120), sections))


def lengths(route):
    """Rounds of every vamp and seconds of every hold, in order."""
    for leg in route.legs:
        if leg.kind is LegKind.HOLD:
            yield leg.hold_seconds
        elif leg.section.startswith("vamp"):
            yield leg.usual_rounds


def test_a_script_sets_vamps_and_waiting_holds_in_their_order():
    route = route_of(vamp("vamp 1", 4), hold("h1"), vamp("vamp 2", 2), hold("h2", 5), hold("h3"))
    script = CueScript((7, None), (Fraction(1, 2),))
    assert list(lengths(route)) == [4, 3, 2, 5, 3]
    assert list(lengths(cued(route, script))) == [7, Fraction(1, 2), 2, 5, 3]


def test_each_song_gets_its_share_of_a_script():
    routes = [route_of(vamp("vamp", 2), hold("h")), route_of(hold("h", 1)), route_of(vamp("v", 2))]
    script = CueScript((3, 9, 5), (Fraction(1), Fraction(2)))
    assert list(shares(script, routes)) == [
        CueScript((3,), (Fraction(1),)),
        CueScript((), ()),
        CueScript((9,), ()),
    ]


def test_steps_follow_each_other_and_a_vamp_stands_there_in_every_round():
    steps = file_steps(route_of(vamp("vamp", 3), hold("h", 2)))
    assert [placed.step.round for placed in steps] == [1, 2, 3, 1, 1, 1]
    ends = [placed.start_tick + placed.ticks for placed in steps]
    assert [placed.start_tick for placed in steps] == [0, *ends[:-1]]

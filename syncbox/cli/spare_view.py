"""What two computers with the same show tell the people in front of them. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from syncbox.cli.keys import Key
from syncbox.cli.screen import Health, KeyHint
from syncbox.drivers.spare_rules import Heard, Misfit, Refusal, Situation

if TYPE_CHECKING:
    from syncbox.cli.screen import View
    from syncbox.drivers.beacon import SpareHeard
    from syncbox.drivers.spare import SpareStatus

LOST_PERMILLE_MAX = 50  # of packets; more is worth a look at the cable

SILENT_KEYS = (KeyHint(Key.TAKE.value, "take over"), KeyHint(Key.QUIT.value, "leave"))
GIVE_BACK = KeyHint(Key.GIVE.value, "give back")

REFUSALS = {
    Refusal.OTHER_SHOW: "not taken over: the first computer plays another show",
    Refusal.NOBODY_ELSE: "not given back: nothing is heard from the first, nobody would play",
}

_MISFITS = {
    Misfit.NONE: "",
    Misfit.SHOW: "the first computer has another show, or began it elsewhere",
    Misfit.RATE: "the first computer's sound has another sample rate",
    Misfit.VERSION: "the first computer has another version of syncbox",
}


_STATES = {
    Situation.NOTHING_HEARD: "silent: first not heard",
    Situation.MISFIT: "silent: cannot follow",
    Situation.CATCHING_UP: "silent, catching up",
    Situation.FOLLOWING: "following, silent",
    Situation.QUIET: "silent: first is quiet",
    Situation.SILENT_ALONE: f"silent: {Key.TAKE.value} takes over",
    Situation.LEFT: f"silent: first has left, {Key.TAKE.value} takes over",
    Situation.BOTH: "BOTH ARE PLAYING",
}


def state_line(status: SpareStatus) -> str:
    """What this computer does, in a few words that are read from two metres."""
    took = "took over by itself" if status.by_itself else "took over"
    return _STATES.get(status.situation, f"playing, {took}")


def alarm(status: SpareStatus) -> str:
    """What cannot wait, and what to do; empty when all is well."""
    place = f" ({status.where})" if status.where else ""
    gone = "nothing heard from the first: "
    words = {
        Situation.BOTH: f"BOTH ARE PLAYING: {Key.GIVE.value} here gives back, "
        f"{Key.QUIT.value} there leaves",
        Situation.BOTH_ON: "the first computer is there again, stopped: do not start it",
        Situation.MISFIT: f"{_MISFITS[status.misfit]}{place}: leave, and start the spare again",
        Situation.SILENT_ALONE: f"{gone}{Key.TAKE.value} takes over",
    }
    if status.situation is Situation.QUIET and status.by_itself_in_ms >= 0:
        return f"{gone}takes over in {status.by_itself_in_ms / 1000:.1f} s"
    if status.situation in words:
        return words[status.situation]
    if status.rival:
        return "two first computers are sending: this one stays with the one it heard first"
    if status.other_version:
        return "somebody here has another version of syncbox: install the same on both"
    return ""


def spare_health(status: SpareStatus) -> tuple[Health, ...]:
    """The network and the clocks in a few words."""
    if status.ago_ms < 0:
        return (Health("first", "not heard yet", well=False),)
    near = status.ago_ms < 1000
    words = f"heard {status.ago_ms / 1000:.1f} s ago" if not near else "heard"
    if near and status.within_us >= 0:
        words += f", within {status.within_us / 1000:.1f} ms"
    if status.lost_permille:
        words += f", {status.lost_permille / 10:g} % lost"
    if near and not status.first_hears_us:
        words += ", does not hear this one"
        near = False
    found = [Health("first", words, well=near and status.lost_permille <= LOST_PERMILLE_MAX)]
    if status.sounds_differ:
        found.append(Health("sounds", "not the same files", well=False))
    if status.follower:
        found.append(Health("spare", "another one goes along"))
    return tuple(found)


def spare_view(view: View, status: SpareStatus) -> View:
    """The stage screen of a spare computer."""
    playing = status.situation in (Situation.PLAYING, Situation.BOTH, Situation.BOTH_ON)
    line = state_line(status)
    state = f"{line}   {view.state}" if playing else line
    if status.situation is Situation.FOLLOWING:
        state = f"{line}   {view.state.partition(':')[0]}"
    keys = (GIVE_BACK, *view.keys) if playing else SILENT_KEYS
    ports = view.ports
    if not playing:  # a port that is missing matters only when it would be used
        ports = tuple(port for port in ports if not port.well)
    return replace(
        view,
        state=state,
        waits=status.situation is not Situation.FOLLOWING
        and (view.waits or status.situation is not Situation.PLAYING),
        notice=view.notice or alarm(status),
        keys=keys,
        ports=(*spare_health(status), *ports),
    )


# --- the first computer -----------------------------------------------------------------------


def first_alarm(spare: SpareHeard) -> str:
    """What the first computer's screen must say of its spare; empty when all is well."""
    if spare.trouble:
        return spare.trouble
    match spare.heard:
        case Heard.BOTH:
            return (
                f"BOTH ARE PLAYING: the spare took over. {Key.GIVE.value} there gives back, "
                f"{Key.QUIT.value} here leaves"
            )
        case Heard.GONE:
            return f"nothing heard from the spare for {spare.ago_ms // 1000} s: it may be playing"
        case Heard.DEAF:
            return "the spare does not hear us: it may be playing"
    return ""


def first_health(spare: SpareHeard) -> Health:
    """The spare in a word or two."""
    words = {
        Heard.NO_SPARE: "not heard yet",
        Heard.GOES_ALONG: f"goes along, within {spare.within_us / 1000:.1f} ms",
        Heard.NOT_YET: "catching up",
        Heard.MISFIT: "has another show, rate or version",
        Heard.DEAF: "does not hear us",
        Heard.GONE: "not heard",
        Heard.LEFT: "has left",
        Heard.BOTH: "PLAYS",
    }[spare.heard]
    if spare.lost_permille:
        words += f", {spare.lost_permille / 10:g} % lost"
    well = spare.heard in (Heard.GOES_ALONG, Heard.NOT_YET) and not spare.sounds_differ
    if spare.sounds_differ:
        words += ", has other sound files"
    return Health("spare", words, well=well and spare.lost_permille <= LOST_PERMILLE_MAX)


def first_view(view: View, spare: SpareHeard) -> View:
    """The stage screen of a first computer that has a spare."""
    return replace(
        view,
        notice=view.notice or first_alarm(spare),
        ports=(first_health(spare), *view.ports),
    )


# --- lines for a script -----------------------------------------------------------------------


def first_line(spare: SpareHeard) -> str:
    """A line that changes when something has happened to the spare."""
    words = "BOTH ARE PLAYING" if spare.heard is Heard.BOTH else _PLAIN[spare.heard]
    return f"spare: {spare.trouble or words}"


_PLAIN = {
    Heard.NO_SPARE: "not heard yet",
    Heard.GOES_ALONG: "goes along",
    Heard.NOT_YET: "catching up",
    Heard.MISFIT: "has another show, rate or version",
    Heard.DEAF: "does not hear this computer: it may be playing",
    Heard.GONE: "nothing heard: it may be playing",
    Heard.LEFT: "has left",
}


def spare_line(status: SpareStatus) -> str:
    """The same on the spare."""
    both = alarm(status) if status.situation in (Situation.MISFIT, Situation.BOTH_ON) else ""
    return "; ".join(filter(None, (state_line(status), both)))

"""From the screen's view to the page's card, and from a press on the page to the engine."""

from dataclasses import replace

import pytest
from stage_views import ROLLING

from syncbox.cli.keys import Key
from syncbox.cli.page import StagePage, card_of, for_phones
from syncbox.cli.prepare import playable_show
from syncbox.cli.screen import Health
from syncbox.cli.view import state_words
from syncbox.engine.state import Now
from syncbox.engine.transport import Command, State
from syncbox.score.layout import lay_out
from syncbox.stage.host import FromPhone
from syncbox.stage.presses import COMMAND_OF_PRESS, Press

VIEW = replace(ROLLING, map_mqpm=104_000, ports=(Health("synths", "ok"),))


class Host:
    """A page that nobody serves."""

    def __init__(self, *pressed):
        self.pressed = [FromPhone(7, Press(what, 1, 0, tuple(w)), 0) for what, *w in pressed]
        self.answers, self.cards = [], []

    def presses(self):
        return self.pressed

    def answer(self, one, *, done, words=""):
        self.answers.append((one.press.what, done, words))

    def show(self, card):
        self.cards.append(card)


class Show:
    """A performance that only notes what is pressed."""

    def __init__(self, refusal=""):
        self.pressed, self._refusal = [], refusal

    def press(self, command, argument=0):
        self.pressed.append((command, argument))
        return ""

    def refusal(self):
        return self._refusal


class Status:
    def __init__(self, **now):
        self.now = Now(**now)


def turn(press, show=None, **now):
    show, host = show or Show(), Host(press)
    StagePage(host, show).turn(VIEW, Status(**now))
    return host.answers[0], show.pressed


def test_the_card_says_what_the_screen_says():
    now = Now(trim_permille=-30, trim_bars=2, sounding_permille=10, stop_bars=1, click_muted=1)
    view = replace(VIEW, by_hand="click off   tempo -3 %", ports=(Health("drums", "gone", False),))
    card = card_of(view, now, ("cue",))
    assert (card.song, card.section, card.bar, card.to_go_bars) == (
        "Lantern Street",
        "Verse",
        13,
        1,
    )
    assert (card.trim_permille, card.trim_wait_bars, card.sounds_permille) == (-30, 2, 10)
    assert (card.stop_wait_bars, card.click_off, card.means) == (1, True, ("cue",))
    assert card.by_hand == "click off", "the tempo has a line of its own"
    assert card.alarms == ("drums: gone",)
    assert card.next_patches == VIEW.next_patches


def test_no_state_names_a_key_that_phones_do_not_have(show_folder):
    legs = lay_out(playable_show(show_folder).songs["quick-one"]).legs
    for state in State:
        for leg in legs:
            for by_itself in (False, True):
                words = for_phones(state_words(Now(transport=state), leg, by_itself=by_itself))
                assert words
                assert not any(key.value in words.split() for key in Key)


@pytest.mark.parametrize(
    ("press", "state", "command"),
    [
        (("cue",), State.VAMPING, (Command.CUE, 0)),
        (("cue",), State.HOLDING, (Command.CUE, 0)),
        (("stop at bar",), State.ROLLING, (Command.STOP_AT_BAR, 0)),
        (("mute click",), State.STOPPED, (Command.MUTE_CLICK, 0)),
        (("faster",), State.ROLLING, (Command.TEMPO_UP, 0)),
        (("tempo", ("tempo", "-3 %")), State.ROLLING, (Command.TEMPO_TRIM, -30)),
        (("tempo", ("tempo", "+2 bpm")), State.STOPPED, (Command.TEMPO_TRIM, 19)),
    ],
)
def test_a_press_reaches_the_engine(press, state, command):
    answer, pressed = turn(press, transport=int(state))
    assert answer == (press[0], True, "")
    assert pressed == [command]


@pytest.mark.parametrize(
    ("press", "now", "words"),
    [
        (("cue",), {"transport": State.ROLLING}, "nothing waits for a cue"),
        (("stop at bar",), {"transport": State.STOPPED}, "nothing plays"),
        (("tempo", ("tempo", "-3 %")), {"leader_lock": 1}, "another box leads"),
        (("tempo", ("tempo", "quick")), {}, "faster (+) or slower (-)"),
        (("tempo",), {}, "faster (+) or slower (-)"),
        (("tempo", ("tempo", "+50 %")), {}, "more than 20 %"),
        (("learn",), {}, "syncbox learn"),
    ],
)
def test_a_press_that_means_nothing_is_answered_in_words(press, now, words):
    answer, pressed = turn(press, **now)
    assert answer[1] is False
    assert words in answer[2]
    assert pressed == []


def test_a_silent_spare_takes_no_press():
    show, host = Show("this computer is silent"), Host(("mute click",))
    StagePage(host, show).turn(VIEW, Status())
    assert host.answers == [("mute click", False, "this computer is silent")]
    assert host.cards[0].means == ()
    assert show.pressed == []


def test_only_what_means_something_is_offered():
    host = Host()
    StagePage(host, Show()).turn(VIEW, Status(transport=int(State.ROLLING)))
    assert set(host.cards[0].means) == set(COMMAND_OF_PRESS) - {"cue"}

"""Learning on the page, step by step, without a device."""

import pytest

from syncbox.errors import UnreadableError
from syncbox.midi.ports import SystemPort
from syncbox.score.reading.control_tables import COMMANDS, JUMPS, OF_A_MIX
from syncbox.score.reading.files import save_text
from syncbox.stage.lesson import CHOOSE, KEEP_OR_NOT, LISTEN, Lesson
from syncbox.stage.presses import KEEP, LEARN, LET_BE, Press

FOOT = SystemPort("Stage Pedal:Stage Pedal 24:0")
PRESS, LET_GO = b"\xb0\x40\x7f", b"\xb0\x40\x00"
RIG = """\
syncbox: 1
# The band's own remarks stay where they are.
mixes:
  drummer: {outputs: 1-2, levels: {click: 0 dB}, ceiling: -6 dB}   # loud
"""


class Learning:
    def __init__(self, folder):
        self.path = folder / "rig.yaml"
        self.path.write_text(RIG, "utf-8")
        self.now_s = 100.0
        self.lesson = Lesson(
            lambda: (self.path, self.path.read_text("utf-8")),
            save_text,
            show="songs",
            seconds=30,
            sections=("Verse", "Solo"),
        )

    @property
    def text(self):
        return self.path.read_text("utf-8")

    @property
    def card(self):
        return self.lesson.card((FOOT,))

    def choose(self, does="cue", **words):
        return self.obey(LEARN, does=does, **words)

    def obey(self, what, **words):
        return self.lesson.obey(Press(what, 1, 0, tuple(words.items())), self.now_s)

    def hear(self, *messages, port=FOOT):
        for message in messages:
            self.lesson.hear(port, message, self.now_s)

    def wait(self, seconds):
        self.now_s += seconds
        self.lesson.tick((FOOT,), self.now_s)


@pytest.fixture
def learning(tmp_path):
    return Learning(tmp_path)


def test_choose_press_keep(learning):
    assert (learning.card.step, learning.card.controls) == (CHOOSE, ())
    assert learning.choose() == ""
    learning.wait(3)
    assert (learning.card.step, learning.card.wanted, learning.card.left_s) == (LISTEN, "cue", 27)
    learning.hear(PRESS, LET_GO)
    card = learning.card
    assert card.step == KEEP_OR_NOT
    assert card.heard == "controller 64 channel 1 from Stage Pedal:Stage Pedal 24:0"
    assert learning.text == RIG, "nothing is written before somebody says keep"
    assert learning.obey(KEEP) == ""
    assert learning.text.startswith(RIG)
    assert "  - {does: cue, port: stage-pedal, message: controller 64 channel 1}" in learning.text
    card = learning.card
    assert (card.step, card.said) == (CHOOSE, "rig.yaml has 2 new lines: cue")
    assert [(row.does, row.message, row.port) for row in card.controls] == [
        ("cue", "controller 64 channel 1", "stage-pedal")
    ]
    assert (learning.path.parent / "rig.yaml.before").read_text("utf-8") == RIG


def test_what_is_not_kept_leaves_no_trace(learning):
    learning.choose()
    learning.hear(PRESS, LET_GO)
    assert learning.obey(LET_BE) == ""
    assert (learning.text, learning.card.step) == (RIG, CHOOSE)
    assert learning.obey(KEEP) == "that means nothing now"
    assert learning.text == RIG


def test_a_jump_a_mix_and_a_long_press_go_into_the_line(learning):
    learning.choose("jump at end", section="Solo", hold="600ms")
    learning.hear(b"\x99\x24\x40")
    learning.obey(KEEP)
    learning.choose("mute mix", mix="drummer", section="Verse")
    learning.hear(b"\x99\x25\x40")
    learning.obey(KEEP)
    assert "message: note 36 channel 10, section: Solo, hold: 600 ms}" in learning.text
    assert "message: note 37 channel 10, mix: drummer}" in learning.text
    assert [row.about for row in learning.card.controls] == ["Solo", "drummer"]


@pytest.mark.parametrize(
    ("words", "refusal"),
    [
        ({"does": "que"}, "did you mean 'cue'?"),
        ({"does": "cue", "hold": "9 ms"}, "out of range"),
        ({"does": "jump at bar"}, "choose its section"),
        ({"does": "mute mix"}, "choose which mix"),
        ({}, ""),
    ],
)
def test_a_wrong_choice_is_said_and_nothing_is_listened_to(learning, words, refusal):
    found = learning.obey(LEARN, **words)
    assert found
    assert refusal in found
    assert learning.card.step == CHOOSE


def test_a_press_that_has_a_meaning_already_is_said_and_loses_nothing(learning):
    learning.choose()
    learning.hear(PRESS, LET_GO)
    learning.obey(KEEP)
    before = learning.text
    learning.choose("start")
    learning.hear(PRESS, LET_GO)
    card = learning.card
    assert (card.step, card.trouble) == (CHOOSE, True)
    assert "does 'cue' already" in card.said
    assert learning.text == before


def test_nobody_presses_anything(learning):
    learning.choose()
    learning.wait(31)
    assert learning.card.step == CHOOSE
    assert "nothing was pressed in 30 s" in learning.card.said
    learning.hear(PRESS, LET_GO)
    assert learning.card.step == CHOOSE


def test_pedals_have_manners(learning):
    learning.choose()
    learning.hear(LET_GO, PRESS)
    assert "the other way round" in learning.card.heard
    learning.choose()
    learning.hear(PRESS)
    learning.wait(2)
    assert "stays down" in learning.card.heard


def test_an_editor_that_saved_meanwhile_keeps_what_it_wrote(learning):
    learning.choose()
    learning.hear(PRESS, LET_GO)
    more = RIG + "# one more remark\n"
    learning.path.write_text(more, "utf-8")
    learning.obey(KEEP)
    assert learning.text.startswith(more)
    assert "does: cue" in learning.text


def test_a_rig_that_was_broken_meanwhile_is_said_and_left_alone(learning):
    learning.choose()
    learning.hear(PRESS, LET_GO)
    learning.path.write_text("mixes: [what\n", "utf-8")
    assert "rig.yaml" in learning.obey(KEEP)
    assert learning.text == "mixes: [what\n"
    assert learning.card.step == KEEP_OR_NOT, "keep can be pressed again when it is mended"


def test_a_rig_that_cannot_be_read_or_saved_is_said(tmp_path):
    def fails(*_):
        raise UnreadableError("the disk is full", where="rig.yaml")

    lesson = Lesson(fails, fails, show="songs", seconds=30, sections=())
    card = lesson.card(())
    assert (card.trouble, card.said) == (True, "rig.yaml: the disk is full")


def test_the_page_offers_what_a_rig_may_say(learning):
    card = learning.card
    assert (card.commands, card.jumps, card.of_a_mix) == (COMMANDS, JUMPS, OF_A_MIX)
    assert (card.sections, card.mixes) == (("Verse", "Solo"), ("drummer",))

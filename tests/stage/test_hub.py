"""Phones of every kind against the hub, without a network."""

import asyncio
import json

import pytest

from syncbox.stage import hub as hub_module
from syncbox.stage.door import Door
from syncbox.stage.hub import BEHIND_NS, LATE, NOTES_MAX, PHONES_MAX, SHUT, Hub
from syncbox.units import NS_PER_SECOND

CODE = "471028"


class Wire:
    """A phone's end: what it got, and what it sends when told to."""

    def __init__(self, *, reads=True):
        self.got, self._reads = [], reads
        self._sends = asyncio.Queue()

    async def send(self, text):
        if not self._reads:
            await asyncio.Event().wait()
        self.got.append(json.loads(text))

    async def receive(self):
        note = await self._sends.get()
        if note is None:
            raise ConnectionError
        return note

    def say(self, **note):
        self._sends.put_nowait(json.dumps(note))

    def leave(self):
        self._sends.put_nowait(None)

    def cards(self):
        return [each["card"] for each in self.got if "card" in each]

    def said(self, kind):
        return [each[kind] for each in self.got if kind in each]


class Scene:
    def __init__(self):
        self.now_ns = 10**12
        self.pressed = []
        self.hub = Hub(Door(CODE), self.pressed.append, lambda: self.now_ns, "stage 1")
        self.tasks = []

    def phone(self, address="phone", **kind):
        wire = Wire(**kind)
        self.tasks.append(asyncio.ensure_future(self.hub.serve(wire, address)))
        return wire


def scene(play):
    """Run a scene to its end in an event loop of its own."""

    async def whole():
        found = Scene()
        try:
            await asyncio.wait_for(play(found), 60)
        finally:
            for task in found.tasks:
                task.cancel()
            await asyncio.gather(*found.tasks, return_exceptions=True)

    asyncio.run(whole())


async def come(condition):
    while not condition():
        await asyncio.sleep(0.01)


def test_everybody_gets_the_newest_card_and_nobody_a_backlog(monkeypatch):
    async def play(s):
        phones = [s.phone() for _ in range(3)]
        await come(lambda: s.hub.count == 3)
        for number in range(1000):
            s.hub.show(str(number))
        await come(lambda: all(phone.cards() for phone in phones))
        s.hub.show("1000")
        await come(lambda: all(1000 in phone.cards() for phone in phones))
        assert all(phone.cards() == [999, 1000] for phone in phones)

    scene(play)


def test_one_that_comes_later_sees_at_once_how_things_are():
    async def play(s):
        s.hub.show('{"bar":3}')
        phone = s.phone()
        await come(phone.cards)
        assert phone.got[0] == {"hello": "stage 1"}
        assert phone.got[1]["card"] == {"bar": 3}

    scene(play)


def test_one_that_never_reads_is_let_go_and_holds_nobody_up(monkeypatch):
    monkeypatch.setattr(hub_module, "TAKE_S", 0.2)

    async def play(s):
        deaf, well = s.phone(reads=False), s.phone()
        s.hub.show("1")
        await come(lambda: well.cards() == [1])
        await come(lambda: s.hub.count == 1)
        assert deaf.got == []
        s.hub.show("2")
        await come(lambda: well.cards() == [1, 2])

    scene(play)


def test_there_is_room_for_so_many():
    async def play(s):
        phones = [s.phone() for _ in range(PHONES_MAX)]
        await come(lambda: s.hub.count == PHONES_MAX)
        late = s.phone()
        await come(lambda: late.got)
        assert late.got == [{"full": PHONES_MAX}]
        phones[0].leave()
        await come(lambda: s.hub.count == PHONES_MAX - 1)

    scene(play)


def test_a_press_needs_the_code_and_a_card_of_just_now():
    async def play(s):
        phone = s.phone()
        s.hub.show("1")
        await come(phone.cards)
        phone.say(press="cue", id=1, seen=1, words={})
        await come(lambda: phone.said("answer"))
        assert phone.said("answer") == [{"id": 1, "done": False, "words": SHUT}]
        phone.say(code="000000")
        await come(lambda: phone.said("door"))
        assert phone.said("door") == ["wrong"]
        phone.say(code=CODE)
        await come(lambda: "open" in phone.said("door"))
        phone.say(press="tempo", id=2, seen=1, words={"tempo": "-3 %"})
        await come(lambda: s.pressed)
        (press,) = s.pressed
        assert (press["what"], press["id"], press["words"]) == ("tempo", 2, {"tempo": "-3 %"})
        assert press["at_ns"] == s.now_ns
        s.hub.answer(press["phone"], {"id": 2, "done": True, "words": ""})
        await come(lambda: len(phone.said("answer")) == 2)
        assert phone.said("answer")[1] == {"id": 2, "done": True, "words": ""}
        s.now_ns += BEHIND_NS  # the phone's card has become old: it sits in a queue somewhere
        phone.say(press="cue", id=3, seen=1, words={})
        phone.say(press="cue", id=4, seen=99, words={})  # a card that never was
        await come(lambda: len(phone.said("answer")) == 4)
        assert [each["words"] for each in phone.said("answer")[2:]] == [LATE, LATE]
        assert len(s.pressed) == 1

    scene(play)


def test_too_many_wrong_tries_have_to_wait():
    async def play(s):
        phone = s.phone()
        for _ in range(4):
            phone.say(code="000000")
        await come(lambda: len(phone.said("door")) == 4)
        assert phone.said("door") == ["wrong", "wrong", "wait", "wait"]
        assert phone.said("wait_s")[-1] > 0
        phone.say(code=CODE)
        await come(lambda: len(phone.said("door")) == 5)
        assert phone.said("door")[-1] == "wait"
        s.now_ns += 2 * NS_PER_SECOND
        phone.say(code=CODE)
        await come(lambda: len(phone.said("door")) == 6)
        assert phone.said("door")[-1] == "open"

    scene(play)


@pytest.mark.parametrize("noise", [{"code": 5}, {"what": "is this"}, {"press": "quit"}])
def test_what_no_page_sends_ends_the_contact(noise):
    async def play(s):
        phone = s.phone()
        await come(lambda: s.hub.count == 1)
        phone.say(**noise)
        await come(lambda: s.hub.count == 0)

    scene(play)


def test_more_presses_than_a_hand_can_give_end_it_too():
    async def play(s):
        phone = s.phone()
        for number in range(NOTES_MAX + 5):
            phone.say(press="cue", id=number, seen=0, words={})
        await come(lambda: s.hub.count == 0)
        assert s.pressed == []

    scene(play)


def test_an_answer_for_a_phone_that_has_gone_goes_nowhere():
    async def play(s):
        s.hub.answer(77, {"id": 1, "done": True, "words": ""})
        assert s.hub.count == 0

    scene(play)

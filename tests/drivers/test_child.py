from __future__ import annotations

import pytest

from syncbox.drivers.child import Child
from syncbox.engine.leaving import LEAVE
from syncbox.errors import DeviceError, EngineError


@pytest.fixture
def start():
    children = []

    def start(behaviour):
        children.append(Child("test", "child_parts", behaviour))
        return children[-1]

    yield start
    for child in children:
        child.kill()
        child.close()
        child.close()


def test_a_polite_child_answers_and_leaves(start):
    child = start("polite")
    assert child.answer(patience_s=30) == {"fine": 1}
    assert child.alive
    assert child.leave(patience_s=30)
    assert not child.alive


def test_a_refusal_carries_its_whole_message(start):
    with pytest.raises(DeviceError) as caught:
        start("refusing").answer(patience_s=30)
    assert str(caught.value) == "port 3: no device (buy one)"


def test_a_child_that_dies_leaves_its_last_words(start):
    with pytest.raises(EngineError, match="test process ended") as caught:
        start("dying").answer(patience_s=30)
    assert caught.value.hint == "out of strings"


def test_a_child_that_says_nothing_is_given_up(start):
    child = start("silent")
    with pytest.raises(EngineError):
        child.answer(patience_s=0.5)
    assert not child.alive


def test_a_child_that_will_not_leave_is_made_to(start):
    child = start("stubborn")
    child.answer(patience_s=30)
    assert not child.leave(patience_s=0.1)
    assert not child.alive
    child.tell(b"x")  # nobody is there, and nothing happens


def test_a_child_can_tell_a_leave_note_from_a_host_that_is_gone(start):
    told, gone = start("telling"), start("telling")
    told.answer(patience_s=30)
    gone.answer(patience_s=30)
    # What a killed host leaves behind is a closed pipe.
    gone._process.stdin.close()
    assert [facts["told"] for facts in gone.further_answers()] == [False]
    told.tell(LEAVE)
    assert [facts["told"] for facts in told.further_answers()] == [True]
    assert told.leave(patience_s=30)

"""What the screen says of whoever leads."""

import pytest

from syncbox.cli.leads import count_words, leader_health, waits_for_leader
from syncbox.engine.servo import Lock
from syncbox.engine.state import Now
from syncbox.engine.tapping import Said
from syncbox.engine.transport import State


def test_nothing_is_said_where_nobody_leads():
    assert leader_health(Now()) == ()
    assert waits_for_leader(Now()) == ""
    assert count_words(Now()) == ""


@pytest.mark.parametrize(
    ("lock", "leads", "words", "well"),
    [
        (Lock.GONE, 0, "no clock", True),
        (Lock.GONE, 1, "no clock", False),
        (Lock.LISTENING, 1, "listening", True),
        (Lock.LOCKED, 1, "locked 121.3", True),
        (Lock.BRIDGING, 1, "clock lost, goes on", False),
    ],
)
def test_the_leader_in_a_word(lock, leads, words, well):
    health = leader_health(Now(leader_lock=lock, leader_leads=leads, leader_mqpm=121_290))
    assert health == (("leader", words, well),)


def test_a_song_that_waits_for_its_leader():
    now = Now(leader_armed=1, leader_lock=Lock.LOCKED)
    assert waits_for_leader(now) == "waits for start"
    now.leader_lock = Lock.GONE
    assert waits_for_leader(now) == "no leader: Space starts"
    now.transport = State.ROLLING
    assert waits_for_leader(now) == ""


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (Said.NOTHING, ""),
        (Said.COUNTING, "count: 3"),
        (Said.STARTED, ""),
        (Said.RAGGED, "too ragged a count (131.2): count again"),
        (Said.TOO_SLOW, "131.2 is too slow for this song: count again"),
        (Said.TOO_FAST, "131.2 is too fast for this song: count again"),
        (Said.TAPPED, "tempo tapped: 131.2"),
    ],
)
def test_what_came_of_a_count(said, words):
    now = Now(count_said=said, count_hits=3, count_milli=131_249)
    assert count_words(now) == words
    now.transport = State.ROLLING
    assert count_words(now) == ""

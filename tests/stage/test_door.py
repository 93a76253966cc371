"""Who may press, and how hard it is to guess."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.stage.door import (
    BURST_TRIES,
    CODE_DIGITS,
    REFILL_S,
    WAIT_S_MAX,
    Door,
    fresh_code,
    is_own_host,
    is_own_page,
    spoken,
)

CODE = "471028"


def test_a_fresh_code_is_shown_in_two_groups_and_opens_as_it_is_shown():
    codes = {fresh_code() for _ in range(50)}
    assert len(codes) > 45
    assert all(len(code) == CODE_DIGITS >= 4 and code.isdecimal() for code in codes)
    assert spoken(CODE) == "471 028"
    assert Door(CODE).opens(spoken(CODE), "phone", 0.0)


@given(st.text(max_size=20).filter(lambda text: "".join(filter(str.isdecimal, text)) != CODE))
def test_nothing_else_opens(text):
    assert not Door(CODE).opens(text, "phone", 0.0)


def test_two_slips_cost_nothing_then_each_wrong_try_doubles_the_wait():
    door, now_s, waits = Door(CODE), 0.0, []
    for _ in range(10):
        assert not door.opens("000000", "phone", now_s)
        waits.append(door.wait_s("phone", now_s))
        now_s += waits[-1]
    assert waits[0] == 0
    assert waits[1:7] == [1, 2, 4, 8, 16, 32]
    assert waits[7:] == [WAIT_S_MAX] * 3
    assert door.opens(CODE, "phone", now_s)
    assert door.wait_s("phone", now_s) == 0


def test_the_code_itself_does_not_count_before_its_time():
    door = Door(CODE)
    for _ in range(2):
        door.opens("000000", "phone", 0.0)
    assert not door.opens(CODE, "phone", 0.5)
    assert door.opens(CODE, "other phone", 0.5)
    assert door.opens(CODE, "phone", 1.0)


def test_many_addresses_together_get_no_further():
    """From a network where everybody has a thousand addresses, as version 6 gives them."""
    door, tried, now_s = Door(CODE), 0, 0.0
    while now_s < 600:
        for _ in range(50):
            address = f"2001:db8::{tried}"
            if door.wait_s(address, now_s) == 0:
                assert not door.opens("000000", address, now_s)
                tried += 1
        now_s += 0.5
    assert tried <= BURST_TRIES + 600 / REFILL_S + 1


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("192.168.1.20:8260", True),
        ("[fd00::2]:8260", True),
        ("[fe80::1%eth0]:8260", True),
        ("localhost:8260", True),
        ("STAGEBOX:8260", True),
        ("stagebox.local", True),
        ("stagebox.router.example:8260", True),
        ("elsewhere.example:8260", False),
        ("stagebox-not.example", False),
        ("", False),
        ("999.1.1.1", False),
    ],
)
def test_only_this_computer_is_called_so(host, own):
    assert is_own_host(host, "stagebox.home") is own


@pytest.mark.parametrize(
    ("origin", "host", "own"),
    [
        ("http://192.168.1.20:8260", "192.168.1.20:8260", True),
        ("http://192.168.1.20:8261", "192.168.1.20:8260", False),
        ("https://192.168.1.20:8260", "192.168.1.20:8260", False),
        ("http://elsewhere.example", "192.168.1.20:8260", False),
        ("http://elsewhere.example:8260", "elsewhere.example:8260", False),  # a name led here
        ("null", "192.168.1.20:8260", False),
        (None, "192.168.1.20:8260", False),
    ],
)
def test_a_foreign_page_is_told_apart(origin, host, own):
    assert is_own_page(origin, host, "stagebox") is own

"""Where the page is found, and what is said when it cannot listen."""

import errno
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.errors import DeviceError
from syncbox.stage import addresses
from syncbox.stage.addresses import (
    PORT,
    listening_socket,
    own_addresses,
    useful,
    web_address,
    web_addresses,
)


def test_a_phone_is_given_what_it_can_reach_the_shorter_ones_first():
    found = useful(
        ["fd00::2", "127.0.0.1", "::1", "fe80::1%eth0", "fe80::1", "192.168.1.20", "0.0.0.0",
         "224.0.0.251", "", "169.254.7.7"]
    )  # fmt: skip
    assert found == ["192.168.1.20", "169.254.7.7", "fd00::2"]


@given(st.lists(st.ip_addresses().map(str) | st.text(max_size=12)))
def test_anything_that_is_asked_for_gives_addresses(texts):
    for text in useful(texts):
        assert text in texts or socket.inet_pton(socket.AF_INET6, text)


def test_addresses_are_written_as_browsers_read_them():
    assert web_address("192.168.1.20", 8260) == "http://192.168.1.20:8260"
    assert web_address("fd00::2", 8260) == "http://[fd00::2]:8260"  # RFC 3986, 3.2.2
    assert web_addresses((), 8260) == ("http://localhost:8260",)


def test_own_addresses_are_told_once_and_none_is_of_this_computer_alone():
    found = own_addresses()
    assert len(set(found)) == len(found)
    assert not [each for each in found if each.startswith("127.") or each == "::1"]


def test_without_a_network_there_is_none(monkeypatch):
    monkeypatch.setattr(addresses, "_towards", lambda *_: "")
    monkeypatch.setattr(addresses, "_of_interfaces", lambda: ["127.0.0.1"])
    assert own_addresses() == ()


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_it_listens_on_both_versions(host):
    with listening_socket(0) as listener:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family) as phone:
            missing = (errno.EADDRNOTAVAIL, errno.ECONNREFUSED) if ":" in host else ()
            assert phone.connect_ex((host, listener.getsockname()[1])) in (0, *missing)


def test_a_port_that_is_taken_names_the_next_one():
    with socket.create_server(("", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(DeviceError) as found:
            listening_socket(port)
    assert f"port {port} is in use" in str(found.value)
    assert f"--page {port + 1}" in str(found.value)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, f"--page {PORT}"),
        (errno.EADDRNOTAVAIL, "cannot listen"),
    ],
)
def test_every_other_refusal_says_what_to_do(monkeypatch, number, words):
    def refuses(*_, **__):
        raise OSError(number, "no")

    monkeypatch.setattr(addresses, "_listen", refuses)
    with pytest.raises(DeviceError) as found:
        listening_socket(80)
    assert words in str(found.value)
    assert found.value.hint

"""The page's process over real sockets: phones that read, phones that do harm, and its end."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import signal
import socket
import sys
import threading
import time
from pathlib import Path

import pytest
from browsing import PATIENCE_S, until
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from syncbox.drivers import system
from syncbox.errors import DeviceError, UnreadableError
from syncbox.stage import host as host_module
from syncbox.stage.card import StageCard
from syncbox.stage.door import fresh_code
from syncbox.stage.host import (
    OLD_NS,
    STAGE,
    TOO_OLD,
    FromPhone,
    PageHost,
    PageJob,
    need_libraries,
)
from syncbox.stage.presses import Press

pytestmark = pytest.mark.wall_clock
CODE = "471028"


def card(bar=1, **more):
    place = {"section": "Verse", "bar": bar, "bars": 9999, "beat": 1, "beats": 4}
    return StageCard(
        "Lantern Street", 1, 2, "playing", waits=False, to_go_bars=1, map_mqpm=104_000,
        **(place | more),
    )  # fmt: skip


class Turning:
    """A host's loop: shows a card again and again, and keeps what was pressed."""

    def __init__(self, host):
        self.host, self.card, self.pressed = host, card(), []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._turn)
        self.longest_s = 0.0

    def _turn(self):
        while not self._over.wait(0.02):
            began_s = time.monotonic()
            self.host.show(self.card)
            for one in self.host.presses():
                self.pressed.append(one)
                self.host.answer(one, done=True, words=one.press.what)
            self.longest_s = max(self.longest_s, time.monotonic() - began_s)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._over.set()
        self._thread.join()


@pytest.fixture(scope="module")
def page():
    with PageHost(PageJob(STAGE, 0, CODE)) as host, Turning(host) as turning:
        yield turning


def phone(page, **options):
    port = page.host.job.port
    options = {"origin": f"http://127.0.0.1:{port}", "open_timeout": PATIENCE_S} | options
    return connect(f"ws://127.0.0.1:{port}/live", **options)


def wait_for(wire, kind):
    """The next note of a kind."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        note = json.loads(wire.recv(timeout=PATIENCE_S))
        if kind in note:
            return note
    raise AssertionError(f"no {kind}")


def ask(page, path, *, method="GET", host=None, body=None):
    line = http.client.HTTPConnection("127.0.0.1", page.host.job.port, timeout=PATIENCE_S)
    line.request(method, path, body, {"Host": host} if host else {})
    reply = line.getresponse()
    found = reply.status, dict(reply.getheaders()), reply.read()
    line.close()
    return found


def test_the_page_and_its_parts_come_with_a_strict_policy(page):
    for path, kind in {
        "/": "text/html",
        "/stage.css": "text/css",
        "/stage.js": "text/javascript",
        "/contact.js": "text/javascript",
        "/fit.js": "text/javascript",
        "/pass-on.svg": "image/svg+xml",
    }.items():
        status, headers, body = ask(page, path)
        assert (status, headers["content-type"].split(";")[0]) == (200, kind)
        assert body
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
        assert "unsafe" not in policy
        assert headers["cache-control"] == "no-store"
        assert headers["x-content-type-options"] == "nosniff"


def test_only_what_is_there_is_there(page):
    for path in ("/nothing", "/../pyproject.toml", "/%2e%2e/host.py", "/learn.html"):
        assert ask(page, path)[0] == 404
    assert ask(page, "/", method="POST", body=b"x")[0] == 405


def test_a_name_that_is_not_ours_gets_words_and_no_page(page):
    status, _, body = ask(page, "/", host="elsewhere.example")
    assert status == 421
    assert b"not one of this computer's" in body


@pytest.mark.parametrize(
    "origin", ["http://elsewhere.example", "null", None, "http://127.0.0.1:1"], ids=str
)
def test_a_foreign_page_gets_no_contact(page, origin):
    with pytest.raises(InvalidStatus) as found, phone(page, origin=origin):
        pass
    assert found.value.response.status_code == 403


def test_a_card_comes_again_although_nothing_changes(page):
    page.card = card(7)
    with phone(page) as wire:
        while wait_for(wire, "card")["card"]["bar"] != 7:
            pass
        numbers = [wait_for(wire, "card")["no"] for _ in range(3)]
    assert sorted(set(numbers)) == numbers


def test_a_press_comes_through_and_is_answered(page):
    with phone(page) as wire:
        wire.send(json.dumps({"code": "471 028"}))
        assert wait_for(wire, "door")["door"] == "open"
        seen = wait_for(wire, "card")["no"]
        wire.send(json.dumps({"press": "cue", "id": 5, "seen": seen, "words": {}}))
        assert wait_for(wire, "answer")["answer"] == {"id": 5, "done": True, "words": "cue"}
    assert page.pressed[-1].press.what == "cue"


@pytest.mark.parametrize(
    "noise",
    ["garbage", "[1, 2, 3]", b"\x00\x01\x02", "x" * 10_000_000, '{"press": "rm -rf /"}', "{}"],
    ids=["words", "list", "bytes", "ten megabytes", "command", "nothing"],
)
def test_noise_ends_only_its_own_contact(page, noise):
    with phone(page) as well:
        with contextlib.suppress(ConnectionClosed, ConnectionError), phone(page) as wire:
            wire.send(noise)
            while True:
                wire.recv(timeout=PATIENCE_S)
        wait_for(well, "card")
        wait_for(well, "card")
    assert page.host.trouble == ""


def test_bytes_that_are_no_web_at_all(page):
    for noise in (b"\x16\x03\x01\x02\x00" * 100, b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 20_000):
        with socket.create_connection(("127.0.0.1", page.host.job.port), PATIENCE_S) as wire:
            try:
                wire.sendall(noise)
                while wire.recv(65_536):
                    pass
            except ConnectionError:
                pass
    assert ask(page, "/")[0] == 200


def test_thirty_phones_at_once_all_see_the_same(page):
    with contextlib.ExitStack() as stack:
        wires = [stack.enter_context(phone(page)) for _ in range(30)]
        until(lambda: page.host.phones >= 30, "thirty phones")
        page.card = card(4711)
        for wire in wires:
            while wait_for(wire, "card")["card"]["bar"] != 4711:
                pass
    until(lambda: page.host.phones == 0, "their end")


def test_a_phone_that_never_reads_holds_nobody_up(page):
    """Its connection fills, and it is let go; the others and the host see nothing of it."""
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        deaf.connect(("127.0.0.1", page.host.job.port))
        own = f"127.0.0.1:{page.host.job.port}"
        deaf.sendall(
            f"GET /live HTTP/1.1\r\nHost: {own}\r\nOrigin: http://{own}\r\n"
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
        )
        with phone(page) as well:
            bar, deadline_s = 0, time.monotonic() + PATIENCE_S
            until(lambda: page.host.phones == 2, "both")
            while page.host.phones == 2:
                assert time.monotonic() < deadline_s, "it was never let go"
                bar += 1
                page.card = card(bar, by_hand="a long line " * 2000)
                while wait_for(well, "card")["card"]["bar"] < bar:
                    pass
            wait_for(well, "card")
    page.card = card()


# --- what a host sees of it --------------------------------------------------------------------


def test_thousands_of_cards_leave_the_process_as_small_as_it_was():
    """A set of three hours has some 40 000 beats; nothing is kept of any."""

    def size_kib(pid):
        text = Path(f"/proc/{pid}/status").read_text("utf-8")
        return int(re.search(r"VmRSS:\s+(\d+)", text)[1])

    if not Path("/proc/self/status").exists():
        pytest.skip("this system does not tell how large a process is")
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        child = host._child

        def pour(count):
            for number in range(count):
                child.tell(b'card {"bar":%d,"words":"%s"}\n' % (number, b"x" * 900))

        own = f"127.0.0.1:{host.job.port}"
        with connect(f"ws://{own}/live", origin=f"http://{own}") as wire:
            pour(3000)
            while wait_for(wire, "card")["card"]["bar"] != 2999:
                pass
            before = size_kib(child.pid)
            pour(20_000)
            while wait_for(wire, "card")["card"]["bar"] != 19_999:
                pass
            assert size_kib(child.pid) - before < 4096


@pytest.mark.skipif(sys.platform == "win32", reason="stops as only POSIX systems do")
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM])
def test_a_process_that_dies_or_hangs_is_replaced_and_the_hosts_loop_never_waits(
    number, monkeypatch
):
    monkeypatch.setattr(host_module, "_HUNG_S", 3.0)
    with PageHost(PageJob(STAGE, 0, CODE)) as host, Turning(host) as turning:
        port, first = host.job.port, host._child
        os.kill(first.pid, number)
        until(lambda: host._child not in (first, None), "another process")
        assert host.trouble == ""
        assert host.job.port == port
        with phone(turning) as wire:
            wait_for(wire, "card")
        assert turning.longest_s < 2.0


@pytest.mark.skipif(sys.platform == "win32", reason="stops as only POSIX systems do")
def test_a_process_that_hangs_does_not_keep_its_host_from_leaving():
    host = PageHost(PageJob(STAGE, 0, CODE))
    child = host._child
    with Turning(host) as turning:
        os.kill(child.pid, signal.SIGSTOP)
        for bar in range(60):
            turning.card = card(bar, by_hand="a long line " * 2000)
            time.sleep(0.03)
    host.close()
    assert not child.alive


def test_an_old_press_does_not_count():
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        answers = []
        host.answer = lambda one, **words: answers.append((one, words))
        old = FromPhone(1, Press("cue", 1, 0), system.now_ns() - 2 * OLD_NS)
        new = FromPhone(1, Press("cue", 2, 0), system.now_ns())
        host._presses.put(old)
        host._presses.put(new)
        assert host.presses() == [new]
        assert answers == [(old, {"done": False, "words": TOO_OLD})]


def test_more_presses_than_can_be_taken_are_refused(monkeypatch):
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        refused = []
        host.answer = lambda one, **words: refused.append(words["words"])
        report = {"phone": 1, "what": "cue", "id": 1, "words": {}, "at_ns": system.now_ns()}
        for _ in range(40):
            host._take(report)
        assert len(host.presses()) == 32
        assert refused == [host_module.TOO_MANY] * 8


def test_a_port_that_is_taken_is_an_error_or_a_trouble_and_then_a_page(monkeypatch):
    with socket.create_server(("", 0)) as taken:
        job = PageJob(STAGE, taken.getsockname()[1], CODE)
        with pytest.raises(DeviceError, match=f"port {job.port} is in use"):
            PageHost(job)
        late = PageHost(job, must=False)
        assert "is in use" in late.trouble
    with late:
        until(lambda: not late.trouble, "the page")
        assert late.job.port == job.port


def test_what_is_not_installed_is_said(monkeypatch):
    monkeypatch.setattr(host_module, "LIBRARIES", ("json", "no_library_of_this_name"))
    with pytest.raises(UnreadableError) as found:
        need_libraries()
    assert "no_library_of_this_name" in str(found.value)
    assert "syncbox[page]" in str(found.value)


def test_two_starts_have_two_codes():
    assert len({PageJob.fresh(STAGE, 0).code for _ in range(20)} | {fresh_code()}) > 15

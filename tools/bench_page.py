"""From a new card in the host to the figure on a phone's page, in Chromium on the same computer.

A real network comes on top, and up to a thirtieth of a second until the host's loop has looked
at the engine: that is why the page says that the click is the truth.
"""

from __future__ import annotations

import random
import shutil
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
from bench_table import Options, Row, busy_processes

from syncbox.stage.card import StageCard
from syncbox.stage.host import STAGE, PageHost, PageJob

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

CARDS, CARDS_QUICK, PHONES = 400, 60, 30
WATCH = """() => {
  window.seen = {};
  const bar = document.getElementById("bar");
  new MutationObserver(() => { window.seen[bar.textContent] = Date.now(); })
    .observe(bar, { childList: true, characterData: true, subtree: true });
}"""


def _card(bar: int) -> StageCard:
    return StageCard(
        "Lantern Street", 1, 6, "playing", waits=False, section="Verse", bar=bar, bars=9999,
        beat=1 + bar % 4, beats=4, to_go_bars=9999 - bar, map_mqpm=104_000,
    )  # fmt: skip


def _delays_ms(host: PageHost, cards: int) -> list[float]:
    from browsing import Phone, chromium

    with chromium() as browser:
        phone = Phone(browser, f"http://127.0.0.1:{host.job.port}/")
        host.show(_card(0))
        phone.wait("section", "Verse")
        phone.page.evaluate(WATCH)
        shown = {}
        for bar in range(1, cards + 1):
            shown[str(bar)] = time.time() * 1000
            host.show(_card(bar))
            time.sleep(random.uniform(0.06, 0.2))
        phone.wait("bar", str(cards))
        seen = phone.page.evaluate("() => window.seen")
    return [seen[bar] - at_ms for bar, at_ms in shown.items() if bar in seen]


@contextmanager
def _readers(host: PageHost, count: int) -> Iterator[None]:
    """So many phones that read what comes."""
    from websockets.sync.client import connect

    own = f"127.0.0.1:{host.job.port}"
    with ExitStack() as stack:
        for _ in range(count):
            wire = stack.enter_context(connect(f"ws://{own}/live", origin=f"http://{own}"))
            threading.Thread(target=deque, args=(wire, 0), daemon=True).start()
        yield


def page_delay(options: Options) -> Iterator[Row]:
    """One phone alone, beside thirty others, and beside two busy processes."""
    if shutil.which("chromium") is None:
        return
    cards = CARDS_QUICK if options.quick else CARDS
    for title, others, busy in (("one phone", 0, 0), (f"{PHONES} more phones", PHONES, 0),
                                ("two busy processes", 0, 2)):  # fmt: skip
        with ExitStack() as stack:
            host = stack.enter_context(PageHost(PageJob(STAGE, 0, "471028")))
            stack.enter_context(_readers(host, others))
            if busy:
                stack.enter_context(busy_processes(busy))
            found = _delays_ms(host, cards)
        p50, p99, most = (np.percentile(found, share) for share in (50, 99, 100))
        yield Row(
            f"{title}: delay of {len(found)} cards of {cards}, p99",
            f"{p99:.0f} ms",
            "",
            None,
            f"p50 {p50:.0f}, max {most:.0f} ms",
        )

"""A real browser for tests of the page, and small ways to wait for what it shows."""

from __future__ import annotations

import json
import shutil
import time
from contextlib import contextmanager

from needs import is_missing

PATIENCE_S = 60  # for a busy machine; nothing here is a claim about speed
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE, ON_ITS_SIDE, TABLET = (390, 844), (844, 390), (1180, 820)


@contextmanager
def chromium():
    """The browser of the system."""
    path = shutil.which("chromium")
    if path is None:
        is_missing("chromium", "chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(QUIET))
        try:
            yield browser
        finally:
            browser.close()


class Phone:
    """One page in a window of its own."""

    def __init__(self, browser, address, size=PHONE):
        self.context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        self.context.set_default_timeout(PATIENCE_S * 1000)
        self.page = self.context.new_page()
        self.faults = []
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.goto(address)

    def text(self, name):
        return self.page.inner_text(f"#{name}")

    def wait(self, name, words):
        """Until an element says something with these words in it, in any case."""
        self.wait_until(
            f"document.getElementById({json.dumps(name)}).textContent.toLowerCase()"
            f".includes({json.dumps(words.lower())})"
        )

    def wait_until(self, condition):
        self.page.wait_for_function(f"() => {condition}", polling=50)

    def enter(self, code):
        """Open what needs the code, and give it."""
        self.page.click("#hands")
        self.page.fill("#code", code)
        self.page.click("#door button[type=submit]")


def until(condition, what="it"):
    """Wait for something outside the browser."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < deadline_s, f"{what} never came"
        time.sleep(0.05)
    return found

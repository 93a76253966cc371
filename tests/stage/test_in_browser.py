"""The page in a real browser, shown cards that no show would bring together so soon."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from browsing import ON_ITS_SIDE, PHONE, TABLET, Phone, chromium
from stage_views import CARD

from syncbox.stage.card import LearnCard
from syncbox.stage.host import LEARN, STAGE, PageHost, PageJob

pytestmark = [pytest.mark.wall_clock, pytest.mark.timeout(240)]
CODE = "471028"
LONG = replace(
    CARD,
    song="The Extraordinarily Long Goodbye of Captain Marigold and Her Paper Boats",
    section="Instrumental Recapitulation",
    bar=128,
    bars=256,
    to_go_bars=128,
    beat=11,
    beats=15,
    meter="15/8 as 3+3+3+2+2+2",
    map_mqpm=173_250,
    trim_permille=15,
    sounds_permille=15,
    next_section="Unaccompanied A Cappella Outro",
    next_patches=tuple(f"instrument-{n} Bright Grand {n}" for n in range(1, 8)),
    alarms=("audio: the sound card has gone: it is waited for", "drums: missing"),
    set_time="1:12:05 of 2:00:00",
    set_over="12:10 over",
    text_cue="Watch the drummer",
)
ONE_WORD = replace(CARD, section="Donaudampfschifffahrtsgesellschaftslied", song="W" * 60)


class Shown:
    """A page that goes on saying one card, until it is told another one or to be quiet."""

    def __init__(self, host):
        self.host, self.card, self.pressed = host, CARD, []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._turn)
        self._thread.start()

    @property
    def address(self):
        return f"http://127.0.0.1:{self.host.job.port}/"

    def _turn(self):
        while not self._over.wait(0.05):
            if self.card is not None:
                self.host.show(self.card)
            self.pressed += self.host.presses()  # and nobody answers

    def end(self):
        self._over.set()
        self._thread.join()


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def page():
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        shown = Shown(host)
        yield shown
        shown.end()


@pytest.fixture
def phone(browser, page):
    page.card = CARD
    found = Phone(browser, page.address)
    found.wait("song", "Lantern Street")
    yield found
    found.context.close()
    assert not found.faults


def cut_off(phone):
    """Ids of what shows text beyond the screen, or beyond its own box."""
    return phone.page.evaluate(
        """() => [...document.querySelectorAll("main *")].filter((each) => {
          const own = [...each.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
          const box = each.getBoundingClientRect();
          if (!own || !box.width) return false;
          return box.right > innerWidth + 1 || box.bottom > innerHeight + 1 || box.left < -1
            || each.scrollWidth > each.clientWidth + 1 && each.clientWidth > 0;
        }).map((each) => each.id || each.className || each.tagName)"""
    )


@pytest.mark.parametrize("size", [PHONE, ON_ITS_SIDE, TABLET, (390, 664), (820, 1180)], ids=str)
@pytest.mark.parametrize("card", [CARD, LONG, ONE_WORD], ids=["usual", "long", "one word"])
def test_nothing_is_cut_off_on_any_screen(browser, page, card, size):
    page.card = card
    phone = Phone(browser, page.address, size)
    try:
        phone.wait("song", card.song)
        assert cut_off(phone) == []
        assert not phone.faults
    finally:
        phone.context.close()


def test_what_is_cut_off_would_be_found(phone):
    assert cut_off(phone) == []
    phone.page.evaluate("() => { document.getElementById('section').style.fontSize = '200px'; }")
    assert "section" in cut_off(phone)
    phone.page.evaluate("() => { document.getElementById('section').style.fontSize = '20px'; }")
    phone.page.evaluate("() => { document.getElementById('detail').style.fontSize = '300px'; }")
    assert cut_off(phone)


@pytest.mark.parametrize("size", [PHONE, ON_ITS_SIDE, TABLET], ids=str)
def test_what_matters_most_is_read_from_two_metres(browser, page, size):
    """Figures of 8 mm are read from two metres (height over 250: common practice, no source).

    A CSS pixel of a phone or a tablet is about a sixth of a millimetre.
    """
    page.card = CARD
    phone = Phone(browser, page.address, size)
    try:
        phone.wait("song", CARD.song)
        for name in ("section", "bar", "to-go"):
            size_px = phone.page.evaluate(
                "(id) => parseFloat(getComputedStyle(document.getElementById(id)).fontSize)", name
            )
            assert size_px * 0.7 / 6 >= 8, name  # a capital has about 0.7 of the type's size
    finally:
        phone.context.close()


@pytest.mark.parametrize(
    ("change", "name", "words"),
    [
        ({"trim_permille": -30, "trim_wait_bars": 1}, "trim", "−3 % = 100.9, from the next bar"),
        ({"trim_permille": -30, "trim_wait_bars": 2}, "trim", "too late for the next bar"),
        ({"trim_permille": -30, "sounds_permille": -30}, "tempo", "100.9"),
        ({"trim_permille": -30, "sounds_permille": -30}, "trim", "tonight −3 %, written 104"),
        ({"trim_wait_bars": 1, "sounds_permille": 20}, "trim", "as written, 104, from the next"),
        ({"cue_given": True}, "pending", "goes on after this round"),
        ({"cue_given": True, "cue_late": True}, "pending", "too late for this round"),
        ({"stop_wait_bars": 1}, "pending", "Stops after this bar"),
        ({"stop_wait_bars": 2}, "pending", "Stops after the next bar"),
        ({"to_go_bars": None}, "to-go", "cue"),
        ({"alarms": ("drums: missing",)}, "alarms", "drums: missing"),
        ({"next_section": ""}, "next", "end of the song"),
        ({"set_over": "2:10 over"}, "over", "2:10 over"),
        ({"by_hand": "only bell"}, "pending", "only bell"),
    ],
)
def test_every_fact_has_its_words(page, phone, change, name, words):
    page.card = replace(CARD, **change)
    phone.wait(name, words)


def test_old_news_says_so_turns_grey_and_cannot_be_pressed(page, phone):
    phone.enter(CODE)
    phone.wait_until("!document.getElementById('press-cue').disabled")
    page.card = None
    phone.wait("lost", "what is shown is old")
    assert "old" in phone.page.get_attribute("body", "class")
    assert phone.page.is_disabled("#press-cue")
    colour = "getComputedStyle(document.getElementById('bar')).color"
    assert phone.page.evaluate(f"() => {colour}") == "rgb(143, 136, 116)"
    page.card = replace(CARD, bar=14)
    phone.wait("bar", "14")
    phone.wait_until("document.getElementById('lost').hidden")
    assert "old" not in (phone.page.get_attribute("body", "class") or "")


def test_a_slow_phone_draws_the_newest_card_and_skips_the_others(page, phone):
    """Also where everything changes at once, and the letters have to be fitted each time."""
    phone.page.evaluate(
        """() => {
          window.drawn = 0;
          const slow = () => {
            window.drawn += 1;
            const began = Date.now();
            while (Date.now() - began < 300);
          };
          new MutationObserver(slow)
            .observe(document.getElementById("bar"), { childList: true, subtree: true });
        }"""
    )
    for bar in range(100, 150):
        page.card = replace(CARD, bar=bar, bars=999, section=f"Part {'x' * (bar % 7)}")
        threading.Event().wait(0.06)
    phone.wait("bar", "149")
    assert phone.page.evaluate("() => window.drawn") < 40
    phone.wait_until("document.getElementById('lost').hidden")


def test_a_browser_without_web_sockets_is_told(browser, page):
    context = browser.new_context()
    context.add_init_script("delete window.WebSocket")
    old = context.new_page()
    old.goto(page.address)
    old.wait_for_function("() => document.getElementById('lost').textContent.includes('too old')")
    context.close()


def test_who_wants_less_motion_sees_no_mark_move(browser, page):
    page.card = CARD
    context = browser.new_context(reduced_motion="reduce")
    calm = context.new_page()
    calm.goto(page.address)
    calm.wait_for_function("() => document.getElementById('bar').textContent === '13'")
    assert not calm.is_visible("#marks")
    assert calm.is_visible("#beat")
    context.close()


def test_it_is_spoken_and_reached_by_keys(page, phone):
    live = phone.page.locator("[aria-live=polite]")
    phone.wait("spoken", "Lantern Street: Verse. Then Pre-Chorus.")
    assert live.count() == 1
    page.card = replace(CARD, section="Bridge", beat=1)
    phone.wait("spoken", "Bridge")
    phone.page.keyboard.press("Tab")
    phone.page.keyboard.press("Tab")
    assert phone.page.evaluate("() => document.activeElement.id") == "hands"
    phone.page.keyboard.press("Enter")
    assert phone.page.evaluate("() => document.activeElement.id") == "code"
    phone.page.keyboard.type(CODE)
    phone.page.keyboard.press("Enter")
    phone.page.wait_for_selector("#desk", state="visible")
    unnamed = phone.page.evaluate(
        """() => [...document.querySelectorAll("button, input")].filter((each) =>
          !(each.textContent.trim() || (each.labels && each.labels.length))).length"""
    )
    assert unnamed == 0


@pytest.mark.parametrize("size", [PHONE, ON_ITS_SIDE, TABLET], ids=str)
def test_what_stops_the_music_is_large_and_far_from_everything_else(browser, page, size):
    """44 by 44 CSS pixels are the usual size for a finger (WCAG 2.5.5, AAA, from memory)."""
    page.card = CARD
    phone = Phone(browser, page.address, size)
    try:
        phone.wait("song", CARD.song)
        phone.enter(CODE)
        phone.page.wait_for_selector("#desk", state="visible")
        boxes = phone.page.evaluate(
            """() => {
              const all = [...document.querySelectorAll("#desk button")].map((each) => {
                const box = each.getBoundingClientRect();
                return [each.id || each.textContent, [box.width, box.height, box.top, box.bottom]];
              });
              return Object.fromEntries(all);
            }"""
        )
        assert all(width >= 44 and height >= 44 for width, height, _, _ in boxes.values())
        stop = boxes.pop("press-stop")
        assert stop[2] - max(bottom for _, _, _, bottom in boxes.values()) >= 16
    finally:
        phone.context.close()


def test_two_taps_in_a_row_are_one_press(page, phone):
    phone.enter(CODE)
    phone.page.wait_for_selector("#desk", state="visible")
    phone.page.dblclick("#press-mute")
    phone.wait("desk-said", "no answer")
    assert [one.press.what for one in page.pressed] == ["mute click"]


def test_a_phone_whose_port_serves_another_page_now_gets_that_one(browser):
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        shown, port = Shown(host), host.job.port
        phone = Phone(browser, shown.address)
        phone.wait("song", "Lantern Street")
        shown.end()
    phone.wait("lost", "what is shown is old")
    with PageHost(PageJob(LEARN, port, CODE)) as host:
        shown = Shown(host)
        shown.card = LearnCard("songs", "choose", commands=("cue",))
        phone.wait_until("document.title === 'Pedals, pads and keys'")
        phone.wait("name", "songs")
        shown.end()
    assert not phone.faults
    phone.context.close()


def test_a_phone_that_comes_before_the_show_is_told_to_wait(browser):
    with PageHost(PageJob(STAGE, 0, CODE)) as host:
        phone = Phone(browser, f"http://127.0.0.1:{host.job.port}/")
        phone.wait("lost", "being prepared")
        shown = Shown(host)
        phone.wait("song", "Lantern Street")
        phone.wait_until("document.getElementById('lost').hidden")
        shown.end()
    phone.context.close()

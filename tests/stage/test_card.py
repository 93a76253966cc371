"""The card says everything in plain JSON, with units in its names, and the page knows it all."""

import json
import re
from dataclasses import fields, replace
from importlib import resources

import pytest
from jsonschema import validate
from stage_views import CARD

from syncbox.stage.card import LEARN_STEPS, ControlRow, LearnCard, StageCard, card_text
from syncbox.stage.presses import COMMAND_OF_PRESS

PAGE = resources.files("syncbox.stage") / "page"
NUMBER = {"type": "integer"}
TEXT, WORDS = {"type": "string"}, {"type": "array", "items": {"type": "string"}}
COUNT, YES = {"type": "integer", "minimum": 0}, {"type": "boolean"}
SCHEMA = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        **dict.fromkeys(("song", "state", "section", "detail", "meter", "key", "set_time"), TEXT),
        **dict.fromkeys(("set_over", "text_cue", "by_hand", "next_label", "next_section"), TEXT),
        **dict.fromkeys(("notice",), TEXT),
        **dict.fromkeys(("song_no", "song_count", "bar", "bars", "beat", "beats"), COUNT),
        **dict.fromkeys(("map_mqpm", "trim_wait_bars", "stop_wait_bars"), COUNT),
        **dict.fromkeys(("waits", "cue_given", "cue_late", "click_off"), YES),
        **dict.fromkeys(("trim_permille", "sounds_permille"), NUMBER),
        **dict.fromkeys(("next_patches", "alarms"), WORDS),
        "to_go_bars": {"type": ["integer", "null"]},
        "means": {"type": "array", "items": {"enum": list(COMMAND_OF_PRESS)}},
    },
}
SCHEMA["required"] = list(SCHEMA["properties"])
LEARN = LearnCard("songs", "choose", (ControlRow("cue", "", "controller 64", "feet"),))


@pytest.mark.parametrize("card", [CARD, replace(CARD, to_go_bars=None, song="Röd väg\n♭ \u2028\\")])
def test_a_card_is_one_line_of_json_with_exactly_these_fields(card):
    text = card_text(card)
    assert "\n" not in text
    validate(json.loads(text), SCHEMA)
    assert len(SCHEMA["properties"]) == len(fields(StageCard))


def test_a_card_is_small():
    assert len(card_text(CARD)) < 1000


def test_the_learn_card_is_one_line_too():
    found = json.loads(card_text(LEARN))
    assert found["controls"] == [
        {"does": "cue", "about": "", "message": "controller 64", "port": "feet", "hold_ms": 0.0}
    ]
    assert found["step"] in LEARN_STEPS


@pytest.mark.parametrize(("kind", "script"), [(StageCard, "stage.js"), (LearnCard, "learn.js")])
def test_the_page_uses_every_field_and_no_other(kind, script):
    text = (PAGE / script).read_text("utf-8")
    used = set(re.findall(r"\bcard\.(\w+)", text))
    names = {field.name for field in fields(kind)}
    assert used <= names
    assert names <= used


@pytest.mark.parametrize("page", ["stage", "learn"])
def test_scripts_and_pages_agree_on_names(page):
    html, script = ((PAGE / f"{page}{end}").read_text("utf-8") for end in (".html", ".js"))
    there = set(re.findall(r'\bid="([\w-]+)"', html))
    assert set(re.findall(r'\bat\("([\w-]+)"\)', script)) <= there
    assert set(re.findall(r'<label for="([\w-]+)"', html)) <= there
    shared = (PAGE / "contact.js").read_text("utf-8")
    assert set(re.findall(r'\bat\("([\w-]+)"\)', shared)) <= there


def test_nothing_comes_from_elsewhere_and_nothing_needs_a_secure_page():
    for file in PAGE.iterdir():
        text = file.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|@import|url\(", text), file.name
        assert not re.search(r"serviceWorker|wakeLock|randomUUID|crypto\.subtle", text), file.name
        assert not re.search(r"\son\w+=|style=|innerHTML|eval\(", text), file.name

from types import SimpleNamespace

import pytest

from syncbox.cli.prepare import compiled, playable_show
from syncbox.cli.view import Stage, by_hand, tempo_text
from syncbox.drivers.hostside import PortState
from syncbox.engine.state import Now
from syncbox.engine.transport import State
from syncbox.score.layout import LegKind, lay_out


@pytest.fixture
def show(show_folder):
    return playable_show(show_folder)


@pytest.fixture
def stage(show):
    return Stage(show, compiled(show, 48_000).songs)


def leg_index(show, section, pass_no=1, song="quick-one"):
    return next(
        leg.index
        for leg in lay_out(show.songs[song]).legs
        if leg.section == section and leg.pass_no == pass_no
    )


def status(now, **changes):
    fields = {
        "driver": "simulated",
        "rate": 48_000,
        "block_frames": 256,
        "engine_alive": True,
        "rescuing": False,
        "trouble": "",
        "midi_refused": 0,
        "dropouts": 0,
        "ports": (PortState("keys", ("synth in",)),),
    }
    return SimpleNamespace(now=now, **(fields | changes))


def playing(leg, transport=State.ROLLING, **changes):
    fields = {"bar": 1, "bars": 2, "beat": 3, "beats": 4, "bars_to_go": 2, "tempo_mqpm": 240_000}
    return Now(transport=int(transport), leg_index=leg, level_mdb=-12_000, **(fields | changes))


def test_a_section_shows_where_it_is_and_what_comes(show, stage):
    view = stage.view(status(playing(leg_index(show, "Verse"))))
    assert (view.song, view.song_no, view.song_count, view.key) == ("Quick One", 1, 2, "D")
    assert (view.section, view.detail) == ("Verse", "A   pass 1 of 2")
    assert (view.bar, view.bars, view.beat, view.beats, view.bars_to_go) == (1, 2, 3, 4, 2)
    assert (view.tempo, view.meter, view.level, view.state) == ("240", "4/4", "-12 dB", "playing")
    assert (view.next_section, view.next_patches) == ("Verse (2)", ("organ Soft",))
    assert not view.waits


def test_a_vamp_waits_for_the_cue_until_it_is_given(show, stage):
    vamp = playing(leg_index(show, "Solo"), State.VAMPING, round_no=3, text=0)
    view = stage.view(status(vamp))
    assert view.waits
    assert view.bars_to_go is None
    assert view.detail == "B   round 3"
    assert view.text_cue == "Watch the drummer"
    assert "Space" in view.state
    vamp.cue_pending = 1
    view = stage.view(status(vamp))
    assert not view.waits
    assert view.bars_to_go == 2
    assert "out after this round" in view.state
    vamp.cue_late = 1  # the next round was decided when the cue came
    assert "out after the next round" in stage.view(status(vamp)).state


def test_the_meter_is_that_of_the_bar(show, stage):
    view = stage.view(status(playing(leg_index(show, "End"), beats=3)))
    assert view.meter == "3/4"


def test_after_the_last_section_comes_the_next_song_and_then_nothing(show, stage):
    view = stage.view(status(playing(leg_index(show, "End"))))
    assert (view.next_label, view.next_section) == ("NEXT SONG", "Slow One")
    last = playing(leg_index(show, "Only", song="slow-one"), song_index=1)
    assert stage.view(status(last)).next_section == ""


def test_before_anything_sounds_it_shows_what_will(show, stage):
    view = stage.view(status(Now()))
    first = lay_out(show.songs["quick-one"]).legs[0]
    assert first.kind is LegKind.COUNT_IN
    assert (view.bar, view.bars, view.beat, view.beats) == (1, 1, 1, 4)
    assert view.tempo == "240"
    assert view.waits
    assert "Space starts" in view.state


def test_while_the_next_song_waits_its_beginning_is_shown(show, stage):
    # The engine's numbers are still those of the last leg of the song before.
    over = playing(leg_index(show, "End"), State.WAITING, song_index=1, text=0)
    view = stage.view(status(over))
    assert (view.song, view.section, view.bar, view.bars) == ("Slow One", "Only", 1, 1)
    assert (view.tempo, view.text_cue) == ("180", "")
    assert "Space starts" in view.state


def test_a_gap_needs_no_key(show_folder):
    path = show_folder / "setlist.yaml"
    path.write_text(
        path.read_text("utf-8").replace("- quick-one", "- {song: quick-one, then: gap 5 s}")
    )
    show = playable_show(show_folder)
    stage = Stage(show, compiled(show, 48_000).songs)
    view = stage.view(status(playing(0, State.WAITING, song_index=1)))
    assert view.state == "next song comes"


@pytest.mark.parametrize(
    ("changes", "words", "well"),
    [
        ({}, "no dropouts", True),
        ({"dropouts": 1}, "1 dropout", True),
        ({"dropouts": 2}, "2 dropouts", True),
        ({"midi_refused": 5}, "5 MIDI events lost", False),
        ({"trouble": "The audio system has gone."}, "The audio system has gone.", False),
        ({"engine_alive": False}, "the engine has stopped", False),
        ({"engine_alive": False, "rescuing": True, "trouble": "wait"}, "wait", False),
    ],
)
def test_the_health_of_the_audio_is_said_in_words(stage, changes, words, well):
    audio = stage.view(status(Now(), **changes)).audio
    assert words in audio.words
    assert audio.well is well


def test_what_was_switched_by_hand_is_not_forgotten() -> None:
    now = Now(click_muted=1, mixes_muted=2, solo_source=1, trim_permille=-25)
    words = by_hand(now, ["drummer", "keys"], ["click", "bell"])
    assert words == "click off   keys muted   only bell   tempo -2.5 %"
    assert by_hand(Now(), ["drummer"], ["click"]) == ""


def test_what_was_asked_for_says_at_which_bar_line_it_counts(show, stage) -> None:
    for bars, words in ((1, "tempo -3 % from the next bar"), (2, "tempo -3 % from a later bar")):
        assert by_hand(Now(trim_permille=-30, trim_bars=bars), [], []) == words
    assert by_hand(Now(trim_bars=1), [], []) == "tempo +0 % from the next bar"
    verse = leg_index(show, "Verse")
    for bars, words in ((1, "stops after this bar"), (2, "stops after the next bar")):
        assert stage.view(status(playing(verse, stop_bars=bars))).state == words


def test_a_dropout_alarms_while_it_is_fresh(stage):
    assert not stage.view(status(Now(), dropouts=1), dropout_now=True).audio.well


def test_a_port_is_there_missing_or_only_recorded(stage):
    ports = (
        PortState("keys", ("synth in",)),
        PortState("drums", ()),
        PortState("tape", (), recorded_only=True),
    )
    view = stage.view(status(Now(), ports=ports))
    assert [(p.name, p.words, p.well) for p in view.ports] == [
        ("keys", "ok", True),
        ("drums", "missing", False),
        ("tape", "recorded", True),
    ]


def test_tempo_has_as_many_decimals_as_it_needs():
    assert [tempo_text(mqpm) for mqpm in (120_000, 92_500, 122_333, 60)] == [
        "120",
        "92.5",
        "122.333",
        "0.06",
    ]

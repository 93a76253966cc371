"""What the screens and pages of the tests show."""

from syncbox.cli.screen import Health, KeyHint, View
from syncbox.stage.card import StageCard
from syncbox.stage.presses import COMMAND_OF_PRESS

ROLLING = View(
    song="Lantern Street",
    song_no=3,
    song_count=6,
    state="rolling",
    section="Verse",
    bar=13,
    bars=14,
    beat=3,
    beats=4,
    bars_to_go=1,
    tempo="104",
    meter="4/4",
    key="E minor",
    detail="B   pass 1 of 2",
    text_cue="Big ending",
    next_section="Pre-Chorus",
    next_patches=("organ Soft", "lead-synth 3/17"),
    audio=Health("audio", "jack 48000 Hz, 256 frames, no dropouts"),
    ports=(Health("synths", "ok"), Health("drums", "missing", well=False)),
    level="-12 dB",
    keys=(
        KeyHint("Space", "start / cue"),
        KeyHint("Esc", "panic"),
        KeyHint("Enter", "stop at bar end"),
        KeyHint("Backspace", "stop now"),
        KeyHint("Left Right", "song"),
        KeyHint("Up Down", "level"),
        KeyHint("Q", "leave"),
    ),
)
CARD = StageCard(
    "Lantern Street",
    3,
    6,
    "playing",
    waits=False,
    section="Verse",
    bar=13,
    bars=14,
    beat=3,
    beats=4,
    to_go_bars=1,
    map_mqpm=104_000,
    detail="B   pass 1 of 2",
    meter="4/4",
    key="E minor",
    set_time="12:05 of 45:00",
    next_label="NEXT",
    next_section="Pre-Chorus",
    next_patches=("organ Soft", "lead-synth 3/17"),
    means=tuple(COMMAND_OF_PRESS),
)

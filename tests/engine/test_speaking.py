"""Spoken words sound where they belong, and only where what they announce comes."""

from dataclasses import replace

import numpy as np
import pytest
from building import RIG, Engine, play, program_of, section, song

from syncbox.engine.transport import Command, packed
from syncbox.schedule.words import LEAD_MS, NUMBERS, word_clip
from syncbox.score.rig import Mix
from syncbox.score.song import CountIn

RATE = 48_000
BEAT, BAR = 24_000, 96_000
LEAD = int(LEAD_MS) * RATE // 1000
VOICE_RIG = replace(RIG, spoken=True, mixes=(Mix("ears", (1,), {"voice": 0.0}, ceiling_db=0.0),))
# Every word is one sample of its own height on its beat, and as long as words are.
HEIGHTS = {"verse": 0.91, "chorus": 0.92, "outro": 0.93} | {
    word: (number + 1) / 20 for number, word in enumerate(NUMBERS[:4])
}
WORD_OF = {height: word for word, height in HEIGHTS.items()}


def clips(*, long=()):
    made = {}
    for word, height in HEIGHTS.items():
        clip = np.zeros((1, LEAD + (RATE if word in long else RATE // 3)), dtype=np.float32)
        clip[0, LEAD] = height
        made[word_clip(word)] = clip
    return made


def program(written, **more):
    return program_of(written, rig=VOICE_RIG, clips=clips(**more))


def heard(row, start):
    """(beat from the downbeat of bar 1, word) of everything said."""
    said = []
    for frame in np.flatnonzero(row):
        beat, off = divmod(frame - start, BEAT)
        assert off == 0, frame
        said.append((int(beat), WORD_OF[round(float(row[frame]), 2)]))
    return said


SECTIONS = (section("Verse", 4), section("Chorus", 2), section("Outro", 2))
AHEAD = [(12, "chorus"), (13, "two"), (14, "three"), (15, "four")]
AHEAD_OF_OUTRO = [(20, "outro"), (21, "two"), (22, "three"), (23, "four")]


@pytest.mark.parametrize("block_frames", [256, 5000])
def test_every_section_is_announced_on_the_beats_before_it(block_frames):
    written = song(*SECTIONS, count_in=CountIn(bars=2))
    played = play(program(written), block_frames=block_frames)
    start = played.frames("start")[0] + 96
    count = [(-8, "verse"), (-4, "one"), (-3, "two"), (-2, "three"), (-1, "four")]
    assert heard(played.audio[0], start) == [*count, *AHEAD, *AHEAD_OF_OUTRO]


def test_numbers_give_way_to_a_long_name_but_the_last_one_is_said():
    played = play(program(song(*SECTIONS), long=("chorus",)))
    start = played.frames("start")[0] + 96
    assert heard(played.audio[0], start)[:3] == [(12, "chorus"), (14, "three"), (15, "four")]
    fast = play(program(song(*SECTIONS, tempo=360)))
    words = [WORD_OF[round(float(fast.audio[0][at]), 2)] for at in np.flatnonzero(fast.audio[0])]
    assert words[:3] == ["chorus", "three", "four"]


def test_a_song_may_say_nothing():
    assert not play(program(song(*SECTIONS, spoken=False))).audio.any()


def engine_of(*sections):
    engine = Engine(program(song(*sections)))
    engine.press(Command.START)
    return engine


def said_by(engine):
    start = engine.frames("start")[0] + 96
    return heard(np.concatenate(engine.audio, axis=1)[0], start)


def test_a_vamp_announces_only_what_really_comes():
    engine = engine_of(section("Verse", 2, vamp_usual=2), *SECTIONS[1:])
    engine.turn_until(lambda now: now.round_no == 3)
    assert said_by(engine) == []
    engine.press(Command.CUE)
    engine.turn_until(lambda now: now.section_index == 1)
    assert said_by(engine) == [(20, "chorus"), (21, "two"), (22, "three"), (23, "four")]


def test_a_late_cue_is_still_counted():
    engine = engine_of(section("Verse", 2, vamp_usual=2), *SECTIONS[1:])
    engine.turn_until(lambda now: now.bar == 2 and now.beat == 2)
    engine.press(Command.CUE)
    engine.turn_until(lambda now: now.section_index == 1)
    assert said_by(engine) == [(6, "three"), (7, "four")]


def test_a_jump_announces_where_it_goes():
    engine = engine_of(*SECTIONS)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(packed(Command.JUMP_AT_END, 2))
    engine.turn_until(lambda now: now.section_index == 2)
    assert said_by(engine) == [(12, "outro"), *AHEAD[1:]]


def test_a_section_that_is_repeated_by_hand_is_announced():
    engine = engine_of(*SECTIONS)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(Command.REPEAT_SECTION)
    engine.turn_until(lambda now: now.bar == 1)
    assert said_by(engine) == [(12, "verse"), *AHEAD[1:]]


def test_passes_of_one_section_are_not_announced():
    played = play(program(song(section("Verse", 2, passes=3), section("Chorus", 1))))
    start = played.frames("start")[0] + 96
    assert heard(played.audio[0], start) == [
        (20, "chorus"), (21, "two"), (22, "three"), (23, "four")
    ]  # fmt: skip

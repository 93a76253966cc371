from __future__ import annotations

import numpy as np
import pytest
from building import RIG, program_of, section, song
from hypothesis import given
from hypothesis import strategies as st

from syncbox.engine.mixer import Mixer
from syncbox.engine.sounds import HAND_SOUNDS_MAX, NEVER, NO_GROUP, SOUNDS_MAX
from syncbox.schedule.program import Program, SoundStart
from syncbox.score.song import At, AudioKind, Item, PlayAudio
from syncbox.units import db_to_gain

ONES = np.ones((2, 1000), dtype=np.float32)


def program(clip: np.ndarray = ONES) -> Program:
    stem = Item(At(), PlayAudio("x.wav", "backing-band", AudioKind.STEM))
    return program_of(song(section("A", 1, stem)), clips={"x.wav": clip})


def mixer(made: Program, *, level_db: float = 0.0, soft_start: bool = False) -> Mixer:
    return Mixer(made, 512, level_db=level_db, soft_start=soft_start)


def start(made: Program, gain: float = 0.25, slot: int = -1) -> SoundStart:
    return SoundStart(len(made.clips) - 1, made.sources.index("backing-band"), gain, 0, slot)


def test_a_clip_begins_on_its_frame_and_ends_with_it() -> None:
    made = program()
    desk = mixer(made)
    desk.start(start(made), delay=700)
    out = np.concatenate([desk.render(512).copy() for _ in range(4)], axis=1)[2]
    heard = np.flatnonzero(out)
    assert (heard[0], heard[-1]) == (700, 1699)


def test_levels_follow_the_mixes() -> None:
    made = program()
    desk = mixer(made, level_db=-6.0)
    desk.start(start(made), delay=0)
    out = desk.render(10)[:, 5]
    drummer = 0.25 * db_to_gain(-6.0) * db_to_gain(-6.0)
    assert out == pytest.approx([drummer, drummer, 0.25 * db_to_gain(-6.0)], rel=1e-6)


@given(st.integers(1, 40), st.floats(0.1, 50.0))
def test_nothing_exceeds_the_ceiling(count: int, gain: float) -> None:
    made = program()
    desk = mixer(made)
    for _ in range(count):
        desk.start(start(made, gain), delay=0)
    peak = np.max(np.abs(desk.render(256)))
    assert peak <= np.float32(db_to_gain(RIG.mixes[0].ceiling_db))


def test_the_start_is_soft() -> None:
    made = program(np.ones((1, 48_000), dtype=np.float32))
    desk = mixer(made, soft_start=True)
    desk.start(start(made), delay=0)
    out = np.concatenate([desk.render(480).copy() for _ in range(60)], axis=1)[2]
    assert out[0] == 0.0
    assert np.all(np.diff(out[:24_000]) >= 0)
    assert out[24_000] == pytest.approx(0.25)


def test_a_stopped_sound_fades_without_a_step() -> None:
    made = program()
    desk = mixer(made)
    desk.start(start(made, slot=3), delay=0)
    desk.stop(3, delay=100)
    out = np.concatenate([desk.render(512).copy() for _ in range(2)], axis=1)[2]
    assert out[99] == out[0]
    assert np.max(np.abs(np.diff(out[:600]))) < 0.01
    assert out[100 + 480] == 0.0


def test_a_slot_holds_one_sound() -> None:
    made = program()
    desk = mixer(made)
    desk.start(start(made, slot=1), delay=0)
    desk.render(512)
    desk.start(start(made, slot=1), delay=0)
    desk.render(512)
    assert desk.render(400)[2, 0] == pytest.approx(0.25)


def test_more_sounds_than_there_is_room_for_drop_the_oldest() -> None:
    made = program()
    desk = mixer(made)
    for _ in range(SOUNDS_MAX + 5):
        desk.start(start(made, 1e-4), delay=0)
    assert desk.render(8)[2, 0] == pytest.approx(SOUNDS_MAX * 1e-4, rel=1e-4)


def test_leaving_fades_to_silence() -> None:
    made = program()
    desk = mixer(made)
    desk.start(start(made), delay=0)
    desk.render(100)
    desk.leave()
    assert not desk.silent
    out = desk.render(512).copy()
    assert not desk.silent
    assert np.all(np.diff(out[2]) <= 0)
    out = desk.render(512).copy()
    assert out[2, 959 - 512] < 1e-6
    assert not np.any(out[2, 960 - 512 :])
    assert desk.silent


def test_of_too_many_strokes_the_quietest_gives_way_and_a_click_never() -> None:
    made = program(np.ones((1, 48_000), dtype=np.float32))
    desk = mixer(made)
    click = made.sources.index("click")
    desk.start(SoundStart(0, click, 0.5, 0, -1), delay=0)
    source, clip = made.sources.index("backing-band"), len(made.clips) - 1
    gains = [0.001 * (1 + (7 * n) % HAND_SOUNDS_MAX) for n in range(HAND_SOUNDS_MAX)]
    for gain in gains:
        desk.strike(clip, source, gain, NO_GROUP, delay=0)
    before = desk.render(16).copy()
    desk.strike(clip, source, 0.1, NO_GROUP, delay=0)
    after = np.concatenate([desk.render(512).copy() for _ in range(2)], axis=1)
    assert before[2, -1] == pytest.approx(sum(gains), rel=1e-5)
    assert np.max(np.abs(np.diff(after[2]))) < 1e-4  # the quietest fades, it is not cut
    assert after[2, -1] == pytest.approx(sum(gains) - min(gains) + 0.1, rel=1e-5)
    clicks = [sound for sound in desk._sounds.active if sound.source == click]
    assert [sound.fade for sound in clicks] == [NEVER]


def test_a_choke_group_ends_what_sounds_and_nothing_else() -> None:
    made = program(np.ones((1, 48_000), dtype=np.float32))
    desk = mixer(made)
    source, clip = made.sources.index("backing-band"), len(made.clips) - 1
    desk.strike(clip, source, 0.1, 0, delay=0)
    desk.strike(clip, source, 0.2, 1, delay=0)
    desk.render(512)
    desk.strike(clip, source, 0.3, 0, delay=100)
    out = np.concatenate([desk.render(512).copy() for _ in range(2)], axis=1)[2]
    assert out[99] == pytest.approx(0.3)
    assert out[100 + 480] == pytest.approx(0.5)

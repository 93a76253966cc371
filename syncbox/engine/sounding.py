"""What is heard at a place, and how loud: as plain values, and in another engine again.

Sounds are said with the frame on which they began, so they go on where they would be.
Levels, mutes, solos and pedals are said as what they are or are on their way to: the
other engine makes the same moves, and a glide of a person takes 20 ms.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from syncbox.engine.emission import CLICK_CLIPS
from syncbox.engine.hands import Stroke, move_pedal
from syncbox.engine.mixer import NOBODY
from syncbox.engine.sounds import NO_SLOT
from syncbox.engine.state import EngineState, Fade
from syncbox.schedule.program import FadeTo, SoundStart

SHOTS_MAX = 16  # sounds of pads and one-shots that a place holds, the newest


def sounding_of(state: EngineState) -> dict[str, Any]:
    """Everything of the sound that playing on depends on."""
    mixer = state.mixer
    shots = mixer.shots(CLICK_CLIPS)[-SHOTS_MAX:]
    return {
        "level_mdb": round(mixer.level_db * 1000),
        "click_muted": int(mixer.click_muted),
        "mixes": [[round(mix.level_db * 1000), int(mix.muted)] for mix in mixer.mixes],
        "solos": [mixer.solo_mix, mixer.solo_source],
        "pedals": [[pedal, value] for pedal, value in state.hands.moved.items()],
        "timed_sounds": [_sound_row(frame, sound) for frame, sound in state.timed_sounds],
        "slots": [[frame, list(event)] for event, frame in state.slots.values()],
        "faders": [[source, *fade] for source, fade in state.faders.items()],
        "shots": [
            [s.begin, s.number, s.source, float(s.gain), s.clip_frame, s.group, int(s.hand)]
            for s in shots
        ],
        "strokes": [_stroke_row(state, stroke) for stroke in state.hands.waiting],
        "spoken_until": state.speaker.until,
    }


# What can wait for a frame: a sound, a fade, or that every slot stops.
_SOUNDS: tuple[Callable[..., SoundStart | FadeTo | None], ...] = (
    SoundStart,
    FadeTo,
    lambda: None,
)


def _sound_row(frame: int, sound: SoundStart | FadeTo | None) -> list[Any]:
    if sound is None:
        return [frame, 2]
    return [frame, int(isinstance(sound, FadeTo)), *sound]


def _stroke_row(state: EngineState, stroke: Stroke) -> list[int]:
    """A pad that waits for the grid; -1 where it is none of the present song."""
    pads = state.song.pads
    found = next((index for index, pad in enumerate(pads) if pad is stroke.pad), -1)
    return [found, stroke.velocity, stroke.frame]


def restore_sounding(state: EngineState, place: dict[str, Any]) -> None:
    """Let a fresh engine, which stands at the frame of a place, sound as it did there."""
    mixer, frame = state.mixer, state.next_frame
    state.timed_sounds = [
        (at, _SOUNDS[kind](*fields)) for at, kind, *fields in place["timed_sounds"]
    ]
    state.speaker.until = place["spoken_until"]
    state.hands.waiting[:] = [
        Stroke(state.song.pads[pad], velocity, at)
        for pad, velocity, at in place["strokes"]
        if pad >= 0
    ]
    _restore_levels(state, place)
    for source, *row in place["faders"]:
        state.faders[source] = fade = Fade(*row)
        mixer.fade(source, fade.begins_at, fade.frame - frame - 1, 0)
        mixer.fade(source, fade.gain, fade.frame - frame, fade.length)
    for at, event in place["slots"]:
        sound = SoundStart(*event)
        state.slots[sound.slot] = sound, at
        mixer.start(sound, at - frame)
    for at, clip, source, gain, clip_frame, group, by_hand in place["shots"]:
        if by_hand:
            mixer.strike(clip, source, gain, group, at - frame)
        else:
            mixer.start(SoundStart(clip, source, gain, clip_frame, NO_SLOT), at - frame)


def _restore_levels(state: EngineState, place: dict[str, Any]) -> None:
    mixer = state.mixer
    mixer.change_level(place["level_mdb"] / 1000 - mixer.level_db)
    if place["click_muted"] != mixer.click_muted:
        mixer.mute_click()
    for index, (level_mdb, muted) in enumerate(place["mixes"]):
        mixer.change_mix_level(index, level_mdb / 1000 - mixer.mixes[index].level_db)
        if muted != mixer.mixes[index].muted:
            mixer.mute_mix(index)
    solo_mix, solo_source = place["solos"]
    if solo_mix != NOBODY:
        mixer.solo_mix_only(solo_mix)
    if solo_source != NOBODY:
        mixer.solo_source_only(solo_source)
    for pedal, value in place["pedals"]:
        move_pedal(state, pedal, value, state.next_frame)
    if state.quitting:
        mixer.leave()

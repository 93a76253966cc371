"""The computer's MIDI through python-rtmidi: which of its backends works here."""

from __future__ import annotations

from typing import Any

from syncbox.drivers import system

CLIENT_NAME = "syncbox"


def open_midi(*, outputs: bool) -> Any | None:
    """An rtmidi.MidiOut or MidiIn on the first backend that works, None when none does."""
    import rtmidi

    make = rtmidi.MidiOut if outputs else rtmidi.MidiIn
    for api in rtmidi.get_compiled_api():
        if api == rtmidi.API_RTMIDI_DUMMY:
            continue
        if api == rtmidi.API_LINUX_ALSA and not system.has_alsa_sequencer():
            continue
        try:
            with system.quiet_libraries():
                return make(api, name=CLIENT_NAME)
        except rtmidi.RtMidiError:
            continue
    return None


def system_name(midi: Any) -> str:
    """Name of the backend, for people."""
    import rtmidi

    name: str = rtmidi.get_api_display_name(midi.get_current_api())
    return name


def counts_blocks(midi: Any) -> bool:
    """Whether this backend moves every message to the start of an audio block."""
    import rtmidi

    return bool(midi.get_current_api() == rtmidi.API_UNIX_JACK)

"""A second JACK client in its own process: hears audio and MIDI and notes at which frame.

    python jack_capture.py SERVER CLIENT MIDI_PORTS AUDIO_SOURCE...

It has MIDI inputs in_0, in_1... Each line on standard input is a command: `drop N`
takes input N away, `add N` brings it back, `again` connects what it can hear, `say`
prints what was heard so far:
{"midi": [[port, frame, hex]], "audio": [[channel, frame, sample]], "gaps": [frame]}.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys

import jack
import numpy as np

server, name, midi_ports, *sources = sys.argv[1:]
client = jack.Client(name, no_start_server=True, servername=server)
audio_in = [client.inports.register(f"hear_{index}") for index in range(len(sources))]
midi_in = {index: client.midi_inports.register(f"in_{index}") for index in range(int(midi_ports))}
heard: dict[str, list] = {"midi": [], "audio": [], "gaps": []}
expected: list[int] = []


def process(frames: int) -> None:
    first = client.last_frame_time
    if expected and first != expected[0]:
        heard["gaps"].append(expected[0])
    expected[:] = [(first + frames) & 0xFFFFFFFF]
    for index, port in enumerate(audio_in):
        samples = port.get_array().copy()  # a writer that is late may still be at it
        for place in np.flatnonzero(samples):
            heard["audio"].append([index, first + int(place), float(samples[place])])
    for index, port in list(midi_in.items()):
        for offset, data in port.incoming_midi_events():
            heard["midi"].append([index, first + offset, bytes(data).hex()])


client.set_process_callback(process)
client.activate()
for port, source in zip(audio_in, sources, strict=True):
    client.connect(source, port)
print("ready", flush=True)
for line in sys.stdin:
    word, *rest = line.split()
    if word == "drop":
        midi_in.pop(int(rest[0])).unregister()
    elif word == "add":
        midi_in[int(rest[0])] = client.midi_inports.register(f"in_{rest[0]}")
    elif word == "again":
        for port, source in zip(audio_in, sources, strict=True):
            with contextlib.suppress(jack.JackError):  # not there yet, or connected already
                client.connect(source, port)
    elif word == "say":
        print(json.dumps(heard), flush=True)
client.deactivate()
client.close()
os._exit(0)

import io
import json

from syncbox.pack.eventlog import EventLog


def logged(*blocks, ports=("keys", 'the "other" Gerät')):
    file = io.BytesIO()
    log = EventLog(file, ports)
    for first_frame, events in blocks:
        log.write(events, first_frame)
    return [json.loads(line) for line in file.getvalue().decode("utf-8").splitlines()]


def test_one_object_a_line_in_the_order_given():
    lines = logged(
        (-480, [(0, 0, b"\xc0\x05", "patch"), (470, 1, b"\xf8", "clock")]),
        (0, []),
        (512, [(3, 1, b"\xf8", "clock"), (3, 0, b"\xb0\x40\x00", "panic")]),
    )
    assert lines == [
        {"frame": -480, "port": "keys", "bytes": "c0 05", "why": "patch"},
        {"frame": -10, "port": 'the "other" Gerät', "bytes": "f8", "why": "clock"},
        {"frame": 515, "port": 'the "other" Gerät', "bytes": "f8", "why": "clock"},
        {"frame": 515, "port": "keys", "bytes": "b0 40 00", "why": "panic"},
    ]


def test_the_same_message_for_another_reason_says_so():
    lines = logged((0, [(0, 0, b"\xf8", "clock"), (1, 0, b"\xf8", "clock stopped")]))
    assert [line["why"] for line in lines] == ["clock", "clock stopped"]

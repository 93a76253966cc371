"""Children that behave in all ways, each by its own `main`; the job says which."""

from __future__ import annotations

import json
import pickle
import sys
import time

from syncbox.engine.leaving import told_to_leave


def main() -> None:
    behaviour = pickle.load(sys.stdin.buffer)
    if behaviour == "polite":
        print("libraries chat", flush=True)
        print(json.dumps({"fine": 1}), flush=True)
        sys.stdin.buffer.read()
    elif behaviour == "telling":
        print(json.dumps({"fine": 1}), flush=True)
        print(json.dumps({"told": told_to_leave()}), flush=True)
    elif behaviour == "refusing":
        print(json.dumps({"what": "no device", "where": "port 3", "hint": "buy one"}), flush=True)
    elif behaviour == "dying":
        print("out of strings", file=sys.stderr)
        sys.exit(1)
    elif behaviour == "silent":
        time.sleep(60)
    elif behaviour == "stubborn":
        print(json.dumps({"fine": 1}), flush=True)
        time.sleep(60)

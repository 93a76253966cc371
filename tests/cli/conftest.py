"""A small show that lasts a few seconds, for the commands."""

import pytest

SONG = """\
syncbox: 1
title: Quick One
key: D
tempo: quarter = 240
count-in: 4 beats
sections:
  - {section: Verse, mark: A, bars: 2, times: 2, patches: {organ: Soft}}
  - section: Solo
    mark: B
    bars: 1
    vamp: usually 2 times
    text: Watch the drummer
  - {section: End, bars: 1, meter: 3/4}
"""
OTHER = """\
syncbox: 1
title: Slow One
tempo: quarter = 180
count-in: none
sections:
  - {section: Only, bars: 1}
"""
RIG = """\
syncbox: 1
ports:
  keys: {match: "*nothing of this name*", wire: usb, clock: yes, start-stop: yes}
instruments:
  organ: {port: keys, channel: 1, programs: from 1, patches: {Soft: 5}}
mixes:
  drummer: {outputs: 1-2, levels: {click: 0 dB, count-in: 0 dB}, ceiling: -6 dB}
"""
SET_LIST = """\
syncbox: 1
title: Short night
songs:
  - quick-one
  - slow-one
"""


@pytest.fixture
def show_folder(tmp_path):
    folder = tmp_path / "show"
    folder.mkdir()
    files = {"quick-one": SONG, "slow-one": OTHER, "rig": RIG, "setlist": SET_LIST}
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder

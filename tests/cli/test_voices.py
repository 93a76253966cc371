"""syncbox voices: every word with what it was made from."""

import numpy as np
import pytest
import soundfile

from syncbox.audio import words
from syncbox.cli.main import run_command

SONG = """syncbox: 1
title: Lantern Street
tempo: quarter = 120
sections:
  - {section: Verse, bars: 4}
  - {section: Chorus, bars: 4, spoken-name: big chorus}
"""


@pytest.fixture
def show(tmp_path):
    (tmp_path / "lantern-street.yaml").write_text(SONG + "spoken: yes\n")
    voice = tmp_path / "voice"
    voice.mkdir()
    tone = 0.3 * np.sin(np.arange(12_000) / 40)
    for name in ("two", "big-chorus", "bridge"):
        soundfile.write(voice / f"{name}.wav", tone, 48_000)
    (voice / "three.wav").write_bytes(b"nothing")
    return tmp_path


def test_every_word_and_where_it_comes_from(show, capsys, monkeypatch):
    monkeypatch.setattr(words, "PROGRAMS", ())
    assert run_command(["voices", str(show)]) == 0
    out, err = capsys.readouterr()
    lines = {line.split("  ")[0].strip(): line.split("  ")[-1] for line in out.splitlines()[1:7]}
    assert lines == {
        "one": "tones",
        "two": "voice/two.wav",
        "three": "tones",
        "four": "tones",
        "verse": "tones",
        "big chorus": "voice/big-chorus.wav",
    }
    assert "not needed: a recording of 'bridge'" in out
    assert "not used: voice/three.wav" in err
    assert "put recordings into" in out
    assert (show / ".prepared").is_dir()


def test_a_show_that_says_nothing(show, capsys):
    (show / "lantern-street.yaml").write_text(SONG)
    assert run_command(["voices", str(show)]) == 0
    assert "Nothing is spoken" in capsys.readouterr().out


def test_the_words_are_among_the_sounds_of_the_show(show, monkeypatch):
    from syncbox.cli.prepare import compiled, playable_show
    from syncbox.schedule.program import WordStart

    monkeypatch.setattr(words, "PROGRAMS", ())
    program = compiled(playable_show(show), 48_000)
    said = [event for leg in program.songs[0].legs for event in leg.events]
    said = [event for event in said if isinstance(event, WordStart)]
    assert [event.section for event in said] == [1, 1, 1, 1, -1, -1, -1, -1]
    name = program.clips[program.songs[0].name_clips[1]]
    assert np.array_equal(name, program.clips[said[1].clip])  # both are the same recorded tone

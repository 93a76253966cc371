import json
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile
import wavinfo

from syncbox.audio.voices import click_voices
from syncbox.engine.script import CueScript
from syncbox.errors import ShowError, UnreadableError
from syncbox.pack.render import (
    RenderedSong,
    file_name,
    file_names,
    render_show,
    render_song,
    song_jobs,
    whole_file,
)
from syncbox.schedule.timeline import timeline
from syncbox.score.reading import read_show
from syncbox.score.rig import Instrument, MidiPort, Mix, Rig, SetEntry, SetList, Show
from syncbox.score.song import (
    At,
    AudioKind,
    Body,
    CountIn,
    Item,
    PatchChange,
    PlayAudio,
    Ramp,
    Section,
    Song,
    Span,
)

RATE = 48_000
USUAL = CueScript()
RIG = Rig(
    ports=(MidiPort("keys", "*", clock=True, start_stop=True), MidiPort("Pads/USB", "*")),
    instruments=(Instrument("organ", "keys", 1),),
    mixes=(
        Mix("drummer", (1,), {"click": 0.0, "count-in": 0.0}, ceiling_db=-1.0),
        Mix("keys", (2, 4), {"click": -6.0, "backing": 0.0}, ceiling_db=-1.0),
    ),
)


def song_of(song_id, *, vamp=0, bars=2):
    intro = (
        Item(At(), PatchChange("organ", "5")),
        Item(At(2), PlayAudio("hit.wav", "hits", AudioKind.ONE_SHOT)),
    )
    verse = (Item(At(), PatchChange("organ", "9")), Item(At(), Ramp(Fraction(140), Span(bars=1))))
    return Song(
        song_id,
        f"Song {song_id}",
        Fraction(97),
        (
            Section("Intro", Body(2, intro), vamp_usual=vamp),
            Section("Verse", Body(bars, verse), passes=2, mark="B"),
        ),
        count_in=CountIn(bars=1),
        pickup=Span(beats=Fraction(1)),
    )


@pytest.fixture
def show(tmp_path):
    folder = tmp_path / "show"
    folder.mkdir()
    hit = np.linspace(0.5, -0.5, 20 * RATE)  # rings long after the song
    soundfile.write(folder / "hit.wav", hit, RATE, "PCM_24")
    songs = {name: song_of(name, vamp=vamp) for name, vamp in (("one", 2), ("two", 0))}
    entries = (SetEntry("one"), SetEntry("two"), SetEntry("one"))
    return Show(str(folder), RIG, SetList("Night", entries), songs)


def rendered(show, folder, *, script=USUAL, rate=RATE, first_only=False, processes=1):
    jobs = song_jobs(show, folder, rate=rate, script=script)
    done = []
    render_show(jobs[:1] if first_only else jobs, done.append, processes=processes)
    return done


def log_of(song):
    lines = (song.folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def test_every_song_gets_a_folder_with_a_file_for_each_mix_and_port(show, tmp_path):
    done = rendered(show, tmp_path / "out")
    assert [song.folder.name for song in done] == ["01-one", "02-two", "03-one"]
    for song in done:
        assert isinstance(song, RenderedSong)
        names = ["Pads-USB.mid", "drummer.wav", "events.jsonl", "keys.mid", "keys.wav"]
        assert sorted(path.name for path in song.folder.iterdir()) == names
        assert sorted(path.name for path in song.files) == names
        for wav, channels in (("drummer.wav", 1), ("keys.wav", 2)):
            info = soundfile.info(song.folder / wav)
            assert (info.frames, info.channels) == (song.frame_count, channels)
            assert (info.samplerate, info.subtype) == (RATE, "PCM_24")


def test_runs_and_processes_do_not_change_a_byte(show, tmp_path):
    one = rendered(show, tmp_path / "a")
    other = rendered(show, tmp_path / "b", processes=2)
    files = sorted(path.relative_to(tmp_path / "a") for song in one for path in song.files)
    assert len(files) == 15
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
    assert len(other) == 3


def test_clicks_stand_on_the_frames_of_the_timeline(show, tmp_path):
    (song,) = rendered(show, tmp_path / "out", first_only=True)
    sound, _ = soundfile.read(song.folder / "drummer.wav")
    rows = timeline(show.songs["one"], RATE).bars
    first = min(row.start_frame for row in rows)
    voice = click_voices(RATE)["accent"]
    downbeats = [row.start_frame - first for row in rows if row.bar >= 1]
    assert len(downbeats) == 2 * 2 + 2 * 2
    for frame in downbeats:
        peak = np.abs(sound[frame : frame + len(voice)]).max()
        heard = sound[frame : frame + 100] / peak  # whatever the mix makes of its level
        assert heard == pytest.approx(voice[:100] / np.abs(voice).max(), abs=1e-3)
        assert not sound[frame - 100 : frame].any()


def test_log_has_clocks_from_the_downbeat_and_patches_before_their_bar_lines(show, tmp_path):
    (song,) = rendered(show, tmp_path / "out", first_only=True)
    log = log_of(song)
    rows = timeline(show.songs["one"], RATE).bars
    first = min(row.start_frame for row in rows)
    starts = [event["frame"] for event in log if event["why"] == "start"]
    clocks = [event["frame"] for event in log if event["why"] == "clock"]
    assert len(starts) == 1
    assert clocks[0] == -first  # the downbeat of bar 1
    assert clocks[0] - starts[0] >= RATE // 1000
    assert len(clocks) == 8 * 4 * 24
    verse = next(row for row in rows if row.section == "Verse").start_frame - first
    (change,) = [event["frame"] for event in log if event["bytes"] == "c0 08"]
    assert verse - RATE // 100 < change < verse
    before = [event for event in log if event["bytes"] == "c0 04"]
    assert [event["frame"] < 0 for event in before] == [True]
    assert [event["frame"] for event in log] == sorted(event["frame"] for event in log)


def test_midi_file_and_log_send_the_demos_instruments_the_same_in_the_same_order(tmp_path):
    # The file comes from the score, the log from the compiled schedule through the engine.
    show = read_show(Path(__file__).parents[2] / "songs", problems=[])
    message_count = 0
    for song in rendered(show, tmp_path, rate=8000):
        log = log_of(song)
        for port in show.rig.ports:
            file = mido.MidiFile(song.folder / f"{port.name}.mid")
            for track in file.tracks[1:]:
                written = [m.bin().hex(" ") for m in track if not m.is_meta]
                channel = show.rig.instrument(track.name).channel
                sent = [
                    event["bytes"]
                    for event in log
                    if event["port"] == port.name and event["why"] in ("patch", "controller")
                    if int(event["bytes"][1], 16) == channel - 1
                ]
                controls = [data for data in written if not data.startswith("f0")]
                assert sent == controls
                message_count += len(sent)
    assert message_count > 20


def test_markers_stand_where_the_parts_begin(show, tmp_path):
    (song,) = rendered(show, tmp_path / "out", first_only=True)
    cues = wavinfo.WavInfoReader(str(song.folder / "keys.wav")).cues
    found = {cues.label_and_note(cue.name)[0]: cue.sample_offset for cue in cues.cues}
    rows = timeline(show.songs["one"], RATE).bars
    first = min(row.start_frame for row in rows)
    verses = [r for r in rows if r.section == "Verse" and r.section_bar == 1]
    assert list(found) == ["count-in", "pickup", "Intro", "B Verse (1 of 2)", "B Verse (2 of 2)"]
    assert found["count-in"] == 0
    assert found["Intro"] == -first
    assert [found[f"B Verse ({n} of 2)"] for n in (1, 2)] == [v.start_frame - first for v in verses]


def test_a_script_changes_sound_markers_and_midi_file_alike(show, tmp_path):
    (usual,) = rendered(show, tmp_path / "a", first_only=True)
    (longer,) = rendered(show, tmp_path / "b", first_only=True, script=CueScript(rounds=(5,)))
    extra_s = 3 * 8 * 60 / 97
    ends = [mido.MidiFile(song.folder / "keys.mid").length for song in (usual, longer)]
    assert ends[1] - ends[0] == pytest.approx(extra_s, abs=1e-4)
    markers = []
    for song in (usual, longer):
        cues = wavinfo.WavInfoReader(str(song.folder / "keys.wav")).cues
        markers.append(cues.cues[-1].sample_offset)
    assert markers[1] - markers[0] == pytest.approx(extra_s * RATE, abs=1)
    sound, _ = soundfile.read(longer.folder / "drummer.wav")
    at = markers[1]
    assert sound[at] != 0
    assert not sound[at - 100 : at].any()


def test_a_sound_on_the_last_bar_rings_out(show, tmp_path):
    (song,) = rendered(show, tmp_path / "out", first_only=True)
    sound, _ = soundfile.read(song.folder / "keys.wav")
    table = timeline(show.songs["one"], RATE)
    first = min(row.start_frame for row in table.bars)
    last_hit = [r for r in table.bars if r.section == "Intro" and r.section_bar == 2][-1]
    end = last_hit.start_frame - first + 20 * RATE
    assert len(sound) > end > table.end_frame - first
    assert sound[end - 10, 0] == pytest.approx(-0.5, abs=1e-3)
    assert not sound[end:].any()


def test_a_set_of_one_short_song_without_count_in(show, tmp_path):
    tiny = Song("tiny", "Tiny", Fraction(400), (Section("A", Body(1)),))
    small = Show(show.folder, RIG, SetList("N", (SetEntry("tiny"),)), {"tiny": tiny})
    (song,) = rendered(small, tmp_path / "out")
    sound, _ = soundfile.read(song.folder / "drummer.wav")
    assert sound[0] != 0


def test_other_rates(show, tmp_path):
    (song,) = rendered(show, tmp_path / "out", first_only=True, rate=44_100)
    assert soundfile.info(song.folder / "keys.wav").samplerate == 44_100


def test_a_missing_sound_is_named(show, tmp_path):
    (tmp_path / "show" / "hit.wav").unlink()
    with pytest.raises(UnreadableError, match="no such file"):
        rendered(show, tmp_path / "out")
    with pytest.raises(UnreadableError, match="no such file") as caught:
        rendered(show, tmp_path / "out", processes=2)
    assert caught.value.where.endswith("hit.wav")
    assert caught.value.hint


def test_a_folder_that_cannot_be_made_is_named(show, tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(UnreadableError, match="cannot write the files"):
        render_song(song_jobs(show, tmp_path / "out", rate=RATE, script=CueScript())[0])


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("Keys & Gerät", "Keys - Gerät"),
        ("a/b\\c:d", "a-b-c-d"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("NUL", "NUL-"),
        ("com1.x", "com1.x-"),
        ("console", "console"),
    ],
)
def test_file_names_for_every_system(name, plain):
    assert file_name(name) == plain


def test_names_that_would_fall_together_are_numbered():
    names = file_names(["Keys", "keys", "KEYS", "a/b", "a:b"], ".wav")
    assert list(names.values()) == ["Keys.wav", "keys-2.wav", "KEYS-3.wav", "a-b.wav", "a-b-2.wav"]


def test_a_file_appears_when_it_is_complete_or_not_at_all(tmp_path):
    path = tmp_path / "a"
    with whole_file(path) as file:
        file.write(b"1")
        assert not path.exists()
    assert path.read_bytes() == b"1"

    def fail():
        with whole_file(path) as file:
            file.write(b"2")
            raise ShowError("stop")

    with pytest.raises(ShowError):
        fail()
    assert [entry.name for entry in tmp_path.iterdir()] == ["a"]
    assert path.read_bytes() == b"1"

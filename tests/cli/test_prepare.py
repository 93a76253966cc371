import pytest

from syncbox.cli.prepare import (
    compiled,
    only_song,
    playable_show,
    set_index,
    tonights_show,
    with_song,
)
from syncbox.errors import ShowError, UnreadableError


def spoil(folder, name, old, new):
    path = folder / f"{name}.yaml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_sound_show_compiles(show_folder):
    program = compiled(playable_show(show_folder), 48_000)
    assert [song.id for song in program.songs] == ["quick-one", "slow-one"]
    assert program.rate == 48_000


def test_a_problem_is_told_with_its_place_and_the_way_to_the_others(show_folder):
    spoil(show_folder, "quick-one", "bars: 2", "bars: -2")
    with pytest.raises(ShowError) as told:
        playable_show(show_folder)
    assert "quick-one.yaml:7:" in told.value.where
    assert "syncbox check" in told.value.hint
    assert told.value.exit_code == 1


def test_a_folder_that_is_not_there_cannot_be_read(tmp_path):
    with pytest.raises(UnreadableError):
        playable_show(tmp_path / "nothing")


def test_on_the_night_a_wrong_song_costs_only_itself(show_folder, capsys):
    spoil(show_folder, "quick-one", "bars: 2", "bars: -2")
    show = tonights_show(show_folder, None)
    assert [entry.song_id for entry in show.set_list.entries] == ["slow-one"]
    assert "quick-one" in capsys.readouterr().err
    assert compiled(show, 48_000).songs[0].id == "slow-one"


def test_a_song_that_is_no_text_costs_only_itself(show_folder):
    (show_folder / "quick-one.yaml").write_bytes(bytes(range(256)))
    show = tonights_show(show_folder, None)
    assert [entry.song_id for entry in show.set_list.entries] == ["slow-one"]
    with pytest.raises(ShowError, match="quick-one"):
        tonights_show(show_folder, "quick-one")


def test_the_wrong_song_itself_is_refused(show_folder):
    spoil(show_folder, "quick-one", "bars: 2", "bars: -2")
    with pytest.raises(ShowError) as told:
        tonights_show(show_folder, "quick-one")
    assert "quick-one.yaml" in told.value.where


def test_a_wrong_name_of_an_instrument_is_found_before_anything_is_compiled(show_folder):
    spoil(show_folder, "quick-one", "organ: Soft", "orgn: Soft")
    with pytest.raises(ShowError, match="orgn"):
        playable_show(show_folder)


def test_a_wrong_rig_stops_everything(show_folder):
    spoil(show_folder, "rig", "channel: 1", "channel: 17")
    with pytest.raises(ShowError, match="17"):
        tonights_show(show_folder, None)


def test_a_song_is_found_by_its_file_or_its_title(show_folder):
    show = playable_show(show_folder)
    assert set_index(show, "slow-one") == set_index(show, "Slow One") == 1
    with pytest.raises(ShowError) as told:
        set_index(show, "slow-on")
    assert "did you mean 'slow-one'?" in told.value.hint


def test_a_song_outside_the_set_is_put_at_its_end(show_folder):
    spoil(show_folder, "setlist", "  - slow-one\n", "")
    show, index = with_song(playable_show(show_folder), "slow-one")
    assert index == 1
    assert show.set_list.entries[1].song_id == "slow-one"


def test_one_song_alone_keeps_tonights_changes(show_folder):
    spoil(show_folder, "setlist", "- slow-one", "- {song: slow-one, tempo: +10 bpm}")
    show = only_song(playable_show(show_folder), 1)
    assert [entry.trim.add_qpm for entry in show.set_list.entries] == [10]

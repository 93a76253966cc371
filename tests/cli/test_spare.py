"""What the screens of two computers say, what their keys do, and how they know the same show."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from stage_views import ROLLING

from syncbox.cli.keys import Key
from syncbox.cli.main import commands
from syncbox.cli.prepare import set_of_tonight
from syncbox.cli.screen import View, screen
from syncbox.cli.spare_beside import SpareKeys
from syncbox.cli.spare_first import (
    at_another_address,
    card_for_spare,
    card_of_beginning,
    is_playing,
    telling_spare,
)
from syncbox.cli.spare_sign import show_sum, sounds_sum
from syncbox.cli.spare_view import (
    alarm,
    first_alarm,
    first_line,
    first_view,
    spare_line,
    spare_view,
    state_line,
)
from syncbox.drivers.beacon import SpareHeard
from syncbox.drivers.spare import SpareStatus
from syncbox.drivers.spare_post import Post
from syncbox.drivers.spare_rules import Heard, Misfit, Refusal, Situation
from syncbox.drivers.spare_words import Letter, Word
from syncbox.errors import DeviceError

VIEW = replace(ROLLING, state="vamp: Space goes on")
WELL = SpareStatus(Situation.FOLLOWING, first_hears_us=True, ago_ms=100, within_us=300)


def shown(view: View, width: int = 80, height: int = 24) -> str:
    return "\n".join(line.plain.rstrip() for line in screen(view, width, height))


# --- the spare's screen -------------------------------------------------------------------------


@pytest.mark.parametrize("situation", Situation)
@pytest.mark.parametrize("size", [(80, 24), (60, 14), (30, 4)])
def test_every_situation_is_seen_at_every_size(situation: Situation, size) -> None:
    status = replace(WELL, situation=situation, misfit=Misfit.SHOW, by_itself_in_ms=900)
    view = spare_view(VIEW, status)
    text = shown(view, *size)
    wanted = alarm(status) or state_line(status)
    assert wanted[: size[0] - 2].casefold() in text.casefold()


def test_following_is_calm_and_says_how_well() -> None:
    view = spare_view(VIEW, WELL)
    assert not view.waits
    assert view.state == "following, silent   vamp"
    assert "Space" not in view.state, "Space does nothing here"
    assert "first heard, within 0.3 ms" in shown(view)
    assert "drums" not in shown(replace(view, ports=view.ports[:1])), "nothing is sent there"
    assert [hint.key for hint in view.keys] == ["T", "Q"]


def test_both_playing_is_said_first_with_what_to_do() -> None:
    view = spare_view(VIEW, replace(WELL, situation=Situation.BOTH))
    lines = shown(view).splitlines()
    assert lines[1] == "BOTH ARE PLAYING: G here gives back, Q there leaves"
    assert view.keys[0].key == "G"
    first = first_view(VIEW, SpareHeard(Heard.BOTH))
    assert shown(first).splitlines()[1].startswith("BOTH ARE PLAYING: the spare took over.")
    assert len(first_alarm(SpareHeard(Heard.BOTH))) <= 80


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (replace(WELL, situation=Situation.QUIET, by_itself_in_ms=1500), "takes over in 1.5 s"),
        (replace(WELL, situation=Situation.SILENT_ALONE), "T takes over"),
        (replace(WELL, situation=Situation.BOTH_ON), "do not start it"),
        (replace(WELL, situation=Situation.MISFIT, misfit=Misfit.RATE), "sample rate"),
        (
            replace(WELL, situation=Situation.MISFIT, misfit=Misfit.SHOW, where="Chorus"),
            "(Chorus): leave, and start the spare again",
        ),
        (replace(WELL, rival=True), "two first computers"),
        (replace(WELL, other_version=True), "another version"),
        (WELL, ""),
    ],
)
def test_what_cannot_wait(status: SpareStatus, words: str) -> None:
    assert words in alarm(status)
    assert bool(words) is bool(alarm(status))


def test_the_network_is_shown_in_numbers() -> None:
    worse = replace(WELL, lost_permille=62, first_hears_us=False, sounds_differ=True)
    text = shown(spare_view(VIEW, worse), 120, 36)
    assert "6.2 % lost" in text
    assert "does not hear this one" in text
    assert "not the same files" in text
    assert "heard 2.5 s ago" in shown(spare_view(VIEW, replace(WELL, ago_ms=2500)), 120, 36)
    assert "not heard yet" in shown(spare_view(VIEW, SpareStatus(Situation.NOTHING_HEARD)))


@pytest.mark.parametrize("heard", Heard)
def test_the_first_says_everything_of_its_spare(heard: Heard) -> None:
    spare = SpareHeard(heard, ago_ms=4000, within_us=200)
    assert first_line(spare).startswith("spare: ")
    assert "spare" in shown(first_view(VIEW, spare))
    assert bool(first_alarm(spare)) is (heard in (Heard.BOTH, Heard.GONE, Heard.DEAF))


def test_a_line_for_a_script_changes_only_when_something_has_happened() -> None:
    assert spare_line(WELL) == spare_line(replace(WELL, ago_ms=300, within_us=9, lost_permille=3))
    quiet = replace(WELL, situation=Situation.QUIET, by_itself_in_ms=100)
    assert spare_line(quiet) == spare_line(replace(quiet, by_itself_in_ms=50))


# --- its keys -----------------------------------------------------------------------------------


class Side:
    def __init__(self, situation: Situation, refusal: Refusal | None = None) -> None:
        self.situation, self.refusal = situation, refusal
        self.playing = situation in (Situation.PLAYING, Situation.BOTH, Situation.BOTH_ON)
        self.done: list[str] = []

    def status(self) -> SpareStatus:
        return replace(WELL, situation=self.situation)

    def take_over(self) -> Refusal | None:
        self.done.append("take")
        return self.refusal

    def give_back(self) -> Refusal | None:
        self.done.append("give")
        return self.refusal


class Said:
    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, notice: str) -> None:
        self.said.append(notice)


def keys(situation: Situation, refusal: Refusal | None = None) -> tuple[SpareKeys, Side, Said]:
    side, said = Side(situation, refusal), Said()
    return SpareKeys(said, side), side, said  # type: ignore[arg-type]


def test_taking_over_from_one_that_plays_is_asked_twice() -> None:
    pressed, side, said = keys(Situation.FOLLOWING)
    assert pressed.take(Key.TAKE, None)
    assert side.done == []
    assert "press T again" in said.said[-1]
    assert pressed.take(Key.TAKE, None)
    assert side.done == ["take"]
    pressed.take(Key.TAKE, None)
    assert side.done == ["take"], "and once more for the next time"


@pytest.mark.parametrize(
    "situation", [Situation.QUIET, Situation.SILENT_ALONE, Situation.LEFT, Situation.NOTHING_HEARD]
)
def test_in_need_it_takes_over_at_once(situation: Situation) -> None:
    pressed, side, _ = keys(situation)
    pressed.take(Key.TAKE, None)
    assert side.done == ["take"]


def test_giving_back_to_one_that_is_stopped_is_asked_twice() -> None:
    pressed, side, said = keys(Situation.BOTH_ON)
    pressed.take(Key.GIVE, None)
    assert "nobody plays" in said.said[-1]
    assert side.done == []
    pressed.take(Key.GIVE, None)
    assert side.done == ["give"]


def test_a_refusal_is_said() -> None:
    pressed, _, said = keys(Situation.PLAYING, Refusal.NOBODY_ELSE)
    pressed.take(Key.GIVE, None)
    assert "nobody would play" in said.said[-1]


def test_a_silent_computer_takes_no_other_key_but_the_one_that_leaves() -> None:
    pressed, _, said = keys(Situation.FOLLOWING)
    for key in Key:
        if key not in (Key.QUIT, Key.TAKE, Key.GIVE):
            assert pressed.take(key, None)
            assert "T takes over" in said.said[-1]
    assert not pressed.take(Key.QUIT, None)
    playing, _, _ = keys(Situation.PLAYING)
    assert not playing.take(Key.SPACE, None)


# --- the same show ------------------------------------------------------------------------------


@pytest.fixture
def copy(show_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(show_folder, tmp_path / "copy"))


def sums(folder: Path, where: str = "") -> tuple[int, int]:
    show, _ = set_of_tonight(folder, None)
    return show_sum(folder, show, "", where), sounds_sum(folder)


def test_a_copy_is_the_same_show_and_a_changed_one_is_not(show_folder: Path, copy: Path) -> None:
    assert sums(show_folder) == sums(copy)
    assert sums(copy)[0] != sums(copy, "Chorus")[0]
    (copy / ".syncbox").mkdir(exist_ok=True)
    (copy / ".syncbox" / "journal.jsonl").write_text("x")
    (copy / "notes.txt").write_text("for the singer")
    assert sums(show_folder) == sums(copy)
    song = next(path for path in copy.glob("*.yaml") if path.stem not in ("rig", "setlist"))
    text = song.read_bytes()
    song.write_bytes(text.replace(b"\n", b"\r\n"))
    assert sums(show_folder) == sums(copy), "an editor's line ends change no note"
    song.write_bytes(text + b"# changed\n")
    assert sums(show_folder)[0] != sums(copy)[0]


def test_other_sounds_are_noticed_and_are_no_other_show(show_folder: Path, copy: Path) -> None:
    folder = copy / "audio"
    folder.mkdir(exist_ok=True)
    (folder / "extra.wav").write_bytes(bytes(200_000))
    assert sums(show_folder)[0] == sums(copy)[0]
    assert sums(show_folder)[1] != sums(copy)[1]


# --- beginning ----------------------------------------------------------------------------------


def test_a_first_without_a_spare_does_nothing() -> None:
    nothing = (Path(), None)
    assert card_of_beginning(None, nothing, ("", ""), 48_000) is None  # type: ignore[arg-type]
    with telling_spare(None, None) as beside:  # type: ignore[arg-type]
        assert beside is None


def test_another_host_tells_the_same_of_the_same_computer(show_folder) -> None:
    found, _ = set_of_tonight(show_folder, None)
    told = card_for_spare("10.0.0.2", (show_folder, found), ("", "Chorus"), 48_000)
    assert told is not None
    assert told.spare == ("10.0.0.2", 51_730)
    assert told.letter.where == "Chorus"
    assert at_another_address(told, None) is told
    other = at_another_address(told, "10.0.0.3:5000")
    assert (other.own, other.spare) == (told.own, ("10.0.0.3", 5000))


def answering(post: Post, word: Word):
    import threading

    over = threading.Event()

    def run() -> None:
        while not over.is_set():
            post.wait(0.02)
            for arrived in post.read():
                post.send(word, arrived.sender)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return over, thread


@pytest.mark.parametrize("playing", [0, 1])
def test_a_first_that_is_started_again_asks_whether_the_spare_plays(playing: int) -> None:
    post = Post()
    over, thread = answering(post, Word(run=9, playing=playing))
    assert is_playing(("127.0.0.1", post.port), Letter(1, "", "", "")) is bool(playing)
    over.set()
    thread.join(5)
    post.close()
    assert not is_playing(("127.0.0.1", 9), Letter(1, "", "", ""), wait_s=0.2)


def test_without_a_terminal_it_does_not_begin_beside_a_spare_that_plays(show_folder) -> None:
    post = Post()
    over, thread = answering(post, Word(run=9, playing=1))
    found, _ = set_of_tonight(show_folder, None)
    at = f"127.0.0.1:{post.port}"
    with pytest.raises(DeviceError, match="does not begin") as caught:
        card_of_beginning(at, (show_folder, found), ("", ""), 48_000)
    assert "syncbox spare" in caught.value.hint
    over.set()
    thread.join(5)
    post.close()


def test_a_wrong_address_is_one_message(show_folder) -> None:
    for line in (["spare", str(show_folder), "--first", "10.0.0.2:x"],):
        found = CliRunner().invoke(commands, line)
        assert isinstance(found.exception, DeviceError)
        assert "not the address" in found.exception.what

import re

import pytest
from click.testing import CliRunner

from syncbox.cli.guide import PAGES, guide, page_text, page_title
from syncbox.cli.main import run_command
from syncbox.cli.prepare import compiled, playable_show


def test_without_a_page_all_are_listed():
    shown = CliRunner().invoke(guide).output
    for page in PAGES:
        assert page in shown
        assert page_title(page) in shown


@pytest.mark.parametrize("page", PAGES)
def test_a_page_is_plain_markdown_in_a_pipe(page):
    assert CliRunner().invoke(guide, [page]).output == page_text(page)


def test_a_page_that_is_not_there_is_answered_with_those_that_are(capsys):
    assert run_command(["guide", "chapter-nine"]) == 2
    assert "first-song" in capsys.readouterr().err


def test_the_first_song_of_the_manual_plays(tmp_path):
    files = re.findall(
        r"`my-show/([\w-]+\.yaml)`.*?```yaml\n(.*?)```", page_text("first-song"), re.S
    )
    assert [name for name, _ in files] == ["first-light.yaml", "rig.yaml", "setlist.yaml"]
    song = files[0][1]
    assert len(song.splitlines()) == 10, "ten lines, as the title says"
    for name, text in files:
        (tmp_path / name).write_text(text, encoding="utf-8")
    program = compiled(playable_show(tmp_path), 48_000)
    assert program.songs[0].sections == ("Verse", "Chorus", "Solo", "End")


def test_the_readme_shows_the_same_first_song(request):
    song = re.search(r"```yaml\n(.*?)```", page_text("first-song"), re.S)[1]
    readme = (request.config.rootpath / "README.md").read_text("utf-8")
    assert "".join(f"    {line}\n" for line in song.splitlines()) in readme

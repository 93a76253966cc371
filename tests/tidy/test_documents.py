"""The manual and the documents say what is so."""

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from syncbox import __version__, errors
from syncbox.cli.guide import PAGES, page_text, page_title
from syncbox.cli.keys import Key
from syncbox.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def test_the_manual_has_exactly_the_pages_that_it_lists():
    folder = resources.files("syncbox") / "guide"
    there = {Path(entry.name).stem for entry in folder.iterdir() if entry.name.endswith(".md")}
    assert there == set(PAGES)
    assert len(PAGES) == len(set(PAGES))


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_with_its_title(page):
    assert page_text(page).startswith("# ")
    assert 3 <= len(page_title(page)) <= 60


def error_classes():
    return [
        value
        for value in vars(errors).values()
        if isinstance(value, type) and issubclass(value, errors.SyncboxError)
    ]


@pytest.mark.parametrize(
    "error", [e for e in error_classes() if e is not errors.SyncboxError], ids=lambda e: e.__name__
)
def test_every_kind_of_error_is_in_the_manual_with_its_exit_code(error):
    line = f"*Name in the program: {error.__name__}. Exit code {error.exit_code}.*"
    assert line in page_text("trouble")


@pytest.mark.parametrize("key", Key)
def test_every_key_is_in_the_manual(key):
    table = [line for line in page_text("keys").splitlines() if line.startswith("| ")]
    assert any(re.search(rf"\b{key.value}\b", line.split("|")[1]) for line in table)


def paths_in(text):
    """Files of the repository that a document names in backticks or links."""
    named = re.findall(r"`(?:\./)?((?:tools|tests|syncbox|songs|\.ci)/[\w./-]+)", text)
    linked = re.findall(r"\]\((?!https?:|#)([^)#]+)\)", text)
    return {name.rstrip(".") for name in [*named, *linked]}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_file_that_a_document_names_is_there(document):
    missing = {name for name in paths_in(document.read_text("utf-8")) if not (ROOT / name).exists()}
    assert not missing


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_command_that_a_document_names_is_there(document):
    named = set(re.findall(r"(?:`|\n {4}|\n)syncbox ([a-z]+)", document.read_text("utf-8")))
    assert named <= set(COMMANDS)


def test_the_readme_opens_with_the_job_and_shows_the_two_commands():
    text = (ROOT / "README.md").read_text("utf-8")
    assert text.startswith("# syncbox\n\n")
    for command in ("./tools/run", "./tools/test"):
        assert command in text
        assert (ROOT / command).stat().st_mode & 0o111, f"{command} can be run"
    for heading in ("## Changes", "## Levels", "## Priority on Linux"):
        assert heading in text


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_no_document_names_one_persons_machine(document):
    assert not re.search(r"/(home|root|work|Users)/|[A-Z]:\\\\", document.read_text("utf-8"))


def test_the_version_is_told_once():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["version"] == __version__
    assert f"### {__version__}" in (ROOT / "README.md").read_text("utf-8")

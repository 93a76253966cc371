"""Every command starts fast, explains itself and is in the manual."""

import json
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from syncbox.cli.guide import PAGES, page_text
from syncbox.cli.main import COMMANDS, commands

# What only some commands need. None of it may be loaded to print help.
HEAVY = {
    "jack",
    "joblib",
    "matplotlib",
    "mido",
    "multiprocessing",
    "numpy",
    "pydantic",
    "rich",
    "rtmidi",
    "scipy",
    "segno",
    "sounddevice",
    "soundfile",
    "soxr",
    "starlette",
    "uvicorn",
    "websockets",
    "yaml",
}


def modules_after(arguments):
    code = (
        "import sys, json\n"
        "from syncbox.cli.main import run_command\n"
        f"code = run_command({arguments!r})\n"
        "print(json.dumps([code, sorted({name.split('.')[0] for name in sys.modules})]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60
    )
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["guide"], []])
def test_help_loads_nothing_heavy(arguments):
    code, loaded = modules_after(arguments)
    assert code in (0, 2)
    assert not HEAVY & set(loaded)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name):
    shown = CliRunner().invoke(commands, [name, "--help"])
    assert shown.exit_code == 0, shown.output
    assert shown.output.startswith(f"Usage: syncbox {name}") or name in shown.output
    command = commands.get_command(None, name)
    assert command.name == name
    assert command.help, "a docstring says what the command is for"
    for parameter in command.params:
        if parameter.param_type_name == "option" and not parameter.hidden:
            assert parameter.help, f"{name} {parameter.opts[0]} has no help"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_manual(name):
    assert f"`syncbox {name}" in page_text("commands")


def test_every_option_in_the_manual_exists():
    options = {
        option
        for name in COMMANDS
        for parameter in commands.get_command(None, name).params
        for option in (*parameter.opts, *parameter.secondary_opts)
    } | {"--help", "--version"}
    for page in PAGES:
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", page_text(page)))
        assert named <= options, page

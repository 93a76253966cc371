"""`syncbox ports`: what audio and MIDI this computer has, and which of it the rig means."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from syncbox.drivers.scan import Found
    from syncbox.midi.ports import SystemPort
    from syncbox.score.rig import Rig


@click.command(short_help="List audio devices and MIDI ports.")
@click.argument("show", type=click.Path(path_type=Path), required=False)
@click.option("--device", metavar="NAME", help="Look at the JACK server of this name.")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def ports(show: Path | None, *, device: str | None, as_json: bool) -> None:
    """List the audio devices and MIDI ports of this computer.

    With a SHOW, say which ports each entry of its rig matches. Copy a name from here
    into `match` in rig.yaml; * stands for the parts that change.
    """
    from syncbox.drivers.scan import scan

    rig = None if show is None else _rig(show)
    found = scan(device)
    if as_json:
        click.echo(json.dumps(as_data(found, rig), ensure_ascii=False, indent=2))
        return
    for line in as_text(found, rig):
        click.echo(line)


def _rig(folder: Path) -> Rig:
    """The rig alone: mistakes in songs do not matter here."""
    from syncbox.errors import ShowError
    from syncbox.score.problem import Problem, Severity
    from syncbox.score.reading.show import read_draft

    problems: list[Problem] = []
    rig = read_draft(folder, problems=problems).show.rig
    for problem in problems:
        file = Path(problem.place.file)
        if file.stem == "rig" and problem.severity is Severity.ERROR:
            raise ShowError(problem.what, where=str(problem.place), hint=problem.hint)
    return rig


def as_text(found: Found, rig: Rig | None) -> Iterator[str]:
    """The lines for a person."""
    yield "Audio"
    yield from _indented(_audio_lines(found), "no audio system answers")
    yield "MIDI outputs"
    yield from _indented(_names(_outputs(found)), "none")
    yield "MIDI inputs"
    yield from _indented(_names(_inputs(found)), "none")
    if rig is not None:
        yield "Rig"
        yield from _indented(_rig_lines(found, rig), "no MIDI port in rig.yaml")
    yield f"`syncbox run` would use: {_verdict(found)}"
    if found.trouble:
        yield f"The search had trouble, so there may be more: {found.trouble}"


def _indented(lines: Sequence[str], when_empty: str) -> list[str]:
    return [f"  {line}" for line in lines or (when_empty,)]


def _audio_lines(found: Found) -> list[str]:
    lines = []
    server = found.jack
    if server is not None:
        lines.append(
            f"JACK server {server.name}: {server.rate} Hz, blocks of {server.block_frames} frames, "
            f"{_outputs_text(len(server.playback_ports))}"
        )
    lines.extend(
        f"{device.name}: {device.rate} Hz, {_outputs_text(device.outputs)} ({device.host_api})"
        for device in found.audio
    )
    lines.extend(
        f"{device.name}: {_inputs_text(device.inputs)} ({device.host_api})"
        for device in found.audio_inputs
    )
    return lines


def _outputs_text(count: int) -> str:
    return "1 output" if count == 1 else f"{count} outputs"


def _inputs_text(count: int) -> str:
    """Numbered as `rehearse --record` wants them."""
    return "input 1" if count == 1 else f"inputs 1 to {count}"


def _names(ports_found: Sequence[SystemPort]) -> list[str]:
    return [port.name for port in ports_found]


def _outputs(found: Found) -> tuple[SystemPort, ...]:
    """Where MIDI can go with the driver that `run` would use."""
    return found.jack_outputs if found.jack is not None else found.midi_outputs


def _inputs(found: Found) -> tuple[SystemPort, ...]:
    return found.jack_inputs if found.jack is not None else found.midi_inputs


def _rig_lines(found: Found, rig: Rig) -> list[str]:
    from syncbox.midi.ports import matching

    rows = [(port.name, port.match, _outputs(found)) for port in rig.ports]
    rows += [(name, pattern, _inputs(found)) for name, pattern in rig.input_ports.items()]
    width = max((len(name) for name, _, _ in rows), default=0)
    lines = []
    for name, pattern, there in rows:
        names = ", ".join(_names(matching(there, pattern)))
        lines.append(f"{name:<{width}}  {pattern}  ->  {names or 'nothing matches'}")
    return lines


def _verdict(found: Found) -> str:
    from syncbox.drivers.choose import choose

    choice = choose(found=found)
    return f"{choice.driver}. {choice.why}"


def as_data(found: Found, rig: Rig | None) -> dict[str, Any]:
    """What `--json` prints."""
    from syncbox.drivers.choose import choose
    from syncbox.midi.ports import matching

    data: dict[str, Any] = {
        "driver": choose(found=found).driver,
        "jack": dataclasses.asdict(found.jack) if found.jack else None,
        "audio": [dataclasses.asdict(device) for device in found.audio],
        "audio_inputs": [dataclasses.asdict(device) for device in found.audio_inputs],
        "midi_outputs": _names(_outputs(found)),
        "midi_inputs": _names(_inputs(found)),
        "trouble": found.trouble,
    }
    if rig is not None:
        data["rig"] = {
            port.name: {"match": port.match, "ports": _names(matching(_outputs(found), port.match))}
            for port in rig.ports
        }
        data["rig_inputs"] = {
            name: {"match": pattern, "ports": _names(matching(_inputs(found), pattern))}
            for name, pattern in rig.input_ports.items()
        }
    return data

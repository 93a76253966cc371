"""Draw the transport's table into DEVELOPERS.md; with --check, say whether it is current."""

from __future__ import annotations

import sys
from pathlib import Path

from syncbox.engine.transport import NEXT_STATE, Command, State

DOCUMENT = Path(__file__).parents[1] / "DEVELOPERS.md"
BEGIN, END = (
    "<!-- transport: begin, drawn by tools/draw_transport.py -->",
    "<!-- transport: end -->",
)


def words(name: str) -> str:
    return name.lower().replace("_", " ")


def drawing() -> str:
    """A state diagram: one arrow for each pair of states, with every trigger that takes it.

    Commands from people are in capitals, facts from the music in small letters.
    """
    arrows: dict[tuple[State, State], list[str]] = {}
    for (state, trigger), target in NEXT_STATE.items():
        said = words(trigger.name)
        arrows.setdefault((state, target), []).append(
            said.upper() if isinstance(trigger, Command) else said
        )
    lines = ["```mermaid", "stateDiagram-v2", f"    [*] --> {State.STOPPED.name}"]
    for (state, target), triggers in sorted(arrows.items()):
        lines.append(f"    {state.name} --> {target.name}: {', '.join(triggers)}")
    return "\n".join([*lines, "```"])


def drawn_into(text: str) -> str:
    """The document with a current drawing between its two marks."""
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    return f"{before}{BEGIN}\n\n{drawing()}\n\n{END}{after}"


def main(arguments: list[str]) -> int:
    text = DOCUMENT.read_text(encoding="utf-8")
    current = drawn_into(text)
    if "--check" in arguments:
        return 0 if text == current else 1
    DOCUMENT.write_text(current, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

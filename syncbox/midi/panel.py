"""From what an instrument's panel shows to the bytes on the wire, and back.

The wire counts programs from 0 to 127 and banks in two halves from 0 to 127.
Panels count from 0, from 1, or programs in groups of eight (11 to 88: group, then
number in the group, both from 1: MIDI 1.0 Detailed Specification 4.2.1, p. 18).
A bank shown as one number is MSB x 128 + LSB (p. 14).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from syncbox.score.rig import BankCount, Instrument, Panel, ProgramCount

PROGRAMS = 128
BANKS = 16_384
GROUP = 8

_FIRST_PROGRAM: Final = {ProgramCount.FROM_0: 0, ProgramCount.FROM_1: 1}
_FIRST_BANK: Final = {BankCount.FROM_0: 0, BankCount.FROM_1: 1}
_PARTS: Final = {
    BankCount.NONE: ("program",),
    BankCount.FROM_0: ("bank", "program"),
    BankCount.FROM_1: ("bank", "program"),
    BankCount.PAIR: ("MSB", "LSB", "program"),
}
_NUMBER = re.compile(r"[0-9]{1,6}")


@dataclass(frozen=True, slots=True)
class PatchBytes:
    """A patch as the wire counts: all from 0. No bank: both halves are None."""

    msb: int | None
    lsb: int | None
    program: int

    @property
    def byte_count(self) -> int:
        """Bytes of bank select and program change without running status."""
        return 2 if self.msb is None else 8


def patch_bytes(panel: Panel, text: str) -> PatchBytes:
    """The wire's numbers for a patch written as the panel shows it: `17`, `3/17` or `1/0/17`.

    Raises ValueError saying what this panel can show.
    """
    parts = [part.strip() for part in text.split("/")]
    names = _PARTS[panel.banks]
    if len(parts) != len(names) or not all(_NUMBER.fullmatch(part) for part in parts):
        raise ValueError(f"{text!r} is not a patch of this panel; it shows {_shows(panel)}")
    *bank, program = (int(part) for part in parts)
    msb, lsb = _bank_halves(panel, bank)
    return PatchBytes(msb, lsb, _program(panel, program, parts[-1]))


def instrument_patch(instrument: Instrument, text: str) -> PatchBytes:
    """The same for an instrument of the rig, where the text may be one of its patch names.

    Raises ValueError naming the instrument.
    """
    shown = instrument.patch_names.get(text, text)
    try:
        return patch_bytes(instrument.panel, shown)
    except ValueError as problem:
        names = ", ".join(instrument.patch_names)
        known = f"; its named patches are {names}" if names and shown == text else ""
        raise ValueError(f"{instrument.name}: {problem}{known}") from None


def panel_text(panel: Panel, patch: PatchBytes) -> str:
    """What the panel shows for a patch. Raises ValueError where it cannot show it."""
    if (patch.msb is None) != (patch.lsb is None):
        raise ValueError("a bank has two halves, MSB and LSB: give both or neither")
    if (patch.msb is None) != (panel.banks is BankCount.NONE):
        raise ValueError(f"this panel cannot show that patch; it shows {_shows(panel)}")
    if panel.programs is ProgramCount.EIGHTS:
        if patch.program >= GROUP * GROUP:
            raise ValueError(f"this panel cannot show that patch; it shows {_shows(panel)}")
        group, number = divmod(patch.program, GROUP)
        program = f"{group + 1}{number + 1}"
    else:
        program = str(patch.program + _FIRST_PROGRAM[panel.programs])
    if patch.msb is None or patch.lsb is None:
        return program
    if panel.banks is BankCount.PAIR:
        return f"{patch.msb}/{patch.lsb}/{program}"
    return f"{patch.msb * PROGRAMS + patch.lsb + _FIRST_BANK[panel.banks]}/{program}"


def _program(panel: Panel, shown: int, text: str) -> int:
    if panel.programs is ProgramCount.EIGHTS:
        if len(text) != 2 or not all(digit in "12345678" for digit in text):
            raise ValueError(
                f"program {text} is not on this panel; it counts in groups of 8, "
                "11 to 18, 21 to 28 and so on up to 88"
            )
        return (shown // 10 - 1) * GROUP + shown % 10 - 1
    first = _FIRST_PROGRAM[panel.programs]
    return _counted("program", shown, first, PROGRAMS)


def _bank_halves(panel: Panel, bank: list[int]) -> tuple[int | None, int | None]:
    if panel.banks is BankCount.NONE:
        return None, None
    if panel.banks is BankCount.PAIR:
        msb, lsb = bank
        return _counted("bank MSB", msb, 0, 128), _counted("bank LSB", lsb, 0, 128)
    number = _counted("bank", bank[0], _FIRST_BANK[panel.banks], BANKS)
    return divmod(number, 128)


def _counted(what: str, shown: int, first: int, count: int) -> int:
    """A shown number as it goes over the wire."""
    if not first <= shown < first + count:
        raise ValueError(
            f"{what} {shown} is not on this panel; it goes from {first} to {first + count - 1}"
        )
    return shown - first


def _shows(panel: Panel) -> str:
    """What can be written for this panel, with an example that is valid on it."""
    programs = {
        ProgramCount.FROM_0: "0 to 127",
        ProgramCount.FROM_1: "1 to 128",
        ProgramCount.EIGHTS: "11 to 88 in groups of 8",
    }[panel.programs]
    example = {
        BankCount.NONE: "17",
        BankCount.FROM_0: "3/17",
        BankCount.FROM_1: "3/17",
        BankCount.PAIR: "1/0/17",
    }[panel.banks]
    return f"{'/'.join(_PARTS[panel.banks])}, for example {example}, with programs {programs}"

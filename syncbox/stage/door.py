"""Who may press: a code, and how often it may be tried. Pure: times are given.

Reading needs no code. A browser says truly from which page a call comes (its Origin), so a
foreign page that somebody on this network has open is told apart, and a name that a foreign
server has pointed at this computer is not one of ours.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections import OrderedDict
from dataclasses import dataclass

CODE_DIGITS = 6
WAIT_S_MAX = 60.0  # after many wrong tries from one address
FREE_TRIES = 2  # a slip of the finger costs nothing
BURST_TRIES = 20  # wrong ones from everybody together, then one in REFILL_S
REFILL_S = 3.0  # half of a million codes take 17 days
ADDRESSES_MAX = 256


def fresh_code() -> str:
    """Digits that nobody can guess."""
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


def spoken(code: str) -> str:
    """The code in two groups, as it is shown."""
    return f"{code[: CODE_DIGITS // 2]} {code[CODE_DIGITS // 2 :]}"


@dataclass(slots=True)
class _Tries:
    count: int = 0
    free_at_s: float = 0.0


class Door:
    """Lets in who knows the code; each wrong try is followed by a longer wait."""

    def __init__(self, code: str) -> None:
        self._code = code.encode()
        self._tries: OrderedDict[str, _Tries] = OrderedDict()
        self._left, self._since_s = float(BURST_TRIES), 0.0

    def wait_s(self, address: str, now_s: float) -> float:
        """How long an address still has to wait before its next try counts."""
        tries = self._tries.get(address)
        own = tries.free_at_s - now_s if tries else 0.0
        shared = (1.0 - self._fill(now_s)) * REFILL_S
        return max(0.0, own, shared)

    def opens(self, code: str, address: str, now_s: float) -> bool:
        """Whether this is the code. Ask `wait_s` first: a try before its time is wrong."""
        if self.wait_s(address, now_s) > 0:
            return False
        digits = "".join(sign for sign in code if sign.isdecimal() and sign.isascii())
        if hmac.compare_digest(digits.encode(), self._code):
            self._tries.pop(address, None)
            return True
        self._left = self._fill(now_s) - 1.0
        self._since_s = now_s
        tries = self._tries.pop(address, _Tries())
        tries.count += 1
        doubled = 2.0 ** (tries.count - FREE_TRIES) if tries.count >= FREE_TRIES else 0.0
        tries.free_at_s = now_s + min(WAIT_S_MAX, doubled)
        self._tries[address] = tries
        if len(self._tries) > ADDRESSES_MAX:
            self._tries.popitem(last=False)
        return False

    def _fill(self, now_s: float) -> float:
        gained = max(0.0, now_s - self._since_s) / REFILL_S
        return min(float(BURST_TRIES), self._left + gained)


def is_own_host(host: str, own_name: str) -> bool:
    """Whether a Host header names this computer: an address, localhost or its own name."""
    name = _without_port(host)
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        ipaddress.ip_address(name.strip("[]").partition("%")[0])
    except ValueError:
        own = own_name.lower().partition(".")[0]
        return bool(own) and name.partition(".")[0] == own
    return True


def is_own_page(origin: str | None, host: str, own_name: str) -> bool:
    """Whether a call comes from a page of this very server."""
    return origin == f"http://{host}" and is_own_host(host, own_name)


def _without_port(host: str) -> str:
    name = host.lower()
    if name.startswith("["):
        return name.partition("]")[0] + "]"
    return name.partition(":")[0]

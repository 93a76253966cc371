"""Under which addresses this computer is found on its networks, without asking anybody."""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import socket
import sys
from collections.abc import Iterable, Sequence

from syncbox.errors import DeviceError

PORT = 8260
_BACKLOG = 64
# A datagram socket that is connected sends nothing, but tells which of our addresses would be
# used. Documentation addresses (RFC 5737, RFC 3849) stand for the internet; the others are
# where a network without a way out usually lies (RFC 1918, RFC 3927, multicast).
_TOWARDS = (
    (socket.AF_INET, "192.0.2.1"),
    (socket.AF_INET, "192.168.0.1"),
    (socket.AF_INET, "192.168.1.1"),
    (socket.AF_INET, "10.0.0.1"),
    (socket.AF_INET, "172.16.0.1"),
    (socket.AF_INET, "169.254.1.1"),
    (socket.AF_INET, "224.0.0.251"),
    (socket.AF_INET6, "2001:db8::1"),
)
_SIOCGIFADDR = 0x8915  # <linux/sockios.h>


def own_addresses() -> tuple[str, ...]:
    """Addresses at which others can reach this computer, the likeliest first; maybe none."""
    found = [address for family, far in _TOWARDS if (address := _towards(family, far))]
    found += _of_interfaces()
    return tuple(dict.fromkeys(useful(found)))


def useful(addresses: Iterable[str]) -> list[str]:
    """Those that a phone can be given, version 4 first: they are shorter to type."""
    kept = []
    for text in addresses:
        try:
            address = ipaddress.ip_address(text)
        except ValueError:  # with a zone: a phone's zone has another name
            continue
        if not (address.is_loopback or address.is_unspecified or address.is_multicast):
            if address.version == 6 and address.is_link_local:
                continue
            kept.append(address)
    return [str(address) for address in sorted(kept, key=lambda a: a.version)]


def web_address(host: str, port: int) -> str:
    """What is typed into a browser."""
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def web_addresses(addresses: Sequence[str], port: int) -> tuple[str, ...]:
    """The same for all addresses; that of this computer itself where it has no other."""
    return tuple(web_address(host, port) for host in addresses or ("localhost",))


def listening_socket(port: int) -> socket.socket:
    """Listens on every address of the computer, of both versions where there are both.

    Raises DeviceError where that is impossible.
    """
    try:
        if socket.has_dualstack_ipv6():
            with contextlib.suppress(OSError):
                return _listen(socket.AF_INET6, "::", port)
        return _listen(socket.AF_INET, "", port)
    except OSError as error:
        raise _refusal(error, port) from None


def _listen(family: int, host: str, port: int) -> socket.socket:
    both = family == socket.AF_INET6
    # One that tests itself alone: a dual socket would take a port that another has for IPv4.
    return socket.create_server((host, port), family=family, backlog=_BACKLOG, dualstack_ipv6=both)


def _refusal(error: OSError, port: int) -> DeviceError:
    if error.errno == errno.EADDRINUSE or getattr(error, "winerror", 0) == 10048:
        what = f"port {port} is in use on this computer"
        hint = f"another page may run there: end it, or take another port: --page {port + 1}"
    elif error.errno in (errno.EACCES, errno.EPERM):
        what = f"port {port} is not ours to use"
        hint = f"take one from 1024 on: --page {PORT}"
    else:
        what, hint = f"the page cannot listen: {error.strerror or error}", "leave out --page"
    return DeviceError(what, where="page", hint=hint)


def _towards(family: int, far: str) -> str:
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((far, 9))
            return str(probe.getsockname()[0])
    except OSError:
        return ""


def _of_interfaces() -> list[str]:
    """IPv4 addresses of all interfaces, where the system tells them at once (netdevice(7)).

    Not by the computer's own name: without a network that may be asked for many seconds.
    """
    if sys.platform != "linux":
        return []
    import fcntl

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for _, name in socket.if_nameindex():
            asked = name.encode()[:15].ljust(256, b"\0")
            with contextlib.suppress(OSError):
                answer = fcntl.ioctl(probe.fileno(), _SIOCGIFADDR, asked)
                found.append(socket.inet_ntoa(answer[20:24]))
    return found

"""Web access: the addresses of this machine on its local networks, found without any traffic."""

from __future__ import annotations

import contextlib
import re
import socket
import struct
import sys

from vibecheck.web.access.certificate import is_local

_SIOCGIFADDR = 0x8915  # Linux, <linux/sockios.h>
_NOT_FOR_PHONES = ("lo", "docker", "br-", "veth", "virbr", "vboxnet", "vmnet", "tun", "tap", "wg")
# Addresses that no packet is ever sent to: a datagram socket that is "connected" only asks the
# kernel which own address it would use. Default route first (RFC 5737), then usual local networks.
_ASKED = (
    *("192.0.2.1", "192.168.0.1", "192.168.1.1", "192.168.137.1", "172.20.10.1"),
    *("10.0.0.1", "10.42.0.1", "172.16.0.1"),
)


def lan_addresses() -> tuple[str, ...]:
    """Return this machine's IPv4 addresses on local networks, the likeliest for a phone first."""
    found = [*_routed(), *_of_interfaces()]
    usable = (one for one in found if is_local(one) and not one.startswith(("127.", "169.254.")))
    return tuple(dict.fromkeys(usable))


def machine_names(host_name: str) -> tuple[str, ...]:
    """Return the names by which a local network may know this machine.

    Parameters
    ----------
    host_name : str
        As the system calls itself.
    """
    plain = host_name.partition(".")[0].lower()
    if re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", plain) is None or plain == "localhost":
        return ("localhost",)
    return ("localhost", plain, f"{plain}.local")


def _routed() -> list[str]:
    found = []
    for target in _ASKED:
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking,
        ):
            asking.connect((target, 9))
            found.append(asking.getsockname()[0])
    return found


def _of_interfaces() -> list[str]:
    """Also those without a route: the hotspot of this very machine, for one."""
    if sys.platform != "linux":
        return []
    import fcntl

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            if name.startswith(_NOT_FOR_PHONES):
                continue
            with contextlib.suppress(OSError):
                answer = fcntl.ioctl(
                    asking.fileno(), _SIOCGIFADDR, struct.pack("256s", name.encode()[:15])
                )
                found.append(socket.inet_ntoa(answer[20:24]))
    return found

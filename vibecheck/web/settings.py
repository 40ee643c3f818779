"""Web: what one run of the server was told. `Settings`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True)
class Settings:
    """What one run of the server was told.

    Attributes
    ----------
    data : Path
        Folder of the garage.
    port : int
        0 where it is not known yet: then any port is right in a ``Host`` header.
    hosts : tuple of str
        Names and addresses by which the page may be called, without a port.
    lan : bool
        Reached from other devices: https, and only for paired browsers.
    nut_removals : int
        How often a nut with a nylon insert is used again.
    """

    data: Path
    port: int = 0
    hosts: tuple[str, ...] = LOOPBACK_HOSTS
    lan: bool = False
    nut_removals: int = 5

    @property
    def scheme(self) -> str:
        """``https`` where other devices reach the page."""
        return "https" if self.lan else "http"

"""How a server was asked to run, and by which names it may be called."""

import ipaddress
import socket
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

HERE: Final = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True)
class Settings:
    """How a server runs.

    Attributes
    ----------
    ledger, members : as for every command.
    jobs, printer : a folder of sliced files that wait, and for which machine.
    lan : others may come in, once they are paired.
    read_only : nothing can be noted.
    address : where people reach it, if not at the machine's own name or number.
    secure : it is reached by https alone, so cookies never travel otherwise.
    """

    ledger: str | None = None
    members: int | None = None
    jobs: Path | None = None
    printer: str | None = None
    lan: bool = False
    read_only: bool = False
    address: str | None = None
    secure: bool = False
    hosts: frozenset[str] = field(default_factory=lambda: frozenset(HERE))

    def may_be_called(self, host: str) -> bool:
        """Return whether a ``Host`` header means this server.

        A page elsewhere that points its own name at this machine is told apart by that name; a bare number cannot be
        such a name.

        >>> Settings().may_be_called("localhost:8340"), Settings().may_be_called("elsewhere.example")
        (True, False)
        """
        name = urlsplit(f"//{host}").hostname or ""
        if name in self.hosts:
            return True
        return self.lan and is_number(name)


def is_number(name: str) -> bool:
    """Return whether a host is named by its number."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def known_hosts(*, lan: bool, address: str | None) -> frozenset[str]:
    """Return the names that this machine may be called by."""
    found = set(HERE)
    if lan:
        own = socket.gethostname().lower()
        found |= {own, own.partition(".")[0], f"{own.partition('.')[0]}.local"}
    if address is not None:
        found.add((urlsplit(address).hostname or "").lower())
    return frozenset(found)

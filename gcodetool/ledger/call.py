"""What one command's transaction carries: its sign, how much it wrote, who gave it, and the clock."""

import getpass
import os
import time
from typing import Final

from gcodetool.errors import LedgerError
from gcodetool.tomlfile import shown

CALL: Final = "gcodetool call"  # keys of a connection's ``info``: the sign that its entries share,
WROTE: Final = "gcodetool wrote"  # how many there are,
NUMBERS: Final = "gcodetool numbers"  # and which
TURN: Final = "gcodetool turn"  # their turn among all entries,
HELD: Final = "gcodetool held"  # and how many there were before
BY: Final = "gcodetool by"  # who gave it, where that is not who runs this: a paired device
WHO: Final = "GCODETOOL_WHO"
LONGEST_WHO: Final = 80
CLOCK_SLACK_US: Final = 300_000_000  # how far the clocks of a shop's machines may differ


def now_us() -> int:
    """Return the clock, microseconds since 1970-01-01 UTC."""
    return time.time_ns() // 1000


def writer_name() -> str:
    """Return who writes: the name of one's choosing, else the login name; empty where there is neither.

    Raises
    ------
    LedgerError
        The chosen name cannot be one.
    """
    chosen = os.environ.get(WHO, "").strip()
    if chosen and not is_writer_name(chosen):
        raise LedgerError(
            f"{WHO}: {shown(chosen)} cannot be a name; write letters, digits and spaces, {LONGEST_WHO} at most"
        )
    if chosen:
        return chosen
    try:
        login = getpass.getuser()
    except (OSError, KeyError, ImportError):  # no login, or a system without them
        return ""
    return login if is_writer_name(login) else ""


def is_writer_name(word: str) -> bool:
    """Return whether *word* can stand as a person's name in an entry."""
    return len(word) <= LONGEST_WHO and word.isprintable() and bool(word.strip())

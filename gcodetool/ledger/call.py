"""What one command's transaction carries: its sign, how much it wrote, and the clock."""

import time
from typing import Final

CALL: Final = "gcodetool call"  # keys of a connection's ``info``: the sign that its entries share,
WROTE: Final = "gcodetool wrote"  # how many there are,
NUMBERS: Final = "gcodetool numbers"  # and which


def now_us() -> int:
    """Return the clock, microseconds since 1970-01-01 UTC."""
    return time.time_ns() // 1000

"""Know before a print starts whether the filament that reaches the nozzle will be dry enough.

The public names load when they are first used, so that ``import gcodetool`` costs nothing::

    import gcodetool

    program = gcodetool.read("manifold.gcode")
    spool = gcodetool.read_spool("pa6-07.toml")
    found = gcodetool.check(program, {0: spool}, at_s=1793750400.0)
    print(found.verdict)
"""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from gcodetool.advice.job import check as check
    from gcodetool.advice.prepare import prepare as prepare
    from gcodetool.gcode.program import read as read
    from gcodetool.ledger.spoolfile import read_spool as read_spool
    from gcodetool.ledger.store import open_ledger as open_ledger
    from gcodetool.moisture.history import state_at as state_at
    from gcodetool.motion.timeline import timeline as timeline

__version__: Final = "0.1.0"

_HOMES: Final = {
    "check": "gcodetool.advice.job",
    "open_ledger": "gcodetool.ledger.store",
    "prepare": "gcodetool.advice.prepare",
    "read": "gcodetool.gcode.program",
    "read_spool": "gcodetool.ledger.spoolfile",
    "state_at": "gcodetool.moisture.history",
    "timeline": "gcodetool.motion.timeline",
}

__all__ = ["__version__", "check", "open_ledger", "prepare", "read", "read_spool", "state_at", "timeline"]


def __getattr__(name: str) -> Any:
    """Import a public name from its home at first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'gcodetool' has no attribute {name!r}")
    found = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted(__all__)

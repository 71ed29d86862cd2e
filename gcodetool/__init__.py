"""Know before a print starts whether the filament that reaches the nozzle will be dry enough.

What the commands do, from Python (``docs/python.md``); all else in the package is private::

    import gcodetool

    found = gcodetool.check("manifold.gcode", spool="pa6-07", printer="bench-1")
    print(found.verdict, found.tools[0].verdict.because)

The names load when they are first used, so that ``import gcodetool`` costs nothing.
"""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from gcodetool.app.adjust import adjust as adjust
    from gcodetool.app.check import check as check
    from gcodetool.app.drying import drying_fit as drying_fit
    from gcodetool.app.drying import drying_plan as drying_plan
    from gcodetool.app.drying import drying_status as drying_status
    from gcodetool.app.drying_list import drying_list as drying_list
    from gcodetool.app.drying_shared import drying_choices as drying_choices
    from gcodetool.app.drying_shared import drying_together as drying_together
    from gcodetool.app.due import due as due
    from gcodetool.app.limits import adopt_limits as adopt_limits
    from gcodetool.app.limits import drop_limits as drop_limits
    from gcodetool.app.limits import learned_limits as learned_limits
    from gcodetool.app.prepare import prepare as prepare
    from gcodetool.app.queue import queue_plan as queue_plan
    from gcodetool.app.review import review as review
    from gcodetool.app.series import series_plan as series_plan
    from gcodetool.app.series import series_report as series_report
    from gcodetool.app.series import series_result as series_result
    from gcodetool.app.series import series_start as series_start
    from gcodetool.app.spools import spool as spool
    from gcodetool.app.spools import spools as spools
    from gcodetool.app.storage import place_fit as place_fit
    from gcodetool.app.storage import place_size as place_size

__version__: Final = "0.2.0"  # the only place

_HOMES: Final = {
    "adjust": "gcodetool.app.adjust",
    "adopt_limits": "gcodetool.app.limits",
    "check": "gcodetool.app.check",
    "drop_limits": "gcodetool.app.limits",
    "drying_choices": "gcodetool.app.drying_shared",
    "drying_fit": "gcodetool.app.drying",
    "drying_list": "gcodetool.app.drying_list",
    "drying_plan": "gcodetool.app.drying",
    "drying_status": "gcodetool.app.drying",
    "drying_together": "gcodetool.app.drying_shared",
    "due": "gcodetool.app.due",
    "learned_limits": "gcodetool.app.limits",
    "place_fit": "gcodetool.app.storage",
    "place_size": "gcodetool.app.storage",
    "prepare": "gcodetool.app.prepare",
    "queue_plan": "gcodetool.app.queue",
    "review": "gcodetool.app.review",
    "series_plan": "gcodetool.app.series",
    "series_report": "gcodetool.app.series",
    "series_result": "gcodetool.app.series",
    "series_start": "gcodetool.app.series",
    "spool": "gcodetool.app.spools",
    "spools": "gcodetool.app.spools",
}

__all__ = [
    "__version__",
    "adjust",
    "adopt_limits",
    "check",
    "drop_limits",
    "drying_choices",
    "drying_fit",
    "drying_list",
    "drying_plan",
    "drying_status",
    "drying_together",
    "due",
    "learned_limits",
    "place_fit",
    "place_size",
    "prepare",
    "queue_plan",
    "review",
    "series_plan",
    "series_report",
    "series_result",
    "series_start",
    "spool",
    "spools",
]


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

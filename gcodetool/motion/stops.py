"""Commands that hold a job up: which let the queue of moves run dry, which wait for heat or for a person.

By dialect.  Left out: how long that takes (``heat_up``, ``timing``).
"""

from typing import Final

from gcodetool.gcode.dialects import Dialect

# What waits for heat.  Marlin and RepRapFirmware let the queue run dry there, Klipper does not.
HEAT: Final = frozenset(("M109", "M190", "M191", "M116", "TEMPERATURE_WAIT"))
_SHARED_STOPS: Final = frozenset(("M400", "M84", "M18"))
STOPS: Final = {
    Dialect.MARLIN: _SHARED_STOPS | HEAT | {"M17", "G29", "M303", "M701", "M702"},
    Dialect.KLIPPER: _SHARED_STOPS | {"ACTIVATE_EXTRUDER"},
    Dialect.REPRAPFIRMWARE: _SHARED_STOPS
    | HEAT
    | {"M0", "M1", "M2", "M17", "G29", "M572", "M98", "M701", "M702"},
}
# What pauses until someone answers.  M0 and M1 end a job under RepRapFirmware, Klipper has none.
PAUSES: Final = {
    Dialect.MARLIN: frozenset(("M0", "M1", "M25", "M125", "M226", "M600", "M601")),
    Dialect.KLIPPER: frozenset(("PAUSE", "M25", "M226", "M600", "M601")),
    Dialect.REPRAPFIRMWARE: frozenset(("M25", "M226", "M600", "M601")),
}

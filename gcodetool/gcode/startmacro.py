"""A start macro's nozzle temperature: what its call, the variables set before it and the settings say.

The words of a call become a temperature, or None where nothing says one.  Left out: what else a macro does,
which nobody can see in the file.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Final

from gcodetool.gcode.dialects import NOZZLE_WORD, Command, Value

NAMED: Final = re.compile(NOZZLE_WORD)
TEMPERATURE: Final = re.compile(r"\w*TEMP(?:ERATURE)?")  # says what its number is
PLAUSIBLE_C: Final = (150.0, 500.0)  # above any bed and chamber, below any hot end's end
LEAST_C: Final = 50.0  # NOZZLE=0.4 is a diameter, TOOL=1 a number of a tool

Pair = tuple[str, Value]


def variable(called: Command) -> "tuple[str, Pair] | None":
    """Return (owner, (name, value)) of a command that puts a value aside for macros; None: it does not.

    >>> from gcodetool.gcode.dialects import command
    >>> variable(command(b"SET_GCODE_VARIABLE MACRO=START_PRINT VARIABLE=hot VALUE=240"))
    ('START_PRINT', ('HOT', 240.0))
    """
    if called.name not in ("SET_GCODE_VARIABLE", "SAVE_VARIABLE") or "VALUE" not in called.words:
        return None
    owner = str(called.words.get("MACRO", "")).upper()
    return owner, (str(called.words.get("VARIABLE", "")).upper(), called.words["VALUE"])


def nozzle_C(
    called: Command, variables: Mapping[str, Mapping[str, Value]], stated_C: float | None
) -> float | None:
    """Return the nozzle temperature that a macro is called with, None where nothing says one. [°C].

    A parameter named for the nozzle counts first, then any number that is the file's own first-layer
    temperature, whatever its name; the same of the macro's own variables, then of all others.

    Parameters
    ----------
    called : the call.
    variables : what was put aside before it, by the macro that owns it ("" for nobody's).
    stated_C : the first-layer temperature of the tool in use, as the settings say it.

    >>> from gcodetool.gcode.dialects import command
    >>> nozzle_C(command(b"PRINT_START T_BED=60 T_HOT=214"), {}, 214.0)
    214.0
    """
    own = variables.get(called.name, {})
    others = [pair for owner, held in variables.items() if owner != called.name for pair in held.items()]
    for pairs in (called.words.items(), own.items(), others):
        found = _said(pairs, stated_C)
        if found is not None:
            return found
    return None


def _said(pairs: Iterable[Pair], stated_C: float | None) -> float | None:
    """Return what a list of parameters says: by its name, else by being the first-layer temperature."""
    low, high = PLAUSIBLE_C
    numbers = [(name, number) for name, value in pairs if (number := _number(value)) is not None]
    for name, number in numbers:
        if NAMED.fullmatch(name) and (number >= LEAST_C or TEMPERATURE.fullmatch(name)):
            return number
    for _, number in numbers:
        if number == stated_C and low <= number <= high:
            return number
    return None


def _number(value: Value) -> float | None:
    """Return a parameter's number, quoted or not."""
    if isinstance(value, float):
        return value
    found = re.fullmatch(r"\s*['\"]?\s*(\d{1,6}(?:\.\d{0,9})?)\s*['\"]?\s*", value)
    return float(found[1]) if found else None

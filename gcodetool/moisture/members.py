"""How many members a forecast takes unless somebody says."""

from typing import Final

from gcodetool.moisture.solver import COMPILED

MEMBERS: Final = 64 if COMPILED else 1  # interpreted, a band would take minutes: nominal parameters alone


def default_members(members: int | None) -> int:
    """Return the number asked for, or the default_members one."""
    return MEMBERS if members is None else members

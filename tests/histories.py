"""Histories of the E register: all that says how E words count, in any order, as one dialect has it."""

from hypothesis import strategies as st

from gcodetool.gcode.dialects import Dialect

MODES = ("M82", "M83", "G90", "G91")
OWN = {
    Dialect.MARLIN: ("T0", "T1", "G92"),
    Dialect.KLIPPER: (
        "G92",
        "ACTIVATE_EXTRUDER EXTRUDER=extruder",
        "ACTIVATE_EXTRUDER EXTRUDER=extruder1",
        "SAVE_GCODE_STATE NAME=a",
        "RESTORE_GCODE_STATE NAME=a",
    ),
    Dialect.REPRAPFIRMWARE: ("T0", "T1", "G92", "M120", "M121"),
}
values = st.integers(-300, 900).map(lambda hundredths: f"{hundredths / 100:g}")
E_LINES = st.one_of(
    st.builds("G92 E{}".format, values),
    st.builds("G1 E{} F1800".format, values),
    st.builds("G1 X{} Y{} E{} F1800".format, st.integers(40, 90), st.integers(40, 90), values),
)


def histories(dialect: Dialect, *, max_size: int = 14) -> st.SearchStrategy[list[str]]:
    """Lines of *dialect* that move the register or change how it moves."""
    modes = st.sampled_from(MODES)
    return st.lists(st.one_of(modes, E_LINES, st.sampled_from(OWN[dialect])), max_size=max_size)


def primes(*, max_size: int = 6) -> st.SearchStrategy[list[str]]:
    """What start code does with E before the first layer: modes, origins and E alone, on the tool in hand."""
    alone = st.one_of(st.builds("G92 E{}".format, values), st.builds("G1 E{} F1800".format, values))
    return st.lists(st.one_of(st.sampled_from(MODES), alone), max_size=max_size)

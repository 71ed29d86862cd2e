"""How a step of the moisture calculation is taken and when its iterations end: the numbers of every build.

No imports: ``solver`` compiles them in, ``solver_numpy`` reads them.
"""

from typing import Final

GAMMA: Final = (
    0.2928932188134524  # 1 - 1/sqrt(2), Alexander (1977), "Diagonally implicit Runge-Kutta methods"
)
SPEED_SLACK: Final = 2.5  # of heat_slack: D follows temperature less strictly
SHORTEST_S: Final = 1e-9  # too short for a rate
TURNS: Final = 60  # of an iteration, at most
FULL_STRIDES: Final = 1  # of the iteration on temperature, before
SHORT_AFTER: Final = 10  # turns; then shorter ones, for what gives off most of all
STRIDE: Final = 0.65  # what swings (warm strand gives off more, which cools it) is damped
LEAP_K: Final = 40.0  # no strand gets so far from where it was or the air is, in one step
SHRINK: Final = 0.5
CLOSED_GROWTH: Final = 1.6
CAREFUL: Final = 0.8  # of the step that the error would just allow
FLAT: Final = 1e-3  # a growth of ln D with content that is hardly any
AT_REST: Final = 0.0025  # of the slack, squared: lines are kept
SMALL_LEAP: Final = 0.01  # of ln D, squared: no ceiling is needed

# Rows of the parameter array, each of (members,).
DIFFUSIVITY: Final = 0  # m²/s at 23 °C and no water
GROWTH: Final = 1  # of ln D with content, kg/kg
ACTIVATION: Final = 2  # K
SORPTION: Final = 3  # K
FIRST: Final = 4  # isotherm: f M_sat, or GAB m0
SECOND: Final = 5  # (1 - f) M_sat, or C
THIRD: Final = 6  # m, or K
BED: Final = 7  # factor on the vapour's diffusivity in the gaps
LATENT: Final = 8  # heat that a strand takes to give off its water, J/kg
PARAMETERS: Final = 9  # how many rows

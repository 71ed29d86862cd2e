"""How many shells, how thin, how fast may steps grow?  Uptake of a strand against the cylinder series.

Run: ``python docs/experiments/moisture_grid.py``.  Prints the error of the uptake in per cent over
tau = D t / r0²; docs/physics.md, section 5, quotes it.
"""

import numpy as np

from gcodetool import profiles
from gcodetool.moisture import air, field
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import Spool
from gcodetool.moisture.winding import shells, winding

TAUS = (1e-4, 1e-3, 5e-3, 0.03, 0.2, 0.7)
ROOM = air.room_air(23.0, 50.0)


def zeros_of_j0(count: int) -> np.ndarray:
    """Return the first zeros of J0 by McMahon's expansion; its error is below 1e-5 from the second on."""
    b = (np.arange(1, count + 1) - 0.25) * np.pi
    zeros = b + 1 / (8 * b) - 124 / (3 * (8 * b) ** 3) + 120928 / (15 * (8 * b) ** 5)
    zeros[0] = 2.404825557695773
    return zeros


def series(tau: float) -> float:
    """Return the share of the exchange that is done (Crank)."""
    alpha = zeros_of_j0(4000)
    return 1.0 - float(np.sum(4 / alpha**2 * np.exp(-(alpha**2) * tau)))


def error_pct(count: int, surface: float, growth: float, tau: float) -> float:
    """Return the error of the uptake with that grid and those steps, per cent."""
    material = profiles.material("PLA")
    nominal = polymer(material)
    spool = Spool("pla-01", material, 1.75, 10.0, {}, (), winding="loose")
    start = field.uniform(winding(spool, nominal.density_kg_m3), nominal, 0.0, 296.15, count=count)
    field.GROWTH, field.shells = growth, lambda n: shells(n, surface)
    march = field.SpoolIntegrator(start, nominal)
    march.surround(ROOM)
    march.run(tau * 0.000875**2 / material.diffusivity_23C_m2_s)
    done = float(march.outer_mean()[0]) / float(nominal.equilibrium(0.5, 296.15)[0])
    return 100 * (done / series(tau) - 1)


print("shells  outermost  growth   error of the uptake, %, at tau = " + "  ".join(f"{tau:g}" for tau in TAUS))
for count, surface, growth in [
    (12, 1 / 12, 1.3), (20, 1 / 20, 1.3), (20, 0.004, 1.3), (24, 0.003, 1.3),
    (28, 0.003, 1.1), (28, 0.003, 1.3), (28, 0.003, 1.5), (28, 0.003, 2.0), (28, 0.003, 4.0), (60, 0.001, 1.1),
]:  # fmt: skip
    errors = "  ".join(f"{error_pct(count, surface, growth, tau):7.2f}" for tau in TAUS)
    print(f"{count:6d}  {surface:9.4f}  {growth:6.1f}   {errors}")

"""Water in a winding: strand shells × wound layers × members, marched through time.

One cell per wound layer.  In each, a strand takes up water by radial diffusion, and the air in
its gaps trades vapour with the layers beside it; the outermost meets the air outside.  A step
solves all of it at once: every strand is eliminated (a tridiagonal system per layer), which
leaves one equation per layer for the vapour in its gaps (tridiagonal again), and that is
iterated on the isotherm.  Flows are counted once and used on both sides, so water is conserved
to rounding, however far an iteration got.  Equations and sources: ``docs/physics.md``.

Steps: the two-stage, stiffly accurate, L-stable method of order two (Alexander 1977), whose
stages are both implicit Euler steps.  Arrays are flat, members innermost:
``water[(layer * shells + shell) * members + member]``, layer 0 on the hub, shell 0 in the centre.
SI units; content in kg of water per kg of dry strand.  Left out: heat of evaporation.
"""

from typing import Final

import cython
from cython.cimports.libc.math import exp, fabs, log, sqrt
from cython.cimports.libc.math import pow as power

COMPILED: Final = cython.compiled

GAMMA = cython.declare(
    cython.double, 0.2928932188134524
)  # 1 - 1/sqrt(2), Alexander (1977), "Diagonally implicit Runge-Kutta methods"
REFERENCE_K = cython.declare(cython.double, 296.15)
VAPOUR_GAS = cython.declare(cython.double, 461.5)  # J/(kg K)
SMALLEST_ACTIVITY = cython.declare(cython.double, 1e-3)

# Rows of the parameter array, each of (members,).
DIFFUSIVITY = cython.declare(cython.Py_ssize_t, 0)  # m²/s at 23 °C and no water
GROWTH = cython.declare(cython.Py_ssize_t, 1)  # of ln D with content, kg/kg
ACTIVATION = cython.declare(cython.Py_ssize_t, 2)  # K
SORPTION = cython.declare(cython.Py_ssize_t, 3)  # K
FIRST = cython.declare(cython.Py_ssize_t, 4)  # isotherm: f M_sat, or GAB m0
SECOND = cython.declare(cython.Py_ssize_t, 5)  # (1 - f) M_sat, or C
THIRD = cython.declare(cython.Py_ssize_t, 6)  # m, or K
BED = cython.declare(cython.Py_ssize_t, 7)  # factor on the vapour's diffusivity in the gaps
PARAMETERS: Final = 8  # how many rows


@cython.cfunc
@cython.exceptval(check=False)
def saturation(temperature_K: cython.double) -> cython.double:
    """Return the vapour pressure over water [Pa]: IAPWS SR1-86(1992) eq. 1; supercooled: Magnus."""
    if temperature_K < 273.16:
        return 611.2 * exp(17.62 * (temperature_K - 273.15) / (temperature_K - 30.03))
    t: cython.double = 1.0 - temperature_K / 647.096
    h: cython.double = sqrt(t)
    t3: cython.double = t * t * t
    s: cython.double = -7.85951783 * t + 1.84408259 * t * h - 11.7866497 * t3 + 22.6807411 * t3 * h
    s = s - 15.9618719 * t3 * t + 1.80122502 * t3 * t3 * t * h
    return 22.064e6 * exp(s * 647.096 / temperature_K)


@cython.cfunc
@cython.exceptval(check=False)
def steepness(second: cython.double, third: cython.double, a: cython.double) -> cython.double:
    """Return the cluster part of the isotherm over activity, ``second * a^(third - 1)``; a line near zero."""
    if a < SMALLEST_ACTIVITY:
        a = SMALLEST_ACTIVITY
    return second * power(a, third - 1.0)


@cython.cclass
class Reel:
    """A winding's field and the arrays it is solved in; every array belongs to the caller or to it.

    Made from one object with these attributes: ``layers, shells, members``; ``gab``;
    ``parameters`` (PARAMETERS × members); ``share, conductance`` (shells);
    ``radius_m, pitch_m, bed`` (void over tortuosity), ``conductivity, heat_capacity``;
    ``strand_kg, gap_m3`` (layers), ``face_m2`` (layers + 1);
    ``water, gap, temperature`` (the field; gap in kg/m³), ``store`` (members: kg of water in the bag's air
    and desiccant), ``inflow`` (members: kg that crossed the outside, summed up); and ``work(n)``, which
    returns a new array of n zeros.
    """

    layers: cython.Py_ssize_t
    shells: cython.Py_ssize_t
    members: cython.Py_ssize_t
    gab: cython.bint
    plain: cython.bint  # diffusivity does not depend on content
    radius_m: cython.double
    pitch_m: cython.double
    bed: cython.double
    conductivity: cython.double
    heat_capacity: cython.double
    parameters: cython.double[::1]
    share: cython.double[::1]
    conductance: cython.double[::1]
    strand_kg: cython.double[::1]
    gap_m3: cython.double[::1]
    face_m2: cython.double[::1]
    water: cython.double[::1]
    gap: cython.double[::1]
    temperature: cython.double[::1]
    store: cython.double[::1]
    inflow: cython.double[::1]
    # the air outside
    air_K: cython.double
    air_Pa: cython.double
    closed: cython.bint
    hub_open: cython.bint
    air_m3: cython.double
    heat_film: cython.double
    mass_film: cython.double
    desiccant_kg: cython.double
    desiccant_rows: cython.Py_ssize_t
    desiccant_a: cython.double[::1]
    desiccant_x: cython.double[::1]
    # work
    old_water: cython.double[::1]  # the start of a step, then a stage's right-hand side
    old_gap: cython.double[::1]
    old_temperature: cython.double[::1]
    old_store: cython.double[::1]
    pressure: cython.double[::1]  # (layers, members), the last solution, where the next iteration starts
    outside: cython.double[::1]  # (members), of the bag's air
    passed: cython.double[::1]  # kept of u in u = kept + passed * next, (layers, shells, members)
    kept: cython.double[::1]
    rest: cython.double[::1]  # 1 - passed without cancellation, (members)
    linear: cython.double[::1]  # phi' of the shell, (layers, shells, members)
    offset: cython.double[::1]  # c - phi/phi' there
    guess: cython.double[::1]  # the content it was taken at
    known_K: cython.double[::1]  # (layers, members): temperature of the next four
    full_Pa: cython.double[::1]
    warmth: cython.double[::1]
    speed: cython.double[::1]  # D(T, 0) / r0²
    gap_flow: cython.double[::1]  # the winding's vapour conductivity per pressure, kg/(m s Pa)
    surface_kept: cython.double[::1]  # of the strand's outflow, kg per kg: kept - lost * phi(surface)
    surface_lost: cython.double[::1]
    surface: cython.double[::1]  # phi at the strand's surface, (layers, members)
    surface_slope: cython.double[::1]  # its slope over pressure
    ceiling: cython.double[::1]  # no shell of a layer can get wetter than this, (layers, members)
    row_p: cython.double[::1]  # winding elimination, (layers, members)
    row_q: cython.double[::1]
    crossed: cython.double[::1]  # inflow of one stage, (members)

    def __init__(self, given: object) -> None:
        work = given.work
        self.layers = given.layers
        self.shells = given.shells
        self.members = given.members
        self.gab = given.gab
        self.radius_m = given.radius_m
        self.pitch_m = given.pitch_m
        self.bed = given.bed
        self.conductivity = given.conductivity
        self.heat_capacity = given.heat_capacity
        self.parameters = given.parameters
        self.share = given.share
        self.conductance = given.conductance
        self.strand_kg = given.strand_kg
        self.gap_m3 = given.gap_m3
        self.face_m2 = given.face_m2
        self.water = given.water
        self.gap = given.gap
        self.temperature = given.temperature
        self.store = given.store
        self.inflow = given.inflow
        cells = given.layers * given.members
        total = cells * given.shells
        self.old_water = work(total)
        self.passed = work(total)
        self.kept = work(total)
        self.old_gap = work(cells)
        self.old_temperature = work(cells)
        self.pressure = work(cells)
        self.known_K = work(cells)
        self.full_Pa = work(cells)
        self.warmth = work(cells)
        self.speed = work(cells)
        self.gap_flow = work(cells)
        self.surface_slope = work(cells)
        self.ceiling = work(cells)
        self.surface_kept = work(cells)
        self.surface_lost = work(cells)
        self.surface = work(cells)
        self.row_p = work(cells)
        self.row_q = work(cells)
        self.old_store = work(given.members)
        self.outside = work(given.members)
        self.rest = work(given.members)
        self.crossed = work(given.members)
        self.plain = True
        m: cython.Py_ssize_t
        for m in range(self.members):
            if self.parameters[GROWTH * self.members + m] != 0.0:
                self.plain = False
        self.linear = work(1 if self.plain else total)
        self.offset = work(1 if self.plain else total)
        self.guess = work(1 if self.plain else total)
        i: cython.Py_ssize_t
        for i in range(self.layers * self.members):
            self.pressure[i] = self.gap[i] * VAPOUR_GAS * self.temperature[i]

    def set_layers(self, layers: cython.Py_ssize_t) -> None:
        """Leave the layers outside the first *layers* out from now on: they have been fed."""
        self.layers = layers

    def surround(self, air: object) -> None:
        """Put the reel into other air.

        *air* has ``temperature_K, vapour_Pa, closed, hub_open, air_m3, heat_W_m2K, mass_m_s``,
        ``desiccant_kg`` and the desiccant's ``activity`` and ``content`` (kg/kg) arrays.  A bag's or box's
        ``store`` is the caller's to set.
        """
        self.air_K = air.temperature_K
        self.air_Pa = air.vapour_Pa
        self.closed = air.closed
        self.hub_open = air.hub_open
        self.air_m3 = air.air_m3
        self.heat_film = air.heat_W_m2K
        self.mass_film = air.mass_m_s
        self.desiccant_kg = air.desiccant_kg
        self.desiccant_rows = len(air.activity)
        self.desiccant_a = air.activity
        self.desiccant_x = air.content
        m: cython.Py_ssize_t
        for m in range(self.members):
            self.outside[m] = self.air_Pa

    def march(
        self, seconds: cython.double, first_s: cython.double, growth: cython.double, longest_s: cython.double
    ) -> cython.double:
        """Advance by *seconds* in steps that grow from *first_s*; return the step that would come next.

        A last step shorter than half the one before it is shared with that one.
        """
        left: cython.double = seconds
        step: cython.double = first_s
        while left > 0.0:
            if step > longest_s:
                step = longest_s
            if left <= step:
                self.step(left)
                left = 0.0
            elif left < 1.5 * step:
                self.step(0.5 * left)
                self.step(0.5 * left)
                left = 0.0
            else:
                self.step(step)
                left -= step
            step *= growth
        return step

    @cython.ccall
    def step(self, seconds: cython.double) -> cython.void:
        """Advance by one step of two implicit stages."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        cells: cython.Py_ssize_t = self.layers * self.members
        total: cython.Py_ssize_t = cells * self.shells
        back: cython.double = (1.0 - GAMMA) / GAMMA
        for i in range(total):
            self.old_water[i] = self.water[i]
        for i in range(cells):
            self.old_gap[i] = self.gap[i]
            self.old_temperature[i] = self.temperature[i]
        for m in range(self.members):
            self.old_store[m] = self.store[m]
        self.stage(GAMMA * seconds)
        # The second stage starts from old + (1 - gamma)/gamma (stage - old).
        for i in range(total):
            self.old_water[i] += back * (self.water[i] - self.old_water[i])
        for i in range(cells):
            self.old_gap[i] += back * (self.gap[i] - self.old_gap[i])
            self.old_temperature[i] += back * (self.temperature[i] - self.old_temperature[i])
        for m in range(self.members):
            self.old_store[m] += back * (self.store[m] - self.old_store[m])
            self.inflow[m] += back * self.crossed[m]
        self.stage(GAMMA * seconds)
        for m in range(self.members):
            self.inflow[m] += self.crossed[m]

    @cython.cfunc
    def stage(self, dt: cython.double) -> cython.void:
        """Solve one implicit Euler step from the ``old_`` arrays into the field."""
        _: cython.int
        moved: cython.double
        self.warm(dt)
        self.properties()
        if not self.plain:
            self.raise_ceiling(False)
        for _ in range(30):
            self.eliminate(dt)
            bent: cython.double = self.wind(dt, 60 if self.plain else 1)
            moved = self.substitute()
            # Newton: what is left of an error is about its square.
            if self.plain or (moved < 1e-5 and bent < 1e-5):
                break
            self.raise_ceiling(True)

    @cython.cfunc
    def warm(self, dt: cython.double) -> cython.void:
        """Conduct heat through the winding: from its outer face, the hub insulated unless open."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        n: cython.Py_ssize_t = self.layers
        M: cython.Py_ssize_t = self.members
        half: cython.double = 2.0 * self.conductivity / self.pitch_m
        film: cython.double = dt / (1.0 / half + 1.0 / self.heat_film)
        out: cython.double = film * self.face_m2[n]
        for m in range(M):
            still: cython.bint = True
            for i in range(n):
                if fabs(self.old_temperature[i * M + m] - self.air_K) > 1e-6:
                    still = False
            if still:
                for i in range(n):
                    self.temperature[i * M + m] = self.old_temperature[i * M + m]
                continue
            rest: cython.double = 0.0
            below: cython.double = 0.0
            kept: cython.double = 0.0
            for i in range(n):
                capacity: cython.double = self.strand_kg[i] * self.heat_capacity
                known: cython.double = capacity * self.old_temperature[i * M + m]
                lost: cython.double = capacity + below * rest
                known += below * kept
                if i == 0 and self.hub_open:
                    lost += film * self.face_m2[0]
                    known += film * self.face_m2[0] * self.air_K
                above: cython.double = out
                if i < n - 1:
                    above = dt * 0.5 * half * self.face_m2[i + 1]
                kept = known / (lost + above)
                rest = lost / (lost + above)
                self.row_q[i * M + m] = kept
                self.row_p[i * M + m] = 1.0 - rest
                below = above
            beyond: cython.double = self.air_K
            for i in range(n - 1, -1, -1):
                beyond = self.row_q[i * M + m] + self.row_p[i * M + m] * beyond
                self.temperature[i * M + m] = beyond

    @cython.cfunc
    def properties(self) -> cython.void:
        """Bring everything that depends on temperature up to date."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        for i in range(self.layers):
            for m in range(M):
                kelvin: cython.double = self.temperature[i * M + m]
                if fabs(kelvin - self.known_K[i * M + m]) < 1e-9:
                    continue
                distance: cython.double = 1.0 / kelvin - 1.0 / REFERENCE_K
                self.known_K[i * M + m] = kelvin
                self.full_Pa[i * M + m] = saturation(kelvin)
                self.warmth[i * M + m] = exp(-self.parameters[SORPTION * M + m] * distance)
                self.speed[i * M + m] = (
                    self.parameters[DIFFUSIVITY * M + m]
                    * exp(-self.parameters[ACTIVATION * M + m] * distance)
                    / (self.radius_m * self.radius_m)
                )
                free: cython.double = 2.16e-5 * power(kelvin / 273.15, 1.81)
                self.gap_flow[i * M + m] = (
                    free * self.bed * self.parameters[BED * M + m] / (VAPOUR_GAS * kelvin)
                )

    @cython.cfunc
    def eliminate(self, dt: cython.double) -> cython.void:
        """Express every strand's outflow by the content at its surface.

        The unknown is u, phi(c) = (exp(k c) - 1)/k linearised at the last content (phi = c where D does not
        depend on it): flow between shells = speed * conductance * difference of u, exact in steady state.
        """
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        c: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        last: cython.Py_ssize_t = self.shells - 1
        if not self.plain:
            self.linearise()
        for i in range(self.layers):
            for m in range(M):
                self.rest[m] = 0.0
            for s in range(self.shells):
                inward: cython.double = 0.0 if s == 0 else self.conductance[s - 1]
                outward: cython.double = self.conductance[s]
                share: cython.double = self.share[s]
                j = (i * self.shells + s) * M
                c = i * M
                if self.plain:
                    for m in range(M):
                        reach: cython.double = self.speed[c + m] * dt
                        below: cython.double = reach * inward
                        lost: cython.double = share + below * self.rest[m]
                        total: cython.double = 1.0 / (lost + reach * outward)
                        known: cython.double = share * self.old_water[j + m]
                        if s > 0:
                            known += below * self.kept[j - M + m]
                        self.kept[j + m] = known * total
                        self.passed[j + m] = reach * outward * total
                        self.rest[m] = lost * total
                else:
                    for m in range(M):
                        reach = self.speed[c + m] * dt
                        below = reach * inward
                        lost = share / self.linear[j + m] + below * self.rest[m]
                        total = 1.0 / (lost + reach * outward)
                        known = share * (self.old_water[j + m] - self.offset[j + m])
                        if s > 0:
                            known += below * self.kept[j - M + m]
                        self.kept[j + m] = known * total
                        self.passed[j + m] = reach * outward * total
                        self.rest[m] = lost * total
            j = (i * self.shells + last) * M
            for m in range(M):
                flow: cython.double = self.speed[i * M + m] * dt * self.conductance[last]
                self.surface_kept[i * M + m] = flow * self.kept[j + m]
                self.surface_lost[i * M + m] = flow * self.rest[m]

    @cython.cfunc
    def linearise(self) -> cython.void:
        """Take phi and its slope at the last content of every shell, but within what the shell can reach."""
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        for i in range(self.layers):
            for s in range(self.shells):
                j = (i * self.shells + s) * M
                for m in range(M):
                    k: cython.double = self.parameters[GROWTH * M + m]
                    c: cython.double = self.water[j + m]
                    if c > self.ceiling[i * M + m]:  # Newton's first leap on a steep exponential
                        c = self.ceiling[i * M + m]
                    self.guess[j + m] = c
                    if fabs(k * c) < 1e-9:
                        self.linear[j + m] = 1.0 + k * c
                        self.offset[j + m] = 0.5 * k * c * c
                    else:
                        self.linear[j + m] = exp(k * c)
                        self.offset[j + m] = c - (1.0 - 1.0 / self.linear[j + m]) / k

    @cython.cfunc
    def raise_ceiling(self, surface: cython.bint) -> cython.void:
        """Set each layer's ceiling: the wettest of its strand, and of its surface once that is known."""
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        for i in range(self.layers):
            for m in range(M):
                top: cython.double = -1.0
                for s in range(self.shells):
                    c: cython.double = self.old_water[(i * self.shells + s) * M + m]
                    if c > top:
                        top = c
                if surface:
                    k: cython.double = self.parameters[GROWTH * M + m]
                    c = self.surface[i * M + m]
                    if k != 0.0 and k * c > -1.0:
                        c = log(1.0 + k * c) / k
                    if c > top:
                        top = c
                else:
                    top = 1e3
                self.ceiling[i * M + m] = top

    @cython.cfunc
    @cython.exceptval(check=False)
    def potential(self, k: cython.double, content: cython.double) -> cython.double:
        """Return phi(content)."""
        if fabs(k * content) < 1e-9:
            return content * (1.0 + 0.5 * k * content)
        return (exp(k * content) - 1.0) / k

    @cython.cfunc
    def wind(self, dt: cython.double, most: cython.int) -> cython.double:
        """Solve the vapour pressure in the gaps of all layers, iterated on the isotherm *most* times.

        Returns how far an activity moved in the last iteration.
        """
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        _: cython.int
        M: cython.Py_ssize_t = self.members
        n: cython.Py_ssize_t = self.layers
        gab: cython.bint = self.gab
        furthest: cython.double = 0.0
        moved: cython.double = 0.0
        for m in range(M):
            first: cython.double = self.parameters[FIRST * M + m]
            second: cython.double = self.parameters[SECOND * M + m]
            third: cython.double = self.parameters[THIRD * M + m]
            k: cython.double = self.parameters[GROWTH * M + m]
            for _ in range(most):
                moved = 0.0
                rest: cython.double = 0.0
                below: cython.double = 0.0
                kept: cython.double = 0.0
                hub: cython.double = 0.0
                for i in range(n):
                    j: cython.Py_ssize_t = i * M + m
                    kelvin: cython.double = self.temperature[j]
                    # phi at the surface, linearised in the pressure: level + slope * p
                    p: cython.double = self.pressure[j]
                    a: cython.double = p / self.full_Pa[j]
                    inside: cython.double = a
                    if inside < 0.0:
                        inside = 0.0
                    elif inside > 1.0:
                        inside = 1.0
                    slope: cython.double
                    content: cython.double
                    if gab:  # first, second, third = m0, C, K
                        x: cython.double = 1.0 - third * inside
                        y: cython.double = x + second * third * inside
                        slope = first * second * third / (x * y)
                        content = slope * inside
                        slope *= 1.0 + inside * third * (1.0 / x - (second - 1.0) / y)
                    else:
                        cluster: cython.double = steepness(second, third, inside)
                        content = (first + cluster) * inside
                        slope = first + (cluster if inside < SMALLEST_ACTIVITY else third * cluster)
                    content = (content + slope * (a - inside)) * self.warmth[j]
                    slope *= self.warmth[j] / self.full_Pa[j]
                    if k != 0.0:
                        slope *= exp(k * content)
                        content = self.potential(k, content)
                    level: cython.double = content - slope * p
                    self.surface[j] = level
                    self.surface_slope[j] = slope
                    mass: cython.double = self.strand_kg[i]
                    capacity: cython.double = self.gap_m3[i] / (VAPOUR_GAS * kelvin)
                    capacity += mass * self.surface_lost[j] * slope
                    known: cython.double = self.gap_m3[i] * self.old_gap[j]
                    known += mass * (self.surface_kept[j] - self.surface_lost[j] * level)
                    if i == 0 and self.hub_open and not self.closed:
                        hub = dt * self.face_link(0, j)
                        capacity += hub
                        known += hub * self.air_Pa
                    lost: cython.double = capacity + below * rest
                    known += below * kept
                    above: cython.double
                    if i < n - 1:
                        between: cython.double = 0.5 * (self.gap_flow[j] + self.gap_flow[j + M])
                        above = dt * between * self.face_m2[i + 1] / self.pitch_m
                    else:
                        above = dt * self.face_link(n, j)
                    kept = known / (lost + above)
                    rest = lost / (lost + above)
                    self.row_q[j] = kept
                    self.row_p[j] = above / (lost + above)
                    below = above
                beyond: cython.double = self.air_Pa
                if self.closed:
                    beyond = self.enclose(m, below * rest, below * kept)
                    moved = fabs(beyond - self.outside[m]) / saturation(self.air_K)
                    self.outside[m] = beyond
                    self.crossed[m] = 0.0
                else:
                    self.crossed[m] = below * (rest * beyond - kept)
                for i in range(n - 1, -1, -1):
                    j = i * M + m
                    beyond = self.row_q[j] + self.row_p[j] * beyond
                    change: cython.double = fabs(beyond - self.pressure[j]) / self.full_Pa[j]
                    if change > moved:
                        moved = change
                    self.surface[j] += self.surface_slope[j] * beyond
                    self.pressure[j] = beyond
                    self.gap[j] = beyond / (VAPOUR_GAS * self.temperature[j])
                if hub != 0.0:
                    self.crossed[m] += hub * (self.air_Pa - self.pressure[m])
                if moved < 1e-5:  # Newton: the error left is about its square
                    break
            if moved > furthest:
                furthest = moved
        return furthest

    @cython.cfunc
    @cython.exceptval(check=False)
    def face_link(self, face: cython.Py_ssize_t, j: cython.Py_ssize_t) -> cython.double:
        """Return the conductance from the middle of cell *j* through a face and its film [kg/(s Pa)]."""
        half: cython.double = 2.0 * self.gap_flow[j] / self.pitch_m
        film: cython.double = self.mass_film / (VAPOUR_GAS * self.temperature[j])
        return self.face_m2[face] / (1.0 / half + 1.0 / film)

    @cython.cfunc
    def enclose(self, m: cython.Py_ssize_t, lost: cython.double, known: cython.double) -> cython.double:
        """Return the pressure in a closed place's air, and keep its water: air and desiccant [Pa]."""
        full: cython.double = saturation(self.air_K)
        capacity: cython.double = self.air_m3 / (VAPOUR_GAS * self.air_K)
        level: cython.double = 0.0
        if self.desiccant_kg > 0.0:
            a: cython.double = self.outside[m] / full
            i: cython.Py_ssize_t = 0
            while i < self.desiccant_rows - 2 and a > self.desiccant_a[i + 1]:
                i += 1
            slope: cython.double = (self.desiccant_x[i + 1] - self.desiccant_x[i]) / (
                self.desiccant_a[i + 1] - self.desiccant_a[i]
            )
            level = self.desiccant_kg * (self.desiccant_x[i] - slope * self.desiccant_a[i])
            capacity += self.desiccant_kg * slope / full
        p: cython.double = (self.old_store[m] - level + known) / (capacity + lost)
        self.store[m] = level + capacity * p
        return p

    @cython.cfunc
    def substitute(self) -> cython.double:
        """Put the surfaces back into the strands; return how far a content moved from where D was taken."""
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        moved: cython.double = 0.0
        for i in range(self.layers):
            for m in range(M):
                self.rest[m] = self.surface[i * M + m]
            for s in range(self.shells - 1, -1, -1):
                j = (i * self.shells + s) * M
                if self.plain:
                    for m in range(M):
                        self.rest[m] = self.kept[j + m] + self.passed[j + m] * self.rest[m]
                        self.water[j + m] = self.rest[m]
                else:
                    for m in range(M):
                        self.rest[m] = self.kept[j + m] + self.passed[j + m] * self.rest[m]
                        self.water[j + m] = self.rest[m] / self.linear[j + m] + self.offset[j + m]
                        change: cython.double = fabs(self.water[j + m] - self.guess[j + m])
                        if change > moved:
                            moved = change
        return moved

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
TEMPERATURE_SLACK = cython.declare(cython.double, 1e-3)  # K; 0.01 % of D
STALE = cython.declare(cython.double, 2.0)
SHRINK = cython.declare(cython.double, 0.5)
CLOSED_GROWTH = cython.declare(cython.double, 1.6)
HEAT_TOLERANCE = cython.declare(cython.double, 0.5)  # K, of a step
CAREFUL = cython.declare(cython.double, 0.8)  # of the step that the error would just allow

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
    ``line_error`` (Newton on D(c) stops where its lines lie off by less [kg/kg]), ``activity_slack`` (the
    isotherm's line holds so far from where it was taken);
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
    begun: cython.bint  # surfaces are known
    flat: cython.bint  # a member's diffusivity (nearly) does not depend on content
    plain: cython.bint  # diffusivity does not depend on content
    line_error: cython.double
    activity_slack: cython.double
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
    inverse: cython.double[::1]  # 1/phi' of the shell, (layers, shells, members)
    offset: cython.double[::1]  # c - phi/phi' there
    guess: cython.double[::1]  # the content it was taken at
    far: cython.double[::1]  # how far a layer's contents have moved from there, squares summed up, (members)
    dirty: cython.double[::1]  # 1: the layer's strand is to be eliminated (again); STALE: put back, (layers)
    slack: cython.double[::1]  # how far a content may move before D is taken anew, (members)
    known_K: cython.double[::1]  # (layers, members): temperature of the next four
    full_Pa: cython.double[::1]
    warmth: cython.double[::1]
    speed: cython.double[::1]  # D(T, 0) / r0²
    gap_flow: cython.double[::1]  # the winding's vapour conductivity per pressure, kg/(m s Pa)
    surface_kept: cython.double[::1]  # of the strand's outflow, kg per kg: kept - lost * phi(surface)
    surface_lost: cython.double[::1]
    surface: cython.double[::1]  # phi at the strand's surface, (layers, members)
    surface_slope: cython.double[::1]  # its slope over pressure
    surface_level: cython.double[
        ::1
    ]  # and its value at no pressure; the line through the point it was taken at:
    taken_Pa: cython.double[::1]  # (layers, members)
    ceiling: cython.double[::1]  # no shell of a layer can get wetter than this, (members)
    row_p: cython.double[::1]  # winding elimination, (layers, members)
    row_q: cython.double[::1]
    row_rest: cython.double[::1]  # of the row before, (members)
    row_kept: cython.double[::1]
    row_below: cython.double[::1]
    hub: cython.double[::1]
    crossed: cython.double[::1]  # inflow of one stage, (members)
    crossed_before: cython.double[::1]  # and of the stage before
    error: cython.double  # of the step just made, estimated: kg
    heat_error: cython.double  # and in temperature: K
    before_K: cython.double[::1]
    first_rise: cython.double[::1]
    full_air_Pa: cython.double

    def __init__(self, given: object) -> None:
        work = given.work
        self.layers = given.layers
        self.shells = given.shells
        self.members = given.members
        self.gab = given.gab
        self.line_error = given.line_error
        self.activity_slack = given.activity_slack
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
        self.ceiling = work(given.members)
        self.surface_kept = work(cells)
        self.surface_lost = work(cells)
        self.surface = work(cells)
        self.surface_level = work(cells)
        self.taken_Pa = work(cells)
        self.row_p = work(cells)
        self.row_q = work(cells)
        self.row_rest = work(given.members)
        self.row_kept = work(given.members)
        self.row_below = work(given.members)
        self.hub = work(given.members)
        self.crossed_before = work(given.members)
        self.slack = work(given.members)
        self.dirty = work(given.layers + 1)
        self.before_K = work(given.layers + 1)
        self.first_rise = work(given.layers + 1)
        self.far = work(given.members)
        self.old_store = work(given.members)
        self.outside = work(given.members)
        self.rest = work(given.members)
        self.crossed = work(given.members)
        self.plain = True
        self.flat = False
        self.begun = False
        m: cython.Py_ssize_t
        for m in range(self.members):
            if self.parameters[GROWTH * self.members + m] != 0.0:
                self.plain = False
        self.inverse = work(1 if self.plain else total)
        self.offset = work(1 if self.plain else total)
        self.guess = work(1 if self.plain else total)
        i: cython.Py_ssize_t
        k: cython.double
        for i in range(self.layers * self.members):
            self.pressure[i] = self.gap[i] * VAPOUR_GAS * self.temperature[i]
        if not self.plain:
            for m in range(self.members):
                k = self.parameters[GROWTH * self.members + m]
                if fabs(k) < 1e-3:
                    self.flat = True
                # The line lies off by k d²/2 at a distance d.
                self.slack[m] = sqrt(2.0 * self.line_error / fabs(k)) if k != 0.0 else 1.0
            for i in range(self.layers):
                self.dirty[i] = 1.0
            for i in range(total):
                self.guess[i] = -1e3
            self.linearise()
            self.begun = True

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
        self.full_air_Pa = saturation(self.air_K)
        m: cython.Py_ssize_t
        for m in range(self.members):
            self.outside[m] = self.air_Pa

    def march(
        self,
        seconds: cython.double,
        first_s: cython.double,
        growth: cython.double,
        longest_s: cython.double,
        tolerance: cython.double,
    ) -> cython.double:
        """Advance by *seconds* in steps that grow from *first_s*; return the step that would come next.

        A step is at most *growth* times the one before, and as long as its estimated error in the mean content
        of a layer stays within *tolerance* [kg/kg].  A last step shorter than half of what is allowed is shared.
        """
        left: cython.double = seconds
        step: cython.double = first_s
        i: cython.Py_ssize_t
        mass: cython.double = 0.0
        for i in range(self.layers):
            mass += self.strand_kg[i]
        allowed: cython.double = tolerance * mass / self.layers
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
            wider: cython.double = growth
            if (
                self.closed and wider > CLOSED_GROWTH
            ):  # nothing crosses the outside, which would tell the error
                wider = CLOSED_GROWTH
            if (
                self.error * wider * wider > allowed * CAREFUL * CAREFUL
            ):  # it grows with the square of the step
                wider = CAREFUL * sqrt(allowed / self.error)
            if self.heat_error * wider * wider > HEAT_TOLERANCE * CAREFUL * CAREFUL:
                wider = CAREFUL * sqrt(HEAT_TOLERANCE / self.heat_error)
            if wider < SHRINK:
                wider = SHRINK
            step *= wider
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
        for i in range(self.layers):
            self.before_K[i] = self.temperature[i * self.members]
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
            self.crossed_before[m] = self.crossed[m]
        for i in range(self.layers):
            m = i * self.members  # the members share their temperature, or nearly
            self.first_rise[i] = GAMMA * (self.old_temperature[m] - self.before_K[i]) / (1.0 - GAMMA)
        self.stage(GAMMA * seconds)
        # Against the step of order one that the first stage's slope alone would make.
        self.error = 0.0
        for m in range(self.members):
            self.inflow[m] += self.crossed[m]
            change: cython.double = fabs(self.crossed[m] - self.crossed_before[m])
            if change > self.error:
                self.error = change
        self.heat_error = 0.0
        for i in range(self.layers):  # old_ holds what the second stage started from
            m = i * self.members
            change = fabs(self.temperature[m] - self.old_temperature[m] - self.first_rise[i])
            if change > self.heat_error:
                self.heat_error = change

    @cython.cfunc
    @cython.exceptval(check=False)
    def stage(self, dt: cython.double) -> cython.void:
        """Solve one implicit Euler step from the ``old_`` arrays into the field."""
        _: cython.int
        i: cython.Py_ssize_t
        self.warm(dt)
        self.properties()
        for i in range(self.layers):
            self.dirty[i] = 1.0
        for _ in range(60):
            self.eliminate(dt)
            self.wind(dt)
            # Newton: what is left of an error is about its square.  Layers at rest wait for the others.
            if not self.substitute(1.0) and not self.substitute(STALE):
                return
            self.linearise()
        self.eliminate(dt)
        self.wind(dt)
        self.substitute(1.0)
        self.substitute(STALE)

    @cython.cfunc
    @cython.exceptval(check=False)
    def warm(self, dt: cython.double) -> cython.void:
        """Conduct heat through the winding: from its outer face, the hub insulated unless open."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        n: cython.Py_ssize_t = self.layers
        M: cython.Py_ssize_t = self.members
        still: cython.bint = True
        for i in range(n * M):
            if fabs(self.old_temperature[i] - self.air_K) > 1e-6:
                still = False
                break
        if still:
            for i in range(n * M):
                self.temperature[i] = self.old_temperature[i]
            return
        half: cython.double = 2.0 * self.conductivity / self.pitch_m
        film: cython.double = dt / (1.0 / half + 1.0 / self.heat_film)
        below: cython.double = 0.0
        above: cython.double
        for m in range(M):
            self.row_rest[m] = 0.0
            self.row_kept[m] = 0.0
        for i in range(n):
            capacity: cython.double = self.strand_kg[i] * self.heat_capacity
            hub: cython.double = film * self.face_m2[0] if i == 0 and self.hub_open else 0.0
            above = film * self.face_m2[n]
            if i < n - 1:
                above = dt * 0.5 * half * self.face_m2[i + 1]
            j = i * M
            for m in range(M):
                lost: cython.double = capacity + hub + below * self.row_rest[m]
                known: cython.double = capacity * self.old_temperature[j + m] + hub * self.air_K
                known += below * self.row_kept[m]
                total: cython.double = 1.0 / (lost + above)
                self.row_kept[m] = known * total
                self.row_rest[m] = lost * total
                self.row_q[j + m] = known * total
                self.row_p[j + m] = above * total
            below = above
        for m in range(M):
            self.row_rest[m] = self.air_K
        for i in range(n - 1, -1, -1):
            j = i * M
            for m in range(M):
                self.row_rest[m] = self.row_q[j + m] + self.row_p[j + m] * self.row_rest[m]
                self.temperature[j + m] = self.row_rest[m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def properties(self) -> cython.void:
        """Bring everything that depends on temperature up to date."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        # Members mostly share a temperature and a sorption heat: what follows from them is worked out once.
        last_K: cython.double = -1.0
        full: cython.double = 0.0
        free: cython.double = 0.0
        distance: cython.double = 0.0
        last_heat: cython.double = 0.0
        warmth: cython.double = 1.0
        for i in range(self.layers):
            for m in range(M):
                j = i * M + m
                kelvin: cython.double = self.temperature[j]
                if fabs(kelvin - self.known_K[j]) < TEMPERATURE_SLACK:
                    continue
                heat: cython.double = self.parameters[SORPTION * M + m]
                if kelvin != last_K:
                    distance = 1.0 / kelvin - 1.0 / REFERENCE_K
                    full = saturation(kelvin)
                    free = 2.16e-5 * power(kelvin / 273.15, 1.81) * self.bed / (VAPOUR_GAS * kelvin)
                    warmth = exp(-heat * distance)
                    last_heat = heat
                    last_K = kelvin
                elif heat != last_heat:
                    warmth = exp(-heat * distance)
                    last_heat = heat
                self.known_K[j] = kelvin
                self.full_Pa[j] = full
                self.warmth[j] = warmth
                self.speed[j] = (
                    self.parameters[DIFFUSIVITY * M + m]
                    * exp(-self.parameters[ACTIVATION * M + m] * distance)
                    / (self.radius_m * self.radius_m)
                )
                self.gap_flow[j] = free * self.parameters[BED * M + m]
                self.tangent(i, m)

    @cython.cfunc
    @cython.exceptval(check=False)
    def eliminate(self, dt: cython.double) -> cython.void:
        """Express the outflow of every dirty layer's strand by the content at its surface.

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
        # Views of its own: the compiler then knows that the loops over members touch nothing else.
        speed: cython.double[::1] = self.speed
        rest: cython.double[::1] = self.rest
        carried: cython.double[::1] = self.row_kept
        kept: cython.double[::1] = self.kept
        passed: cython.double[::1] = self.passed
        old: cython.double[::1] = self.old_water
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        water_lost: cython.double[::1] = self.row_below
        known_: cython.double[::1] = self.hub
        share: cython.double
        inward: cython.double
        outward: cython.double
        reach: cython.double
        below: cython.double
        total: cython.double
        for i in range(self.layers):
            if self.dirty[i] != 1.0:
                continue
            c = i * M
            for m in range(M):
                rest[m] = 0.0
                carried[m] = 0.0
            for s in range(self.shells):
                inward = 0.0 if s == 0 else self.conductance[s - 1]
                outward = self.conductance[s]
                share = self.share[s]
                j = (i * self.shells + s) * M
                # In short loops, which the compiler turns into vector instructions.
                if self.plain:
                    for m in range(M):
                        water_lost[m] = share
                        known_[m] = share * old[j + m]
                else:
                    for m in range(M):
                        water_lost[m] = share * inverse[j + m]
                        known_[m] = share * (old[j + m] - offset[j + m])
                for m in range(M):
                    below = speed[c + m] * (dt * inward)
                    water_lost[m] += below * rest[m]
                    known_[m] += below * carried[m]
                for m in range(M):
                    reach = speed[c + m] * (dt * outward)
                    total = 1.0 / (water_lost[m] + reach)
                    rest[m] = water_lost[m] * total
                    carried[m] = known_[m] * total
                    water_lost[m] = reach * total
                for m in range(M):
                    kept[j + m] = carried[m]
                    passed[j + m] = water_lost[m]
            for m in range(M):
                flow: cython.double = speed[c + m] * dt * self.conductance[last]
                self.surface_kept[c + m] = flow * carried[m]
                self.surface_lost[c + m] = flow * rest[m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def linearise(self) -> cython.void:
        """Take phi and its slope anew where a dirty layer's content moved, within what the shell can reach.

        Small moves multiply the old slope by a short series of exp (off by 1e-9 each time), which is a few
        times cheaper; large ones take exp itself.
        """
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        growth: cython.double[::1] = self.parameters[GROWTH * M : (GROWTH + 1) * M]
        water: cython.double[::1] = self.water
        guess: cython.double[::1] = self.guess
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        x: cython.double
        c: cython.double
        k: cython.double
        for i in range(self.layers):
            if self.dirty[i] != 1.0:
                continue
            raised: cython.bint = False
            for s in range(self.shells):
                j = (i * self.shells + s) * M
                leap: cython.double = 0.0
                moved: cython.double = 0.0
                for m in range(M):
                    c = fabs(water[j + m] - guess[j + m])
                    x = fabs(growth[m]) * c
                    leap = x if x > leap else leap
                    x = c - 0.05 * self.slack[m]
                    moved = x if x > moved else moved
                if moved <= 0.0:
                    continue
                if leap < 0.1 and not self.flat:
                    for m in range(M):
                        c = water[j + m]
                        x = growth[m] * (guess[j + m] - c)
                        x = 1.0 + x * (1.0 + x / 2.0 * (1.0 + x / 3.0 * (1.0 + x / 4.0 * (1.0 + x / 5.0))))
                        guess[j + m] = c
                        inverse[j + m] *= x
                        offset[j + m] = c - (1.0 - inverse[j + m]) / growth[m]
                    continue
                if not raised:
                    self.raise_ceiling(i)
                    raised = True
                for m in range(M):
                    k = growth[m]
                    c = water[j + m]
                    if c > self.ceiling[m]:  # Newton's first leap on a steep exponential
                        c = self.ceiling[m]
                    guess[j + m] = c
                    if fabs(k * c) < 1e-9:
                        inverse[j + m] = 1.0 - k * c
                        offset[j + m] = 0.5 * k * c * c
                    else:
                        inverse[j + m] = exp(-k * c)
                        offset[j + m] = c - (1.0 - inverse[j + m]) / k

    @cython.cfunc
    @cython.exceptval(check=False)
    def raise_ceiling(self, i: cython.Py_ssize_t) -> cython.void:
        """Set a layer's ceiling: the wettest of its strand and of its surface."""
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        for m in range(M):
            k: cython.double = self.parameters[GROWTH * M + m]
            c: cython.double = self.surface[i * M + m]
            if k != 0.0 and k * c > -1.0:
                c = log(1.0 + k * c) / k
            self.ceiling[m] = c if self.begun else 1e3
        for s in range(self.shells):
            j = (i * self.shells + s) * M
            for m in range(M):
                c = self.old_water[j + m]
                self.ceiling[m] = c if c > self.ceiling[m] else self.ceiling[m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def potential(self, k: cython.double, content: cython.double) -> cython.double:
        """Return phi(content)."""
        if fabs(k * content) < 1e-9:
            return content * (1.0 + 0.5 * k * content)
        return (exp(k * content) - 1.0) / k

    @cython.cfunc
    @cython.exceptval(check=False)
    def tangent(self, i: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.void:
        """Take phi at a strand's surface as a line over the pressure in its gap, at the last pressure."""
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t = i * M + m
        first: cython.double = self.parameters[FIRST * M + m]
        second: cython.double = self.parameters[SECOND * M + m]
        third: cython.double = self.parameters[THIRD * M + m]
        k: cython.double = self.parameters[GROWTH * M + m]
        p: cython.double = self.pressure[j]
        a: cython.double = p / self.full_Pa[j]
        inside: cython.double = a
        if inside < 0.0:
            inside = 0.0
        elif inside > 1.0:
            inside = 1.0
        slope: cython.double
        content: cython.double
        if self.gab:  # first, second, third = m0, C, K
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
        self.surface_level[j] = content - slope * p
        self.surface_slope[j] = slope
        self.taken_Pa[j] = p

    @cython.cfunc
    @cython.exceptval(check=False)
    def wind(self, dt: cython.double) -> cython.void:
        """Solve the vapour pressure in the gaps of all layers, iterated on the isotherm."""
        _: cython.int
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        for _ in range(60):
            again: cython.bint = self.exchange(dt)
            for i in range(self.layers):
                for m in range(M):
                    if fabs(self.pressure[i * M + m] - self.taken_Pa[i * M + m]) > (
                        self.activity_slack * self.full_Pa[i * M + m]
                    ):
                        self.tangent(i, m)
                        again = True
            if not again:
                break

    @cython.cfunc
    @cython.exceptval(check=False)
    def exchange(self, dt: cython.double) -> cython.bint:
        """Solve the gaps once, the isotherms taken as lines; return whether a closed place's line changed."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        n: cython.Py_ssize_t = self.layers
        again: cython.bint = False
        above: cython.double
        for m in range(M):
            self.row_rest[m] = 0.0
            self.row_kept[m] = 0.0
            self.row_below[m] = 0.0
            self.hub[m] = 0.0
        if self.hub_open and not self.closed:
            for m in range(M):
                self.hub[m] = dt * self.face_link(0, m)
        face: cython.double = 0.0
        gaps: cython.double
        mass: cython.double
        slope: cython.double
        capacity: cython.double
        known: cython.double
        lost: cython.double
        total: cython.double
        for i in range(n):
            j = i * M
            mass = self.strand_kg[i]
            gaps = self.gap_m3[i]
            if i < n - 1:
                face = 0.5 * dt * self.face_m2[i + 1] / self.pitch_m
                for m in range(M):
                    self.row_p[j + m] = face * (self.gap_flow[j + m] + self.gap_flow[j + M + m])
            else:
                for m in range(M):
                    self.row_p[j + m] = dt * self.face_link(n, j + m)
            if i == 0:
                for m in range(M):
                    self.row_q[m] = self.hub[m]
            else:
                for m in range(M):
                    self.row_q[j + m] = 0.0
            for m in range(M):
                slope = mass * self.surface_lost[j + m]
                capacity = gaps / (VAPOUR_GAS * self.temperature[j + m]) + slope * self.surface_slope[j + m]
                known = gaps * self.old_gap[j + m] + mass * self.surface_kept[j + m]
                known += self.row_q[j + m] * self.air_Pa - slope * self.surface_level[j + m]
                lost = capacity + self.row_q[j + m] + self.row_below[m] * self.row_rest[m]
                known += self.row_below[m] * self.row_kept[m]
                above = self.row_p[j + m]
                total = 1.0 / (lost + above)
                self.row_kept[m] = known * total
                self.row_rest[m] = lost * total
                self.row_q[j + m] = known * total
                self.row_p[j + m] = above * total
                self.row_below[m] = above
        for m in range(M):
            lost = self.row_below[m] * self.row_rest[m]
            known = self.row_below[m] * self.row_kept[m]
            if self.closed:
                self.crossed[m] = 0.0
                before: cython.double = self.outside[m]
                self.outside[m] = self.enclose(m, lost, known)
                if (
                    self.desiccant_kg > 0.0
                    and fabs(self.outside[m] - before) > self.activity_slack * self.full_air_Pa
                ):
                    again = True
                self.row_rest[m] = self.outside[m]
            else:
                self.crossed[m] = lost * self.air_Pa - known
                self.row_rest[m] = self.air_Pa
        for i in range(n - 1, -1, -1):
            j = i * M
            for m in range(M):
                above = self.row_q[j + m] + self.row_p[j + m] * self.row_rest[m]
                self.row_rest[m] = above
                self.surface[j + m] = self.surface_level[j + m] + self.surface_slope[j + m] * above
                self.pressure[j + m] = above
                self.gap[j + m] = above / (VAPOUR_GAS * self.temperature[j + m])
        if self.hub_open and not self.closed:
            for m in range(M):
                self.crossed[m] += self.hub[m] * (self.air_Pa - self.pressure[m])
        return again

    @cython.cfunc
    @cython.exceptval(check=False)
    def face_link(self, face: cython.Py_ssize_t, j: cython.Py_ssize_t) -> cython.double:
        """Return the conductance from the middle of cell *j* through a face and its film [kg/(s Pa)]."""
        half: cython.double = 2.0 * self.gap_flow[j] / self.pitch_m
        film: cython.double = self.mass_film / (VAPOUR_GAS * self.temperature[j])
        return self.face_m2[face] / (1.0 / half + 1.0 / film)

    @cython.cfunc
    @cython.exceptval(check=False)
    def enclose(self, m: cython.Py_ssize_t, lost: cython.double, known: cython.double) -> cython.double:
        """Return the pressure in a closed place's air, and keep its water: air and desiccant [Pa]."""
        full: cython.double = self.full_air_Pa
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
    @cython.exceptval(check=False)
    def substitute(self, state: cython.double) -> cython.bint:
        """Put the surfaces back into the strands of the layers in one *state* of ``dirty``; others at rest go stale.

        Layers that moved too far from where D was taken are marked dirty.

        Returns whether there are any.
        """
        i: cython.Py_ssize_t
        s: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        c: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        rest: cython.double[::1] = self.rest
        far: cython.double[::1] = self.far
        kept: cython.double[::1] = self.kept
        passed: cython.double[::1] = self.passed
        water: cython.double[::1] = self.water
        guess: cython.double[::1] = self.guess
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        any_: cython.bint = False
        value: cython.double
        change: cython.double
        for i in range(self.layers):
            if self.dirty[i] != state:
                if self.dirty[i] == 0.0:
                    self.dirty[i] = STALE
                continue
            c = i * M
            for m in range(M):
                rest[m] = self.surface[c + m]
                far[m] = 0.0
            for s in range(self.shells - 1, -1, -1):
                j = (i * self.shells + s) * M
                if self.plain:
                    for m in range(M):
                        value = kept[j + m] + passed[j + m] * rest[m]
                        rest[m] = value
                        water[j + m] = value
                else:
                    for m in range(M):
                        rest[m] = kept[j + m] + passed[j + m] * rest[m]
                    for m in range(M):
                        water[j + m] = rest[m] * inverse[j + m] + offset[j + m]
                    for m in range(M):
                        change = water[j + m] - guess[j + m]
                        far[m] += change * change
            self.dirty[i] = 0.0
            if not self.plain:
                for m in range(M):
                    if far[m] > self.slack[m] * self.slack[m]:
                        self.dirty[i] = 1.0
                        any_ = True
        return any_

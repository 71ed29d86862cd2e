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
SI units; content in kg of water per kg of dry strand.  One class in one file, longer than the others:
split over modules its loops would no longer be compiled into one another.
Left out: vapour carried by its own expansion when a winding warms.
"""

from typing import Any, Final

try:
    import cython
except ImportError:  # nothing is compiled here
    from gcodetool.puremode import cython
if not cython.compiled:  # compiled, they come from C, as solver.pxd says
    from math import exp, fabs, log, sqrt
    from math import pow as power

from gcodetool.moisture import constants, stepping

COMPILED: Final = cython.compiled

REFERENCE_K = cython.declare(cython.double, constants.REFERENCE_K)
VAPOUR_GAS = cython.declare(cython.double, constants.VAPOUR_GAS)
SMALLEST_ACTIVITY = cython.declare(cython.double, constants.SMALLEST_ACTIVITY)
GAMMA = cython.declare(cython.double, stepping.GAMMA)
SPEED_SLACK = cython.declare(cython.double, stepping.SPEED_SLACK)
SHORTEST_S = cython.declare(cython.double, stepping.SHORTEST_S)
TURNS = cython.declare(cython.int, stepping.TURNS)
FULL_STRIDES = cython.declare(cython.int, stepping.FULL_STRIDES)
SHORT_AFTER = cython.declare(cython.int, stepping.SHORT_AFTER)
STRIDE = cython.declare(cython.double, stepping.STRIDE)
LEAP_K = cython.declare(cython.double, stepping.LEAP_K)
SHRINK = cython.declare(cython.double, stepping.SHRINK)
CLOSED_GROWTH = cython.declare(cython.double, stepping.CLOSED_GROWTH)
CAREFUL = cython.declare(cython.double, stepping.CAREFUL)
FLAT = cython.declare(cython.double, stepping.FLAT)
AT_REST = cython.declare(cython.double, stepping.AT_REST)
SMALL_LEAP = cython.declare(cython.double, stepping.SMALL_LEAP)
MANY = cython.declare(
    cython.Py_ssize_t, 6
)  # of so many members on, one look at the vapour's equation is cheaper
WIDE_K = cython.declare(
    cython.double, 10.0
)  # members within this of their middle: a cubic, and a longer series
CLOSE = cython.declare(cython.double, 0.1)  # of two activities: their difference over their sum, for a series
STALE = cython.declare(cython.double, 2.0)

# Members are worked on in blocks: of arrays of its own, on the stack, the compiler knows that nothing else
# writes to them, and makes vector instructions of the loops.
BLOCK = cython.declare(cython.Py_ssize_t, 64)

# Rows of the parameter array.
DIFFUSIVITY = cython.declare(cython.Py_ssize_t, stepping.DIFFUSIVITY)
GROWTH = cython.declare(cython.Py_ssize_t, stepping.GROWTH)
ACTIVATION = cython.declare(cython.Py_ssize_t, stepping.ACTIVATION)
SORPTION = cython.declare(cython.Py_ssize_t, stepping.SORPTION)
FIRST = cython.declare(cython.Py_ssize_t, stepping.FIRST)
SECOND = cython.declare(cython.Py_ssize_t, stepping.SECOND)
THIRD = cython.declare(cython.Py_ssize_t, stepping.THIRD)
BED = cython.declare(cython.Py_ssize_t, stepping.BED)
LATENT = cython.declare(cython.Py_ssize_t, stepping.LATENT)


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
def grown(x: cython.double) -> cython.double:
    """Return exp(x) for a small x, off by less than 1e-9 up to 0.1: a few times cheaper, and in vectors."""
    return 1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0)))))


@cython.cfunc
@cython.exceptval(check=False)
def grown_far(x: cython.double) -> cython.double:
    """Return exp(x), off by less than 1e-8 up to 0.8; in vectors too."""
    g: cython.double = grown(0.125 * x)
    g *= g
    g *= g
    return g * g


@cython.cfunc
@cython.exceptval(check=False)
def raised(x: cython.double) -> cython.double:
    """Return exp(x), off by less than 1e-10 of it up to 20 either way; in vectors too."""
    g: cython.double = grown(x * (1.0 / 1024.0))
    g *= g
    g *= g
    g *= g
    g *= g
    g *= g
    g *= g
    g *= g
    g *= g
    g *= g
    return g * g


@cython.cfunc
@cython.exceptval(check=False)
def log_ratio(now: cython.double, before: cython.double) -> cython.double:
    """Return ln(now / before), off by less than 1e-11 where their difference is a tenth of their sum; in vectors."""
    z: cython.double = (now - before) / (now + before)
    w: cython.double = z * z
    return (
        2.0 * z * (1.0 + w * (1.0 / 3.0 + w * (0.2 + w * (1.0 / 7.0 + w * (1.0 / 9.0 + w * (1.0 / 11.0))))))
    )


@cython.cclass
class Reel:
    """A winding's field and the arrays it is solved in; every array belongs to the caller or to it.

    Made from one object with these attributes: ``layers, shells, members``; ``gab``;
    ``line_error`` (Newton on D(c) stops where its lines lie off by less [kg/kg]), ``activity_slack`` (the
    isotherm's line holds so far from where it was taken), ``heat_slack`` (what follows from a temperature
    holds so far from it [K]);
    ``parameters`` (``stepping.PARAMETERS`` × members); ``share, conductance`` (shells);
    ``radius_m, pitch_m, bed`` (void over tortuosity), ``conductivity, heat_capacity``;
    ``strand_kg, gap_m3`` (layers), ``face_m2`` (layers + 1), ``flange_m2`` (layers: both flanges; heat goes through
    them, open or not), ``flange_open`` (members: the share of that which vapour goes through), ``side_m`` (the way
    from a layer's turns to them) and ``flange_m2K_W`` (what their walls resist);
    ``water, gap, temperature`` (the field; gap in kg/m³), ``store`` (members: kg of water in the bag's air
    and desiccant), ``body`` (members: kg in the reel's own body), ``inflow`` (members: kg that crossed the
    outside, summed up), ``spent`` (members: when a desiccant was spent [s], below 0: not yet);
    ``body_activity, body_content`` (kg/kg), ``body_kg`` (dry) of the body's isotherm; and ``work(n)``,
    which returns a new array of n zeros.
    """

    layers: cython.Py_ssize_t
    shells: cython.Py_ssize_t
    members: cython.Py_ssize_t
    gab: cython.bint
    flat: cython.bint  # a member's diffusivity (nearly) does not depend on content
    plain: cython.bint  # diffusivity does not depend on content
    sided: cython.bint  # there are open flanges
    latent: cython.bint  # water carries heat
    line_error: cython.double
    activity_slack: cython.double
    heat_slack: cython.double
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
    side_m: cython.double
    flange_open: cython.double[::1]
    flange_m2: cython.double[::1]
    flange_m2K_W: cython.double
    water: cython.double[::1]
    gap: cython.double[::1]
    temperature: cython.double[::1]
    store: cython.double[::1]
    body: cython.double[::1]
    inflow: cython.double[::1]
    spent: cython.double[::1]
    body_kg: cython.double
    body_rows: cython.Py_ssize_t
    body_a: cython.double[::1]
    body_x: cython.double[::1]
    # the air outside; each member may have its own, (members)
    air_K: cython.double[::1]
    air_Pa: cython.double[::1]
    full_air_Pa: cython.double[::1]
    mass_film: cython.double[::1]
    through: cython.double[::1]  # what a draught does to the way through open flanges
    exchange_m3_s: cython.double[::1]  # of a closed place, or what the vents of an open one let through
    exchange_kg_m3: cython.double[::1]  # vapour in the air that leaks in
    body_s: cython.double[::1]  # in which the body follows the air, at its temperature
    spent_Pa: cython.double[::1]
    closed: cython.bint
    air_m3: cython.double
    heat_film: cython.double
    stayed_s: cython.double  # since surround
    desiccant_kg: cython.double
    desiccant_rows: cython.Py_ssize_t
    desiccant_a: cython.double[::1]
    desiccant_x: cython.double[::1]
    # work
    old_water: cython.double[::1]  # the start of a step, then a stage's right-hand side
    old_gap: cython.double[::1]
    old_temperature: cython.double[::1]
    old_store: cython.double[::1]
    old_body: cython.double[::1]
    pressure: cython.double[::1]  # (layers, members), the last solution, where the next iteration starts
    outside: cython.double[::1]  # (members), of the bag's air
    passed: cython.double[::1]  # kept of u in u = kept + passed * next, (layers, shells, members)
    kept: cython.double[::1]
    inverse: cython.double[::1]  # 1/phi' of the shell, (layers, shells, members)
    offset: cython.double[::1]  # c - phi/phi' there
    guess: cython.double[::1]  # the content it was taken at
    far: cython.double[
        ::1
    ]  # how far a layer's contents have moved from there, squares summed up, (layers, members)
    dirty: cython.double[::1]  # 1: the layer's strand is to be eliminated (again); STALE: put back, (layers)
    ungrowth: cython.double[::1]  # 1 over the growth of ln D with content, (members,)
    slack: cython.double[::1]  # how far a content may move before D is taken anew, (members)
    known_K: cython.double[::1]  # (layers, members): temperature of the next three
    full_Pa: cython.double[::1]
    warmth: cython.double[::1]
    gap_flow: cython.double[::1]  # the winding's vapour conductivity per pressure, kg/(m s Pa)
    speed_K: cython.double[::1]  # (layers, members): temperature of the next
    speed: cython.double[::1]  # D(T, 0) / r0²
    gained: cython.double[::1]  # what a strand gained over the last stage, kg/s, (layers, members)
    stride: cython.double  # of the iteration on temperature
    surface_kept: cython.double[::1]  # of the strand's outflow, kg per kg: kept - lost * phi(surface)
    surface_lost: cython.double[::1]
    surface: cython.double[::1]  # phi at the strand's surface, (layers, members)
    surface_slope: cython.double[::1]  # its slope over pressure
    surface_level: cython.double[
        ::1
    ]  # and its value at no pressure; the line through the point it was taken at:
    taken: cython.double[::1]  # (layers, members), its activity
    line_level: cython.double[::1]  # and the isotherm's line there, over activity, at 23 °C
    line_slope: cython.double[::1]
    cluster: cython.double[::1]  # the cluster part of the isotherm over activity, (layers, members)
    clustered: cython.double[::1]  # and the activity that it was taken at; 0: never
    ceiling: cython.double[::1]  # no shell of a layer can get wetter than this, (members)
    row_p: cython.double[::1]  # winding elimination, (layers, members)
    row_q: cython.double[::1]
    row_side: cython.double[::1]  # (layers, members), where flanges are open
    crossed: cython.double[::1]  # inflow of one stage, (members)
    crossed_before: cython.double[::1]  # and of the stage before
    error: cython.double  # of the step just made, estimated: kg
    heat_error: cython.double  # and in temperature: K
    before_K: cython.double[::1]  # (layers, members)
    slope: cython.double  # of a table, where `line` looked last
    level: cython.double

    def __init__(self, given: Any) -> None:
        work = given.work
        self.layers = given.layers
        self.shells = given.shells
        self.members = given.members
        self.gab = given.gab
        self.line_error = given.line_error
        self.activity_slack = given.activity_slack
        self.heat_slack = given.heat_slack
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
        self.flange_open = given.flange_open
        self.side_m = given.side_m
        self.flange_m2 = given.flange_m2
        self.flange_m2K_W = given.flange_m2K_W
        self.water = given.water
        self.gap = given.gap
        self.temperature = given.temperature
        self.store = given.store
        self.body = given.body
        self.inflow = given.inflow
        self.spent = given.spent
        self.body_kg = given.body_kg
        self.body_rows = len(given.body_activity)
        self.body_a = given.body_activity
        self.body_x = given.body_content
        cells = given.layers * given.members
        total = cells * given.shells
        self.old_water = work(total)
        self.passed = work(total)
        self.kept = work(total)
        self.old_gap = work(cells)
        self.old_temperature = work(cells)
        self.pressure = work(cells)
        self.known_K = work(cells)
        self.speed_K = work(cells)
        self.gained = work(cells)
        self.before_K = work(cells)
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
        self.taken = work(cells)
        self.line_level = work(cells)
        self.line_slope = work(cells)
        self.cluster = work(cells)
        self.clustered = work(cells)
        self.row_side = work(cells)
        self.row_p = work(cells)
        self.row_q = work(cells)
        self.old_body = work(given.members)
        self.crossed_before = work(given.members)
        self.slack = work(given.members)
        self.dirty = work(given.layers + 1)
        self.far = work(cells)
        self.ungrowth = work(given.members)
        self.old_store = work(given.members)
        self.outside = work(given.members)
        self.crossed = work(given.members)
        self.full_air_Pa = work(given.members)
        self.plain = True
        self.flat = False
        self.stride = 1.0
        self.sided = False
        self.latent = False
        m: cython.Py_ssize_t
        for m in range(self.members):
            if self.parameters[GROWTH * self.members + m] != 0.0:
                self.plain = False
            if self.parameters[LATENT * self.members + m] != 0.0:
                self.latent = True
            if self.flange_open[m] > 0.0 and self.layers > 0 and self.flange_m2[0] > 0.0:
                self.sided = True
        self.inverse = work(1 if self.plain else total)
        self.offset = work(1 if self.plain else total)
        self.guess = work(1 if self.plain else total)
        k: cython.double
        if not self.plain:
            for m in range(self.members):
                k = self.parameters[GROWTH * self.members + m]
                if fabs(k) < FLAT:
                    self.flat = True
                # The line lies off by k d²/2 at a distance d.
                self.slack[m] = sqrt(2.0 * self.line_error / fabs(k)) if k != 0.0 else 1.0
                self.ungrowth[m] = 1.0 / k if k != 0.0 else 0.0
        self.forget()

    def forget(self) -> None:
        """Go on from the field alone: all that is remembered of the way to it is taken anew."""
        i: cython.Py_ssize_t
        cells: cython.Py_ssize_t = self.layers * self.members
        for i in range(cells):
            self.pressure[i] = self.gap[i] * VAPOUR_GAS * self.temperature[i]
            self.taken[i] = -1e3  # nowhere near
            self.known_K[i] = 0.0
            self.speed_K[i] = 0.0
            self.gained[i] = 0.0
            self.clustered[i] = 0.0
        for i in range(self.members):
            self.inflow[i] = 0.0
        if not self.plain:
            for i in range(self.layers):
                self.dirty[i] = 1.0
            for i in range(cells * self.shells):
                self.guess[i] = -1e3
            for i in range(cells):
                self.far[i] = 1e6  # all lines are taken anew

    def set_layers(self, layers: cython.Py_ssize_t) -> None:
        """Leave the layers outside the first *layers* out from now on: they have been fed."""
        self.layers = layers

    def surround(self, air: Any) -> None:
        """Put the reel into other air.

        *air* has for each member, as arrays, ``temperature_K, vapour_Pa, mass_m_s, through, exchange_m3_s,
        exchange_kg_m3, body_s, spent_Pa``; for all of them ``closed, air_m3, heat_W_m2K, desiccant_kg`` and the
        desiccant's ``activity`` and ``content`` (kg/kg) arrays.  In the open ``exchange_m3_s`` is what vents let
        through, infinite for a room.  A bag's or box's ``store`` is the caller's to set, and the body of a reel in
        the open is the caller's altogether.
        """
        self.air_K = air.temperature_K
        self.air_Pa = air.vapour_Pa
        self.closed = air.closed
        self.air_m3 = air.air_m3
        self.heat_film = air.heat_W_m2K
        self.mass_film = air.mass_m_s
        self.through = air.through
        self.exchange_m3_s = air.exchange_m3_s
        self.exchange_kg_m3 = air.exchange_kg_m3
        self.body_s = air.body_s
        self.spent_Pa = air.spent_Pa
        self.stayed_s = 0.0
        self.desiccant_kg = air.desiccant_kg
        self.desiccant_rows = len(air.activity)
        self.desiccant_a = air.activity
        self.desiccant_x = air.content
        m: cython.Py_ssize_t
        for m in range(self.members):
            if m > 0 and self.air_K[m] == self.air_K[m - 1]:
                self.full_air_Pa[m] = self.full_air_Pa[m - 1]
            else:
                self.full_air_Pa[m] = saturation(self.air_K[m])
            self.outside[m] = self.air_Pa[m]
            self.spent[m] = -1.0

    def march(
        self,
        seconds: cython.double,
        first_s: cython.double,
        growth: cython.double,
        longest_s: cython.double,
        tolerance: cython.double,
        heat_tolerance: cython.double,
    ) -> cython.double:
        """Advance by *seconds* in steps that grow from *first_s*; return the step that would come next.

        A step is at most *growth* times the one before, and as long as its estimated error stays within
        *tolerance* in the mean content of a layer [kg/kg] and within *heat_tolerance* in temperature [K].  A
        last step shorter than half of what is allowed is shared.
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
            if self.heat_error * wider * wider > heat_tolerance * CAREFUL * CAREFUL:
                wider = CAREFUL * sqrt(heat_tolerance / self.heat_error)
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
            self.before_K[i] = self.temperature[i]
        for m in range(self.members):
            self.old_store[m] = self.store[m]
            self.old_body[m] = self.body[m]
        self.stage(GAMMA * seconds)
        # The second stage starts from old + (1 - gamma)/gamma (stage - old).
        for i in range(total):
            self.old_water[i] += back * (self.water[i] - self.old_water[i])
        for i in range(cells):
            self.old_gap[i] += back * (self.gap[i] - self.old_gap[i])
            self.old_temperature[i] += back * (self.temperature[i] - self.old_temperature[i])
        for m in range(self.members):
            self.old_store[m] += back * (self.store[m] - self.old_store[m])
            self.old_body[m] += back * (self.body[m] - self.old_body[m])
            self.inflow[m] += back * self.crossed[m]
            self.crossed_before[m] = self.crossed[m]
        self.stage(GAMMA * seconds)
        # Against the step of order one that the first stage's slope alone would make.
        self.error = 0.0
        for m in range(self.members):
            self.inflow[m] += self.crossed[m]
            change: cython.double = fabs(self.crossed[m] - self.crossed_before[m])
            if change > self.error:
                self.error = change
        self.heat_error = 0.0
        slope: cython.double = GAMMA / (1.0 - GAMMA)
        for i in range(cells):  # old_ holds what the second stage started from
            change = self.temperature[i] - self.old_temperature[i]
            change = fabs(change - slope * (self.old_temperature[i] - self.before_K[i]))
            if change > self.heat_error:
                self.heat_error = change
        self.stayed_s += seconds
        if self.closed and self.desiccant_kg > 0.0:
            for m in range(self.members):
                if self.spent[m] < 0.0 and self.outside[m] > self.spent_Pa[m]:
                    self.spent[m] = self.stayed_s

    @cython.cfunc
    @cython.exceptval(check=False)
    def stage(self, dt: cython.double) -> cython.void:
        """Solve one implicit Euler step from the ``old_`` arrays into the field."""
        _: cython.int
        i: cython.Py_ssize_t
        self.stride = 1.0
        self.warm(dt)
        self.properties()
        self.hasten()
        for i in range(self.layers):
            self.dirty[i] = 1.0
        if not self.plain:
            self.linearise()
        for _ in range(TURNS):
            self.eliminate(dt)
            self.wind(dt)
            # Newton: what is left of an error is about its square.  Layers at rest wait for the others.
            again: cython.bint = self.substitute(1.0)
            again = self.hasten() or again
            if not again and not self.substitute(STALE):
                return
            if not self.plain:
                self.linearise()
        self.eliminate(dt)
        self.wind(dt)
        self.substitute(1.0)
        self.substitute(STALE)

    @cython.cfunc
    @cython.exceptval(check=False)
    def warm(self, dt: cython.double) -> cython.void:
        """Conduct heat through face and flanges, what strands gain of water warming them; the hub is insulated."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        begin: cython.Py_ssize_t
        wide: cython.Py_ssize_t
        n: cython.Py_ssize_t = self.layers
        M: cython.Py_ssize_t = self.members
        outer: cython.double[::1] = self.air_K
        heat: cython.double[::1] = self.parameters[LATENT * M : (LATENT + 1) * M]
        old: cython.double[::1] = self.old_temperature
        gained: cython.double[::1] = self.gained
        kelvin: cython.double[::1] = self.temperature
        row_p: cython.double[::1] = self.row_p
        row_q: cython.double[::1] = self.row_q
        rest = cython.declare(cython.double[64])
        carried = cython.declare(cython.double[64])
        passed = cython.declare(cython.double[64])
        half: cython.double = 2.0 * self.conductivity / self.pitch_m
        film: cython.double = dt / (1.0 / half + 1.0 / self.heat_film)
        sides: cython.double = dt / (
            self.side_m / self.conductivity + self.flange_m2K_W + 1.0 / self.heat_film
        )
        stride: cython.double = self.stride
        above: cython.double
        lost: cython.double
        known: cython.double
        total: cython.double
        low: cython.double
        high: cython.double
        for begin in range(0, M, BLOCK):
            wide = M - begin
            if wide > BLOCK:
                wide = BLOCK
            for m in range(wide):
                rest[m] = 0.0
                carried[m] = 0.0
            below: cython.double = 0.0
            for i in range(n):
                capacity: cython.double = self.strand_kg[i] * self.heat_capacity
                side: cython.double = sides * self.flange_m2[i]
                above = film * self.face_m2[n]
                if i < n - 1:
                    above = dt * 0.5 * half * self.face_m2[i + 1]
                j = i * M + begin
                for m in range(wide):  # from the air's own temperature, so that no heat is lost to rounding
                    lost = capacity + side + below * rest[m]
                    known = capacity * (old[j + m] - outer[begin + m]) + below * carried[m]
                    known += dt * heat[begin + m] * gained[j + m]
                    total = 1.0 / (lost + above)
                    carried[m] = known * total
                    rest[m] = lost * total
                    passed[m] = above * total
                for m in range(wide):
                    row_q[j + m] = carried[m]
                    row_p[j + m] = passed[m]
                below = above
            for m in range(wide):
                rest[m] = 0.0
            for i in range(n - 1, -1, -1):
                j = i * M + begin
                for m in range(wide):
                    rest[m] = row_q[j + m] + row_p[j + m] * rest[m]
                for m in range(wide):
                    low = outer[begin + m] if outer[begin + m] < old[j + m] else old[j + m]
                    high = outer[begin + m] if outer[begin + m] > old[j + m] else old[j + m]
                    low -= LEAP_K
                    high += LEAP_K
                    known = outer[begin + m] + rest[m]
                    known = low if known < low else known
                    known = high if known > high else known
                    passed[m] = known
                for m in range(wide):
                    kelvin[j + m] += stride * (passed[m] - kelvin[j + m])

    @cython.cfunc
    @cython.exceptval(check=False)
    def properties(self) -> cython.bint:
        """Bring what depends on temperature up to date, D apart; return whether anything moved."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        sorption: cython.double[::1] = self.parameters[SORPTION * M : (SORPTION + 1) * M]
        bed: cython.double[::1] = self.parameters[BED * M : (BED + 1) * M]
        kelvin: cython.double[::1] = self.temperature
        known: cython.double[::1] = self.known_K
        x: cython.double
        any_: cython.bint = False
        for i in range(self.layers):
            j = i * M
            moved: cython.double = 0.0
            for m in range(M):
                x = fabs(kelvin[j + m] - known[j + m])
                moved = x if x > moved else moved
            if moved < self.heat_slack:
                continue
            any_ = True
            if M < MANY or not self.widely(i):
                for m in range(M):
                    x = kelvin[j + m]
                    self.full_Pa[j + m] = saturation(x)
                    self.warmth[j + m] = exp(-sorption[m] * (1.0 / x - 1.0 / REFERENCE_K))
                    x = 2.16e-5 * power(x / 273.15, 1.81) * self.bed / (VAPOUR_GAS * x)
                    self.gap_flow[j + m] = x * bed[m]
            self.settle(i)
        return any_

    @cython.cfunc
    @cython.exceptval(check=False)
    def settle(self, i: cython.Py_ssize_t) -> cython.void:
        """Note the temperature that a layer's properties were taken at, and bend its isotherms to them."""
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t = i * M
        for m in range(M):
            self.known_K[j + m] = self.temperature[j + m]
        if self.taken[j] < -1.0:
            self.tangent(i)
        else:
            self.bend(i)

    @cython.cfunc
    @cython.exceptval(check=False)
    def widely(self, i: cython.Py_ssize_t) -> cython.bint:
        """Take the properties of a layer for all members together, which may differ by some kelvin.

        ln p is a cubic through four points about the members' middle, good to 5e-6 of p.  Return whether they
        are close enough for that.
        """
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t = i * M
        sorption: cython.double[::1] = self.parameters[SORPTION * M : (SORPTION + 1) * M]
        bed: cython.double[::1] = self.parameters[BED * M : (BED + 1) * M]
        kelvin: cython.double[::1] = self.temperature
        full: cython.double[::1] = self.full_Pa
        warmth: cython.double[::1] = self.warmth
        gap_flow: cython.double[::1] = self.gap_flow
        low: cython.double = kelvin[j]
        high: cython.double = kelvin[j]
        x: cython.double
        for m in range(M):
            x = kelvin[j + m]
            low = x if x < low else low
            high = x if x > high else high
        half: cython.double = 0.5 * (high - low)
        if not half < WIDE_K:
            return False
        if half < 1e-3:
            half = 1e-3
        middle: cython.double = 0.5 * (high + low)
        at: cython.double = saturation(middle)
        outer_up: cython.double = log(saturation(middle + half) / at)
        outer_down: cython.double = log(saturation(middle - half) / at)
        inner_up: cython.double = log(saturation(middle + half / 3.0) / at)
        inner_down: cython.double = log(saturation(middle - half / 3.0) / at)
        # Even and odd part of the cubic over y = (T - middle)/half, through y = -1, -1/3, 1/3, 1.
        second: cython.double = 0.5625 * (outer_up + outer_down - inner_up - inner_down)
        level: cython.double = 0.5 * (outer_up + outer_down) - second
        third: cython.double = 0.5625 * (outer_up - outer_down - 3.0 * (inner_up - inner_down))
        first: cython.double = 0.5 * (outer_up - outer_down) - third
        free: cython.double = 2.16e-5 * power(middle / 273.15, 1.81) * self.bed / (VAPOUR_GAS * middle)
        per_half: cython.double = 1.0 / half
        per_middle: cython.double = 1.0 / middle
        for m in range(M):
            x = (kelvin[j + m] - middle) * per_half
            full[j + m] = at * grown_far(level + x * (first + x * (second + x * third)))
        for m in range(M):
            warmth[j + m] = raised(-sorption[m] * (1.0 / kelvin[j + m] - 1.0 / REFERENCE_K))
        for m in range(M):  # (T/middle)^0.81, as a series
            x = (kelvin[j + m] - middle) * per_middle
            gap_flow[j + m] = free * bed[m] * (1.0 + x * (0.81 + x * (-0.07695 + x * 0.0305235)))
        return True

    @cython.cfunc
    @cython.exceptval(check=False)
    def hasten(self) -> cython.bint:
        """Bring D(T) up to date; a layer whose D changed is dirty.  Return whether there is any."""
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        diffusivity: cython.double[::1] = self.parameters[DIFFUSIVITY * M : (DIFFUSIVITY + 1) * M]
        activation: cython.double[::1] = self.parameters[ACTIVATION * M : (ACTIVATION + 1) * M]
        kelvin: cython.double[::1] = self.temperature
        known: cython.double[::1] = self.speed_K
        speed: cython.double[::1] = self.speed
        per_area: cython.double = 1.0 / (self.radius_m * self.radius_m)
        x: cython.double
        any_: cython.bint = False
        for i in range(self.layers):
            j = i * M
            moved: cython.double = 0.0
            for m in range(M):
                x = fabs(kelvin[j + m] - known[j + m])
                moved = x if x > moved else moved
            if moved < SPEED_SLACK * self.heat_slack:
                continue
            any_ = True
            self.dirty[i] = 1.0
            if moved < 0.5:
                for m in range(M):
                    speed[j + m] *= grown(
                        activation[m] * (kelvin[j + m] - known[j + m]) / (kelvin[j + m] * known[j + m])
                    )
                    known[j + m] = kelvin[j + m]
            else:
                for m in range(M):
                    x = raised(-activation[m] * (1.0 / kelvin[j + m] - 1.0 / REFERENCE_K))
                    speed[j + m] = diffusivity[m] * x * per_area
                for m in range(M):
                    known[j + m] = kelvin[j + m]
        return any_

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
        begin: cython.Py_ssize_t
        n: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        speed: cython.double[::1] = self.speed
        kept: cython.double[::1] = self.kept
        passed: cython.double[::1] = self.passed
        old: cython.double[::1] = self.old_water
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        rest = cython.declare(cython.double[64])
        carried = cython.declare(cython.double[64])
        reach = cython.declare(cython.double[64])
        share: cython.double
        outward: cython.double
        water_lost: cython.double
        known: cython.double
        further: cython.double
        total: cython.double
        for i in range(self.layers):
            if self.dirty[i] != 1.0:
                continue
            for begin in range(0, M, BLOCK):
                n = M - begin
                if n > BLOCK:
                    n = BLOCK
                c = i * M + begin
                for m in range(n):
                    rest[m] = 0.0
                    carried[m] = 0.0
                    reach[m] = 0.0
                for s in range(self.shells):
                    outward = dt * self.conductance[s]
                    share = self.share[s]
                    j = (i * self.shells + s) * M + begin
                    if self.plain:
                        for m in range(n):
                            water_lost = share + reach[m] * rest[m]
                            known = share * old[j + m] + reach[m] * carried[m]
                            further = speed[c + m] * outward
                            total = 1.0 / (water_lost + further)
                            rest[m] = water_lost * total
                            carried[m] = known * total
                            reach[m] = further
                            kept[j + m] = known * total
                            passed[j + m] = further * total
                    else:
                        for m in range(n):
                            water_lost = share * inverse[j + m] + reach[m] * rest[m]
                            known = share * (old[j + m] - offset[j + m]) + reach[m] * carried[m]
                            further = speed[c + m] * outward
                            total = 1.0 / (water_lost + further)
                            rest[m] = water_lost * total
                            carried[m] = known * total
                            reach[m] = further
                            kept[j + m] = known * total
                            passed[j + m] = further * total
                for m in range(n):
                    self.surface_kept[c + m] = reach[m] * carried[m]
                for m in range(n):
                    self.surface_lost[c + m] = reach[m] * rest[m]

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
        ungrowth: cython.double[::1] = self.ungrowth
        water: cython.double[::1] = self.water
        guess: cython.double[::1] = self.guess
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        ceiling: cython.double[::1] = self.ceiling
        x: cython.double
        c: cython.double
        k: cython.double
        for i in range(self.layers):
            if self.dirty[i] != 1.0:
                continue
            lifted: cython.bint = False
            furthest: cython.double = 0.0
            leap: cython.double = 0.0
            for m in range(M):
                x = self.far[i * M + m] / (self.slack[m] * self.slack[m])
                furthest = x if x > furthest else furthest
                x = self.far[i * M + m] * growth[m] * growth[m]
                leap = x if x > leap else leap
            if furthest < AT_REST:  # dirty for its temperature only
                continue
            for s in range(self.shells):
                j = (i * self.shells + s) * M
                if leap < SMALL_LEAP and not self.flat:
                    for m in range(M):
                        x = grown(growth[m] * (guess[j + m] - water[j + m]))
                        guess[j + m] = water[j + m]
                        inverse[j + m] *= x
                    for m in range(M):
                        offset[j + m] = water[j + m] - (1.0 - inverse[j + m]) * ungrowth[m]
                    continue
                if not lifted:
                    self.raise_ceiling(i)
                    lifted = True
                if not self.flat:
                    for m in range(M):  # Newton's first leap on a steep exponential
                        c = water[j + m]
                        guess[j + m] = ceiling[m] if c > ceiling[m] else c
                    for m in range(M):
                        inverse[j + m] = raised(-growth[m] * guess[j + m])
                    for m in range(M):
                        offset[j + m] = guess[j + m] - (1.0 - inverse[j + m]) * ungrowth[m]
                    continue
                for m in range(M):
                    k = growth[m]
                    c = water[j + m]
                    if c > ceiling[m]:
                        c = ceiling[m]
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
            self.ceiling[m] = c
        for s in range(self.shells):
            j = (i * self.shells + s) * M
            for m in range(M):
                c = self.old_water[j + m]
                self.ceiling[m] = c if c > self.ceiling[m] else self.ceiling[m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def tangent(self, i: cython.Py_ssize_t) -> cython.void:
        """Take the isotherm of a layer as a line over activity, at the last pressure in its gap."""
        m: cython.Py_ssize_t
        begin: cython.Py_ssize_t
        wide: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t
        first: cython.double[::1] = self.parameters[FIRST * M : (FIRST + 1) * M]
        second: cython.double[::1] = self.parameters[SECOND * M : (SECOND + 1) * M]
        third: cython.double[::1] = self.parameters[THIRD * M : (THIRD + 1) * M]
        pressure: cython.double[::1] = self.pressure
        full: cython.double[::1] = self.full_Pa
        taken: cython.double[::1] = self.taken
        line_level: cython.double[::1] = self.line_level
        line_slope: cython.double[::1] = self.line_slope
        inside = cython.declare(cython.double[64])
        content = cython.declare(cython.double[64])
        slope = cython.declare(cython.double[64])
        a: cython.double
        x: cython.double
        y: cython.double
        r: cython.double
        for begin in range(0, M, BLOCK):
            wide = M - begin
            if wide > BLOCK:
                wide = BLOCK
            j = i * M + begin
            for m in range(wide):
                a = pressure[j + m] / full[j + m]
                taken[j + m] = a
                a = 0.0 if a < 0.0 else a
                inside[m] = 1.0 if a > 1.0 else a
            if self.gab:  # first, second, third = m0, C, K
                for m in range(wide):
                    x = 1.0 - third[begin + m] * inside[m]
                    y = x + second[begin + m] * third[begin + m] * inside[m]
                    r = 1.0 / (x * y)
                    a = first[begin + m] * second[begin + m] * third[begin + m] * r
                    content[m] = a * inside[m]
                    slope[m] = a * (
                        1.0 + inside[m] * third[begin + m] * r * (y - (second[begin + m] - 1.0) * x)
                    )
            else:
                self.gather(i, begin, wide, inside)
                for m in range(wide):
                    a = self.cluster[j + m]
                    content[m] = (first[begin + m] + a) * inside[m]
                    r = third[begin + m]
                    r = 1.0 if inside[m] < SMALLEST_ACTIVITY else r
                    slope[m] = first[begin + m] + r * a
            for m in range(wide):
                line_level[j + m] = content[m] - slope[m] * inside[m]
                line_slope[j + m] = slope[m]
        self.bend(i)

    @cython.cfunc
    @cython.exceptval(check=False)
    def gather(
        self,
        i: cython.Py_ssize_t,
        begin: cython.Py_ssize_t,
        wide: cython.Py_ssize_t,
        activity: cython.double[64],
    ) -> cython.void:
        """Bring the cluster part of a layer's isotherms over activity up to date: second * a^(third - 1)."""
        m: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t = i * M + begin
        second: cython.double[::1] = self.parameters[SECOND * M : (SECOND + 1) * M]
        third: cython.double[::1] = self.parameters[THIRD * M : (THIRD + 1) * M]
        cluster: cython.double[::1] = self.cluster
        known: cython.double[::1] = self.clustered
        now = cython.declare(cython.double[64])
        a: cython.double
        far: cython.long = 0
        for m in range(wide):  # a straight line through the origin below the smallest one
            a = activity[m]
            now[m] = SMALLEST_ACTIVITY if a < SMALLEST_ACTIVITY else a
        for m in range(wide):
            far += fabs(now[m] - known[j + m]) > CLOSE * (now[m] + known[j + m])
        if far:
            for m in range(wide):
                cluster[j + m] = second[begin + m] * power(now[m], third[begin + m] - 1.0)
        else:
            for m in range(wide):
                a = log_ratio(now[m], known[j + m])
                cluster[j + m] *= raised((third[begin + m] - 1.0) * a)
        for m in range(wide):
            known[j + m] = now[m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def bend(self, i: cython.Py_ssize_t) -> cython.void:
        """Make phi at a strand's surface a line over the pressure in its gap, of the isotherm's line over activity.

        Above saturation phi goes on as it left it: its exponential along the isotherm's line there overflows.
        """
        m: cython.Py_ssize_t
        begin: cython.Py_ssize_t
        wide: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        j: cython.Py_ssize_t
        growth: cython.double[::1] = self.parameters[GROWTH * M : (GROWTH + 1) * M]
        full: cython.double[::1] = self.full_Pa
        warmth: cython.double[::1] = self.warmth
        taken: cython.double[::1] = self.taken
        line_level: cython.double[::1] = self.line_level
        line_slope: cython.double[::1] = self.line_slope
        ungrowth: cython.double[::1] = self.ungrowth
        inside = cython.declare(cython.double[64])
        content = cython.declare(cython.double[64])
        slope = cython.declare(cython.double[64])
        x: cython.double
        k: cython.double
        for begin in range(0, M, BLOCK):
            wide = M - begin
            if wide > BLOCK:
                wide = BLOCK
            j = i * M + begin
            for m in range(wide):
                x = taken[j + m]
                inside[m] = 1.0 if x > 1.0 else x
                slope[m] = line_slope[j + m] * warmth[j + m]
                content[m] = line_level[j + m] * warmth[j + m] + slope[m] * inside[m]
            if self.flat:
                for m in range(wide):
                    k = growth[begin + m]
                    x = exp(k * content[m])
                    slope[m] *= x
                    if fabs(k * content[m]) < 1e-9:
                        content[m] *= 1.0 + 0.5 * k * content[m]
                    else:
                        content[m] = (x - 1.0) / k
            elif not self.plain:
                for m in range(wide):
                    x = raised(growth[begin + m] * content[m])
                    slope[m] *= x
                    content[m] = (x - 1.0) * ungrowth[begin + m]
            for m in range(wide):
                self.surface_level[j + m] = content[m] - slope[m] * inside[m]
            for m in range(wide):
                self.surface_slope[j + m] = slope[m] / full[j + m]

    @cython.cfunc
    @cython.exceptval(check=False)
    def wind(self, dt: cython.double) -> cython.void:
        """Solve vapour pressure and temperature of all layers, iterated on isotherm and sorption heat."""
        turn: cython.int
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        pressure: cython.double[::1] = self.pressure
        full: cython.double[::1] = self.full_Pa
        taken: cython.double[::1] = self.taken
        slack: cython.double = self.activity_slack
        x: cython.double
        self.stride = 1.0
        for turn in range(TURNS):
            again: cython.bint = self.exchange(dt)
            if self.latent and dt > SHORTEST_S:
                for i in range(self.layers):
                    j = i * M
                    mass: cython.double = self.strand_kg[i] / dt
                    for m in range(M):
                        self.gained[j + m] = mass * (
                            self.surface_lost[j + m] * self.surface[j + m] - self.surface_kept[j + m]
                        )
                if turn >= FULL_STRIDES:
                    self.stride = STRIDE if turn < SHORT_AFTER else 0.3 * STRIDE
                if turn >= 3 * SHORT_AFTER:
                    self.stride = 0.1 * STRIDE
                self.warm(dt)
                if self.properties():
                    again = True
            for i in range(self.layers):
                j = i * M
                moved: cython.long = 0
                for m in range(M):
                    x = fabs(pressure[j + m] - taken[j + m] * full[j + m])
                    moved += x > slack * full[j + m]
                if moved:
                    self.tangent(i)
                    again = True
            if not again:
                break

    @cython.cfunc
    @cython.exceptval(check=False)
    def exchange(self, dt: cython.double) -> cython.bint:
        """Solve the gaps once, the isotherms taken as lines; return whether a closed place's line changed.

        Every layer is a node between ground (what it holds), the next layer and the outside; taking it out
        leaves what it held, and its links, with those two.  Nothing is subtracted.
        """
        i: cython.Py_ssize_t
        m: cython.Py_ssize_t
        j: cython.Py_ssize_t
        begin: cython.Py_ssize_t
        wide: cython.Py_ssize_t
        M: cython.Py_ssize_t = self.members
        n: cython.Py_ssize_t = self.layers
        again: cython.bint = False
        gap_flow: cython.double[::1] = self.gap_flow
        kelvin: cython.double[::1] = self.temperature
        old_gap: cython.double[::1] = self.old_gap
        surface_kept: cython.double[::1] = self.surface_kept
        surface_lost: cython.double[::1] = self.surface_lost
        surface_level: cython.double[::1] = self.surface_level
        surface_slope: cython.double[::1] = self.surface_slope
        row_p: cython.double[::1] = self.row_p
        row_q: cython.double[::1] = self.row_q
        row_side: cython.double[::1] = self.row_side
        rest = cython.declare(cython.double[64])
        carried = cython.declare(cython.double[64])
        below = cython.declare(cython.double[64])
        above = cython.declare(cython.double[64])
        side = cython.declare(
            cython.double[64]
        )  # of the row before, and what the outside has got of all rows
        aside = cython.declare(cython.double[64])
        out_rest = cython.declare(cython.double[64])
        out_kept = cython.declare(cython.double[64])
        gaps: cython.double
        mass: cython.double
        slope: cython.double
        known: cython.double
        lost: cython.double
        total: cython.double
        face: cython.double
        for begin in range(0, M, BLOCK):
            wide = M - begin
            if wide > BLOCK:
                wide = BLOCK
            for m in range(wide):
                rest[m] = 0.0
                carried[m] = 0.0
                below[m] = 0.0
                side[m] = 0.0
                aside[m] = 0.0
                out_rest[m] = 0.0
                out_kept[m] = 0.0
            for i in range(n):
                j = i * M + begin
                mass = self.strand_kg[i]
                gaps = self.gap_m3[i]
                if i < n - 1:
                    face = 0.5 * dt * self.face_m2[i + 1] / self.pitch_m
                    for m in range(wide):
                        above[m] = face * (gap_flow[j + m] + gap_flow[j + M + m])
                else:
                    for m in range(wide):
                        above[m] = dt * self.face_link(j + m, begin + m)
                if self.sided:
                    for m in range(wide):
                        aside[m] = dt * self.side_link(i, j + m, begin + m) + below[m] * side[m]
                for m in range(wide):
                    slope = mass * surface_lost[j + m]
                    lost = gaps / (VAPOUR_GAS * kelvin[j + m]) + slope * surface_slope[j + m]
                    lost += below[m] * rest[m]
                    known = gaps * old_gap[j + m] + mass * surface_kept[j + m]
                    known += below[m] * carried[m] - slope * surface_level[j + m]
                    total = 1.0 / (lost + aside[m] + above[m])
                    out_rest[m] += aside[m] * lost * total
                    out_kept[m] += aside[m] * known * total
                    side[m] = aside[m] * total
                    carried[m] = known * total
                    rest[m] = lost * total
                    below[m] = above[m]
                    above[m] *= total
                for m in range(wide):
                    row_q[j + m] = carried[m]
                    row_p[j + m] = above[m]
                if self.sided:
                    for m in range(wide):
                        row_side[j + m] = side[m]
            for m in range(wide):
                lost = below[m] * rest[m] + out_rest[m]
                known = below[m] * carried[m] + out_kept[m]
                if self.closed:
                    again = self.enclose(begin + m, dt, lost, known) or again
                else:
                    self.vent(begin + m, dt, lost, known)
            for m in range(wide):
                out_rest[m] = self.outside[begin + m]
                rest[m] = out_rest[m]
            for i in range(n - 1, -1, -1):
                j = i * M + begin
                if self.sided:
                    for m in range(wide):
                        row_q[j + m] += row_side[j + m] * out_rest[m]
                for m in range(wide):
                    rest[m] = row_q[j + m] + row_p[j + m] * rest[m]
                    self.pressure[j + m] = rest[m]
                for m in range(wide):
                    self.surface[j + m] = surface_level[j + m] + surface_slope[j + m] * rest[m]
                for m in range(wide):
                    self.gap[j + m] = rest[m] / (VAPOUR_GAS * kelvin[j + m])
        return again

    @cython.cfunc
    @cython.exceptval(check=False)
    def face_link(self, j: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.double:
        """Return the conductance from the middle of a member's cell *j* through the face and its film [kg/(s Pa)]."""
        half: cython.double = 2.0 * self.gap_flow[j] / self.pitch_m
        film: cython.double = self.mass_film[m] / (VAPOUR_GAS * self.temperature[j])
        return self.face_m2[self.layers] / (1.0 / half + 1.0 / film)

    @cython.cfunc
    @cython.exceptval(check=False)
    def side_link(self, i: cython.Py_ssize_t, j: cython.Py_ssize_t, m: cython.Py_ssize_t) -> cython.double:
        """Return the conductance from a member's cell *j* of layer *i* through both open flanges [kg/(s Pa)]."""
        film: cython.double = self.mass_film[m] / (VAPOUR_GAS * self.temperature[j])
        area: cython.double = self.flange_open[m] * self.flange_m2[i]
        return area / (self.side_m / (self.gap_flow[j] * self.through[m]) + 1.0 / film)

    @cython.cfunc
    @cython.exceptval(check=False)
    def line(
        self, a: cython.double, x: cython.double[::1], y: cython.double[::1], rows: cython.Py_ssize_t
    ) -> cython.void:
        """Leave slope and level of the piece of a table that *a* lies in."""
        i: cython.Py_ssize_t = 0
        while i < rows - 2 and a > x[i + 1]:
            i += 1
        self.slope = (y[i + 1] - y[i]) / (x[i + 1] - x[i])
        self.level = y[i] - self.slope * x[i]

    @cython.cfunc
    @cython.exceptval(check=False)
    def vent(
        self, m: cython.Py_ssize_t, dt: cython.double, lost: cython.double, known: cython.double
    ) -> cython.void:
        """Set the pressure around a reel in the open: that of the air, and what vents do not let out above it [Pa].

        The air between reel and vents holds next to nothing: what comes off the reel goes out at once.
        """
        out: cython.double = dt * self.exchange_m3_s[m] / (VAPOUR_GAS * self.air_K[m])
        p: cython.double = self.air_Pa[m] + (known - lost * self.air_Pa[m]) / (lost + out)
        self.outside[m] = p
        self.crossed[m] = lost * p - known

    @cython.cfunc
    @cython.exceptval(check=False)
    def enclose(
        self, m: cython.Py_ssize_t, dt: cython.double, lost: cython.double, known: cython.double
    ) -> cython.bint:
        """Set the pressure in a closed place's air, and keep its water: air, desiccant and body [Pa].

        Return whether it moved from where the lines of desiccant and body were taken.
        """
        full: cython.double = self.full_air_Pa[m]
        density: cython.double = VAPOUR_GAS * self.air_K[m]
        capacity: cython.double = self.air_m3 / density
        level: cython.double = 0.0
        leak: cython.double = dt * self.exchange_m3_s[m]
        leaked: cython.double = leak * self.exchange_kg_m3[m]
        body_capacity: cython.double = 0.0
        body_level: cython.double = 0.0
        follows: cython.double = 0.0
        if self.desiccant_kg > 0.0:
            self.line(self.outside[m] / full, self.desiccant_a, self.desiccant_x, self.desiccant_rows)
            level = self.desiccant_kg * self.level
            capacity += self.desiccant_kg * self.slope / full
        if self.body_kg > 0.0:
            self.line(self.outside[m] / full, self.body_a, self.body_x, self.body_rows)
            follows = dt / (dt + self.body_s[m])
            body_level = follows * self.body_kg * self.level
            body_capacity = follows * self.body_kg * self.slope / full
        out: cython.double = leak / density
        given: cython.double = follows * self.old_body[m] - body_level
        p: cython.double = (self.old_store[m] - level + given + known + leaked) / (
            capacity + body_capacity + lost + out
        )
        self.store[m] = level + capacity * p
        if self.body_kg > 0.0:
            self.body[m] = (1.0 - follows) * self.old_body[m] + body_level + body_capacity * p
        self.crossed[m] = leaked - out * p
        moved: cython.double = fabs(p - self.outside[m])
        self.outside[m] = p
        return (self.desiccant_kg > 0.0 or self.body_kg > 0.0) and moved > self.activity_slack * full

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
        begin: cython.Py_ssize_t
        n: cython.Py_ssize_t
        kept: cython.double[::1] = self.kept
        passed: cython.double[::1] = self.passed
        water: cython.double[::1] = self.water
        guess: cython.double[::1] = self.guess
        inverse: cython.double[::1] = self.inverse
        offset: cython.double[::1] = self.offset
        rest = cython.declare(cython.double[64])
        far = cython.declare(cython.double[64])
        any_: cython.bint = False
        value: cython.double
        change: cython.double
        for i in range(self.layers):
            if self.dirty[i] != state:
                if self.dirty[i] == 0.0:
                    self.dirty[i] = STALE
                continue
            self.dirty[i] = 0.0
            for begin in range(0, M, BLOCK):
                n = M - begin
                if n > BLOCK:
                    n = BLOCK
                c = i * M + begin
                for m in range(n):
                    rest[m] = self.surface[c + m]
                    far[m] = 0.0
                for s in range(self.shells - 1, -1, -1):
                    j = (i * self.shells + s) * M + begin
                    if self.plain:
                        for m in range(n):
                            value = kept[j + m] + passed[j + m] * rest[m]
                            rest[m] = value
                            water[j + m] = value
                    else:
                        for m in range(n):
                            value = kept[j + m] + passed[j + m] * rest[m]
                            rest[m] = value
                            value = value * inverse[j + m] + offset[j + m]
                            water[j + m] = value
                            change = value - guess[j + m]
                            far[m] += change * change
                if self.plain:
                    continue
                for m in range(n):
                    self.far[c + m] = far[m]
                    if far[m] > self.slack[begin + m] * self.slack[begin + m]:
                        self.dirty[i] = 1.0
                        any_ = True
        return any_

"""Water in a winding where ``solver`` is not compiled: the same steps, in numpy, all members at once.

The equations, their order and the numbers that end an iteration (``stepping``) are ``solver``'s; its docstring
says what they are.  Left out are that kernel's short series for exp and powers: here those are
taken as they are, so that the two agree within what the series are off by (``tests/test_solver.py``).  Arrays are
(layers, shells, members), layer 0 on the hub, and views of the caller's flat ones.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture import air, stepping
from gcodetool.moisture.constants import REFERENCE_K, SMALLEST_ACTIVITY, VAPOUR_GAS

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

AT_REST, DIRTY, STALE = 0, 1, 2  # a layer's strand: as it was, to be eliminated (again), to be put back


class Reel:
    """A winding's field on its way through time; made from the same object as ``solver.Reel``, which lists it."""

    def __init__(self, given: Any) -> None:
        layers, shells, members = given.layers, given.shells, given.members
        cells, rows = (layers, members), (layers, shells, members)
        self.given, self.layers, self.members = given, layers, members
        parameters = np.asarray(given.parameters).reshape(stepping.PARAMETERS, members)
        self.diffusivity, self.growth, self.activation = parameters[:3]
        self.sorption, self.first, self.second, self.third, self.bed, self.latent = parameters[3:]
        self.share, self.conductance = np.asarray(given.share), np.asarray(given.conductance)
        self.strand_kg, self.gap_m3 = np.asarray(given.strand_kg), np.asarray(given.gap_m3)
        self.face_m2, self.flange_m2 = np.asarray(given.face_m2), np.asarray(given.flange_m2)
        self.flange_open = np.asarray(given.flange_open)
        self.body_activity, self.body_content = (
            np.asarray(given.body_activity),
            np.asarray(given.body_content),
        )
        self.water = np.asarray(given.water).reshape(rows)
        self.gap, self.temperature = (
            np.asarray(each).reshape(cells) for each in (given.gap, given.temperature)
        )
        self.store, self.body = np.asarray(given.store), np.asarray(given.body)
        self.inflow, self.spent = np.asarray(given.inflow), np.asarray(given.spent)
        self.plain = not self.growth.any()
        self.flat = not self.plain and bool((np.abs(self.growth) < stepping.FLAT).any())
        self.sided = bool(layers and self.flange_m2[0] > 0.0 and (self.flange_open > 0.0).any())
        self.warmed = bool(self.latent.any())  # water carries heat
        self.divisor = np.where(self.growth == 0.0, 1.0, self.growth)
        # The line of phi lies off by k d²/2 at a distance d.
        self.slack = np.where(self.growth == 0.0, 1.0, np.sqrt(2.0 * given.line_error / np.abs(self.divisor)))
        self.old_water, self.kept, self.passed = np.zeros(rows), np.zeros(rows), np.zeros(rows)
        self.inverse, self.offset, self.guess = np.ones(rows), np.zeros(rows), np.zeros(rows)
        self.far, self.pressure, self.taken = np.zeros(cells), np.zeros(cells), np.zeros(cells)
        self.state = np.full(layers, AT_REST)
        self.old_gap, self.old_kelvin, self.before_kelvin = np.zeros(cells), np.zeros(cells), np.zeros(cells)
        self.known_K, self.speed_K = np.zeros(cells), np.zeros(cells)
        self.full_Pa, self.warmth, self.gap_flow, self.speed = (np.zeros(cells) for _ in range(4))
        self.gained, self.surface, self.surface_kept, self.surface_lost = (np.zeros(cells) for _ in range(4))
        self.line_level, self.line_slope, self.surface_level, self.surface_slope = (
            np.zeros(cells) for _ in range(4)
        )
        self.old_store, self.old_body = np.zeros(members), np.zeros(members)
        self.crossed, self.outside = np.zeros(members), np.zeros(members)
        self.stride = 1.0
        self.forget()

    def forget(self) -> None:
        """Go on from the field alone: all that is remembered of the way to it is taken anew."""
        self.pressure[...] = self.gap * VAPOUR_GAS * self.temperature
        self.taken[...] = self.guess[...] = -1e3  # nowhere near
        self.far[...] = 1e6  # all lines are taken anew
        for known in (self.known_K, self.speed_K, self.gained, self.inflow):
            known[...] = 0.0

    def set_layers(self, layers: int) -> None:
        """Leave the layers outside the first *layers* out from now on: they have been fed."""
        for name, value in vars(self).items():
            if (isinstance(value, np.ndarray) and value.ndim > 1) or name == "state":
                setattr(self, name, value[:layers])
        self.layers = layers

    def surround(self, around: Any) -> None:
        """Put the reel into other air: an object as ``solver.Reel.surround`` takes it."""
        self.around = around
        self.air_K, self.air_Pa = np.asarray(around.temperature_K), np.asarray(around.vapour_Pa)
        self.mass_film, self.through = np.asarray(around.mass_m_s), np.asarray(around.through)
        self.exchange_m3_s, self.exchange_kg_m3 = (
            np.asarray(around.exchange_m3_s),
            np.asarray(around.exchange_kg_m3),
        )
        self.body_s, self.spent_Pa = np.asarray(around.body_s), np.asarray(around.spent_Pa)
        self.desiccant_activity, self.desiccant_content = (
            np.asarray(around.activity),
            np.asarray(around.content),
        )
        self.full_air_Pa = _saturation(self.air_K)
        self.outside = self.air_Pa.copy()
        self.spent[:] = -1.0
        self.stayed_s = 0.0

    @np.errstate(divide="ignore", invalid="ignore", over="ignore")  # a lost member is the caller's to find
    def march(
        self,
        seconds: float,
        first_s: float,
        growth: float,
        longest_s: float,
        tolerance: float,
        heat_tolerance: float,
    ) -> float:
        """Advance by *seconds*; return the step that would come next.  The rule of steps is ``solver.Reel.march``'s."""
        left, step = seconds, first_s
        allowed = tolerance * float(self.strand_kg[: self.layers].sum()) / self.layers
        while left > 0.0:
            step = min(step, longest_s)
            parts = (left,) if left <= step else (0.5 * left,) * 2 if left < 1.5 * step else (step,)
            for part in parts:
                error, heat_error = self._step(part)
            left = left - step if left >= 1.5 * step else 0.0
            wider = min(growth, stepping.CLOSED_GROWTH) if self.around.closed else growth
            for off, most in ((error, allowed), (heat_error, heat_tolerance)):
                if off * wider * wider > most * stepping.CAREFUL**2:
                    wider = stepping.CAREFUL * (most / off) ** 0.5
            step *= max(wider, stepping.SHRINK)
        return step

    def _step(self, seconds: float) -> tuple[float, float]:
        """Advance by two implicit stages; return the estimated errors [kg], [K]."""
        back = (1.0 - stepping.GAMMA) / stepping.GAMMA
        pairs = (
            (self.old_water, self.water),
            (self.old_gap, self.gap),
            (self.old_kelvin, self.temperature),
            (self.old_store, self.store),
            (self.old_body, self.body),
        )
        for old, now in pairs:
            old[...] = now
        self.before_kelvin[...] = self.temperature
        self._stage(stepping.GAMMA * seconds)
        for old, now in pairs:  # the second stage starts from old + (1 - gamma)/gamma (stage - old)
            np.add(old, back * (now - old), out=old)
        first = self.crossed
        self.inflow += back * first
        self._stage(stepping.GAMMA * seconds)
        self.inflow += self.crossed
        self.stayed_s += seconds
        if self.around.closed and self.around.desiccant_kg > 0.0:
            self.spent[(self.spent < 0.0) & (self.outside > self.spent_Pa)] = self.stayed_s
        # Against the step of order one that the first stage's slope alone would make.
        slope = stepping.GAMMA / (1.0 - stepping.GAMMA)
        bent = self.temperature - self.old_kelvin - slope * (self.old_kelvin - self.before_kelvin)
        return _largest(np.abs(self.crossed - first)), _largest(np.abs(bent))

    def _stage(self, dt: float) -> None:
        """Solve one implicit Euler step from the ``old_`` arrays into the field."""
        self.stride = 1.0
        self._warm(dt)
        self._properties()
        self._hasten()
        self.state[:] = DIRTY
        self._linearise()
        for _ in range(stepping.TURNS):
            self._eliminate(dt)
            self._wind(dt)
            # Newton: what is left of an error is about its square.  Layers at rest wait for the others.
            again = self._substitute(DIRTY)
            again = self._hasten() or again
            if not again and not self._substitute(STALE):
                return
            self._linearise()
        self._eliminate(dt)
        self._wind(dt)
        self._substitute(DIRTY)
        self._substitute(STALE)

    def _warm(self, dt: float) -> None:
        """Conduct heat through face and flanges, what strands gain of water warming them; the hub is insulated."""
        given, film_heat = self.given, self.around.heat_W_m2K
        half = 2.0 * given.conductivity / given.pitch_m
        sides = dt / (given.side_m / given.conductivity + given.flange_m2K_W + 1.0 / film_heat)
        n = self.layers
        capacity = self.strand_kg[:n] * given.heat_capacity
        above = dt * 0.5 * half * self.face_m2[1 : n + 1]
        above[-1] = dt / (1.0 / half + 1.0 / film_heat) * self.face_m2[n]
        balance = np.diag(capacity + sides * self.flange_m2[:n] + above)
        within = np.arange(n - 1)
        balance[within + 1, within + 1] += above[:-1]
        balance[within, within + 1] = balance[within + 1, within] = -above[:-1]
        # from the air's own temperature, so that no heat is lost to rounding
        known = capacity[:, None] * (self.old_kelvin - self.air_K) + dt * self.latent * self.gained
        goal = self.air_K + np.linalg.solve(balance, known)
        low = np.minimum(self.air_K, self.old_kelvin) - stepping.LEAP_K
        high = np.maximum(self.air_K, self.old_kelvin) + stepping.LEAP_K
        self.temperature += self.stride * (np.clip(goal, low, high) - self.temperature)

    def _properties(self) -> bool:
        """Bring what depends on temperature up to date, D apart; return whether anything moved."""
        moved = np.fmax.reduce(np.abs(self.temperature - self.known_K), axis=1) >= self.given.heat_slack
        if not moved.any():
            return False
        at = _chosen(moved)
        kelvin = self.temperature[at]
        self.full_Pa[at] = _saturation(kelvin)
        self.warmth[at] = np.exp(-self.sorption * (1.0 / kelvin - 1.0 / REFERENCE_K))
        free = air.vapour_diffusivity(np.clip(kelvin, air.LOWEST_K, air.CRITICAL_POINT_K))
        self.gap_flow[at] = free * self.given.bed / (VAPOUR_GAS * kelvin) * self.bed
        self.known_K[at] = kelvin
        new = moved & (self.taken[:, 0] < -1.0)
        if new.any():
            self._tangent(_chosen(new))
        if (moved & ~new).any():
            self._bend(_chosen(moved & ~new))
        return True

    def _hasten(self) -> bool:
        """Bring D(T) up to date; a layer whose D changed is dirty.  Return whether there is any."""
        moved = np.fmax.reduce(np.abs(self.temperature - self.speed_K), axis=1)
        changed = moved >= stepping.SPEED_SLACK * self.given.heat_slack
        if not changed.any():
            return False
        at = _chosen(changed)
        kelvin = self.temperature[at]
        self.state[at] = DIRTY
        self.speed[at] = self.diffusivity * np.exp(-self.activation * (1.0 / kelvin - 1.0 / REFERENCE_K))
        self.speed[at] *= 1.0 / self.given.radius_m**2
        self.speed_K[at] = kelvin
        return True

    def _eliminate(self, dt: float) -> None:
        """Express the outflow of every dirty layer's strand by u at its surface (``solver.Reel.eliminate``)."""
        dirty = self.state == DIRTY
        if not dirty.any():
            return
        at = _chosen(dirty)
        held = self.share[:, None] * self.inverse[at]
        old = self.share[:, None] * (self.old_water[at] - self.offset[at])
        speed = self.speed[at]
        kept, passed = np.empty_like(old), np.empty_like(old)
        rest = carried = reach = np.zeros(speed.shape)
        for s, outward in enumerate(dt * self.conductance):
            lost = held[:, s] + reach * rest
            known = old[:, s] + reach * carried
            further = speed * outward
            total = 1.0 / (lost + further)
            rest, carried, reach = lost * total, known * total, further
            kept[:, s], passed[:, s] = carried, further * total
        self.kept[at], self.passed[at] = kept, passed
        self.surface_kept[at], self.surface_lost[at] = reach * carried, reach * rest

    def _substitute(self, state: int) -> bool:
        """Put the surfaces back into the strands of the layers in one *state*; others at rest go stale.

        Layers that moved too far from where D was taken are marked dirty.  Return whether there are any.
        """
        chosen = self.state == state
        self.state[self.state == AT_REST] = STALE
        if not chosen.any():
            return False
        at = _chosen(chosen)
        self.state[at] = AT_REST
        kept, passed = self.kept[at], self.passed[at]
        u = np.empty_like(kept)
        rest = self.surface[at]
        for s in range(kept.shape[1] - 1, -1, -1):
            rest = u[:, s] = kept[:, s] + passed[:, s] * rest
        water = self.water[at] = u * self.inverse[at] + self.offset[at]
        if self.plain:
            return False
        self.far[at] = ((water - self.guess[at]) ** 2).sum(axis=1)
        moved = chosen & (self.far > self.slack**2).any(axis=1)
        self.state[moved] = DIRTY
        return bool(moved.any())

    def _linearise(self) -> None:
        """Take phi and its slope anew where a dirty layer's content moved, within what the shell can reach."""
        if self.plain:
            return
        dirty = (self.state == DIRTY) & (np.fmax.reduce(self.far / self.slack**2, axis=1) >= stepping.AT_REST)
        if not dirty.any():
            return
        at = _chosen(dirty)
        guess = self.water[at]
        far = np.fmax.reduce(self.far[at] * self.growth**2, axis=1) >= stepping.SMALL_LEAP
        ceiling = self._ceiling(at)[:, None]
        guess = np.where((far | self.flat)[:, None, None], np.minimum(guess, ceiling), guess)
        slope = -np.expm1(-self.growth * guess)
        self.guess[at], self.inverse[at] = guess, 1.0 - slope
        self.offset[at] = np.where(self.growth == 0.0, 0.0, guess - slope / self.divisor)

    def _ceiling(self, at: Any) -> Floats:
        """Return the wettest of each layer's strand and of its surface: Newton's first leap ends there."""
        steep = self.growth * self.surface[at]
        within = (self.growth != 0.0) & (steep > -1.0)
        surface = np.where(within, np.log1p(np.where(within, steep, 0.0)) / self.divisor, self.surface[at])
        return np.asarray(np.maximum(self.old_water[at].max(axis=1), surface))

    def _tangent(self, at: Any) -> None:
        """Take the isotherm of layers as lines over activity, at the last pressure in their gaps."""
        activity = self.pressure[at] / self.full_Pa[at]
        self.taken[at] = activity
        a = np.clip(activity, 0.0, 1.0)
        first, second, third = self.first, self.second, self.third
        if self.given.gab:  # m0, C, K
            x = 1.0 - third * a
            y = x + second * third * a
            level = first * second * third / (x * y)
            content = level * a
            slope = level * (1.0 + a * third / (x * y) * (y - (second - 1.0) * x))
        else:  # a straight line through the origin below the smallest activity
            cluster = second * np.maximum(a, SMALLEST_ACTIVITY) ** (third - 1.0)
            content = (first + cluster) * a
            slope = first + np.where(a < SMALLEST_ACTIVITY, 1.0, third) * cluster
        self.line_level[at], self.line_slope[at] = content - slope * a, slope
        self._bend(at)

    def _bend(self, at: Any) -> None:
        """Make phi at a strand's surface a line over the pressure in its gap, of the isotherm's line over activity.

        Above saturation phi goes on as it left it: its exponential along the isotherm's line there overflows.
        """
        inside = np.minimum(self.taken[at], 1.0)
        slope = self.line_slope[at] * self.warmth[at]
        content = self.line_level[at] * self.warmth[at] + slope * inside
        if not self.plain:
            more = np.expm1(self.growth * content)
            slope = slope * (1.0 + more)
            content = np.where(self.growth == 0.0, content, more / self.divisor)
        self.surface_level[at] = content - slope * inside
        self.surface_slope[at] = slope / self.full_Pa[at]

    def _wind(self, dt: float) -> None:
        """Solve vapour pressure and temperature of all layers, iterated on isotherm and sorption heat."""
        mass = self.strand_kg[: self.layers, None]
        for turn in range(stepping.TURNS):
            again = self._exchange(dt)
            if self.warmed and dt > stepping.SHORTEST_S:
                self.gained[...] = mass / dt * (self.surface_lost * self.surface - self.surface_kept)
                self.stride = _stride(turn)
                self._warm(dt)
                again = self._properties() or again
            off = np.abs(self.pressure - self.taken * self.full_Pa) > self.given.activity_slack * self.full_Pa
            moved = off.any(axis=1)
            if moved.any():
                self._tangent(_chosen(moved))
                again = True
            if not again:
                break

    def _exchange(self, dt: float) -> bool:
        """Solve the gaps once, the isotherms taken as lines; return whether a closed place's line changed.

        Every layer is a node between ground (what it holds), the next layer and the outside (``solver.Reel``).
        """
        n, mass = self.layers, self.strand_kg[: self.layers, None]
        gaps, density = self.gap_m3[:n, None], VAPOUR_GAS * self.temperature
        slope = mass * self.surface_lost
        holds = gaps / density + slope * self.surface_slope
        source = gaps * self.old_gap + mass * self.surface_kept - slope * self.surface_level
        above = np.empty_like(holds)
        above[:-1] = (
            0.5 * dt / self.given.pitch_m * self.face_m2[1:n, None] * (self.gap_flow[:-1] + self.gap_flow[1:])
        )
        above[-1] = dt * self._face_link()
        aside = dt * self._side_links(density) if self.sided else None
        kept, passed, sideways = np.empty_like(holds), np.empty_like(holds), np.empty_like(holds)
        nothing = np.zeros(self.members)
        below = rest = carried = side = out_rest = out_kept = nothing
        for i in range(n):
            lost = holds[i] + below * rest
            known = source[i] + below * carried
            out = above[i]
            if aside is not None:
                beside = aside[i] + below * side
                out = out + beside
            total = 1.0 / (lost + out)
            rest, carried = lost * total, known * total
            if aside is not None:
                out_rest, out_kept = out_rest + beside * rest, out_kept + beside * carried
                side = sideways[i] = beside * total
            below = above[i]
            kept[i], passed[i] = carried, below * total
        lost, known = below * rest + out_rest, below * carried + out_kept
        again = self._enclose(dt, lost, known) if self.around.closed else self._vent(dt, lost, known)
        if aside is not None:
            kept += sideways * self.outside
        beyond = self.outside
        for i in range(n - 1, -1, -1):
            beyond = self.pressure[i] = kept[i] + passed[i] * beyond
        self.surface[...] = self.surface_level + self.surface_slope * self.pressure
        self.gap[...] = self.pressure / density
        return again

    def _face_link(self) -> Floats:
        """Return the conductance from the middle of the outermost layer through the face and its film [kg/(s Pa)]."""
        half = 2.0 * self.gap_flow[-1] / self.given.pitch_m
        film = self.mass_film / (VAPOUR_GAS * self.temperature[-1])
        return np.asarray(self.face_m2[self.layers] / (1.0 / half + 1.0 / film))

    def _side_links(self, density: Floats) -> Floats:
        """Return the conductances of each layer through both open flanges, (layers, members) [kg/(s Pa)]."""
        area = self.flange_open * self.flange_m2[: self.layers, None]
        way = self.given.side_m / (self.gap_flow * self.through)
        return np.asarray(area / (way + density / self.mass_film))

    def _vent(self, dt: float, lost: Floats, known: Floats) -> bool:
        """Set the pressure around a reel in the open: that of the air, and what vents do not let out above it [Pa]."""
        out = dt * self.exchange_m3_s / (VAPOUR_GAS * self.air_K)
        self.outside = self.air_Pa + (known - lost * self.air_Pa) / (lost + out)
        self.crossed = lost * self.outside - known
        return False

    def _enclose(self, dt: float, lost: Floats, known: Floats) -> bool:
        """Set the pressure in a closed place's air, and keep its water: air, desiccant and body [Pa].

        Return whether it moved from where the lines of desiccant and body were taken.
        """
        full, density = self.full_air_Pa, VAPOUR_GAS * self.air_K
        desiccant_kg, body_kg = self.around.desiccant_kg, self.given.body_kg
        leak = dt * self.exchange_m3_s
        leaked, out = leak * self.exchange_kg_m3, leak / density
        capacity, level = self.around.air_m3 / density, np.zeros(self.members)
        if desiccant_kg > 0.0:
            slope, start = _piece(self.outside / full, self.desiccant_activity, self.desiccant_content)
            capacity, level = capacity + desiccant_kg * slope / full, desiccant_kg * start
        body_capacity = body_level = follows = np.zeros(self.members)
        if body_kg > 0.0:
            slope, start = _piece(self.outside / full, self.body_activity, self.body_content)
            follows = dt / (dt + self.body_s)
            body_level, body_capacity = follows * body_kg * start, follows * body_kg * slope / full
        given = follows * self.old_body - body_level
        p = (self.old_store - level + given + known + leaked) / (capacity + body_capacity + lost + out)
        self.store[:] = level + capacity * p
        if body_kg > 0.0:
            self.body[:] = (1.0 - follows) * self.old_body + body_level + body_capacity * p
        self.crossed = leaked - out * p
        moved = np.abs(p - self.outside) > self.given.activity_slack * full
        self.outside = p
        return (desiccant_kg > 0.0 or body_kg > 0.0) and bool(moved.any())


def _chosen(which: Bools) -> Any:
    """Return an index of the chosen layers; a slice where that is all of them, which is quicker."""
    return slice(None) if which.all() else np.flatnonzero(which)


def _largest(values: Floats) -> float:
    """Return the largest value, 0 of none; NaN of a member that is lost does not count."""
    return float(np.fmax.reduce(values, axis=None, initial=0.0))


def _saturation(kelvin: Floats) -> Floats:
    """Return the vapour pressure over water [Pa]; an iteration may pass where that is not defined."""
    return air.saturation_pressure(np.clip(kelvin, air.LOWEST_K, air.CRITICAL_POINT_K))


def _stride(turn: int) -> float:
    """Return how far a turn of the iteration on temperature goes of its way."""
    if turn < stepping.FULL_STRIDES:
        return 1.0
    if turn >= 3 * stepping.SHORT_AFTER:
        return 0.1 * stepping.STRIDE
    return stepping.STRIDE if turn < stepping.SHORT_AFTER else 0.3 * stepping.STRIDE


def _piece(activity: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return slope and level of the piece of a table that each activity lies in."""
    i = np.searchsorted(x[1:-1], activity)
    slope = (y[i + 1] - y[i]) / (x[i + 1] - x[i])
    return slope, y[i] - slope * x[i]

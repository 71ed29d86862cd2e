"""A second model of water in reels, for truths that the forecast did not make itself; many reels at once.

It takes the same equations (``docs/physics.md``) and nothing of the code under test: another formula for saturation,
other rings, the inner turns lumped, steps of one implicit stage, heat and water in turn.  Stays are simulated for all reels
together, each with its own parameters, air and duration.  Arrays: (reels,), (reels, layers) with the hub first, or
(rings, reels, layers) with the centre first; SI, content in kg/kg.
Left out: open flanges, desiccant.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np

GAS, VAPOUR_GAS, ZERO_C, ROOM_K = 8.314, 461.5, 273.15, 296.15
RINGS, OUTERMOST_RING = 20, 0.005
VOID, TORTUOSITY, CONDUCTIVITY, HEAT_CAPACITY, FLANGE = 0.25, 2.0, 0.1, 1500.0, 0.015
HUB_M, WIDTH_M = 0.040, 0.060
SINGLE_LAYERS = 7  # on the outside; below them the turns are lumped
FIRST_STEP_S = 15.0
OPEN = 1.0  # kg/(s Pa): what a place in the open exchanges with its room
BOARD_RH = (0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100)
BOARD_SHARE = (0, 0.3, 0.4, 0.56, 0.71, 0.85, 1.0, 1.17, 1.4, 1.75, 2.4, 3.5)


def saturation_Pa(kelvin):
    """Return water's vapour pressure by Antoine's equation, 1 to 100 °C (handbook: within 0.4 %)."""
    return 133.322 * 10.0 ** (8.07131 - 1730.63 / (233.426 + np.asarray(kelvin) - ZERO_C))


@dataclass
class Strand:
    """What is true of each reel's polymer, (reels,): SI; `isotherm` (3, reels) as GAB, or as Henry and cluster."""

    diffusivity: np.ndarray
    per_content: np.ndarray
    activation_K: np.ndarray
    sorption_K: np.ndarray
    gab: bool
    isotherm: np.ndarray
    bed: np.ndarray
    density: float

    def _shape(self, activity):
        a = np.clip(activity, 1e-9, 1.0)
        first, second, third = (one.reshape(-1, *[1] * (a.ndim - 1)) for one in self.isotherm)
        if self.gab:
            return first * second * third * a / ((1 - third * a) * (1 - third * a + second * third * a))
        return first * a + second * a**third

    def balance(self, activity, kelvin):
        """Return the content in balance, and its growth with activity; both the shape of *activity*."""
        warmth = np.exp(-self.sorption_K.reshape(-1, *[1] * (activity.ndim - 1)) * (1 / kelvin - 1 / ROOM_K))
        held, step = np.clip(activity, 0.0, 1.0), 1e-4
        low, high = np.maximum(held - step, 0.0), np.minimum(held + step, 1.0)
        slope = (self._shape(high) - self._shape(low)) / (high - low)
        return warmth * (self._shape(held) + slope * (activity - held)), warmth * slope

    def room_content(self):
        """Return what each holds at 23 °C and 50 % RH."""
        return self.balance(np.full(self.diffusivity.shape, 0.5), ROOM_K)[0]

    def activity(self, content):
        """Return the activity at which each holds *content* at 23 °C, by halving."""
        low, high = np.zeros_like(content), np.ones_like(content)
        for _ in range(50):
            middle = 0.5 * (low + high)
            below = self.balance(middle, ROOM_K)[0] < content
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return low


@dataclass
class Stay:
    """One stay of all reels, (reels,): how long, in which air, and how that is tied to the room's.

    `vapour_Pa` is the room's; `tie` [kg/(s Pa)] what crosses the place's walls (OPEN: it is the room), `air_m3` what stands
    around the reel.
    """

    seconds: np.ndarray
    kelvin: np.ndarray
    vapour_Pa: np.ndarray
    tie: np.ndarray
    air_m3: np.ndarray
    draught: np.ndarray


def growth(steps, total):
    """Return q with 1 + q + ... + q^(steps-1) = *total*, at least 1, by halving; any shape."""
    low, high = np.ones(np.shape(total)), np.full(np.shape(total), 3.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = (middle[..., None] ** np.arange(steps)).sum(axis=-1) < total
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return low


def rings():
    """Return the rings' shares of the section, and the flow over each one's outer face per diffusivity/radius²."""
    thick = growth(RINGS, np.array(1.0 / OUTERMOST_RING)) ** np.arange(RINGS)[::-1]
    edge = np.concatenate([[0.0], np.cumsum(thick / thick.sum())])
    middle = np.append(0.5 * (edge[1:] + edge[:-1]), 1.0)
    return np.diff(edge**2), 2.0 * edge[1:] / np.diff(middle)


class Reels:
    """Many reels of one material and one nominal mass, and their water."""

    def __init__(self, strand, *, net_g, diameter_mm=1.75, board_kg=None):
        self.strand, self.radius = strand, diameter_mm / 2000.0
        self.share, self.outward = rings()
        count = strand.diffusivity.shape[0]
        self._wind(net_g / 1000.0, count)
        self.board_kg = np.zeros(count) if board_kg is None else board_kg
        shape = (count, self.thick.shape[0])
        self.water = np.zeros((RINGS, *shape))
        self.kelvin = np.full(shape, ROOM_K)
        self.vapour = np.zeros((count, shape[1] + 1))
        self.board_water = np.zeros(count)
        self.warming = np.zeros(shape)  # W, of water taken up in the last step

    def _wind(self, net_kg, count):
        """Lay the strand on the hub, layer by layer; the inner ones are lumped in threes."""
        pitch = 2.0 * self.radius * math.sqrt(math.pi / 4.0 / (1.0 - VOID))
        section = math.pi * self.radius**2
        left, layers = net_kg / (section * self.strand.density), []
        while left > 0:
            full = WIDTH_M / pitch * 2.0 * math.pi * (HUB_M + (len(layers) + 0.5) * pitch)
            layers.append(min(full, left))
            left -= full
        inner = max(0, len(layers) - SINGLE_LAYERS)
        bounds = [*range(0, inner, 3), *range(inner, len(layers) + 1)]
        lumps = np.array([sum(layers[a:b]) for a, b in itertools.pairwise(bounds)])
        self.thick = pitch * np.diff(bounds)
        radius = HUB_M + pitch * np.array(bounds)
        self.face = 2.0 * math.pi * radius * WIDTH_M
        self.flange = 2.0 * math.pi * np.diff(radius**2)
        self.length = np.tile(lumps, (count, 1))
        self.kg_m = section * self.strand.density

    def soak(self, content, kelvin):
        """Begin with the same content throughout, the reel's board in balance with it."""
        self.water[:] = content[:, None]
        self.kelvin[:] = kelvin[:, None]
        activity = self.strand.activity(content)
        self.vapour[:] = (activity * saturation_Pa(kelvin))[:, None]
        self.board_water = self.board_kg * self.board_balance(activity)

    @staticmethod
    def board_balance(activity):
        """Return a cardboard's water over its dry mass."""
        return 0.07 * np.interp(100.0 * activity, BOARD_RH, BOARD_SHARE)

    @property
    def layer_mean(self):
        """Mean content of each layer, (reels, layers)."""
        return np.tensordot(self.share, self.water, 1)

    @property
    def outer(self):
        """Index of each reel's outermost layer, (reels,)."""
        return np.maximum(0, (self.length > 1e-9).sum(axis=1) - 1)

    @property
    def next_fed(self):
        """Mean content of what is fed next, (reels,)."""
        return np.take_along_axis(self.layer_mean, self.outer[:, None], 1)[:, 0]

    @property
    def mean(self):
        """Mean content of all strand, (reels,)."""
        return (self.layer_mean * self.length).sum(axis=1) / self.length.sum(axis=1)

    def stay(self, place, steps):
        """March every reel through its own stay in *steps* steps, each longer than the last by one ratio."""
        share = growth(steps, place.seconds / FIRST_STEP_S)[:, None] ** np.arange(steps)
        for seconds in (share / share.sum(axis=1, keepdims=True) * place.seconds[:, None]).T:
            self._step(np.maximum(seconds, 1e-9), place)

    def print_on(self, place, metres, seconds, parts):
        """Feed *metres* evenly over *seconds* in *place*'s air; return the wettest that came, (reels,)."""
        left, worst = metres.copy(), self.next_fed
        while (left > 1e-9).any():
            at = self.outer[:, None]
            layer = np.take_along_axis(self.length, at, 1)[:, 0]
            drawn = np.minimum(left, layer)
            for i in range(parts):  # short steps first: each layer begins anew
                self._step(np.maximum(drawn * (2 * i + 1) / parts**2 * seconds / metres, 1e-9), place)
                worst = np.maximum(worst, self.next_fed)
                rest = layer - drawn * ((i + 1) / parts) ** 2
                np.put_along_axis(self.length, at, np.maximum(rest, 1e-6)[:, None], 1)
            left = left - drawn
            gone = left > 1e-9
            np.put_along_axis(
                self.length, at, np.where(gone, 0.0, np.maximum(layer - drawn, 1e-6))[:, None], 1
            )
        return worst

    def _faces(self, conductivity, film, bare):
        """Return what crosses the face above each layer per unit of difference; *bare* where no layer is left."""
        live = self.length > 1e-9
        half = 0.5 * self.thick / conductivity
        between = np.append(half[:, :-1] + half[:, 1:], half[:, -1:], axis=1)
        outermost = np.arange(self.thick.shape[0]) == self.outer[:, None]
        way = np.where(outermost, half + 1.0 / film[:, None], between)
        return np.where(live, self.face[1:] / way, bare)

    def _step(self, dt, place):
        self._heat(dt, place)
        before = self.layer_mean
        self._wet(dt, place)
        gained = (self.layer_mean - before) * self.length * self.kg_m
        heat = (44_000.0 - GAS * self.strand.sorption_K) / 0.018015
        self.warming = heat[:, None] * gained / dt[:, None]

    def _heat(self, dt, place):
        mass = np.maximum(self.length * self.kg_m, 1e-6)
        film = 5.0 + 5.0 * place.draught
        crossing = self._faces(np.full(self.kelvin.shape, CONDUCTIVITY), film, 1e3)
        side = self.flange / (WIDTH_M / 6.0 / CONDUCTIVITY + FLANGE + 1.0 / film[:, None])
        hold = mass * HEAT_CAPACITY / dt[:, None]
        below = np.concatenate([np.zeros((len(dt), 1)), crossing[:, :-1]], axis=1)
        right = hold * self.kelvin + self.warming + side * place.kelvin[:, None]
        right[:, -1] += crossing[:, -1] * place.kelvin
        self.kelvin = _tridiagonal(hold + below + crossing + side, crossing[:, :-1], right)

    def _wet(self, dt, place):
        """One implicit step of strands, gaps, the place's air and the board, in turns of Newton's."""
        full, air_full = saturation_Pa(self.kelvin), saturation_Pa(place.kelvin)
        crossing, hold = self._gaps(dt, place)
        below = np.concatenate([np.zeros((len(dt), 1)), crossing], axis=1)
        mass = self.length * self.kg_m / dt[:, None]
        old_water, old_mean, old_vapour = self.water, self.layer_mean, self.vapour
        for _ in range(4):
            activity = self.vapour[:, :-1] / full
            surface, slope = self.strand.balance(activity, self.kelvin)
            free, driven = self._strand(dt, surface, old_water)
            free_mean, driven_mean = (np.tensordot(self.share, one, 1) for one in (free, driven))
            grip = mass * driven_mean * slope / full
            taken = mass * (free_mean + driven_mean * surface - old_mean)
            board, board_grip, _ = self._board(dt, self.vapour[:, -1] / air_full, place.kelvin)
            right, middle = hold * old_vapour, hold + below
            right[:, :-1] += grip * self.vapour[:, :-1] - taken
            right[:, -1] += place.tie * place.vapour_Pa + board_grip / air_full * self.vapour[:, -1] - board
            middle[:, :-1] += crossing + grip
            middle[:, -1] += place.tie + board_grip / air_full
            self.vapour = np.maximum(_tridiagonal(middle, crossing, right), 0.0)
            self.water = free + driven * (surface + slope * (self.vapour[:, :-1] / full - activity))
        self.board_water = self._board(dt, self.vapour[:, -1] / air_full, place.kelvin)[2]

    def _gaps(self, dt, place):
        """Return what crosses each face, and what gaps and the place's air hold over the step [kg/(s Pa)]."""
        diffusivity = 2.16e-5 * (self.kelvin / ZERO_C) ** 1.81
        conductivity = (
            diffusivity * (VOID / TORTUOSITY) / (VAPOUR_GAS * self.kelvin) * self.strand.bed[:, None]
        )
        film = 0.0045 * place.draught / (VAPOUR_GAS * place.kelvin)
        gap = self.length * math.pi * self.radius**2 * VOID / (1.0 - VOID) / (VAPOUR_GAS * self.kelvin)
        air = place.air_m3 / (VAPOUR_GAS * place.kelvin) + 1e-15  # an empty place's row must not vanish
        return self._faces(conductivity, film, 1e-3), np.concatenate([gap, air[:, None]], axis=1) / dt[
            :, None
        ]

    def _board(self, dt, activity, kelvin):
        """Return what the board takes up [kg/s], how that grows with activity, and its water after the step."""
        share = dt / (6 * 3600.0 * np.exp(40_000.0 / GAS * (1 / kelvin - 1 / ROOM_K)))
        share = share / (1.0 + share)
        held = self.board_kg * self.board_balance(activity)
        slope = self.board_kg * (self.board_balance(activity + 1e-3) - self.board_balance(activity)) / 1e-3
        after = self.board_water + share * (held - self.board_water)
        return (after - self.board_water) / dt, share * slope / dt, after

    def _strand(self, dt, surface, old):
        """Return the rings after the step with nothing at the surface, and their growth with what stands there."""
        strand = self.strand
        cold = 1 / self.kelvin - 1 / ROOM_K
        speed = strand.diffusivity[:, None] * np.exp(-strand.activation_K[:, None] * cold) / self.radius**2
        speed = speed * dt[:, None]
        held = np.concatenate([self.water, surface[None]])
        # D rises with content by an exponential: between two contents the mean over content counts
        rise = np.clip(strand.per_content[None, :, None] * np.diff(held, axis=0), -30, 30)
        mean = np.where(
            np.abs(rise) > 1e-6, np.expm1(rise) / np.where(rise == 0, 1.0, rise), 1.0 + 0.5 * rise
        )
        flow = (
            self.outward[:, None, None] * speed * mean * np.exp(strand.per_content[None, :, None] * held[:-1])
        )
        middle, right = np.empty_like(old), self.share[:, None, None] * old
        middle[0] = self.share[0] + flow[0]
        for i in range(1, RINGS):
            factor = flow[i - 1] / middle[i - 1]
            middle[i] = self.share[i] + flow[i] + flow[i - 1] - factor * flow[i - 1]
            right[i] += factor * right[i - 1]
        free, driven = np.empty_like(old), np.empty_like(old)
        free[-1], driven[-1] = right[-1] / middle[-1], flow[-1] / middle[-1]
        for i in range(RINGS - 2, -1, -1):
            free[i] = (right[i] + flow[i] * free[i + 1]) / middle[i]
            driven[i] = flow[i] * driven[i + 1] / middle[i]
        return free, driven


def _tridiagonal(middle, beside, right):
    """Return the solution of ``middle x_i - beside_i x_(i+1) - beside_(i-1) x_(i-1) = right``, along the last axis."""
    middle, right = middle.copy(), right.copy()
    for i in range(1, middle.shape[-1]):
        factor = beside[..., i - 1] / middle[..., i - 1]
        middle[..., i] -= factor * beside[..., i - 1]
        right[..., i] += factor * right[..., i - 1]
    out = np.empty_like(right)
    out[..., -1] = right[..., -1] / middle[..., -1]
    for i in range(middle.shape[-1] - 2, -1, -1):
        out[..., i] = (right[..., i] + beside[..., i] * out[..., i + 1]) / middle[..., i]
    return out

"""Geometry: wound layers of a reel, shells of a strand.

A winding is a stack of layers from the hub outwards; each turn sits in a square cell whose side
follows from the void fraction.  Layer 0 lies on the hub; the last one, often only partly filled,
is fed next.  Open flanges are a second way out of every layer.  Inside: metres and kilograms.
Left out: uneven winding, crossing turns, what goes through the hub.
"""

import functools
import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.notes import Note
from gcodetool.moisture.reel_body import BodyWater, body_water
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool

Floats = NDArray[np.float64]

# Where the record does not state the body: the usual reel of one kilogram (own estimate).
DEFAULT_HUB_MM: Final = 80.0
DEFAULT_WIDTH_MM: Final = 60.0
VOID_FRACTION: Final = 0.25  # of the winding; 0.2 to 0.35 (own estimate)
TORTUOSITY: Final = 2.0  # of its gaps (own estimate)
CONDUCTIVITY_W_MK: Final = 0.1  # of the winding (own estimate)
FLANGE_M2K_W: Final = 0.015  # 3 mm of plastic or board of 0.2 W/(m K) (own estimate)
HEAT_CAPACITY_J_KGK: Final = 1500.0  # of the strand (handbook, recalled: 1100 to 2000)

# An hour in room air reaches 0.0003 of r²/D in PA6: equal shells would get the first hours wrong, and those decide what
# is fed next.  Chosen by docs/experiments/moisture_grid.py; docs/physics.md, section 5, has the errors.
SHELLS: Final = 28
SURFACE_SHELL: Final = 0.003  # thickness of the outermost shell, of the radius
MAX_LAYERS: Final = 400  # a full kilogram of 1.75 mm has 26 (docs/physics.md, section 4)


@dataclass(frozen=True)
class Winding:
    """What is wound on a reel, layer by layer from the hub out; arrays of shape (layers,).

    Attributes
    ----------
    diameter_m, density_kg_m3, void_fraction
        Of strand and winding.
    pitch_m
        Radial thickness of a layer, also the axial distance of its turns.
    hub_radius_m, width_m
    length_m
        Strand in each layer; the last is what is left of it.
    full_m
        Strand in each layer when it is complete.
    loose
        One cell, every strand open to the air.
    notes
        What was assumed.
    flange_open
        Share of the flanges' area that is open, 0 to 1; one for all members, or (members,).
    body
        What the reel's own body holds of water; None: nothing.
    """

    diameter_m: float
    density_kg_m3: float
    void_fraction: float
    pitch_m: float
    hub_radius_m: float
    width_m: float
    length_m: Floats
    full_m: Floats
    loose: bool
    notes: tuple[Note, ...] = ()
    flange_open: float | Floats = 0.0
    body: BodyWater | None = None

    @property
    def layers(self) -> int:
        """Layers that still hold strand."""
        return int(self.length_m.shape[0])

    @property
    def remaining_mm(self) -> float:
        """Length of all strand left."""
        return 1000.0 * math.fsum(self.length_m)

    @property
    def section_m2(self) -> float:
        """Cross-section of the strand."""
        return math.pi / 4.0 * self.diameter_m**2

    @property
    def strand_kg_m(self) -> float:
        """Dry mass of a metre of strand. [kg/m]"""
        return self.section_m2 * self.density_kg_m3

    @property
    def gap_m2(self) -> float:
        """Air in the gaps beside a metre of strand. [m³/m]"""
        return self.section_m2 * self.void_fraction / (1.0 - self.void_fraction)

    def strand_kg(self) -> Floats:
        """Return the strand's dry mass in each layer."""
        return self.length_m * self.strand_kg_m

    def gap_m3(self) -> Floats:
        """Return the air in the gaps of each layer."""
        return self.length_m * self.gap_m2

    def face_m2(self) -> Floats:
        """Return the area of the face below each layer, and of the outermost above: (layers + 1,)."""
        if self.loose:  # every strand's own surface
            surface = math.pi * self.diameter_m * float(self.length_m.sum())
            return np.array([0.0, surface])
        radius = self.hub_radius_m + self.pitch_m * np.arange(self.layers + 1)
        return np.asarray(2.0 * math.pi * radius * self.width_m)

    def flange_m2(self) -> Floats:
        """Return the area of both flanges beside each layer, (layers,)."""
        if self.loose:
            return np.zeros(self.layers)
        radius = self.hub_radius_m + self.pitch_m * np.arange(self.layers + 1)
        return np.asarray(2.0 * math.pi * np.diff(radius**2))

    @property
    def side_m(self) -> float:
        """The way from a layer's turns to a flange: a third of half the width, exact for an even source."""
        return max(self.width_m, self.pitch_m) / 6.0

    def depth_mm(self) -> Floats:
        """Return the depth of each layer's middle below the face of the winding, hub first."""
        if self.loose:
            return np.zeros(self.layers)
        return np.asarray(1000.0 * self.pitch_m * (np.arange(self.layers)[::-1] + 0.5))

    def after(self, fed_m: float) -> "Winding":
        """Return the winding after *fed_m* have been drawn off the outside; never less than empty."""
        length = self.length_m.copy()
        count = length.shape[0]
        left = fed_m
        while count and left >= length[count - 1]:
            left -= length[count - 1]
            count -= 1
        if count:
            length[count - 1] -= left
        left_over = object.__new__(Winding)  # a forecast asks a thousand times: no checks of what was checked
        left_over.__dict__.update(self.__dict__, length_m=length[:count], full_m=self.full_m[:count])
        return left_over


def pitch_m(diameter_m: float, void_fraction: float) -> float:
    """Return the side of the square cell that one turn fills.

    >>> round(1000 * pitch_m(1.75e-3, 0.25), 3)
    1.791
    """
    return math.sqrt(math.pi / 4.0 / (1.0 - void_fraction)) * diameter_m


def winding(spool: "Spool", density_kg_m3: float) -> Winding:
    """Return a spool's winding as it was when new.

    Layers are complete from the hub out; the last holds the rest.  A net mass of no filament gives no layers.
    """
    diameter = spool.diameter_mm / 1000.0
    section = math.pi / 4.0 * diameter**2
    total = spool.net_mass_g / 1000.0 / (section * density_kg_m3)
    pitch = pitch_m(diameter, VOID_FRACTION)
    if spool.winding == "loose":
        length = np.array([total] if total > 0 else [])
        return Winding(
            diameter,
            density_kg_m3,
            VOID_FRACTION,
            pitch,
            0.0,
            0.0,
            length,
            length.copy(),
            True,
            body=body_water(spool.body),
        )
    hub, width, notes = _body(spool)
    turns = max(1.0, width / pitch)
    full: list[float] = []
    held = 0.0
    while held < total and len(full) < MAX_LAYERS:
        full.append(turns * 2.0 * math.pi * (hub + (len(full) + 0.5) * pitch))
        held += full[-1]
    lengths = np.array(full)
    if full:
        # What no sane reel could hold stays on the outermost layer, so that no filament is lost.
        lengths[-1] -= held - total
    return Winding(
        diameter,
        density_kg_m3,
        VOID_FRACTION,
        pitch,
        hub,
        width,
        lengths,
        np.array(full),
        False,
        tuple(notes),
        _flange_open(spool),
        body_water(spool.body),
    )


def _flange_open(spool: "Spool") -> float:
    if spool.body.flange_open_share is not None:
        return spool.body.flange_open_share
    return 0.0 if spool.body.profile is None else spool.body.profile.flange_open_share


def _body(spool: "Spool") -> tuple[float, float, list[Note]]:
    """Return hub radius and width, and a note for each that was assumed [m]."""
    notes = []
    hub, width = spool.body.hub_diameter_mm, spool.body.width_mm
    if hub is None:
        hub = DEFAULT_HUB_MM
        notes.append(Note("assumed", f"a hub of {hub:g} mm (the record states none)"))
    if width is None:
        width = DEFAULT_WIDTH_MM
        notes.append(Note("assumed", f"a winding {width:g} mm wide (the record states none)"))
    return hub / 2000.0, width / 1000.0, notes


@dataclass(frozen=True)
class Shells:
    """Rings of a strand's cross-section, centre first; everything relative to its radius.

    Attributes
    ----------
    edge
        Radii of the faces, (shells + 1,), from 0 to 1.
    node
        Radius at which a ring's mean stands, (shells,).
    share
        Of the cross-section, (shells,); sums to 1.
    conductance
        Of the way from a ring's node to the next one's, the last to the surface, (shells,):
        flow = diffusivity / radius² * conductance * difference, per volume of strand.
    """

    edge: Floats
    node: Floats
    share: Floats
    conductance: Floats


@functools.cache  # every simulation asks for the same few
def shells(count: int = SHELLS, surface: float = SURFACE_SHELL) -> Shells:
    """Return *count* rings that grow by one ratio from the *surface* inwards.

    The first minutes decide what is fed next, and they happen in the outermost hundredths of the radius:
    equal rings would blur them (docs/physics.md, section 4).  ``surface`` above ``1 / count`` is not useful.
    """
    thickness = surface * _ratio(count, surface) ** np.arange(count)[::-1]
    edge = np.concatenate([[0.0], np.cumsum(thickness / thickness.sum())])
    edge[-1] = 1.0
    low, high = edge[:-1], edge[1:]
    node = 2.0 / 3.0 * (high**3 - low**3) / (high**2 - low**2)  # where a straight profile has the ring's mean
    share = np.diff(edge**2)
    outward = np.append(node[1:], 1.0)
    # Steady radial flow between two radii: 2 pi D / ln(r2/r1) per length, over the section pi r0².
    return Shells(edge, node, share, 2.0 / np.log(outward / node))


def _ratio(count: int, surface: float) -> float:
    """Return q with ``surface * (1 + q + … + q^(count-1)) = 1``, by halving."""
    low, high = 1.0, 100.0
    if surface * count >= 1.0:
        return 1.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if surface * sum(middle**i for i in range(count)) < 1.0:
            low = middle
        else:
            high = middle
    return high

"""The record of a spool: what it is, where it stood, what happened to it.

Plain frozen dataclasses; ``ledger`` fills them from a file or a database, ``history`` reads
them.  Times are seconds since 1970-01-01 UTC, everything else carries its unit in its name.
Left out: the moisture state.  It is computed from the record, never stored in it.
"""

import math
from collections.abc import Sequence
from dataclasses import field
from typing import Final, Literal

from gcodetool.profiles import Desiccant, Material, SpoolBody
from gcodetool.quickdata import dataclass

FIBRE_DENSITY_KG_M3: Final = 2550.0  # glass; carbon would be 1780 [handbook]
PlaceKind = Literal["open", "box", "sealed", "dryer", "printer"]
EventKind = Literal["received", "moved", "weighed", "inspected", "fed", "cut", "outcome"]


@dataclass(frozen=True)
class AirLog:
    """Readings of one place: times ascending, [s], [°C], [% RH]; the same length each."""

    at_s: Sequence[float]
    temperature_C: Sequence[float]
    rh_pct: Sequence[float]


@dataclass(frozen=True)
class Thermometer:
    """What a thermometer in a dryer read, and what its knob showed then; None: that is not known."""

    at_s: float
    temperature_C: float
    knob_C: float | None = None


@dataclass(frozen=True)
class Charge:
    """Another charge of desiccant than the place states, from a moment on; None: as it was before."""

    at_s: float
    desiccant: str | None = None
    desiccant_g: float | None = None
    agent: Desiccant | None = None


@dataclass(frozen=True)
class Place:
    """A place and its air, as the record contract words it; None = not stated."""

    name: str
    kind: PlaceKind
    temperature_C: float | None = None
    rh_pct: float | None = None
    room: str | None = None  # dryer, printer: the place whose air it draws or stands in
    fed_from: str | None = None  # printer: the box that feeds it
    printer: str | None = None  # printer: profile name
    dew_point_C: float | None = None  # dryer with dried air
    set_offset_C: float = 0.0  # dryer: knob minus truth
    swing_C: float = 0.0
    max_temperature_C: float | None = None  # dryer: the most that its air may have
    slots: int | None = None  # dryer, box: reels that it takes at a time; not stated: one
    power_W: float | None = None  # dryer: mean, while it holds its temperature
    readings: tuple[Thermometer, ...] = ()  # dryer: by time
    air_L: float | None = None  # box, sealed: closed air volume
    desiccant: str | None = None
    desiccant_g: float | None = None
    log: AirLog | None = None
    agent: Desiccant | None = None  # the profile of that desiccant
    desiccant_fresh_s: tuple[float, ...] = ()  # when it was renewed; none stated: whenever the spool goes in
    charges: tuple[Charge, ...] = ()  # where it was renewed with another kind or mass, by time
    exchange_m3_h: float | None = None  # box, dryer: air exchanged with its room
    exchange_range_m3_h: tuple[float, float] | None = None  # one in ten is below, one in ten above
    film: str | None = None  # box, sealed: a name of `bag.FILMS`,
    film_area_m2: float | None = None  # how much of it,
    leak_g_per_day: float | None = None  # or what comes through, at 23 °C between 50 % RH and dry air
    draught: float | None = None  # open, dryer: what a fan does to convection and mass transfer of still air
    accuracy_C: float | None = None  # how far temperature and humidity may be off: standard deviations
    accuracy_rh_pct: float | None = None
    solution: str | None = (
        None  # box: the salt whose saturated solution stands in it; rh_pct is then that of its air
    )


@dataclass(frozen=True)
class Outcome:
    """How a print came out; what nobody said stays None, and tells nothing."""

    strings: Literal["none", "few", "many"] | None = None
    bubbles: Literal["none", "few", "many"] | None = None
    surface: Literal["smooth", "matt", "rough"] | None = None
    parts: Literal["good", "usable", "scrap"] | None = None
    oozes: bool | None = None  # these two by a look at the purged strand
    pops: bool | None = None
    tested: Literal["holds", "worse"] | None = None  # by a test series, against dried prints
    because: Literal["water", "other"] | None = None  # what the person blames; other: no evidence of water
    nozzle_C: float | None = None  # printed at
    melt_s: float | None = None  # mean time in the melt


@dataclass(frozen=True)
class Event:
    """One thing that happened; the fields that its kind does not use stay None."""

    at_s: float
    kind: EventKind
    place: str | None = None  # received, moved, cut off (where the sample then is)
    tool: int | None = None  # moved to a printer
    temperature_C: float | None = None  # moved to a dryer: what its air has from then on,
    knob_C: float | None = None  # or what its knob shows; neither: what the dryer is stated with
    water_wt_pct: float | None = None  # received, if known
    sealed: bool | None = None  # received: new and unopened, or found open
    gross_g: float | None = None  # weighed
    resolution_g: float = 0.1
    bubbles: Literal["none", "few", "many"] | None = None  # inspected
    oozes: bool | None = None
    pops: bool | None = None
    winding: Literal["good", "deformed"] | None = None  # the wound strand itself, after heat
    free_end: Literal["stands", "sags"] | None = None  # a free end of strand that was left to stand out of it
    length_mm: float | None = None  # fed, cut; a mass is converted when read
    into: str | None = None  # cut: the spool that was made of what was cut off,
    cut_from: str | None = (
        None  # or, in that spool's own record, what it was cut off; all before happened to that
    )
    outcome: Outcome | None = None
    line: int | None = None  # where it stands in its file, for messages


@dataclass(frozen=True)
class Body:
    """The reel that the filament is wound on; None = not stated (defaults in ``winding``)."""

    profile: SpoolBody | None = None  # unknown: the lowest temperature limit of all
    mass_g: float | None = None
    hub_diameter_mm: float | None = None
    width_mm: float | None = None
    outer_diameter_mm: float | None = None
    flange_open_share: float | None = None  # 0 to 1; not stated: the profile's


@dataclass(frozen=True)
class Origin:
    """What a spool was before a sample was cut off it and became a spool of its own."""

    id: str
    net_mass_g: float
    winding: Literal["wound", "loose"] = "wound"
    body: Body = field(default_factory=Body)


def strand_density_kg_m3(material: Material, fibre_wt_pct: float) -> float:
    """Return what a strand of *material* with so much fibre weighs.

    >>> from gcodetool.profiles import material
    >>> [round(strand_density_kg_m3(material("PA6"), wt_pct)) for wt_pct in (0.0, 15.0, 40.0)]
    [1130, 1233, 1454]
    """
    if not fibre_wt_pct:
        return material.density_kg_m3
    share = fibre_wt_pct / 100.0
    return 1.0 / ((1.0 - share) / material.density_kg_m3 + share / FIBRE_DENSITY_KG_M3)


def metre_g(material: Material, diameter_mm: float, fibre_wt_pct: float) -> float:
    """Return what a metre of such a strand weighs. [g]"""
    density = strand_density_kg_m3(material, fibre_wt_pct)
    return density * math.pi * (diameter_mm / 2e3) ** 2 * 1e3


@dataclass(frozen=True)
class Spool:
    """One reel and its record; events sorted by time, ties in the record's order.

    The record of a sample begins with that of the spool it was cut off, up to the cut.
    """

    id: str
    material: Material
    diameter_mm: float
    net_mass_g: float
    places: dict[str, Place]
    events: tuple[Event, ...]
    fibre_wt_pct: float = 0.0
    winding: Literal["wound", "loose"] = "wound"
    safe_exposure_h: float | None = None
    body: Body = field(default_factory=Body)
    colour: str | None = None
    line: str | None = None  # the maker's product line, in the user's own words
    source: str = ""  # the file it was read from, for messages
    in_ledger: bool = False  # its record is the ledger's, not a file's
    # Spools that stood with it in closed places, or with these in turn, as far as their records matter to it.
    neighbours: tuple["Spool", ...] = ()
    more_neighbours: int = 0  # beyond those
    origins: tuple[Origin, ...] = ()  # what a sample was cut off, the first reel first; one for each such cut
    # Spools of the same reel with weigh-ins or inspections that are not in this record: they tell of it too.
    relatives: tuple["Spool", ...] = ()

    def stated_by(self, command: str, key: str) -> str:
        """Return where something is stated: by a command of the ledger, or under a key of the spool's file."""
        return f"gcodetool {command}" if self.in_ledger else key

    @property
    def reel_id(self) -> str:
        """The reel that all this was once wound on: its samples have its members."""
        return self.origins[0].id if self.origins else self.id

    @property
    def density_kg_m3(self) -> float:
        """The strand's, fibre and all."""
        return strand_density_kg_m3(self.material, self.fibre_wt_pct)

    @property
    def metre_g(self) -> float:
        """A metre of the strand. [g]"""
        return metre_g(self.material, self.diameter_mm, self.fibre_wt_pct)

    @property
    def polymer_share(self) -> float:
        """Of the strand's mass, what takes up water and what print limits are meant for: fibre does not."""
        return 1.0 - self.fibre_wt_pct / 100.0

    @property
    def own_from_s(self) -> float:
        """When it became a spool of its own: what was before happened to what it was cut off. [s]"""
        cuts = [event.at_s for event in self.events if event.cut_from is not None]
        return cuts[-1] if cuts else self.events[0].at_s

"""What a profile of each kind holds, and the file that a name means: the user's own, then the shipped ones.

A profile is one file: ``materials/petg.toml``, ``printers/bench-1.toml``.  A name finds it without
regard to case, ``_``, blanks and ``-``; the user's folder wins over the shipped one, and a path wins
over both.  Attributes are the files' keys verbatim, each with its unit in its name
(``docs/records.md``).  Left out: reading a file (``profilefile``); what the numbers mean; that is the
rooms' business.
"""

import functools
import hashlib
import os
import re
from dataclasses import field
from pathlib import Path
from typing import Any, Final, Literal

from gcodetool.errors import GcodetoolError, ProfileError
from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled
from gcodetool.tomlfile import load, nearest, shown

Kind = str  # a folder of profiles: a key of SINGULAR
DialectName = Literal["marlin", "klipper", "reprapfirmware"]
Pair = tuple[float, float]

DIALECTS: Final = ("marlin", "klipper", "reprapfirmware")
FIBRE: Final = compiled(
    r"[-+ _]?(?:CF|GF|CARBON|GLASS)(?:\d+)?$", re.IGNORECASE
)  # the tail of PA-CF, PETG-GF15
USER_FOLDER: Final = "GCODETOOL_PROFILES"  # environment: used in place of the user's config folder
OTHER_POLYMERS: Final = (
    frozenset(  # that no profile here is of, however near their names come: never a slip of the pen
        (
            *("bvoh", "eva", "pa11", "pa46", "pa610", "pa612", "pa66", "paek", "paht", "pai", "pbs", "pbt"),
            *(
                "pcl",
                "pe",
                "peba",
                "pekk",
                "pek",
                "pes",
                "pesu",
                "pha",
                "phb",
                "pi",
                "pmma",
                "pom",
                "ppa",
                "ppe",
            ),
            *(
                "ppo",
                "pps",
                "ppsu",
                "ps",
                "psu",
                "ptfe",
                "ptt",
                "pett",
                "pu",
                "pur",
                "pvb",
                "pvc",
                "pvdf",
                "san",
                "sbs",
            ),
            *("tpc", "tpe", "tpo", "tps"),
        )
    )
)
SINGULAR: Final[dict[str, str]] = {
    "materials": "material",
    "printers": "printer",
    "dryers": "dryer",
    "spool-bodies": "spool body",
    "desiccants": "desiccant",
    "humidity": "salt solution",
}


@dataclass(frozen=True)
class Adopted:
    """That a material's print limits were learned from one's own prints, and what they were before.

    Attributes
    ----------
    source
        In words: "own prints, 31 records".
    records
        How many prints and looks they rest on.
    on
        The day they were adopted, YYYY-MM-DD.
    line
        The maker's line that they hold for; None: the material.
    stated_good_wt_pct, stated_marginal_wt_pct
        The limits before.
    p10, p90, good_p10, good_p90
        Where the marginal and the good limit lie, with 80 %. [wt %]
    """

    source: str
    records: int
    on: str
    stated_good_wt_pct: float
    stated_marginal_wt_pct: float
    p10: float
    p90: float
    good_p10: float
    good_p90: float
    line: str | None = None


@dataclass(frozen=True)
class Material:
    """One polymer: keys as in ``profiles/materials``, with the same names and units.

    A key that a file leaves out takes the default given here; those marked ``filled`` are worked
    out from other keys when the file is read, and are never None then.
    """

    key: str  # the profile's name, e.g. "PA6"
    name: str
    diffusivity_23C_m2_s: float
    activation_energy_kJ_mol: float
    uptake_saturation_wt_pct: float
    limit_good_wt_pct: float
    limit_marginal_wt_pct: float
    density_kg_m3: float
    dry_at_C: float
    nozzle_min_C: float
    nozzle_max_C: float
    aliases: tuple[str, ...] = ()  # other names of it, each of one material only
    slicer_types: tuple[str, ...] = ()  # words slicers also sell it under; several materials may share one
    diffusivity_range_m2_s: Pair | None = None
    diffusivity_conc_coeff_per_wt_pct: float = 0.0
    diffusivity_conc_coeff_range_per_wt_pct: Pair | None = None
    activation_energy_range_kJ_mol: Pair | None = None
    activation_energy_valid_C: Pair | None = None
    uptake_50rh_wt_pct: float | None = None  # filled: the isotherm at 23 °C, 50 % RH
    uptake_50rh_range_wt_pct: Pair | None = None
    uptake_saturation_range_wt_pct: Pair | None = None
    uptake_note: str | None = None
    isotherm_henry_fraction: float | None = None  # with the cluster exponent: the preferred form
    isotherm_cluster_exponent: float | None = None
    isotherm_gab_m0_wt_pct: float | None = None  # all three, where given, win over the other forms
    isotherm_gab_C: float | None = None
    isotherm_gab_K: float | None = None
    isotherm_exponent: float | None = None  # the fallback form
    sorption_excess_enthalpy_kJ_mol: float = 0.0
    limit_marginal_x_room_equilibrium: float | None = None
    limit_resin_guide_wt_pct: float | None = None
    limit_note: str | None = None
    adopted: Adopted | None = None  # the limits are the user's own, learned from prints
    density_range_kg_m3: Pair | None = None
    glass_transition_C: float | None = None
    glass_transition_note: str | None = None
    melting_C: float | None = None
    softening_C: float | None = None
    softening_note: str | None = None
    dry_at_max_C: float | None = None  # filled: dry_at_C
    dry_hours: float | None = None
    resin_guide_dry_C: Pair | None = None
    resin_guide_dry_hours: Pair | None = None
    nozzle_bond_min_C: float | None = None  # filled: nozzle_min_C
    hydrolyses: bool = True  # not stated: the careful answer
    sources: tuple[str, ...] = ()
    source_texts: dict[str, str] = field(default_factory=dict, hash=False)  # each source in full, by its key
    confidence: str = "not stated"
    confidence_diffusivity: str = "not stated"
    confidence_uptake: str = "not stated"
    confidence_limits: str = "not stated"
    confidence_thermal: str = "not stated"
    note: str | None = None
    raw: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)
    path: str | None = field(default=None, compare=False)  # the file it was read from

    @property
    def limits_source(self) -> str:
        """Where its print limits come from: "stated", or "own prints, 31 records"."""
        return "stated" if self.adopted is None else self.adopted.source


@dataclass(frozen=True)
class HotEnd:
    """What the melt passes through; None = not stated."""

    nozzle_mm: float | None = None
    melt_zone_mm3: float | None = None
    path_mm: float | None = None  # drive gear to nozzle, guide tube included
    max_flow_mm3_s: float | None = None
    max_temperature_C: float | None = None


@dataclass(frozen=True)
class RetractionBounds:
    """How far advice on retraction may go; None = no longer retraction is ever advised."""

    max_length_mm: float | None = None
    max_speed_mm_s: float | None = None


@dataclass(frozen=True)
class Heater:
    """How fast one heater warms, and how fast it cools; None = not stated."""

    rate_C_s: float
    cooling_C_s: float | None = None


@dataclass(frozen=True)
class Waiting:
    """What a job waits for that its file does not show; None = not stated.

    ``start_s``, where stated, is the whole start; the heaters then count from the first layer on.
    """

    start_s: float | None = None
    room_C: float = 23.0  # at which every heater starts
    overhead_s: float | None = None  # homing, meshing: what the start takes beside heating
    change_s: float | None = None  # a tool change, beside what the file's own moves do
    nozzle: Heater | None = None
    bed: Heater | None = None
    chamber: Heater | None = None

    @property
    def heats(self) -> bool:
        """Whether there is a heater model at all."""
        return any(heater is not None for heater in (self.nozzle, self.bed, self.chamber))


@dataclass(frozen=True)
class Printer:
    """A machine in its firmware's own words; only the table of its dialect is filled.

    ``klipper`` maps an option's name to its number, ``marlin`` and ``reprapfirmware`` a command's
    word to its letters and numbers (``marlin["M203"]["E"]``); ``M572`` alone is a plain number.
    """

    name: str
    dialect: DialectName
    bed_mm: tuple[float, float, float, float] | None = None  # x0, y0, x1, y1
    height_mm: float | None = None
    klipper: dict[str, float] = field(default_factory=dict, hash=False)
    klipper_firmware_retraction: dict[str, float] | None = field(
        default=None, hash=False
    )  # None: G10 unknown
    marlin: dict[str, dict[str, float]] = field(default_factory=dict, hash=False)
    reprapfirmware: dict[str, Any] = field(default_factory=dict, hash=False)
    hot_end: HotEnd = HotEnd()
    retraction: RetractionBounds = RetractionBounds()
    park: Pair | None = None  # x, y [mm]
    waiting: Waiting = Waiting()
    feed_places: tuple[str, ...] = ()  # boxes of the workshop that can stand at it with the reel in them
    host_prompts: bool | None = None  # its firmware passes dialogs on to a print host; None = not stated
    note: str | None = None
    path: str | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Dryer:
    """A kind of dryer and what it can do; None = not stated."""

    key: str
    air: Literal["room", "desiccant", "closed"]  # where its air comes from
    max_temperature_C: float | None = None
    swing_C: float = 0.0  # above and below its mean
    dew_point_C: float | None = None  # desiccant dryers
    power_W: float | None = None  # mean while it holds its temperature
    draught: float = 3.0  # factor on mass transfer and convection of still air; 1: no fan
    draught_range: Pair | None = None
    air_L: float | None = None  # its own air; None: as good as a stream of fresh air
    exchange_m3_h: float | None = None  # of its air with the room's
    desiccant: str | None = None  # in a closed one: a profile's name
    desiccant_g: float | None = None
    aliases: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    source_texts: dict[str, str] = field(default_factory=dict, hash=False)
    confidence: str = "not stated"
    note: str | None = None


@dataclass(frozen=True)
class SpoolBody:
    """A reel's material: its temperature limit and how much water it holds itself."""

    key: str
    safe_C: float
    uptake_50rh_wt_pct: float = 0.0
    uptake_50rh_range_wt_pct: Pair | None = None
    uptake_shape: Literal["straight", "board"] = "straight"  # of its isotherm
    exchange_hours: float = 24.0  # time constant at 23 °C in which it follows the air around it
    exchange_hours_range: Pair | None = None
    exchange_activation_kJ_mol: float = 40.0
    flange_open_share: float = 0.0  # of the flanges' area: spokes and holes beside the winding
    flange_open_range: Pair | None = None
    vicat_C: float | None = None
    aliases: tuple[str, ...] = ()
    confidence: str = "not stated"
    note: str | None = None


@dataclass(frozen=True)
class Indicator:
    """A dye that shows how humid the air over a desiccant is: colours dry and damp, from and to which % RH."""

    dye: str
    dry: str
    damp: str
    change_rh_pct: Pair
    max_C: float | None = None
    caution: str | None = None


@dataclass(frozen=True)
class Desiccant:
    """What takes water out of a closed box: [% RH, wt % of its dry mass] at 25 °C, or a fixed RH."""

    key: str
    name: str  # in plain words
    capacity_at_rh: tuple[Pair, ...] = ()
    equilibrium_rh_pct: float | None = None
    regenerate_C: Pair | None = None
    regenerate_hours: float | None = None
    comes_back_pct: Pair | None = None  # of what it held when new, after one such regeneration
    excess_heat_kJ_mol: float | None = None  # by which water is held more than it takes to condense
    indicators: tuple["Indicator", ...] = ()
    cautions: tuple[str, ...] = ()
    uncertain: str | None = None  # which figures no source was read for, and between what they lie
    lowest_practical_rh_pct: float | None = None
    aliases: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    source_texts: dict[str, str] = field(default_factory=dict, hash=False)
    confidence: str = "not stated"
    note: str | None = None


@dataclass(frozen=True)
class SaltSolution:
    """A salt whose saturated solution keeps the air over it at one humidity: [°C, % RH], by temperature."""

    key: str
    name: str  # in plain words
    rh_at_C: tuple[Pair, ...]
    accuracy_rh_pct: float = 2.0  # of the air in a jar over it: standard deviation
    caution: str | None = None
    aliases: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    source_texts: dict[str, str] = field(default_factory=dict, hash=False)
    confidence: str = "not stated"
    note: str | None = None

    @property
    def care(self) -> str:
        """What to mind with a jar of it, in words."""
        own = f"{self.name}: {self.caution}; " if self.caution else ""
        return own + JAR_CARE

    @property
    def range_C(self) -> Pair:
        """The temperatures at which its humidity is told: those of the table and REACH_C beyond."""
        return self.rh_at_C[0][0] - REACH_C, self.rh_at_C[-1][0] + REACH_C

    def rh_pct(self, temperature_C: float) -> float:
        """Return the humidity over it, straight between the temperatures of the table and beyond its ends.

        >>> SaltSolution("x", "x", ((20.0, 75.5), (30.0, 75.1))).rh_pct(22.5)
        75.4
        """
        rows = self.rh_at_C
        after = next((i for i, (celsius, _) in enumerate(rows) if celsius >= temperature_C), len(rows) - 1)
        (low_C, low), (high_C, high) = rows[max(0, after - 1)], rows[max(1, after)]
        found = low + (high - low) * (temperature_C - low_C) / (high_C - low_C)
        return round(min(100.0, max(0.0, found)), 6)


JAR_CARE: Final = (
    "never in reach of children or beside food; a slush with solid salt left in it, lid shut, one temperature throughout; "
    "the strand must not touch it; a hygrometer that you trust says whether it holds"
)
REACH_C: Final = (
    5.0  # beyond a solution's table its humidity goes on as in it (own estimate: within 0.5 % RH)
)


# ---------------------------------------------------------------- where profiles are


def shipped_folder() -> Path:
    """Return the folder of the shipped profiles: beside the package once installed, else the checkout's."""
    return _shipped("profiles")


def sample_folder() -> Path:
    """Return the folder of the sample files that ``demo`` uses."""
    return _shipped("sample_gcode")


def docs_folder() -> Path:
    """Return the folder of the documentation's pages."""
    return _shipped("docs")


def _shipped(name: str) -> Path:
    package = _package(__file__)
    installed = package / "shipped" / name
    return installed if installed.is_dir() else package.parent / name


@functools.lru_cache(maxsize=4)
def _package(file: str) -> Path:
    return Path(file).resolve().parent


def user_folder() -> Path:
    """Return the folder of the user's own profiles; it need not exist."""
    if stated := os.environ.get(USER_FOLDER):
        return Path(stated)
    import platformdirs

    return Path(platformdirs.user_config_dir("gcodetool"))


def slug(name: str) -> str:
    """Return *name* as files and look-ups spell it.

    >>> slug("PET_amorphous"), slug("silica gel")
    ('pet-amorphous', 'silica-gel')
    """
    return re.sub(r"[\s_-]+", "-", name.strip()).casefold()


@dataclass(frozen=True)
class ProfileEntry:
    """A profile file and the names it answers to."""

    key: str
    names: tuple[str, ...]
    path: Path
    heat: tuple[Any, ...] = ()  # of a material: how hot it is dried and printed at most and at least


HEAT: Final = ("dry_at_C", "dry_at_max_C", "nozzle_min_C", "nozzle_max_C")


def _entry(path: Path) -> ProfileEntry:
    """Return what *path* answers to; a file that is no TOML answers to its own name."""
    try:
        data = load(path, ProfileError, "profile").data
    except GcodetoolError:
        data = {}
    stated = data.get("key", data.get("name") if "dialect" in data else None)
    key = stated if isinstance(stated, str) and stated.strip() else path.stem
    aliases = data.get("aliases", [])
    others = [alias for alias in aliases if isinstance(alias, str)] if isinstance(aliases, list) else []
    return ProfileEntry(key, (key, *others), path, tuple(data.get(name) for name in HEAT))


@functools.lru_cache(maxsize=64)
def _entries(folder: Path, stamp: int) -> tuple[ProfileEntry, ...]:  # a new stamp: a new look
    return tuple(_entry(path) for path in sorted(folder.glob("*.toml")))


def folders(kind: Kind, *, adopted: bool = True) -> list[Path]:
    """Return the folders that hold profiles of a kind, the user's first; with *adopted*, before them learned limits'."""
    own = user_folder()
    found = [own / kind, shipped_folder() / kind]
    if adopted and kind == "materials":
        found.insert(0, own / kind / ADOPTED)
    return [folder for folder in found if folder.is_dir()]


def _all(folder: Path) -> tuple[ProfileEntry, ...]:
    return _entries(folder, folder.stat().st_mtime_ns)


ADOPTED: Final = "adopted"  # the folder of materials with learned limits, within the user's own materials:
LINES: Final = "lines"  # and within that the one of makers' lines, which answer to no name


def adopted_path(key: str, line: str | None = None) -> Path:
    """Return the file of a material with learned limits, or of a maker's line of it; it need not exist.

    The line's words are free, so a digest of them stands in the name where letters alone would not tell lines apart.
    """
    folder = user_folder() / "materials" / ADOPTED
    if line is None:
        return folder / f"{slug(key)}.toml"
    words = slug(line)
    plain = re.sub(r"[^a-z0-9]+", "-", words).strip("-")
    if plain != words:
        plain = f"{plain[:40]}-{hashlib.sha256(words.encode()).hexdigest()[:8]}".lstrip("-")
    return folder / LINES / f"{slug(key)}--{plain}.toml"


def names_in(path: Path) -> set[str]:
    """Return the names that the profile in a file answers to, as look-ups spell them."""
    return {slug(name) for name in _entry(path).names}


def names(kind: Kind) -> list[str]:
    """Return the names of the profiles of *kind*, the user's and the shipped ones, sorted."""
    found: dict[str, str] = {}
    for folder in folders(kind):
        for entry in _all(folder):
            found.setdefault(slug(entry.key), entry.key)
    return sorted(found.values(), key=str.casefold)


def lookup(kind: Kind, name: str, *, adopted: bool = True) -> Path | None:
    """Return the file of the profile that answers to *name*, the user's first; None: there is none.

    Without *adopted*, a material as it was before limits were adopted.
    """
    wanted = slug(name)
    for folder in folders(kind, adopted=adopted):
        path = folder / f"{wanted}.toml"
        if wanted and not is_path(name) and path.is_file():
            return path
        for entry in _all(folder):
            if wanted in map(slug, entry.names):
                return entry.path
    return None


def is_path(name: str) -> bool:
    """Return whether *name* is meant as a path: it holds a separator."""
    return any(mark in name for mark in (os.sep, os.altsep) if mark)


def names_file(word: str) -> bool:
    """Return whether a *word* for a profile or a spool means a file: a path, or a name as such files have."""
    return is_path(word) or word.endswith(".toml")


def kept_word(word: str) -> str:
    """Return a profile's *word* as a record keeps it: a name as it is, a file with its whole path."""
    return str(Path(word).absolute()) if names_file(word) else word


def path_of(kind: Kind, name: str | Path) -> Path:
    """Return the file that *name* means: a path itself, else the user's profile, else the shipped one.

    Raises
    ------
    ProfileError
        Nothing has that name; the nearest names are offered.
    """
    text = str(name)
    if isinstance(name, Path) or is_path(text) or (text.endswith(".toml") and Path(text).is_file()):
        return Path(text)
    if path := lookup(kind, text):
        return path
    raise ProfileError(unknown(kind, text))


def find(name: str) -> Path:
    """Return the file of the first profile of any kind that answers to *name*, or that it is the path of.

    Raises
    ------
    ProfileError
        None does; the nearest names are offered.
    """
    if is_path(name):
        return Path(name)
    for kind in SINGULAR:
        if path := lookup(kind, name):
            return path
    every = {known for kind in SINGULAR for known in names(kind)}
    raise ProfileError(f"no profile {shown(name)}; {nearest(name, every)}")


def unknown(kind: Kind, name: str) -> str:
    """Return the message for a *name* that no profile of *kind* answers to, with the nearest ones."""
    if kind == "materials":
        return _unknown_material(name)
    every = {known for folder in folders(kind) for entry in _all(folder) for known in entry.names}
    return f"no {SINGULAR[kind]} {shown(name)}; {nearest(name, every, offer=names(kind))}"


def _unknown_material(name: str) -> str:
    """Return the message for a material that is not known: a slip of the pen is offered, another polymer never."""
    entries = [entry for folder in folders("materials") for entry in _all(folder)]
    bare = FIBRE.sub("", name.strip())
    if bare != name.strip() and (path := lookup("materials", bare)):
        key = next(entry.key for entry in entries if entry.path == path)
        return (
            f"no material {shown(name)}; name {key}, and beside it its share of fibre: --fibre 15, or "
            "fibre_wt_pct = 15 in a file"
        )
    near = [entry for entry in entries if any(slip_of(slug(name), slug(known)) for known in entry.names)]
    if slug(bare).replace("-", "") in OTHER_POLYMERS:
        near = []
    if len({entry.heat for entry in near}) == 1:
        return f"no material {shown(name)}; did you mean '{near[0].key}'?"
    own = "name a material file of your own for another ('gcodetool docs records' shows one)"
    return f"no material {shown(name)}; known: {', '.join(names('materials'))}; {own}"


def slip_of(word: str, known: str) -> bool:
    """Return whether *word* is *known* with one slip: a letter more, less or another, or two that changed places.

    Figures are no letters: PA66 is not PA6, nor shore 85 shore 95.

    >>> slip_of("pteg", "petg"), slip_of("copolyester", "copolyamide"), slip_of("pa66", "pa6")
    (True, False, False)
    """
    if re.sub(r"\D", "", word) != re.sub(r"\D", "", known):
        return False
    ahead = 0
    while ahead < min(len(word), len(known)) and word[ahead] == known[ahead]:
        ahead += 1
    one, other = word[ahead:], known[ahead:]
    swapped = one[:2] == other[1::-1] and len(one) > 1
    return one[1:] == other[1:] or one[1:] == other or one == other[1:] or (swapped and one[2:] == other[2:])

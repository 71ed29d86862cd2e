"""One profile's TOML table to its dataclass: what each kind of file may say, and within what bounds.

Every function takes the checked :class:`~gcodetool.tomlfile.Table` of a file and the key it goes by;
what a file cannot mean ends as ``file:line: what; what to do``.  Left out: where files are found
(:mod:`gcodetool.profiledata`).
"""

import functools
import itertools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from gcodetool.errors import ProfileError
from gcodetool.profiledata import (
    DIALECTS,
    SINGULAR,
    Adopted,
    Desiccant,
    Dryer,
    Heater,
    HotEnd,
    Indicator,
    Kind,
    Material,
    Pair,
    Printer,
    RetractionBounds,
    SaltSolution,
    SpoolBody,
    Waiting,
    lookup,
    path_of,
    unknown,
)
from gcodetool.tomlfile import Table, load, shown

Bounds = tuple[float, float]
Profile = TypeVar("Profile")
WARM: Final[Bounds] = (-150, 600)  # °C, anything a polymer's data sheet may state
WATER: Final[Bounds] = (0, 100)  # wt %

NUMBERS: Final[dict[str, Bounds]] = {
    "diffusivity_23C_m2_s": (1e-20, 1e-6),
    "diffusivity_conc_coeff_per_wt_pct": (-5, 5),
    "activation_energy_kJ_mol": (0, 300),
    "uptake_50rh_wt_pct": WATER,
    "uptake_saturation_wt_pct": WATER,
    "isotherm_henry_fraction": (0, 1),
    "isotherm_cluster_exponent": (1, 50),
    "isotherm_gab_m0_wt_pct": WATER,
    "isotherm_gab_C": (0, 1000),
    "isotherm_gab_K": (0, 1),
    "isotherm_exponent": (0.1, 10),
    "sorption_excess_enthalpy_kJ_mol": (-100, 100),
    "limit_good_wt_pct": WATER,
    "limit_marginal_wt_pct": WATER,
    "limit_marginal_x_room_equilibrium": (0, 100),
    "limit_resin_guide_wt_pct": WATER,
    "density_kg_m3": (100, 10_000),
    "glass_transition_C": WARM,
    "melting_C": WARM,
    "softening_C": WARM,
    "dry_at_C": (20, 250),
    "dry_at_max_C": (20, 250),
    "dry_hours": (0, 1000),
    "nozzle_min_C": (50, 600),
    "nozzle_max_C": (50, 600),
    "nozzle_bond_min_C": (50, 600),
}
POSITIVE: Final = frozenset(  # zero is no value of these
    {
        "uptake_saturation_wt_pct",
        "isotherm_gab_m0_wt_pct",
        "isotherm_gab_C",
        "isotherm_gab_K",
        "limit_good_wt_pct",
        "limit_marginal_x_room_equilibrium",
    }
)
RANGES: Final[dict[str, tuple[Bounds, str | None]]] = {  # bounds, and the key that lies within the range
    "diffusivity_range_m2_s": ((1e-20, 1e-6), "diffusivity_23C_m2_s"),
    "diffusivity_conc_coeff_range_per_wt_pct": ((-5, 5), "diffusivity_conc_coeff_per_wt_pct"),
    "activation_energy_range_kJ_mol": ((0, 300), "activation_energy_kJ_mol"),
    "activation_energy_valid_C": (WARM, None),
    "uptake_50rh_range_wt_pct": (WATER, "uptake_50rh_wt_pct"),
    "uptake_saturation_range_wt_pct": (WATER, "uptake_saturation_wt_pct"),
    "density_range_kg_m3": ((100, 10_000), "density_kg_m3"),
    "resin_guide_dry_C": ((20, 250), None),
    "resin_guide_dry_hours": ((0, 1000), None),
}
TEXTS: Final = (
    "name",
    "uptake_note",
    "limit_note",
    "glass_transition_note",
    "softening_note",
    "confidence",
    "confidence_diffusivity",
    "confidence_uptake",
    "confidence_limits",
    "confidence_thermal",
    "note",
)
NEEDED: Final = (
    "diffusivity_23C_m2_s",
    "activation_energy_kJ_mol",
    "uptake_saturation_wt_pct",
    "limit_good_wt_pct",
    "limit_marginal_wt_pct",
    "density_kg_m3",
    "dry_at_C",
    "nozzle_min_C",
    "nozzle_max_C",
)
ORDER: Final = (  # (low, high): the first may not exceed the second
    ("limit_good_wt_pct", "limit_marginal_wt_pct"),
    ("nozzle_min_C", "nozzle_max_C"),
    ("nozzle_min_C", "nozzle_bond_min_C"),
    ("nozzle_bond_min_C", "nozzle_max_C"),
    ("dry_at_C", "dry_at_max_C"),
    ("uptake_50rh_wt_pct", "uptake_saturation_wt_pct"),
)
GAB: Final = ("isotherm_gab_m0_wt_pct", "isotherm_gab_C", "isotherm_gab_K")

KLIPPER: Final[dict[str, Bounds]] = {  # more than zero, unless the bounds hold zero themselves
    "max_velocity": (1e-3, 1e5),
    "max_accel": (1e-3, 1e7),
    "max_z_velocity": (1e-3, 1e5),
    "max_z_accel": (1e-3, 1e7),
    "square_corner_velocity": (0, 1e4),
    "minimum_cruise_ratio": (0, 0.999),
    "max_extrude_only_velocity": (1e-3, 1e5),
    "max_extrude_only_accel": (1e-3, 1e7),
    "instantaneous_corner_velocity": (0, 1e4),
    "arc_resolution": (1e-3, 100),
}
KLIPPER_RETRACTION: Final[dict[str, Bounds]] = {
    "retract_length": (0, 100),
    "retract_speed": (1, 1e4),
    "unretract_extra_length": (-100, 100),
    "unretract_speed": (1, 1e4),
}
HEATERS: Final = ("nozzle", "bed", "chamber")
RATE: Final[Bounds] = (1e-3, 1e7)
JERK: Final[Bounds] = (0, 1e6)
MARLIN: Final[dict[str, dict[str, Bounds]]] = {
    "M92": dict.fromkeys("XYZE", RATE),
    "M201": dict.fromkeys("XYZE", RATE),
    "M203": dict.fromkeys("XYZE", RATE),
    "M204": dict.fromkeys("PRTS", RATE),
    "M205": {**dict.fromkeys("XYZEST", JERK), "J": (0.01, 0.3), "B": JERK},
    "M207": {"S": (0, 100), "F": RATE, "Z": (0, 100)},
    "M208": {"S": (-100, 100), "F": RATE},
    "M900": {"K": (0, 1000)},  # stated: linear advance is compiled in, and the file's own M900 counts
}
REPRAPFIRMWARE: Final[dict[str, dict[str, Bounds]]] = {
    "M201": dict.fromkeys("XYZE", RATE),
    "M203": {**dict.fromkeys("XYZE", RATE), "I": (0, 1e6)},
    "M204": dict.fromkeys("PTS", RATE),
    "M566": {**dict.fromkeys("XYZE", JERK), "P": (0, 1)},
    "M207": {"S": (0, 100), "R": (-100, 100), "F": RATE, "T": RATE, "Z": (0, 100)},
}


def profile(kind: Kind, name: str | Path, reader: Callable[[Table, str], Profile]) -> Profile:
    """Return the profile that *name* or a path means; errors as in :func:`gcodetool.profiles.material`."""
    path = path_of(kind, name)
    try:
        found = path.stat()
        stamp: tuple[int, ...] = found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino
    except OSError:
        stamp = ()  # what is wrong with it, its reading will say
    read: Profile = _read(kind, path, stamp, reader)
    return read


@functools.lru_cache(maxsize=256)
def _read(kind: Kind, path: Path, _: tuple[int, ...], reader: Callable[[Table, str], Any]) -> Any:
    """Return what a file says; many spools of a shelf name the same one.  A new stamp: it is read anew."""
    table = load(path, ProfileError, f"{SINGULAR[kind]} file")
    return reader(table, table.text("key") or path.stem)


def _sources(table: Table) -> dict[str, str]:
    """Return each ``[source.KEY]`` as one text: the citation, its identifier, what was seen of it."""
    texts = {}
    for key, source in table.tables("source").items():
        source.only(("cite", "doi", "url", "seen"))
        source.need("cite")
        doi, url, seen = source.text("doi"), source.text("url"), source.text("seen")
        parts = [source.text("cite"), f"doi:{doi}" if doi else None, url, f"seen: {seen}" if seen else None]
        texts[key] = "; ".join(part for part in parts if part)
    return texts


def _pair(numbers: tuple[float, ...] | None) -> Pair | None:
    return None if numbers is None else (numbers[0], numbers[1])


def read_material(table: Table, key: str) -> Material:
    """Return the material that *table* describes, checked and filled."""
    lists = ("aliases", "slicer_types", "sources")
    table.only(("key", *TEXTS, *NUMBERS, *RANGES, *lists, "hydrolyses", "source", "adopted"))
    table.need(*NEEDED)
    values: dict[str, Any] = {"key": key, "name": key}
    for name in TEXTS:
        values |= {} if name not in table else {name: table.text(name)}
    for name, (low, high) in NUMBERS.items():
        above = 0.0 if name in POSITIVE else -math.inf
        values |= {} if name not in table else {name: table.number(name, low=low, high=high, above=above)}
    for name, ((low, high), inside) in RANGES.items():
        if pair := _pair(table.numbers(name, 2, low=low, high=high, rising=True)):
            values[name] = pair
            if inside in values and not pair[0] <= values[inside] <= pair[1]:
                table.fail(name, f"{inside}, {values[inside]:g}, lies outside {name}; correct one of them")
    if "hydrolyses" in table:
        values["hydrolyses"] = table.flag("hydrolyses")
    values |= {name: table.words(name) for name in lists}
    values["adopted"] = _adopted(table.table("adopted"))
    _check_isotherm(table)
    for low_name, high_name in ORDER:
        if low_name in values and high_name in values and values[low_name] > values[high_name]:
            low, high = values[low_name], values[high_name]
            table.fail(low_name, f"{low_name} is {low:g}, above {high_name} ({high:g}); correct one of them")
    values.setdefault("uptake_50rh_wt_pct", _at_half_humidity(values))
    values.setdefault("dry_at_max_C", values["dry_at_C"])
    values.setdefault("nozzle_bond_min_C", values["nozzle_min_C"])
    path = table.document.path
    return Material(**values, source_texts=_sources(table), raw=table.data, path=path)


def _adopted(table: Table | None) -> Adopted | None:
    """Return where a material's own limits come from; None: they are as the profile's maker states them."""
    if table is None:
        return None
    bands = ("p10", "p90", "good_p10", "good_p90")
    waters = ("stated_good_wt_pct", "stated_marginal_wt_pct", *bands)
    table.only(("source", "records", "on", "line", *waters))
    table.need("source", "records", "on", *waters)
    water = {name: table.number(name, low=WATER[0], high=WATER[1], above=0.0) or 0.0 for name in waters}
    for low, high in (("p10", "p90"), ("good_p10", "good_p90")):
        if water[low] > water[high]:
            table.fail(low, f"{low} is {water[low]:g}, above {high} ({water[high]:g}); correct one of them")
    return Adopted(
        source=table.text("source") or "",
        records=table.whole("records", high=10**9) or 0,
        on=table.text("on") or "",
        line=table.text("line"),
        **water,
    )


def _check_isotherm(table: Table) -> None:
    """Refuse a material whose equilibrium with air cannot be told."""
    cluster = ("isotherm_henry_fraction", "isotherm_cluster_exponent")
    forms = (cluster, GAB, ("isotherm_exponent",))
    for form in forms:
        missing = [name for name in form if name not in table]
        if missing and len(missing) < len(form):
            stated = next(name for name in form if name in table)
            table.fail(stated, f"{stated} is stated without {' and '.join(missing)}; add it")
    if not any(all(name in table for name in form) for form in forms):
        table.fail(None, f"the file has no isotherm; add {' and '.join(cluster)} (or isotherm_exponent)")


def _at_half_humidity(values: dict[str, Any]) -> float:
    """Return the equilibrium content at 23 °C, 50 % RH [wt %] by the form that the material states."""
    saturation = float(values["uptake_saturation_wt_pct"])
    if all(name in values for name in GAB):
        m0, c, k = (float(values[name]) for name in GAB)
        half: float = m0 * c * k * 0.5 / ((1 - k * 0.5) * (1 - k * 0.5 + c * k * 0.5))
        return half
    if "isotherm_henry_fraction" in values:
        henry, cluster = float(values["isotherm_henry_fraction"]), float(values["isotherm_cluster_exponent"])
        mixed: float = saturation * (henry * 0.5 + (1 - henry) * 0.5**cluster)
        return mixed
    power: float = saturation * 0.5 ** float(values["isotherm_exponent"])
    return power


def read_printer(table: Table, key: str) -> Printer:
    """Return the printer that *table* describes, checked."""
    table.need("name", "dialect")
    dialect = table.choice("dialect", DIALECTS)
    others = [name for name in DIALECTS if name != dialect and name in table]
    if others:
        table.fail(others[0], f"[{others[0]}] has no meaning for dialect '{dialect}'; take it out")
    parts = ("hot_end", "retraction", "park", "waiting", "host")
    table.only(("key", "name", "dialect", "bed_mm", "height_mm", "feed_places", "note", *parts, *DIALECTS))
    bed = table.numbers("bed_mm", 4, low=-1e5, high=1e5)
    if bed is not None and (bed[0] >= bed[2] or bed[1] >= bed[3]):
        table.fail("bed_mm", "bed_mm has no area; write [x0, y0, x1, y1], the low corner first")
    klipper, retraction = _klipper(table.table("klipper"))
    park = table.table("park")
    if park is not None:
        park.only(("x_mm", "y_mm"))
        park.need("x_mm", "y_mm")
    hot_end = {
        "nozzle_mm": (0.05, 5.0),
        "melt_zone_mm3": (0.1, 1e5),
        "path_mm": (1.0, 1e5),
        "max_flow_mm3_s": (0.01, 1e4),
        "max_temperature_C": (50.0, 600.0),
    }
    return Printer(
        name=table.text("name") or key,
        dialect=dialect,  # type: ignore[arg-type]  # one of DIALECTS, or choice() raised
        bed_mm=bed,  # type: ignore[arg-type]  # four numbers
        height_mm=table.number("height_mm", high=1e5, above=0),
        klipper=klipper,
        klipper_firmware_retraction=retraction,
        marlin=_marlin(table.table("marlin")),
        reprapfirmware=_reprapfirmware(table.table("reprapfirmware")),
        hot_end=HotEnd(**_numbers(table.table("hot_end"), hot_end)),
        retraction=RetractionBounds(
            **_numbers(table.table("retraction"), {"max_length_mm": (0, 100), "max_speed_mm_s": (0, 1000)})
        ),
        park=None if park is None else _pair((_asked(park, "x_mm"), _asked(park, "y_mm"))),
        waiting=_waiting(table.table("waiting")),
        feed_places=_feed_places(table),
        host_prompts=_host_prompts(table.table("host"), dialect),
        note=table.text("note"),
        path=table.document.path,
    )


def _feed_places(table: Table) -> tuple[str, ...]:
    """Return the places that a reel may stand in while it feeds the printer."""
    found = table.words("feed_places")
    twice = next((name for at, name in enumerate(found) if name in found[:at]), None)
    if twice is not None:
        table.fail("feed_places", f"feed_places names {shown(twice)} twice; take one out")
    return found


def _host_prompts(table: Table | None, dialect: str | None) -> bool | None:
    """Return whether dialogs reach a print host; RepRapFirmware always has its own."""
    if table is None:
        return None
    table.only(("prompts",))
    if dialect == "reprapfirmware" and "prompts" in table:
        table.fail(
            "prompts", "prompts has no meaning for dialect 'reprapfirmware', which asks by M291; take it out"
        )
    return table.flag("prompts")


def _waiting(table: Table | None) -> Waiting:
    """Return the stated start and the heater model, whose rates are more than zero."""
    if table is None:
        return Waiting()
    heaters: dict[str, Any] = {}
    for name in HEATERS:
        heater = table.table(name)
        if heater is not None:
            heater.only(("rate_C_s", "cooling_C_s"))
            heater.need("rate_C_s")
            rates = {key: heater.number(key, low=0.001, high=1000) for key in heater.data}
            heaters[name] = Heater(**rates)  # type: ignore[arg-type]  # each key is there
    numbers = {
        "start_s": (0.0, 1e6),
        "room_C": (-50.0, 100.0),
        "overhead_s": (0.0, 1e6),
        "change_s": (0.0, 3600.0),
    }
    stated = _numbers(table, numbers, HEATERS)
    for key in ("room_C", "overhead_s"):
        if key in stated and not heaters:
            table.fail(key, f"{key} says nothing without a heater; add [waiting.nozzle] or take it out")
    return Waiting(**heaters, **stated)  # type: ignore[arg-type]  # numbers by their own names


def _asked(table: Table, key: str, *, low: float = -1e5, high: float = 1e5) -> float:
    """Return the number *key*, which :meth:`Table.need` has made sure of."""
    table.need(key)
    number = table.number(key, low=low, high=high)
    assert number is not None
    return number


def _numbers(
    table: Table | None, allowed: dict[str, Bounds], extra: tuple[str, ...] = ()
) -> dict[str, float]:
    """Return the numbers that *table* states, each of *allowed* and within its bounds."""
    if table is None:
        return {}
    table.only((*allowed, *extra))
    found = {name: table.number(name, low=low, high=high) for name, (low, high) in allowed.items()}
    return {name: number for name, number in found.items() if number is not None}


def _klipper(table: Table | None) -> tuple[dict[str, float], dict[str, float] | None]:
    if table is None:
        return {}, None
    retraction = table.table("firmware_retraction")
    limits = _numbers(table, KLIPPER, ("firmware_retraction",))
    return limits, None if retraction is None else _numbers(retraction, KLIPPER_RETRACTION)


def _words(table: Table, commands: dict[str, dict[str, Bounds]]) -> dict[str, dict[str, float]]:
    """Return each command's letters and numbers, as that firmware words its limits."""
    found = {}
    for command, letters in commands.items():
        words = table.table(command)
        if words is not None:
            if not words.data:
                table.fail(command, f"{command} is empty; fill it or leave it out")
            found[command] = _numbers(words, letters)
    return found


def _marlin(table: Table | None) -> dict[str, dict[str, float]]:
    if table is None:
        return {}
    table.only(MARLIN)
    found = _words(table, MARLIN)
    corner = found.get("M205", {})
    if "J" in corner and {"X", "Y", "Z"} & corner.keys():
        text = "M205 has both J (junction deviation) and X, Y or Z (classic jerk); keep those of your build"
        table.fail("M205", text)
    return found


def _reprapfirmware(table: Table | None) -> dict[str, Any]:
    if table is None:
        return {}
    table.only((*REPRAPFIRMWARE, "M572"))
    found: dict[str, Any] = dict(_words(table, REPRAPFIRMWARE))
    policy = found.get("M566", {}).get("P", 0)
    if policy not in (0, 1):
        table.fail("M566", f"M566 P is {policy:g}, but must be 0 or 1; correct it")
    if "M572" in table:
        found["M572"] = table.number("M572", low=0, high=100)
    return found


def read_dryer(table: Table, key: str) -> Dryer:
    """Return the dryer that *table* describes, checked."""
    numbers = {
        "max_temperature_C": (20.0, 300.0),
        "swing_C": (0.0, 100.0),
        "dew_point_C": (-100.0, 30.0),
        "power_W": (0.1, 1e5),
        "draught": (0.1, 100.0),
        "air_L": (0.1, 1e6),
        "exchange_m3_h": (0.0, 1e5),
        "desiccant_g": (0.1, 1e6),
    }
    words = ("key", "air", "desiccant", "draught_range", "aliases", "sources", "source", "confidence", "note")
    found: dict[str, Any] = dict(_numbers(table, numbers, words))
    found["draught_range"] = _pair(table.numbers("draught_range", 2, low=0.1, high=100, rising=True))
    air = table.choice("air", ("room", "desiccant", "closed")) or "room"
    if air == "desiccant":
        table.need("dew_point_C")
    elif "dew_point_C" in table:
        text = f'dew_point_C has no meaning for {air} air; set air = "desiccant" or take it out'
        table.fail("dew_point_C", text)
    if air == "closed" or "exchange_m3_h" in table:
        table.need("air_L")
    return Dryer(
        key=key,
        air=air,  # type: ignore[arg-type]  # choice() saw it
        desiccant=_drying_agent(table, air),
        **found,
        **_cited(table),
    )


def _drying_agent(table: Table, air: str) -> str | None:
    """Return the plain name of what dries a closed dryer's air, by which the physics knows it."""
    name = table.text("desiccant")
    if (name is not None or "desiccant_g" in table) and air != "closed":
        table.fail(None, 'desiccant and desiccant_g are for air = "closed"; take them out or correct air')
    if ("desiccant" in table) != ("desiccant_g" in table):
        table.fail(None, "one of desiccant and desiccant_g is missing; add it")
    if name is None:
        return None
    path = lookup("desiccants", name)
    if path is None:
        table.fail("desiccant", unknown("desiccants", name))
    return profile("desiccants", path, read_desiccant).name


def _remarks(table: Table) -> dict[str, Any]:
    return {"confidence": table.text("confidence") or "not stated", "note": table.text("note")}


def _cited(table: Table) -> dict[str, Any]:
    """Return a profile's other names, its sources, and what is remarked of it."""
    named = {"aliases": table.words("aliases"), "sources": table.words("sources")}
    return {**named, "source_texts": _sources(table), **_remarks(table)}


def read_spool_body(table: Table, key: str) -> SpoolBody:
    """Return the spool body that *table* describes, checked."""
    numbers = {
        "safe_C": (20.0, 500.0),
        "vicat_C": WARM,
        "uptake_50rh_wt_pct": WATER,
        "exchange_hours": (0.01, 1e4),
        "exchange_activation_kJ_mol": (0.0, 200.0),
        "flange_open_share": (0.0, 1.0),
    }
    ranges = {"exchange_hours_range": 1e4, "flange_open_range": 1.0}
    extra = ("key", "aliases", "uptake_50rh_range_wt_pct", "uptake_shape", *ranges, "confidence", "note")
    found: dict[str, Any] = dict(_numbers(table, numbers, extra))
    for name, high in ranges.items():
        found[name] = _pair(table.numbers(name, 2, low=0, high=high, rising=True))
    found["uptake_shape"] = table.choice("uptake_shape", ("straight", "board")) or "straight"
    table.need("safe_C")
    pair = _pair(table.numbers("uptake_50rh_range_wt_pct", 2, low=0, high=100, rising=True))
    aliases = table.words("aliases")
    return SpoolBody(key=key, **found, uptake_50rh_range_wt_pct=pair, aliases=aliases, **_remarks(table))


def read_desiccant(table: Table, key: str) -> Desiccant:
    """Return the desiccant that *table* describes, checked."""
    numbers = {
        "equilibrium_rh_pct": (0.0, 100.0),
        "regenerate_hours": (0.0, 1e3),
        "lowest_practical_rh_pct": (0.0, 100.0),
        "excess_heat_kJ_mol": (-60.0, 120.0),
    }
    extra = (
        "key",
        "name",
        "comes_back_pct",
        "indicator",
        "cautions",
        "uncertain",
        "aliases",
        "capacity_at_rh",
        "regenerate_C",
        "confidence",
        "note",
        "sources",
        "source",
    )
    found: dict[str, Any] = dict(_numbers(table, numbers, extra))
    if "capacity_at_rh" not in table and "equilibrium_rh_pct" not in table:
        table.fail(None, "the file has neither capacity_at_rh nor equilibrium_rh_pct; add one")
    return Desiccant(
        key=key,
        name=table.text("name") or key.replace("_", " "),
        **found,
        capacity_at_rh=_capacity(table),
        regenerate_C=_pair(table.numbers("regenerate_C", 2, low=20, high=1000, rising=True)),
        comes_back_pct=_pair(table.numbers("comes_back_pct", 2, low=0, high=100, rising=True)),
        indicators=tuple(_indicator(each) for each in table.array("indicator")),
        cautions=table.words("cautions"),
        uncertain=table.text("uncertain"),
        **_cited(table),
    )


def _indicator(table: Table) -> Indicator:
    """Return one dye of a desiccant."""
    table.only(("dye", "dry", "damp", "change_rh_pct", "max_C", "caution"))
    table.need("dye", "dry", "damp", "change_rh_pct")
    between = _pair(table.numbers("change_rh_pct", 2, low=0, high=100, rising=True))
    assert between is not None  # need() saw it
    return Indicator(
        dye=table.text("dye") or "",
        dry=table.text("dry") or "",
        damp=table.text("damp") or "",
        change_rh_pct=between,
        max_C=table.number("max_C", low=20, high=1000),
        caution=table.text("caution"),
    )


def _rows_of_pairs(table: Table, key: str, form: str, *, high: float) -> tuple[Pair, ...]:
    """Return a list of pairs of numbers from 0 to *high*; *form* in words."""
    rows = table.data.get(key, [])
    good = isinstance(rows, list) and all(isinstance(row, list) and len(row) == 2 for row in rows)
    numbers = [number for row in rows for number in row] if good else []
    if not good or any(isinstance(number, bool) or not isinstance(number, int | float) for number in numbers):
        table.fail(key, f"{key} must be a list of pairs; write {form}")
    pairs = tuple((float(first), float(second)) for first, second in rows)
    if any(not (0 <= number <= high) for pair in pairs for number in pair):
        table.fail(key, f"{key} holds a number outside 0 to {high:g}; correct it")
    return pairs


def read_salt_solution(table: Table, key: str) -> SaltSolution:
    """Return the salt solution that *table* describes, checked."""
    extra = ("key", "name", "aliases", "rh_at_C", "caution", "confidence", "note", "sources", "source")
    found: dict[str, Any] = dict(_numbers(table, {"accuracy_rh_pct": (0.0, 50.0)}, extra))
    table.need("rh_at_C")
    rows = _rows_of_pairs(table, "rh_at_C", "[[°C, % RH], …]", high=100.0)
    if len(rows) < 2 or any(before[0] >= after[0] for before, after in itertools.pairwise(rows)):
        table.fail("rh_at_C", "rh_at_C needs two temperatures or more, rising; correct it")
    return SaltSolution(
        key=key,
        name=table.text("name") or key.replace("_", " "),
        rh_at_C=rows,
        **found,
        caution=table.text("caution"),
        **_cited(table),
    )


def _capacity(table: Table) -> tuple[Pair, ...]:
    """Return the table of [% RH, wt %] of a desiccant, its humidity rising and its content not falling."""
    pairs = _rows_of_pairs(table, "capacity_at_rh", "[[% RH, wt %], …]", high=100.0)
    for before, after in itertools.pairwise(pairs):
        if before[0] >= after[0] or before[1] > after[1]:
            table.fail(
                "capacity_at_rh", f"capacity_at_rh does not rise at {after[0]:g} % RH; sort or correct it"
            )
    return pairs

"""A spool's TOML file to its record: what the spool is, where it stood, what happened to it.

:func:`read_spool` checks everything a record can contradict itself in, and names the line.  Paths
in the file are relative to it.  Left out: the moisture state, which is computed from the record,
and whether the figures are plausible together (a dryer hotter than its reel: it happened).
"""

from pathlib import Path
from typing import Any, Final, Literal

from gcodetool import profiledata, profiles
from gcodetool.errors import SpoolError
from gcodetool.ledger.eventtables import events_of
from gcodetool.ledger.placetables import places_of_table
from gcodetool.ledger.recordtables import Given, asked, beside
from gcodetool.moisture.record import (
    Body,
    Origin,
    Spool,
    metre_g,
)
from gcodetool.quickpattern import compiled
from gcodetool.textfile import MOST_RECORD
from gcodetool.tomlfile import Table, load, shown

NAME: Final = compiled(r"[a-z0-9][a-z0-9-]*")
SPOOL_KEYS: Final = (
    "id",
    "material",
    "fibre_wt_pct",
    "diameter_mm",
    "net_mass_g",
    "winding",
    "safe_exposure_h",
    "colour",
    "line",
    "note",
    "body",
    "cut_from",
    "place",
    "event",
)
ORIGIN_KEYS: Final = ("id", "net_mass_g", "winding", "body")  # of what a sample was cut off


def read_spool(path: str | Path) -> Spool:
    """Return the record in the spool file at *path*.

    Parameters
    ----------
    path
        A TOML file as ``docs/records.md`` describes it.

    Returns
    -------
    The record; events sorted by time, ties in the file's order, `received` first; fed masses as lengths.

    Raises
    ------
    SpoolError
        ``file:line: what; what to do``: the file cannot be read, or says something it cannot mean.
    ProfileError
        The same for a material or printer file that the record names.
    """
    return _spool(load(path, SpoolError, "spool file", most=MOST_RECORD), str(path))


def spool_of(data: dict[str, Any], source: str) -> Spool:
    """Return the record in *data*, keys and values as a spool file has them; *source* stands in messages.

    A place's ``log`` may be an :class:`AirLog`.

    Raises
    ------
    SpoolError
        ``source: what; what to do``.
    ProfileError
        The same for a material or printer file that the record names.
    """
    return _spool(Table(Given(source, "", data, SpoolError), data, ()), source)


def _spool(table: Table, source: str) -> Spool:
    table.only(SPOOL_KEYS)
    table.need("id", "material", "diameter_mm", "net_mass_g", "place", "event")
    table.text("note")
    spool_id = table.text("id") or ""
    if not NAME.fullmatch(spool_id):
        table.fail("id", f"id is {shown(spool_id)}; write small letters a-z, digits and '-' only")
    material = _material(table)
    diameter_mm = asked(table, "diameter_mm", high=10)
    places = places_of_table(table)
    fibre_wt_pct = table.number("fibre_wt_pct", low=0, high=90) or 0.0
    a_metre_g = metre_g(material, diameter_mm, fibre_wt_pct)
    origins = tuple(_origin(entry) for entry in table.array("cut_from"))
    return Spool(
        id=spool_id,
        material=material,
        diameter_mm=diameter_mm,
        net_mass_g=asked(table, "net_mass_g", high=1e5),
        places=places,
        events=events_of(table, places, a_metre_g, origins),
        fibre_wt_pct=fibre_wt_pct,
        winding=_winding(table),
        safe_exposure_h=table.number("safe_exposure_h", high=1e6, above=0),
        body=_body(table.table("body")),
        colour=table.text("colour"),
        line=_line(table),
        source=source,
        origins=origins,
    )


def _origin(table: Table) -> Origin:
    """Return what a sample was cut off."""
    table.only(ORIGIN_KEYS)
    table.need("id", "net_mass_g")
    return Origin(
        table.text("id") or "",
        asked(table, "net_mass_g", high=1e5),
        _winding(table),
        _body(table.table("body")),
    )


def _material(table: Table) -> profiles.Material:
    name = table.text("material") or ""
    path: Path | None
    if profiles.names_file(name):
        path = beside(table, name)
        if path is None or not path.is_file():
            if not name.endswith(".toml"):  # PC/ABS is a name
                table.fail(
                    "material",
                    profiles.unknown("materials", name) + "; nor is a file of that name beside this one",
                )
            table.fail("material", f"no material file {shown(name)} beside this file; correct the path")
    else:
        path = profiles.lookup("materials", name)
        if path is None:
            table.fail("material", profiles.unknown("materials", name))
    material, line = profiles.material(path), _line(table)
    own = None if line is None else profiledata.adopted_path(material.key, line)
    return material if own is None or not own.is_file() else profiles.material(own)


def _winding(table: Table) -> Literal["wound", "loose"]:
    return "loose" if table.choice("winding", ("wound", "loose")) == "loose" else "wound"


def _line(table: Table) -> str | None:
    """Return the maker's line that a spool is of: any text but an empty one."""
    line = table.text("line")
    if line is not None and not line.strip():
        table.fail("line", "line is empty; write the maker's line in your own words, or leave it out")
    return None if line is None else line.strip()


def _body(table: Table | None) -> Body:
    """Return the reel, as far as it is stated."""
    if table is None:
        return Body()
    table.only(
        ("material", "mass_g", "hub_diameter_mm", "width_mm", "outer_diameter_mm", "flange_open_share")
    )
    profile = None
    name = table.text("material")
    if name is not None and name != "unknown":
        path = profiles.lookup("spool-bodies", name)
        if path is None:
            table.fail("material", f"{profiles.unknown('spool-bodies', name)} (not known: leave it out)")
        profile = profiles.spool_body(path)
    hub_mm = table.number("hub_diameter_mm", high=2000, above=0)
    outer_mm = table.number("outer_diameter_mm", high=2000, above=0)
    if hub_mm is not None and outer_mm is not None and outer_mm <= hub_mm:
        text = f"outer_diameter_mm is {outer_mm:g}, not more than hub_diameter_mm ({hub_mm:g}); correct one"
        table.fail("outer_diameter_mm", text)
    return Body(
        profile=profile,
        mass_g=table.number("mass_g", low=0, high=1e5),
        hub_diameter_mm=hub_mm,
        width_mm=table.number("width_mm", high=2000, above=0),
        outer_diameter_mm=outer_mm,
        flange_open_share=table.number("flange_open_share", low=0, high=1),
    )

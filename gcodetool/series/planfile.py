"""The plan of a series, from its TOML file: question, job, spool, states of water, quantities.

``docs/series.md`` shows one.  Left out: places that the plan describes, which are read as those of a spool file
(``ledger.spoolfile``), and whether the shelf has what it names (``app.series``).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from gcodetool.errors import SeriesError
from gcodetool.tomlfile import Table, load, nearest, shown

NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]*")
QUANTITY: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
SEEN: Final = ("bubbles", "oozes", "pops")  # quantities that inspections of a print's strand fill
KEYS: Final = (
    *("id", "question", "job", "spool", "printer", "reference", "prints", "smallest_difference_pct"),
    *("confidence", "power", "scale_g", "seed", "note", "state", "place", "quantity"),
)
STATE_KEYS: Final = ("after", "dry", "place", "hours", "to_wt_pct", "note")
QUANTITY_KEYS: Final = ("unit", "scale", "better", "specimens", "spread_pct", "note")
WHOLE_STRAND: Final = 0.1  # of the target: so near each part of the strand must come
COLUMNS: Final = ("state", "print", "specimen", "quantity", "value")


@dataclass(frozen=True)
class StateOfWater:
    """One state: what is done to a sample before it is printed.

    Attributes
    ----------
    after
        The state that it is made from; None: the spool as it stands.
    dryer, place
        Where it is kept: in a dryer, or elsewhere; neither: it is printed as it is.
    hours
        How long; None: as the drying plan says, or until the whole strand is near its target.
    to_wt_pct
        The target's content; None: what the place's air leads to.
    """

    name: str
    after: str | None = None
    dryer: str | None = None
    place: str | None = None
    hours: float | None = None
    to_wt_pct: float | None = None


@dataclass(frozen=True)
class Quantity:
    """One thing that is measured or rated on each specimen.

    Attributes
    ----------
    scale
        Of a rating: lowest and highest; None: it is measured, in *unit*.
    specimens
        In one print.
    spread
        Of prints and specimens together, over the mean, if known.
    """

    name: str
    unit: str | None
    scale: tuple[float, float] | None
    better: Literal["higher", "lower"]
    specimens: int = 1
    spread: float | None = None

    @property
    def words(self) -> str:
        """Its name as people say it."""
        return self.name.replace("_", " ")


@dataclass(frozen=True)
class SeriesPlan:
    """A series as its file plans it; ``places`` has the keys of a spool file's places."""

    id: str
    question: str
    job: Path
    spool: str
    reference: str
    prints: int
    smallest: float  # difference that matters, 0 to 1
    states: dict[str, StateOfWater]
    quantities: dict[str, Quantity]
    confidence: float = 0.95
    power: float = 0.8
    printer: str | None = None
    scale_g: float = 0.1
    seed: int | None = None
    places: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    source: str = ""
    data: Mapping[str, Any] = field(default_factory=dict, repr=False)  # the file's keys and values

    def way(self, name: str) -> list[StateOfWater]:
        """Return the states that a sample passes until it is in one, the first first."""
        found = [self.states[name]]
        while found[0].after is not None:
            found.insert(0, self.states[found[0].after])
        return found


def read_plan(path: str | Path) -> SeriesPlan:
    """Return the plan in the file at *path*; the job's path is relative to it.

    Raises
    ------
    SeriesError
        ``file:line: what; what to do``.
    """
    return plan_of(load(path, SeriesError, "plan of a series"), str(path))


def plan_of(table: Table, source: str) -> SeriesPlan:
    """Return the plan that *table* describes, checked."""
    table.only(KEYS)
    table.need("id", "job", "spool", "reference", "prints", "state", "quantity")
    name = table.text("id") or ""
    if not NAME.fullmatch(name):
        table.fail("id", f"id is {shown(name)}; write small letters a-z, digits and '-' only")
    states = {key: _state(key, inner) for key, inner in table.tables("state").items()}
    if len(states) < 2:
        table.fail("state", "a series compares at least two states; add one, [state.NAME]")
    _check_ways(table, states)
    quantities = {key: _quantity(table, key, inner) for key, inner in table.tables("quantity").items()}
    if not quantities:
        table.fail("quantity", "nothing is measured; add a quantity, [quantity.NAME]")
    reference = table.choice("reference", tuple(states)) or ""
    table.text("note")
    return SeriesPlan(
        id=name,
        question=table.text("question") or "",
        job=Path(source).parent / (table.text("job") or ""),
        spool=table.text("spool") or "",
        reference=reference,
        prints=table.whole("prints", low=1, high=1000) or 1,
        smallest=_share(table, "smallest_difference_pct", 15.0, 0.1, 95.0),
        states=states,
        quantities=quantities,
        confidence=table.number("confidence", low=0.5, high=0.999) or 0.95,
        power=table.number("power", low=0.5, high=0.999) or 0.8,
        printer=table.text("printer"),
        scale_g=table.number("scale_g", high=100, above=0) or 0.1,
        seed=table.whole("seed"),
        places={key: inner.data for key, inner in table.tables("place").items()},
        source=source,
        data=table.data,
    )


def _share(table: Table, key: str, usual: float, low: float, high: float) -> float:
    found = table.number(key, low=low, high=high)
    return (usual if found is None else found) / 100.0


def _state(name: str, table: Table) -> StateOfWater:
    if not NAME.fullmatch(name):
        table.fail(None, f"{shown(name)} cannot be a state's name; write small letters a-z, digits and '-'")
    table.only(STATE_KEYS)
    table.text("note")
    if "dry" in table and "place" in table:
        table.fail(
            "place", "dry names a dryer, place any other place; name one, and the other state after it"
        )
    found = StateOfWater(
        name,
        table.text("after"),
        table.text("dry"),
        table.text("place"),
        table.number("hours", high=1e5, above=0),
        table.number("to_wt_pct", high=100, above=0),
    )
    if found.dryer is None and found.place is None:
        for key in ("after", "hours", "to_wt_pct"):
            if key in table:
                table.fail(key, f"{key} says how it is kept; name where: dry = a dryer, or place")
    if found.hours is not None and found.to_wt_pct is not None:
        table.fail("to_wt_pct", "hours and to_wt_pct both say when it is done; take one out")
    return found


def _check_ways(table: Table, states: dict[str, StateOfWater]) -> None:
    """Refuse a state that comes after none, or after itself."""
    for name, state in states.items():
        inner, way, here = table.tables("state")[name], [name], state
        while here.after is not None:
            if here.after not in states:
                inner.fail("after", f"no state {shown(here.after)} here; {nearest(here.after, states)}")
            if here.after in way:
                inner.fail(
                    "after", f"{' → '.join([*way, here.after])} goes in a circle; begin with the spool"
                )
            way.append(here.after)
            here = states[here.after]


def _quantity(table: Table, name: str, inner: Table) -> Quantity:
    if not QUANTITY.fullmatch(name):
        inner.fail(None, f"{shown(name)} cannot be a quantity's name; write letters, digits and '_'")
    inner.only(QUANTITY_KEYS)
    inner.text("note")
    if ("unit" in inner) == ("scale" in inner):
        inner.fail(
            None, f"{inner.title} needs one of unit (it is measured) and scale (it is rated); name one"
        )
    inner.need("better")
    better = inner.choice("better", ("higher", "lower"))
    scale = inner.numbers("scale", 2, rising=True)
    if scale is not None and scale[0] == scale[1]:
        inner.fail("scale", "scale has one step only; write its lowest and highest, [0, 5]")
    if scale is not None and "spread_pct" in inner:
        inner.fail("spread_pct", "a rating is judged by its order, not by a spread; take spread_pct out")
    spread = inner.number("spread_pct", high=200, above=0)
    return Quantity(
        name,
        inner.text("unit"),
        None if scale is None else (scale[0], scale[1]),
        "lower" if better == "lower" else "higher",
        inner.whole("specimens", low=1, high=1000) or 1,
        None if spread is None else spread / 100.0,
    )

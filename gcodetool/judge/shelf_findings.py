"""What was found out about spools and places on the shelf: the dataclasses that lists are printed from.

None stands for what cannot be known.  Left out: jobs (``findings``), which are asked about more often and sooner.
"""

from typing import Any, NamedTuple

from gcodetool.judge.findings import Band, SpoolState
from gcodetool.quickdata import dataclass


@dataclass(frozen=True)
class InDryer:
    """What is said of a spool in a dryer, as ``drying.status`` says it.

    Attributes
    ----------
    word, because
        not-yet, done or cannot; and why it can come out, None: it should not yet.
    short, line
        In few words, and in one line with what to do.
    to_go_s, sure_s
        Until the goal is likely reached, and until that is sure; None: not in the hours looked at. [s]
    too_hot
        Whether this dryer is too hot for it now; both words and line say so then.
    """

    word: str
    because: str | None
    short: str
    line: str
    to_go_s: float | None
    sure_s: float | None
    too_hot: bool = False


class IdlePoint(NamedTuple):
    """What is fed next at a moment from now [s], if nobody touches the spool; p10 and p90 None for one member. [wt %]"""

    at_s: float
    p10: float | None
    p50: float
    p90: float | None


@dataclass(frozen=True)
class SpoolFindings:
    """All that is known of one spool where it stands; words and times as in ``idle_forecast.SpoolRow``."""

    spool: str
    material: str
    word: str
    whole_word: str
    state: SpoolState
    limit_good_wt_pct: float
    limit_marginal_wt_pct: float
    safe_exposure_s: float | None
    safe_source: str
    keeps_s: float | None
    room: str
    room_assumed: bool
    by_depth: tuple[tuple[float, float], ...]  # depth [mm], content [wt %], outermost first
    strand: tuple[tuple[float, float], ...]  # radius [mm], content [wt %], of the next-fed strand, nominal
    bands: tuple[Band, ...] = ()  # of by_depth, in its order
    advice: tuple[str, ...] = ()  # what to do, the first thing first
    sharpen: str = ""  # which record would sharpen the forecast most
    gains: tuple[tuple[str, float], ...] = ()  # records that could be made, share of the band each removes
    drying: InDryer | None = None  # while it is in a dryer
    limits_source: str = "stated"  # or by which prints of one's own
    ahead: tuple[IdlePoint, ...] = ()  # next-fed content, if nobody touches it


@dataclass(frozen=True)
class SpoolRow:
    """What a list says of one spool.

    Attributes
    ----------
    word, whole_word
        dry, marginal, wet, unknown or empty: what is fed next, and the wettest turns; in a dryer both are the
        wettest turns, and surely so.
    safe_s, safe_source
        Idle in the room where it would be printed until what is fed next passes its marginal limit; by the
        model, or by the user's own figure ("stated").
    keeps_s
        The same where it stands; None: longer than was looked at.
    heat
        What it was exposed to, where that was too hot and nobody has found its winding good since; else None.
    drying
        Whether it is done; None outside dryers.
    spent_s
        Until the desiccant of its place is spent; None: longer than was looked at, or none is there. [s]
    """

    spool: str
    material: str
    place: str
    tool: int | None
    since_s: float
    word: str
    whole_word: str
    next_fed_wt_pct: Band
    safe_s: float | None
    safe_source: str
    keeps_s: float | None
    room: str
    room_assumed: bool
    remaining_mm: float
    remaining_g: float
    colour: str | None = None
    heat: str | None = None
    drying: InDryer | None = None
    limits_source: str = "stated"
    spent_s: float | None = None


@dataclass(frozen=True)
class ListedSpool:
    """A spool on the list: what is seen of it, or why nothing is."""

    id: str
    row: SpoolRow | None
    trouble: str | None
    retired: bool = False


@dataclass(frozen=True)
class AirReading:
    """What a hygrometer said. [s since 1970], [°C], [% RH]"""

    at_s: float
    temperature_C: float
    rh_pct: float


@dataclass(frozen=True)
class DesiccantInside:
    """The desiccant in a place, None: there is none; its dry mass [g], and since when it is in [s since 1970]."""

    desiccant: str | None
    grams: float | None
    since_s: float | None


@dataclass(frozen=True)
class PlaceOnShelf:
    """A place of the ledger at one moment.

    Attributes
    ----------
    facts
        What is stated of it, by the keys of a spool file.
    reading, readings
        The last reading up to that moment; how many there are in all.
    spools, entries
        Who stands there; what was noted about it.
    """

    name: str
    kind: str
    facts: dict[str, Any]
    reading: AirReading | None
    readings: int
    spools: tuple[str, ...]
    entries: tuple[Any, ...] = ()

    @property
    def charge(self) -> DesiccantInside:
        """What desiccant is in it, as it was renewed last."""
        kind, grams = self.facts.get("desiccant"), self.facts.get("desiccant_g")
        fresh = [each.timestamp() for each in self.facts.get("desiccant_fresh_at", ())]
        for each in self.facts.get("renewed", ()):
            kind, grams = each.get("desiccant", kind), each.get("desiccant_g", grams)
            fresh.append(each["at"].timestamp())
        return DesiccantInside(kind, grams, max(fresh, default=None))

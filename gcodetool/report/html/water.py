"""What a page shows of one tool's spool: its past, its winding now and at the job's end, its events.

The states are those that the check judged by; what is worked out here is the way to them.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.content_history import content_history
from gcodetool.moisture.history import State, quantile
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.moisture.stays import stays

if TYPE_CHECKING:
    from gcodetool.judge.findings import SpoolOverJob

Floats = NDArray[np.float64]

EVEN: Final = 90  # moments of the past, evenly on an axis that is
BEND_S: Final = 1800.0  # stretched towards the present: half an hour ago is as far as hours from days
CLOSE_S: Final = (60.0, 600.0, 3600.0, 6 * 3600.0)  # after each event: there it changes fastest
MOST_EVENTS: Final = 60  # that get moments of their own, the latest ones


@dataclass(frozen=True)
class Curve:
    """Quantiles of a content over time; each of shape (moments,). [wt %]"""

    p10: Floats
    p50: Floats
    p90: Floats


@dataclass(frozen=True)
class DrawnStay:
    """Where a spool was, from when to when. [s]"""

    place: Place
    begin_s: float
    end_s: float


@dataclass(frozen=True)
class Layer:
    """One layer of a winding: its radii, how much of it is left, its content. [mm, mm, 1, wt %]"""

    inner_mm: float
    outer_mm: float
    left: float
    wt_pct: float


@dataclass(frozen=True)
class DrawnReel:
    """A winding in section.  ``loose``: strands all open to the air, one layer without radii."""

    hub_mm: float  # radius
    width_mm: float
    layers: tuple[Layer, ...]
    loose: bool = False


@dataclass(frozen=True)
class Water:
    """One tool's spool, before, at the start of and after the job.

    Attributes
    ----------
    spool : its record.
    moments_s : (moments,) seconds since 1970 UTC, from the first event to the job's start.
    reel, outside : content of all strand left, and of what is fed next.
    stays : places in order of time.
    events : weigh-ins and inspections counted, with the content of what was fed next then. [wt %]
    now, end : the winding at the job's start and end; *end* None: nothing is known of it.
    """

    spool: Spool
    moments_s: Floats
    reel: Curve
    outside: Curve
    stays: tuple[DrawnStay, ...]
    events: tuple[tuple[Event, float], ...]
    now: DrawnReel
    end: DrawnReel | None


def water(over: "SpoolOverJob", *, at_s: float) -> Water:
    """Return what is shown of a spool that prints a job from *at_s* on."""
    spool, state = over.spool, over.state
    moments = moments_of(spool, at_s)
    reel, outside = content_history(state, moments.tolist())
    counted = [event for event in spool.events if event.at_s <= at_s]
    middle = curve(outside, state)
    seen = [event for event in counted if event.kind in ("weighed", "inspected")]
    heights = np.interp([event.at_s for event in seen], moments, middle.p50)
    return Water(
        spool=spool,
        moments_s=moments,
        reel=curve(reel, state),
        outside=middle,
        stays=drawn_stays(spool, at_s),
        events=tuple(zip(seen, heights.tolist(), strict=True)),
        now=section(state),
        end=None if over.after is None else section(over.after),
    )


def moments_of(spool: Spool, at_s: float) -> Floats:
    """Return the moments at which the past is looked at: more of the latest, and some after each event."""
    times = [event.at_s for event in spool.events if event.at_s <= at_s]
    ages = BEND_S * np.expm1(np.linspace(0.0, np.log1p((at_s - times[0]) / BEND_S), EVEN))
    chosen = [at_s - ages, np.array([times[0], at_s])]
    for time in times[-MOST_EVENTS:]:
        chosen.append(time + np.array([-1.0, 0.0, *CLOSE_S]))
    every = np.unique(np.concatenate(chosen))
    return every[(every >= times[0]) & (every <= at_s)]


def curve(contents: Floats, state: State) -> Curve:
    """Return the quantiles of (moments, members) contents under the state's weights."""
    rows = [[quantile(row, q, state.weights) for q in (0.1, 0.5, 0.9)] for row in contents]
    table = np.array(rows).reshape(-1, 3)
    return Curve(table[:, 0], table[:, 1], table[:, 2])


def drawn_stays(spool: Spool, at_s: float) -> tuple[DrawnStay, ...]:
    """Return where the spool was, in order; the last stay ends at *at_s*."""
    return tuple(
        DrawnStay(spool.places[stay.place], stay.begin_s, stay.end_s)
        for stay in stays(spool, at_s)
        if stay.place in spool.places and stay.end_s > stay.begin_s
    )


def section(state: State) -> DrawnReel:
    """Return the winding of a state in section, from the hub out, with the middle of the members' contents."""
    wound = state.field.winding
    contents = 100.0 * state.field.layer_mean()
    hub, pitch = 1000.0 * wound.hub_radius_m, 1000.0 * wound.pitch_m
    layers = tuple(
        Layer(
            hub + pitch * place,
            hub + pitch * (place + 1),
            float(wound.length_m[place] / wound.full_m[place]) if wound.full_m[place] > 0 else 0.0,
            quantile(contents[place], 0.5, state.weights),
        )
        for place in range(wound.layers)
    )
    return DrawnReel(hub, 1000.0 * wound.width_m, layers, wound.loose)

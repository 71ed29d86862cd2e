"""One spool judged where it stands: what is fed next, how long it keeps, what the turns further in hold."""

from typing import TYPE_CHECKING, Any

from gcodetool.judge import reasons
from gcodetool.judge.findings import Band, SpoolState
from gcodetool.judge.idle_forecast import IdleForecast, idle_forecast, read_at
from gcodetool.judge.print_judgement import limits_of
from gcodetool.judge.severity import damage
from gcodetool.judge.shelf_findings import IdlePoint, SpoolFindings
from gcodetool.moisture.history import State, quantile, quantiles
from gcodetool.moisture.next_measurement import best_measurement, measurement_gains
from gcodetool.moisture.state import quantiles_by_row

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np


def judge_spool(state: State, nominal: State) -> SpoolFindings:
    """Return what a spool comes to at the moment of its *state*; *nominal*: the same with one member."""
    spool = state.spool
    seen = idle_forecast(spool, state)
    row = read_at(seen, state.as_of_s)
    wettest = None if seen.steam or not seen.whole_to_marginal else seen.whole_to_marginal[0]
    good, marginal = limits_of(state)
    return SpoolFindings(
        spool=spool.id,
        material=spool.material.key,
        limits_source=spool.material.limits_source,
        word=row.word,
        whole_word=row.whole_word,
        state=spool_state(state, state.path_wt_pct),
        limit_good_wt_pct=good,
        limit_marginal_wt_pct=marginal,
        safe_exposure_s=row.safe_s,
        safe_source=row.safe_source,
        keeps_s=row.keeps_s,
        room=row.room,
        room_assumed=row.room_assumed,
        by_depth=tuple((depth, quantile(content, 0.5, state.weights)) for depth, content in state.by_depth()),
        strand=tuple(nominal.strand()),
        bands=tuple(band_of(state, content) for _, content in state.by_depth()),
        advice=(
            *(() if row.heat is None else (row.heat,)),
            reasons.storage_advice(row.word, row.whole_word, damage(spool.material, wettest)),
        ),
        sharpen=best_measurement(state),
        ahead=tuple(ahead(seen)),
        gains=tuple((gain.what, gain.share) for gain in measurement_gains(state)),
    )


def ahead(seen: IdleForecast) -> "Iterator[IdlePoint]":
    """Yield the content of what is fed next over the time from now on, while nobody touches the spool."""
    for at, (at_s, middle) in enumerate(zip(seen.at_s, seen.p50, strict=False)):
        low = None if seen.p10 is None else seen.p10[at]
        yield IdlePoint(at_s, low, middle, None if seen.p90 is None else seen.p90[at])


def band_of(state: State, values: "np.ndarray[Any, Any]") -> Band:
    """Return the quantiles of one value per member."""
    return Band(*quantiles(values, state.weights))


def bands_of(state: State, values: "np.ndarray[Any, Any]") -> "Iterator[Band]":
    """Yield the quantiles of each row of (rows, members)."""
    return (Band(*row) for row in quantiles_by_row(values, state.weights))


def spool_state(state: State, path_wt_pct: "np.ndarray[Any, Any]") -> SpoolState:
    """Return what the report says of a spool; *path_wt_pct* of the strand in tube and hot end, per member."""
    return SpoolState(
        as_of_s=state.as_of_s,
        next_fed_wt_pct=band_of(state, state.next_fed_wt_pct),
        mean_wt_pct=band_of(state, state.mean_wt_pct),
        path_wt_pct=band_of(state, path_wt_pct),
        remaining_mm=state.remaining_mm,
        place=state.place,
        assumed=state.notes,
    )

"""Which prints of a series speak about limits, and which say nothing."""

from dataclasses import replace

import numpy as np
import pytest
from test_series_findings import FORCE, series

from gcodetool import profiles
from gcodetool.app.series_evidence import with_series
from gcodetool.limits.evidence import Evidence, words_of
from gcodetool.limits.learning import learned
from gcodetool.moisture.record import Body, Event, Outcome, Place, Spool
from gcodetool.series.judged import JudgedPrint, judged_prints
from gcodetool.series.planfile import Quantity, StateOfWater
from gcodetool.series.record import PrintRecord, Value

LEVELS = {"dried": 40.0, "room": 39.0, "damp": 28.0}
PETG = profiles.material("PETG")


def dried(record):
    """Return the same series with a reference that was dried."""
    states = {**record.plan.states, "dried": StateOfWater("dried", dryer="oven")}
    return replace(record, plan=replace(record.plan, states=states))


def verdicts(record):
    found: dict[str, set[str | None]] = {}
    for one in judged_prints(record):
        found.setdefault(one.made.state, set()).add(one.tested)
    return found


def test_worse_by_more_than_matters_speaks_and_as_good_as_dried_does():
    assert verdicts(dried(series(LEVELS))) == {"room": {"holds"}, "damp": {"worse"}}
    lower = replace(FORCE, better="lower")
    turned = dried(series({"dried": 40.0, "room": 41.0, "damp": 60.0}, quantity=lower))
    assert verdicts(turned) == {"room": {"holds"}, "damp": {"worse"}}
    rated = Quantity("surface", None, (0.0, 5.0), "higher", specimens=3)
    noted = dried(series({"dried": 5.0, "room": 4.8, "damp": 2.0}, quantity=rated, spread=0.01))
    assert verdicts(noted) == {"room": {"holds"}, "damp": {"worse"}}


def test_what_no_print_can_tell_says_nothing():
    assert verdicts(series(LEVELS)) == {}  # the reference was not dried: alike may mean both are wet
    assert verdicts(dried(series({**LEVELS, "damp": 34.0}))) == {"room": {"holds"}}  # at what matters, to 1 %
    assert verdicts(dried(series(LEVELS, prints=1))) == {}  # nobody knows how prints scatter
    known = replace(FORCE, spread=0.03)
    assert verdicts(dried(series(LEVELS, prints=1, quantity=known))) == {"room": {"holds"}, "damp": {"worse"}}
    record = dried(series(LEVELS))
    other = tuple(replace(one, sha256="y") if one.state == "damp" else one for one in record.prints)
    assert verdicts(replace(record, prints=other)) == {"room": {"holds"}}  # another file was printed
    other = tuple(replace(one, reel="b") if one.state == "damp" else one for one in record.prints)
    assert verdicts(replace(record, prints=other)) == {"room": {"holds"}}


def test_worse_in_one_quantity_is_worse():
    record = dried(series(LEVELS))
    stretch = replace(FORCE, name="stretch")
    plan = replace(record.plan, quantities={"force": FORCE, "stretch": stretch})
    alike = tuple(
        replace(one, quantity="stretch", value=one.value * 0 + 7.0 + 0.01 * one.number)
        for one in record.values
    )
    assert verdicts(replace(record, plan=plan, values=(*record.values, *alike)))["damp"] == {"worse"}


def test_bubbles_that_were_typed_are_what_an_inspection_would_say():
    seen = Quantity("bubbles", None, (0.0, 2.0), "lower", specimens=3)
    record = series({"dried": 0.0, "damp": 2.0}, quantity=seen, spread=0.0)
    assert {(one.made.state, one.bubbles, one.tested) for one in judged_prints(record)} == {
        ("dried", "none", None),
        ("damp", "many", None),
    }


def spool_of(*events):
    place = {"bench": Place("bench", "open", 22.0, 50.0)}
    came = Event(-10.0, "received", "bench", sealed=False)
    return Spool("a", PETG, 1.75, 400.0, place, (came, *events), body=Body())


def judged(at_s, **said):
    from gcodetool.moisture.history import Quantiles

    made = PrintRecord(1, "damp", 1, at_s, "a", "a", "x", None, Quantiles(0.2, 0.3, 0.4))
    return JudgedPrint(made, **said)


def test_a_series_counts_once_beside_looks_and_outcomes():
    prints = [judged(0.0, tested="worse", bubbles="few"), judged(100.0, tested="holds", bubbles="none")]
    looked = Event(5.0, "inspected", bubbles="many")
    parts = Event(110.0, "outcome", outcome=Outcome(parts="good"))
    found = with_series(spool_of(looked, parts), prints)
    said = [words_of(event.outcome) for event in found.events if event.outcome is not None]
    assert said == [(("tested", "worse"),), (("bubbles", "none"),), (("parts", "good"),)]
    assert with_series(spool_of(), []) == spool_of()
    assert [event.at_s for event in found.events] == sorted(event.at_s for event in found.events)


@pytest.mark.parametrize(("word", "moves"), [("holds", 1.0), ("worse", -1.0)])
def test_a_tested_print_moves_the_marginal_limit(word, moves):
    one = Evidence(
        "a", None, 0.0, (("tested", word),), np.full(4, PETG.limit_marginal_wt_pct), np.full(4, 0.25)
    )
    before, after = learned(PETG, []), learned(PETG, [one])
    assert (after.marginal.p50 - before.marginal.p50) * moves > 0.0


def test_values_that_are_corrected_change_what_a_print_says():
    record = dried(series(LEVELS))
    mended = tuple(
        Value("damp", number, specimen, "force", 39.5, 900 + specimen)
        for number in (1, 2, 3)
        for specimen in (1, 2, 3)
    )
    assert verdicts(replace(record, values=(*record.values, *mended)))["damp"] == {"holds"}

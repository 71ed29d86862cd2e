"""What a report makes of prints and values: units, payment, readings, trend, doubts."""

import itertools
import random
from dataclasses import replace

import pytest

from gcodetool.moisture.history import Quantiles
from gcodetool.series import wording
from gcodetool.series.findings import findings
from gcodetool.series.plan import Turn
from gcodetool.series.planfile import Quantity, SeriesPlan, StateOfWater
from gcodetool.series.record import Looked, PlannedContent, PrintRecord, SeriesRecord, Value, with_inspections

STATES = {"dried": 0.05, "room": 0.2, "damp": 0.4}
FORCE = Quantity("force", "N", None, "higher", specimens=3)


def series(levels, *, prints=3, quantity=FORCE, spread=0.01, specimens=3, smallest=0.15, water=STATES):
    """Return the record of a series whose states have *levels*."""
    from pathlib import Path

    draw = random.Random(1)
    states = {name: StateOfWater(name) for name in levels}
    plan = SeriesPlan("s", "", Path("x"), "a", "dried", prints, smallest, states, {quantity.name: quantity})
    keys = [(name, number) for number in range(1, prints + 1) for name in levels]
    made = [
        PrintRecord(i, *key, float(i), "a", "a", "x", "b", Quantiles(None, water[key[0]], None))
        for i, key in enumerate(keys)
    ]
    values = []
    for name, number in keys:
        of_print = levels[name] * (1 + spread * draw.gauss(0, 1))
        for specimen in range(1, specimens + 1):
            value = of_print * (1 + spread * draw.gauss(0, 1))
            values.append(Value(name, number, specimen, quantity.name, value, len(values)))
    planned = {
        name: PlannedContent(Quantiles(None, water[name], None), 0.9 * water[name], 1.1 * water[name])
        for name in levels
    }
    order = tuple(Turn(name, number, number) for name, number in keys)
    return SeriesRecord(plan, 0.0, 1, order, "x", "a", planned, tuple(made), tuple(values))


def kinds(found):
    return [doubt.kind for doubt in found.doubts]


def test_readings_say_worse_alike_and_nothing():
    found = findings(series({"dried": 40.0, "room": 39.8, "damp": 28.0}), 0.0)
    one = found.quantities[0]
    assert [each.reading for each in one.against] == ["no difference that matters", "worse"]
    assert wording.against_words(one.against[1], one.quantity, found.plan).startswith("worse: ")
    assert kinds(found) == []
    wide = findings(series({"dried": 40.0, "room": 37.0, "damp": 36.0}, spread=0.2, prints=2), 0.0)
    assert {each.reading for each in wide.quantities[0].against} == {"cannot say"}
    lower = replace(FORCE, better="lower")
    turned = findings(series({"dried": 40.0, "damp": 28.0}, quantity=lower), 0.0)
    assert turned.quantities[0].against[0].reading == "better"


def test_specimens_of_a_print_count_once():
    """Three specimens of each print tell no more about prints than their means do."""
    record = series({"dried": 40.0, "damp": 35.0}, spread=0.05, specimens=3)
    means = {}
    for value in record.values:
        means.setdefault((value.state, value.print), []).append(value.value)
    alone = tuple(Value(*key, 1, "force", sum(each) / len(each)) for key, each in means.items())
    many = tuple(
        Value(*key, i + 1, "force", sum(each) / len(each)) for key, each in means.items() for i in range(3)
    )
    intervals = [
        findings(replace(record, values=values), 0.0).quantities[0].against[0].interval
        for values in (record.values, alone, many)
    ]
    assert intervals[0] == pytest.approx(intervals[1])
    assert intervals[2] == pytest.approx(intervals[1])


def test_every_comparison_is_paid_for_over_all_quantities():
    record = series({"dried": 40.0, "room": 38.5, "damp": 37.0}, spread=0.03)
    alone = findings(record, 0.0).quantities[0].against
    other = replace(FORCE, name="stretch")
    plan = replace(record.plan, quantities={"force": FORCE, "stretch": other})
    more = [replace(value, quantity="stretch") for value in record.values]
    both = findings(replace(record, plan=plan, values=(*record.values, *more)), 0.0).quantities[0].against
    for one, two in zip(alone, both, strict=True):
        assert one.p == two.p and one.p_adjusted < two.p_adjusted <= 1.0


def test_where_it_begins_to_matter_lies_between_two_contents():
    found = findings(series({"dried": 40.0, "room": 39.5, "damp": 28.0}), 0.0).quantities[0].trend
    assert found.shown and found.matters == (0.2, 0.4)
    assert found.change < 0.0 and found.interval[0] <= found.change <= found.interval[1]
    assert all(after[1] <= before[1] for before, after in itertools.pairwise(found.fit))
    flat = findings(series({"dried": 40.0, "room": 40.1, "damp": 39.9}), 0.0).quantities[0].trend
    assert flat.matters is None


def test_values_that_are_not_above_zero_are_compared_by_differences():
    record = series({"dried": 40.0, "damp": 28.0})
    values = (replace(record.values[0], value=0.0), *record.values[1:])
    found = findings(replace(record, values=values), 0.0)
    assert "no-ratio" in kinds(found) and not found.quantities[0].logarithmic


def test_a_rating_needs_prints_enough_and_then_counts():
    rating = Quantity("surface", None, (0.0, 5.0), "higher")
    levels = {"dried": 4.9, "damp": 2.0}
    few = findings(series(levels, prints=3, quantity=rating, specimens=1), 0.0)
    assert few.quantities[0].against[0].reading == "cannot say" and "few-prints" in kinds(few)
    many = findings(series(levels, prints=4, quantity=rating, specimens=1), 0.0)
    assert many.quantities[0].against[0].reading == "worse" and "few-prints" not in kinds(many)
    assert many.quantities[0].against[0].ratio is None


def test_what_spoilt_a_series_is_named_the_worst_first():
    record = series({"dried": 40.0, "room": 39.0, "damp": 28.0})
    first, second, *rest = record.prints
    spoilt = (
        replace(first, sha256="y", at_s=99.0),
        replace(second, spool="b", reel="b", block_sha256="c", wt_pct=Quantiles(None, 0.05, None)),
        *rest,
    )
    found = findings(replace(record, prints=spoilt), 0.0)
    assert kinds(found) == ["different-bytes", "different-block", "missed-state", "second-reel", "order"]
    assert [state.reached for state in found.states] == [True, False, True]


def test_looks_count_for_the_print_before_them_and_a_stated_value_wins():
    bubbles = Quantity("bubbles", None, (0.0, 2.0), "lower")
    record = series({"dried": 0.0, "damp": 2.0}, prints=2, quantity=bubbles)
    record = replace(record, values=(Value("damp", 1, 1, "bubbles", 1.0, 5),))
    looks = [
        Looked("a", 0.5, "none"),
        Looked("a", 1.5, "many"),
        Looked("a", 3.5, "few"),
        Looked("b", 1.5, "few"),
    ]
    counted = {value.key[:2]: value.value for value in with_inspections(record, looks).counted}
    assert counted == {("dried", 1): 0.0, ("damp", 1): 1.0, ("damp", 2): 1.0}


def test_a_correction_counts_and_is_told_with_what_it_was():
    record = series({"dried": 40.0, "damp": 28.0})
    wrong = record.values[0]
    right = replace(wrong, value=41.0, number=99)
    found = findings(replace(record, values=(*record.values, right)), 0.0)
    assert kinds(found) == ["corrected"]
    assert f"from {wrong.value:g} to 41" in found.doubts[0].text


def test_an_interval_of_a_rating_stays_on_its_scale():
    rated = Quantity("surface", None, (0.0, 5.0), "higher", specimens=1)
    record = series({"dried": 4.9, "damp": 0.3}, quantity=rated, prints=2, spread=0.1, specimens=1)
    values = tuple(replace(one, value=min(5.0, one.value)) for one in record.values)
    found = findings(replace(record, values=values), 0.0).quantities[0]
    for one in found.states:
        assert one.interval is not None
        assert 0.0 <= one.interval[0] <= one.mean <= one.interval[1] <= 5.0


def test_contents_that_a_forecast_cannot_tell_apart_make_no_slope():
    """Prints of one state differ in the last digits of their water: no difference of theirs goes over that."""
    record = series({"dried": 40.0, "room": 39.0, "damp": 28.0}, prints=2, spread=0.02)
    near = tuple(
        replace(one, wt_pct=Quantiles(None, STATES[one.state] * (1 + 0.0001 * one.print), None))
        for one in record.prints
    )
    trends = [
        findings(replace(record, prints=each), 0.0).quantities[0].trend for each in (record.prints, near)
    ]
    assert trends[1].interval == pytest.approx(trends[0].interval, rel=1e-3)
    assert len(trends[1].fit) == 3

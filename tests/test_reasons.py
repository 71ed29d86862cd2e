"""Every sentence that a verdict speaks, word for word: what stands in one place is tested in one."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.judge import reasons
from gcodetool.judge.findings import Exposure
from gcodetool.judge.outcomes import Judgement
from gcodetool.judge.reasons import Cause
from gcodetool.judge.severity import damage
from gcodetool.moisture.stays import Stay

HOUR = 3600.0
JUDGED = Judgement(
    code="runs-out",
    outcomes={"clear": 0.16, "adjust": 0.0, "runs-out": 0.37, "dry-first": 0.47},
    from_layer=12,
    runs_out_layer=12,
    cautious_code="dry-first",
    cautious_layer=1,
    past_good=3,
    past_marginal=12,
    start_of_marginal=2.604,
    worst_of_good=0.917,
    worst_of_marginal=0.984,
)
DRIED = Stay("oven", 0.0, 2.4 * HOUR)


def why(code, judged=JUDGED, cause=None):
    return reasons.verdict_reason(
        code, judged, good_wt_pct=0.15, marginal_wt_pct=0.2, cause=cause, air="bench, 22 °C, 48 % RH"
    )


def test_each_verdict_has_its_reason() -> None:
    assert why("clear") == "the strand arrives with at most 0.91 of the good limit (0.150 wt %)"
    assert why("adjust") == (
        "from layer 12 the strand holds more than the good limit (0.150 wt %), at most 0.98 of the marginal "
        "limit (0.200 wt %)"
    )
    over = replace(JUDGED, worst_of_marginal=1.301)
    assert why("runs-out", over, Cause("print-air")) == (
        "from layer 12 the strand holds more than the marginal limit (0.200 wt %), up to 1.31 of it: it picks up "
        "water in the air (bench, 22 °C, 48 % RH)"
    )
    assert why("dry-first", cause=Cause("never-dried")) == (
        "what is fed next holds 2.61 of the marginal limit (0.200 wt %): it was never dried: it came in wet, and "
        "its record shows no drying"
    )
    assert why("unknown") == "the record does not tell whether the strand is dry or wet"


@pytest.mark.parametrize(
    ("cause", "outside", "inside"),
    [
        (
            Cause("never-dried"),
            "it was never dried: it came in wet, and its record shows no drying",
            "inner layers were never dried: it came in wet, and its record shows no drying",
        ),
        (
            Cause("dried-too-little", DRIED),
            "it was never dried enough: the last drying, 2.4 h in oven, was too little",
            "inner layers were never dried enough: the last drying, 2.4 h in oven, was too little",
        ),
        (
            Cause("drying", DRIED),
            "it is in the dryer still, and not dry enough yet",
            "it is in the dryer still, and not dry enough yet",
        ),
        (
            Cause("picked-up", DRIED, ("bench", "shelf", "box"), 50 * HOUR),
            "picked up in the air in the 2 d 2 h since it was dried, in bench and shelf",
            "picked up in the air in the 2 d 2 h since it was dried, in bench and shelf",
        ),
        (
            Cause("picked-up", None, (), 2 * HOUR),
            "picked up in the air in the 2 h 0 min since it came in",
            "picked up in the air in the 2 h 0 min since it came in",
        ),
    ],
)
def test_each_cause_has_its_words(cause, outside, inside) -> None:
    assert reasons.cause_reason(cause, "bench", inner=False) == outside
    assert reasons.cause_reason(cause, "bench", inner=True) == inside


shares = st.lists(st.floats(0.0, 1.0), min_size=4, max_size=4).filter(lambda drawn: sum(drawn) > 1e-6)


@given(shares)
def test_outcomes_are_whole_numbers_that_sum_to_100(drawn) -> None:
    total = sum(drawn)
    outcomes = dict(zip(("clear", "adjust", "runs-out", "dry-first"), drawn, strict=True))
    outcomes = {code: share / total for code, share in outcomes.items()}
    counts = reasons.out_of_100(outcomes)
    assert sum(counts.values()) == 100
    assert all(abs(counts[code] - 100 * share) <= 1 for code, share in outcomes.items())


def test_how_sure_is_told_by_outcome() -> None:
    assert reasons.outcomes_sentence(JUDGED.outcomes, 12) == (
        "of 100: 16 print to the end dry, 37 get too wet on the way (half of these by layer 12), 47 are too wet at the "
        "start"
    )
    sure = {"clear": 1.0, "adjust": 0.0, "runs-out": 0.0, "dry-first": 0.0}
    assert reasons.outcomes_sentence(sure, None) == "of 100: 100 print to the end dry"
    assert reasons.worse_caution("petg-03", "adjust", JUDGED, None) == (
        "petg-03: 84 of 100 end worse than adjust (dry-first from layer 1); no single record would tell much"
    )
    assert reasons.worse_caution("petg-03", "adjust", JUDGED, "weigh the spool").endswith(
        "to be surer: weigh the spool"
    )


def test_own_figure_and_model() -> None:
    exposure = Exposure(2 * HOUR, 3.5 * HOUR, -1.5 * HOUR, "stated", "bench")
    assert reasons.stated_exposure_reason("runs-out", exposure) == (
        "your own safe exposure leaves 2.0 h, the job needs 3.5 h"
    )
    assert "out for longer than your own" in reasons.stated_exposure_reason("dry-first", exposure)
    assert reasons.stated_exposure_differs("a", 2 * HOUR, None, 0.1234) == (
        "a: your own safe exposure leaves 2.0 h, the model says longer than was looked at (next fed 0.123 wt %); "
        "yours counts"
    )
    assert "the model says 0.5 h" in reasons.stated_exposure_differs("a", 2 * HOUR, HOUR / 2, 0.1)
    assert "does not count" in reasons.stated_exposure_overruled("a")


def test_misfits() -> None:
    assert reasons.other_material(1, "PLA", "petg-03", "PETG") == (
        "T1 is sliced for PLA, but petg-03 is PETG: check temperatures and spool"
    )
    assert reasons.other_diameter(0, 2.85, "petg-03", 1.75) == (
        "T0 is sliced for 2.85 mm filament, but petg-03 is 1.75 mm: slice it again"
    )
    assert reasons.too_short("petg-03", 1500.0, 4200.0, 2700.0) == (
        "petg-03 has 1.5 m left, the job feeds 4.2 m: 2.7 m short"
    )
    assert reasons.one_reel("petg-03", [0, 1], 5560.0, 5500.0) == (
        "petg-03 is named for T0 and T1, which feed 5.56 m together, and 5.50 m are left on it: one reel feeds one tool "
        "at a time; name the reel of each tool, e.g. --spool 1=ID"
    )


@pytest.mark.parametrize(
    ("word", "whole", "first"),
    [
        ("dry", "dry", "print from it, or put it away"),
        ("dry", "wet", "its outer turns are dry, turns further in are wet: dry it before a long job"),
        ("marginal", "wet", "dry it before a long or a fine job"),
        ("wet", "wet", "do not print from it: dry it first"),
        ("unknown", "unknown", "its record does not tell"),
        ("empty", "empty", "its record says that nothing is left"),
    ],
)
def test_a_spool_on_the_shelf(word, whole, first) -> None:
    assert reasons.storage_advice(word, whole, "part").startswith(first)


def test_a_strand_that_only_strings_is_not_forbidden() -> None:
    assert reasons.storage_advice("wet", "wet", "surface") == (
        "dry it first for a part that matters: strings and a rough surface are likely"
    )
    steps = reasons.next_steps(
        "dry-first", place="bench", start_by=None, now_s=0.0, record=None, damage="surface"
    )
    assert list(steps) == [
        "dry the spool first for a part that matters: strings and a rough surface are likely, and no setting "
        "makes up for it"
    ]


@pytest.mark.parametrize("name", profiles.names("materials"))
def test_damage_grows_with_the_water_and_with_what_water_does_to_the_material(name) -> None:
    material = profiles.material(name)
    strings = name in ("PLA", "PETG", "PCTG", "ABS", "ASA", "HIPS", "PP")
    assert damage(material, 1.01) == damage(material, 1.5) == ("surface" if strings else "part")
    assert damage(material, 1.51) == damage(material, None) == damage(material, float("nan")) == "part"


def test_what_to_do_names_the_record_that_would_tell() -> None:
    def first(code, record=None, **told):
        about = {"place": "bag", "start_by": None, "now_s": 0.0, "record": record, "damage": "part"}
        return next(reasons.next_steps(code, **about, **told))

    assert first("clear") == "print; it stays so for the next 30 days where it is (bag)"
    assert first("clear", dryer=True) == (
        "print; it gets no wetter in bag, but take it out for the print and leave no heat on unattended"
    )
    assert first("clear", dryer=True, too_hot=True) == "take it out of bag now: it is too hot for it there"
    assert first("adjust").startswith("print with care and look at the purged strand first")
    assert first("runs-out") == "dry the spool first, or feed it from a dry box"
    assert first("runs-out", feed_told=True) == "dry the spool first"  # which box would do is said beside it
    assert first("dry-first").startswith("do not print: dry the spool first")
    assert first("unknown") == "purge and look at the strand before the part begins"
    assert first("unknown", "weigh the spool") == (
        "purge and look at the strand before the part begins, or weigh the spool"
    )


def test_who_keeps_a_shelf_needs_no_file_to_name_a_spool() -> None:
    for said in (reasons.NAME_A_RECORD, reasons.name_the_record("petg-03")):
        assert "--spool: the ID of one on the shelf" in said
    assert "petg-03.toml" in reasons.name_the_record("petg-03")

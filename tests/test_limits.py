"""Limits by one's own prints: what evidence says of them, against workshops whose limits are known; and the commands."""

import contextlib
import io
import itertools
import json
import math
import pathlib
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from limits_truth import drawn_workshop, prints_of

from gcodetool import profiledata, profiles
from gcodetool.app import limits, limits_evidence
from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.limits import evidence_store, influence, signs
from gcodetool.limits.adopted import bounded, damage_begins_wt_pct, file_text
from gcodetool.limits.evidence import Evidence, as_it_stands, of_spool, only_seen, seems_wetter
from gcodetool.limits.findings import LEAST_RECORDS, findings
from gcodetool.limits.learning import GRID, Learned, learned
from gcodetool.limits.next_try import Try, best_content, narrower
from gcodetool.moisture.history import state_at
from gcodetool.moisture.polymer import LIMIT_FACTOR
from gcodetool.moisture.record import Outcome
from gcodetool.report import limits_json, limits_text

PETG = profiles.material("PETG")
STATED = (PETG.limit_good_wt_pct, PETG.limit_marginal_wt_pct)
WORDS = st.fixed_dictionaries(
    {}, optional={key: st.sampled_from(words) for key, words in signs.WORDS.items()}
).filter(bool)


def seen(content, spool="petg-03", spread=0.15, at_s=0.0, **said):
    """Return a print of *content* [wt %], known to about 15 %, of which these words were said."""
    members = content * np.exp(spread * np.linspace(-1.5, 1.5, 8))
    return Evidence(spool, None, at_s, tuple(said.items()), members, np.full(8, 1 / 8))


def found_of(prints, line=None):
    return findings(PETG, PETG, prints, (), line=line)


# ---------------------------------------------------------------- laws


def test_nothing_seen_is_the_prior_of_every_forecast():
    band, ends = learned(PETG, []).marginal, math.log(LIMIT_FACTOR[2])
    for got, quantile in ((band.p10, -0.8), (band.p50, 0.0), (band.p90, 0.8)):
        assert got == pytest.approx(STATED[1] * math.exp(quantile * ends), rel=2e-3)


@settings(max_examples=20)
@given(st.lists(st.tuples(st.floats(0.02, 2.0), WORDS), min_size=1, max_size=6), st.randoms())
def test_the_order_of_records_says_nothing(prints, random):
    listed = [
        seen(content, f"petg-{i % 3}", at_s=float(i), **said) for i, (content, said) in enumerate(prints)
    ]
    shuffled = random.sample(listed, len(listed))
    assert learned(PETG, shuffled).shares == pytest.approx(learned(PETG, listed).shares, abs=1e-12)


@settings(max_examples=40)
@given(st.floats(0.05, 1.5), st.sampled_from(["strings", "bubbles", "surface", "parts"]))
def test_a_worse_word_never_raises_a_limit(content, question):
    middles = [
        learned(PETG, [seen(content, **{question: word})]).marginal.p50 for word in signs.WORDS[question]
    ]
    assert middles[0] >= middles[1] - 1e-9
    assert middles[0] >= middles[2] - 1e-9


def test_a_wetter_spool_than_thought_moves_limit_and_content_alike():
    dry = learned(PETG, [seen(0.2, bubbles="few"), seen(0.1, "other", bubbles="none")]).marginal.p50
    wet = learned(PETG, [seen(0.4, bubbles="few"), seen(0.2, "other", bubbles="none")]).marginal.p50
    assert wet > dry


def test_a_hot_nozzle_makes_a_strand_seem_wetter():
    assert seems_wetter(PETG, Outcome()) == 0.0
    assert seems_wetter(PETG, Outcome(nozzle_C=250)) == pytest.approx(0.17, abs=0.01)  # a fifth for 10 K
    assert seems_wetter(PETG, Outcome(nozzle_C=230)) < 0.0 < seems_wetter(PETG, Outcome(melt_s=40))
    cool = learned(PETG, [seen(0.4, bubbles="none")]).marginal.p50
    hot = learned(PETG, [replace(seen(0.4, bubbles="none"), shift=0.3)]).marginal.p50
    assert hot > cool


def test_several_looks_at_one_strand_are_one_look():
    one = learned(PETG, [seen(0.5, bubbles="none")]).shares
    four = learned(PETG, [replace(seen(0.5, bubbles="none", at_s=float(i)), power=0.25) for i in range(4)])
    assert four.shares == pytest.approx(one, abs=1e-12)


def test_a_line_leans_on_its_material_and_leads_it_little():
    own = [replace(seen(0.9, f"a-{i}", bubbles="none", parts="good"), line="matt") for i in range(6)]
    other = [seen(0.25, f"b-{i}", bubbles="few", parts="usable") for i in range(6)]
    line, material = found_of([*own, *other], "matt").learned, found_of([*own, *other]).learned
    alone = found_of(own, "matt").learned
    assert alone.marginal.p50 > line.marginal.p50 > material.marginal.p50


def test_more_prints_narrow_the_band():
    random = np.random.default_rng(3)
    shop = drawn_workshop(random, STATED)
    prints = [one.noted for one in prints_of(shop, random, spools=6, each=5)]

    def width(band):
        return math.log(band.p90 / band.p10)

    assert width(learned(PETG, prints).marginal) < 0.55 * width(learned(PETG, []).marginal)


@pytest.mark.parametrize("seed", range(3))
def test_three_wrong_of_thirty_move_the_limit_little(seed):
    random = np.random.default_rng(seed)
    prints = [one.noted for one in prints_of(drawn_workshop(random, STATED), random, spools=6, each=5)]
    ends = {key: (words[0], words[-1]) for key, words in signs.WORDS.items()}
    wrong = [
        replace(one, said=tuple((key, ends[key][word == ends[key][0]]) for key, word in one.said))
        if i % 10 == 0
        else one
        for i, one in enumerate(prints)
    ]
    right = found_of(prints).learned.marginal.p50
    assert found_of(wrong).learned.marginal.p50 == pytest.approx(right, rel=0.15)


def test_the_bands_hold_the_truth_of_other_workshops():
    inside = []
    for seed in range(24):
        random = np.random.default_rng(100 + seed)
        shop = drawn_workshop(random, STATED)
        band = found_of([one.noted for one in prints_of(shop, random, spools=5, each=4)]).learned.marginal
        inside.append(band.p10 <= shop.marginal <= band.p90)
    assert 14 <= sum(inside) <= 24  # 80 %: 19 of 24; fewer than 14 in one of 80 such draws


def test_what_cannot_surprise_tells_nothing():
    found = found_of([seen(0.4, bubbles="few"), seen(0.2, "other", bubbles="none")]).learned
    near, far = narrower(seen(best_content(found)), found), narrower(seen(0.005), found)
    assert near > 5 * far
    assert 0.5 * found.marginal.p50 < best_content(found) < 2.5 * found.marginal.p50


# ---------------------------------------------------------------- evidence


def test_a_record_gives_its_prints_and_its_looks_and_leaves_its_water_alone(tmp_path):
    spool = read_spool(written(tmp_path))
    told = of_spool(spool, lambda each: state_at(each, 1_800_000_000.0, members=8))
    assert [one.said for one in told] == [
        (("strings", "few"), ("parts", "good")),
        (("bubbles", "few"), ("oozes", "yes")),
    ]
    assert told[0].shift > 0.0  # 255 °C
    assert not any(event.kind == "inspected" for event in only_seen(spool).events)
    without = replace(spool, events=tuple(event for event in spool.events if event.kind != "outcome"))
    now_s = spool.events[-1].at_s + 3600.0
    with_, plain = (state_at(one, now_s, members=8) for one in (spool, without))
    assert with_.next_fed_wt_pct == pytest.approx(plain.next_fed_wt_pct, rel=1e-6)  # stays are cut otherwise
    assert np.array_equal(with_.weights, plain.weights)


def test_evidence_that_was_kept_is_what_was_put_by(tmp_path):
    told = of_spool(read_spool(written(tmp_path)), lambda each: state_at(each, 1_800_000_000.0, members=8))
    again = evidence_store.unsealed(evidence_store.sealed(told))
    assert again is not None
    assert learned(PETG, again).shares.tobytes() == learned(PETG, told).shares.tobytes()
    assert evidence_store.unsealed(evidence_store.sealed([])) == []
    assert evidence_store.unsealed(evidence_store.sealed(told)[:-3]) is None


def test_an_outcome_that_says_nothing_is_refused(tmp_path):
    path = written(tmp_path)
    path.write_text(path.read_text().replace('strings = "few"\nparts = "good"\n', 'because = "water"\n'))
    with pytest.raises(Exception, match=r"petg.toml:\d+: an outcome says nothing; add strings"):
        read_spool(path)


def written(folder: pathlib.Path) -> pathlib.Path:
    path = folder / "petg.toml"
    path.write_text(
        """id = "petg-03"
material = "PETG"
diameter_mm = 1.75
net_mass_g = 1000
line = "clear"
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 55.0
[[event]]
at = 2026-10-02T08:00:00+02:00
kind = "received"
place = "bench"
[[event]]
at = 2026-10-04T08:00:00+02:00
kind = "outcome"
strings = "few"
parts = "good"
nozzle_C = 255
[[event]]
at = 2026-10-04T08:01:00+02:00
kind = "fed"
length_mm = 20000
[[event]]
at = 2026-10-05T08:00:00+02:00
kind = "outcome"
strings = "many"
because = "other"
[[event]]
at = 2026-10-06T08:00:00+02:00
kind = "inspected"
bubbles = "few"
oozes = true
"""
    )
    return path


# ---------------------------------------------------------------- adopting


def test_an_adopted_file_is_the_material_with_other_limits(tmp_path):
    found = found_of([seen(0.2, f"s-{i}", bubbles="few", strings="many") for i in range(6)])
    original = profiledata.lookup("materials", "PETG", adopted=False)
    assert original is not None
    text = file_text(original.read_text(), STATED, found.to_adopt, records=6, on="2026-11-29", line='a "b"')
    path = tmp_path / "petg.toml"
    path.write_text(text)
    own = profiles.material(path)
    assert own.limit_marginal_wt_pct == pytest.approx(found.to_adopt.marginal.p50, rel=1e-5)
    assert own.limits_source == "own prints, 6 records"
    assert own.adopted is not None
    assert (own.adopted.stated_marginal_wt_pct, own.adopted.line) == (STATED[1], 'a "b"')
    kept = (
        "diffusivity_23C_m2_s",
        "uptake_saturation_wt_pct",
        "dry_at_C",
        "sources",
        "source_texts",
        "aliases",
    )
    assert all(getattr(own, key) == getattr(PETG, key) for key in kept)


def test_members_have_the_adopted_band(tmp_path):
    from gcodetool.moisture.polymer import polymer

    found = found_of([seen(0.2, f"s-{i}", bubbles="few", strings="many") for i in range(6)])
    original = profiledata.lookup("materials", "PETG", adopted=False)
    assert original is not None
    path = tmp_path / "petg.toml"
    path.write_text(
        file_text(original.read_text(), STATED, found.to_adopt, records=6, on="2026-11-29", line=None)
    )
    drawn = polymer(profiles.material(path), members=512, seed="petg-03")
    low, high = (100 * float(np.quantile(drawn.limit_marginal, q)) for q in (0.1, 0.9))
    assert low == pytest.approx(found.to_adopt.marginal.p10, rel=0.02)
    assert high == pytest.approx(found.to_adopt.marginal.p90, rel=0.02)
    assert (drawn.limit_good <= drawn.limit_marginal).all()


@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), st.sampled_from(["PETG", "PC", "TPU_95A", "PLA", "PA6"]))
def test_no_adopted_limit_lies_where_the_melt_is_damaged(good, marginal, name):
    material = profiles.material(name)
    first, second = (np.exp(-0.5 * ((GRID - each) / 0.1) ** 2) for each in (good, marginal))
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    shares = np.outer(first, second)
    limits = bounded(material, Learned(stated, shares / shares.sum()))
    bound = damage_begins_wt_pct(material)
    assert limits.good.p50 <= limits.marginal.p50
    assert limits.marginal.p10 <= limits.marginal.p50 <= limits.marginal.p90
    if bound is not None:
        assert bound >= stated[1]
        assert limits.marginal.p90 <= bound
        assert (limits.held_back is not None) == (
            second @ (math.log(bound / stated[1]) < GRID) > second.sum() / 2
        )


@pytest.mark.parametrize("line", [None, "clear"])
def test_records_looked_at_block_by_block_are_what_they_are_together(line, monkeypatch):
    words = itertools.cycle(({"strings": "few"}, {"bubbles": "none", "parts": "good"}, {"strings": "many"}))
    prints = [
        replace(seen(0.05 + 0.01 * i, f"petg-{i % 5 // 3}", at_s=float(i), **next(words)), line=line)
        for i in range(24)
    ]
    together = found_of(prints, line)
    whole = [(one.wt_pct, one.good, one.marginal) for one in together.records]
    monkeypatch.setattr(influence, "AT_A_TIME", 4)
    apart = found_of(prints, line)
    assert apart.learned.shares == pytest.approx(together.learned.shares, rel=1e-9, abs=1e-15)
    for got in (apart.records, [apart.records[i] for i in range(24)]):
        assert np.array([(one.wt_pct, one.good, one.marginal) for one in got]) == pytest.approx(
            np.array(whole), rel=1e-9, abs=1e-12
        )
    assert [one.marginal for one in apart.records[5:19:3]] == pytest.approx(
        [each[2] for each in whole[5:19:3]]
    )


def test_json_in_parts_is_one_object(monkeypatch):
    listed = [
        found_of([seen(0.2, at_s=float(i), strings="few") for i in range(count)]) for count in (0, 1, 7)
    ]
    for at_a_time in (256, 3):
        monkeypatch.setattr(limits_json, "AT_A_TIME", at_a_time)
        texts = ["".join(limits_json.limits_json(each)) for each in listed]
        assert [len(json.loads(text)["records"]) for text in texts] == [0, 1, 7]
        assert json.loads(texts[2])["best_wt_pct"] == listed[2].best_wt_pct


# ---------------------------------------------------------------- the commands


@dataclass(frozen=True)
class Said:
    exit_code: int
    stdout: str
    output: str


def run(*words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = outcome([str(word) for word in words])
    return Said(code, out.getvalue(), out.getvalue() + err.getvalue())


@pytest.fixture
def shelf(tmp_path, monkeypatch):
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "profiles"))
    monkeypatch.setenv("GCODETOOL_SNAPSHOTS", str(tmp_path / "cache"))
    run("place", "add", "bench", "--kind", "open", "--temperature", 22, "--humidity", 55)
    for name in ("petg-01", "petg-02"):
        words = ("--material", "PETG", "--place", "bench", "--found-open", "--line", "clear")
        assert run("spool", "add", name, *words, "--at", "2026-10-01").exit_code == 0
    return tmp_path


def test_a_single_record_has_no_others_that_it_could_contradict(shelf):
    run("place", "add", "oven", "--kind", "dryer", "--temperature", 65, "--room", "bench")
    run("spool", "dried", "petg-01", "--hours", 24, "--at", "2026-10-12")
    run("spool", "inspect", "petg-01", "--bubbles", "many", "--at", "2026-10-12T00:10")
    said = run("limits", "show", "PETG", "--members", 8, "--at", "2026-10-13").stdout
    assert " ".join(said.split()).count("contradicts the stated limits") == 2
    assert "contradicts the others" not in said


def test_a_workshop_learns_adopts_and_takes_it_back(shelf):
    job = pathlib.Path(__file__).parents[1] / "sample_gcode" / "hose-clips-petg.gcode"
    at = ("--at", "2026-11-10")
    check = ("check", job, "--spool", "petg-01", "--place", "bench", "--json", "--members", 8, *at)
    before = json.loads(run(*check).stdout)
    assert run("limits", "adopt", "PETG", *at).exit_code != 0  # nothing was noted yet
    for day in range(12, 18):
        said = ("--strings", "many", "--surface", "rough", "--parts", "scrap")
        for name in ("petg-01", "petg-02"):
            assert run("spool", "fed", name, "--mass", 20, *said, "--at", f"2026-10-{day}").exit_code == 0
    show = ("limits", "show", "petg", "--json", "--members", 8, *at)
    found = json.loads(run(*show).stdout)
    assert len(found["records"]) == 12
    assert found["learned"]["marginal_wt_pct"]["p90"] < found["stated"]["marginal_wt_pct"]
    assert found["adopted"] is None
    assert json.loads(run(*show).stdout) == found  # from what was kept
    noted = json.loads(run(*check).stdout)
    assert (
        noted["tools"][0]["verdict"] == before["tools"][0]["verdict"]
    )  # nothing is used before it is adopted
    assert any("12 of your own prints put the marginal limit" in each for each in noted["cautions"])
    done = run("limits", "adopt", "PETG", "--members", 8, *at)
    assert (done.exit_code, done.stdout.startswith("PETG: good to ")) == (0, True)
    after = json.loads(run(*check).stdout)
    forecast = after["tools"][0]["forecast"]
    assert forecast["limits_source"] == "own prints, 12 records"
    assert forecast["limit_marginal_wt_pct"] < before["tools"][0]["forecast"]["limit_marginal_wt_pct"]
    assert not any("of your own prints" in each for each in after["cautions"])
    listed = run("spool", "list", *at).stdout
    assert "PETG+" in listed
    assert "+ limits by your own prints" in listed
    assert json.loads(run(*show).stdout)["adopted"]["records"] == 12
    assert run("limits", "drop", "PETG").exit_code == 0
    assert json.loads(run(*check).stdout)["tools"][0]["forecast"] == noted["tools"][0]["forecast"]
    again = run("limits", "drop", "PETG")
    assert (again.exit_code, "no limits of PETG are adopted" in again.output) == (2, True)


def test_a_line_has_limits_of_its_own(shelf):
    words = ("--material", "PETG", "--place", "bench", "--at", "2026-10-01")
    assert run("spool", "add", "petg-09", *words).exit_code == 0
    for day in range(10, 16):
        words = ("--strings", "many", "--parts", "scrap", "--at", f"2026-10-{day}")
        assert run("spool", "outcome", "petg-01", *words).exit_code == 0
    wrong = run("limits", "show", "PETG", "--line", "clar")
    assert (wrong.exit_code, "lines: clear" in wrong.output) == (2, True)
    words = ("PETG", "--line", "clear", "--members", 8, "--at", "2026-11-10")
    assert run("limits", "adopt", *words).exit_code == 0
    own, other = (
        json.loads(run("spool", "show", name, "--json", "--members", 8, "--at", "2026-11-10").stdout)
        for name in ("petg-02", "petg-09")
    )
    assert own["limits_source"].startswith("own prints")
    assert other["limits_source"] == "stated"
    assert own["limit_marginal_wt_pct"] < other["limit_marginal_wt_pct"]


def test_one_line_notes_feed_and_outcome_and_one_undo_takes_both_back(shelf):
    words = ("spool", "fed", "petg-01", "--mass", 20, "--strings", "few", "--nozzle", 240)
    assert run(*words, "--at", "2026-10-05").exit_code == 0
    shown = run("spool", "show", "petg-01", "--at", "2026-10-06", "--members", 1).stdout
    assert "came out: strings few" in shown
    exported = run("spool", "export", "petg-01").stdout
    assert 'kind = "outcome"\nstrings = "few"\nnozzle_C = 240.0' in exported
    assert 'line = "clear"' in exported
    run("spool", "undo", "petg-01", "--at", "2026-10-07")
    assert "outcome" not in run("spool", "export", "petg-01").stdout
    nothing = run("spool", "outcome", "petg-01", "--because", "water")
    assert (nothing.exit_code, "--strings" in nothing.output) == (2, True)


def test_the_page_and_the_schema(shelf):
    import jsonschema

    for day in (10, 11, 12, 13, 14):
        run("spool", "outcome", "petg-01", "--strings", "few", "--at", f"2026-10-{day}")
    page = shelf / "limits.html"
    words = ("limits", "show", "PETG", "-o", page, "--json", "--members", 4, "--at", "2026-10-20")
    found = json.loads(run(*words).stdout)
    schema = pathlib.Path(__file__).parents[1] / "docs" / "limits.schema.json"
    jsonschema.Draft202012Validator(json.loads(schema.read_text())).validate(found)
    text = page.read_text()
    assert "PETG: your prints agree with the stated limits" in text
    assert "<svg" in text
    assert run("limits", "show", "PETG", "-o", shelf / "limits.txt").exit_code == 2


def test_a_reel_that_may_be_empty_is_not_tried_next():
    def held(*wt_pct):
        spool = SimpleNamespace(id="petg-01", line=None, polymer_share=0.5)
        return SimpleNamespace(
            spool=spool, next_fed_wt_pct=np.array(wt_pct), as_of_s=0.0, weights=np.full(len(wt_pct), 0.5)
        )

    assert as_it_stands(held(0.1, math.nan)) is None
    assert as_it_stands(held(0.1, 0.2)).content.tolist() == [0.2, 0.4]  # of the polymer alone


def test_before_limits_can_be_adopted_nothing_is_said_for_or_against_the_stated_ones(shelf):
    run("spool", "outcome", "petg-01", "--parts", "scrap", "--because", "water", "--at", "2026-10-10")
    words = ("PETG", "--members", 4, "--at", "2026-10-20")
    said = run("limits", "show", *words).stdout
    assert said.startswith("PETG: 1 record so far, too few to say anything")
    assert "limits adopt" not in said  # which is refused
    refused = run("limits", "adopt", *words)
    assert refused.exit_code == 2
    assert "PETG has 1 record, too few; note at least 5 prints first" in refused.output


AFTER_A_LOOK = (  # notes one after another, and of which spools the records are read again for them
    ("outcome petg-01 --strings few --at 2026-10-21", ["petg-01"]),
    ("read bench --humidity 70 --at 2026-10-25", ["petg-01", "petg-02"]),  # found open: all readings count
    (
        "read attic --humidity 30 --at 2026-10-25",
        ["petg-03", "petg-04"],
    ),  # after a last print the next one counts
    ("read attic --humidity 50 --at 2026-10-26", ["petg-04"]),  # not alone: all count
    ("read attic --humidity 60 --at 2026-10-12", ["petg-03", "petg-04"]),
    ("fed pla-05 --mass 30 --at 2026-10-01T12:00", ["petg-04"]),  # stood in one box with it
    ("set petg-04 --line silk", ["petg-04"]),
    ("undo petg-04", ["petg-04"]),
)


def test_what_was_kept_of_prints_is_what_their_records_say(shelf, monkeypatch):
    run("place", "add", "attic", "--kind", "open", "--temperature", 25, "--humidity", 40)
    words = "tub --kind box --air 10 --desiccant silica_gel --desiccant-mass 50 --room attic"
    assert run("place", "add", *words.split()).exit_code == 0
    for name, place in (("petg-03", "attic"), ("petg-04", "tub"), ("pla-05", "tub")):
        words = ("--material", name.split("-")[0], "--water", 0.2, "--place", place, "--at", "2026-10-01")
        assert run("spool", "add", name, *words).exit_code == 0
    for name in ("petg-04", "pla-05"):
        run("spool", "move", name, "attic", "--at", "2026-10-02")
    names = ["petg-01", "petg-02", "petg-03", "petg-04"]
    for name in names:
        run("spool", "outcome", name, "--strings", "few", "--bubbles", "few", "--at", "2026-10-15")
        run("spool", "retire", name, "--at", "2026-10-20")
    read = []
    one = limits_evidence.MaterialSpools._read
    monkeypatch.setattr(
        limits_evidence.MaterialSpools,
        "_read",
        lambda self, conn, name, airs: read.append(name) or one(self, conn, name, airs),
    )

    def shown(at="2026-11-10"):
        read.clear()
        found = json.loads(run("limits", "show", "petg", "--json", "--members", 1, "--at", at).stdout)
        return found, list(read)

    assert shown()[1] == names
    assert shown()[1] == []
    for command, again in AFTER_A_LOOK:
        noted = run("place" if command.startswith("read") else "spool", *command.split())
        assert noted.exit_code == 0, noted.output
        found, names_read = shown()
        assert (command, names_read) == (command, again)
        with monkeypatch.context() as patch:
            patch.setenv("GCODETOOL_SNAPSHOTS", "off")
            assert (command, shown()[0]) == (command, found)
    assert len(shown("2026-10-18")[0]["records"]) == 4  # an earlier moment: petg-01 was not printed again yet
    assert len(shown()[0]["records"]) == 5


def test_a_restored_ledger_with_another_history_is_read_again(shelf):
    """Its entries have the same numbers."""
    words = ("--material", "PETG", "--water", 0.2, "--place", "attic", "--at", "2026-10-01")
    run("place", "add", "attic", "--kind", "open", "--temperature", 25, "--humidity", 40)
    run("spool", "add", "petg-03", *words)
    run("spool", "outcome", "petg-03", "--strings", "few", "--at", "2026-10-15")
    run("spool", "retire", "petg-03", "--at", "2026-10-20")
    before = (shelf / "ledger.sqlite").read_bytes()
    contents = []
    for humidity in (20, 80):
        (shelf / "ledger.sqlite").write_bytes(before)
        run("place", "read", "attic", "--humidity", humidity, "--at", "2026-10-05")
        words = ("limits", "show", "petg", "--json", "--members", 4, "--at", "2026-11-10")
        contents.append(json.loads(run(*words).stdout)["records"][0]["wt_pct"])
    assert contents[1] > 1.5 * contents[0]


def test_limits_are_adopted_from_five_records_on(monkeypatch):
    """One fewer says too little; with five the material's file is asked for next."""

    class AskedForError(Exception):
        pass

    def stated_path(_name):
        raise AskedForError

    def found(count):
        monkeypatch.setattr(
            limits,
            "learned_limits",
            lambda *_, **__: SimpleNamespace(records=[None] * count, material="PETG"),
        )

    monkeypatch.setattr(limits, "_stated_path", stated_path)
    found(LEAST_RECORDS - 1)
    with pytest.raises(UsageError, match="PETG has 4 records, too few; note at least 5 prints"):
        limits.adopt_limits("PETG")
    found(LEAST_RECORDS)
    with pytest.raises(AskedForError):
        limits.adopt_limits("PETG")


def test_prints_that_tell_enough_are_asked_for_and_one_heading_stands_over_them():
    def told(*narrower):
        tries = [Try(f"petg-{n}", 0.1, 0.2, 0.3, share) for n, share in enumerate(narrower)]
        return list(limits_text._tries(SimpleNamespace(tries=tries, best_wt_pct=0.2)))

    enough, less = limits_text.ASKS_FOR, 0.99 * limits_text.ASKS_FOR
    assert [name for name, _ in told(0.2, enough, less)] == ["print next", ""]
    ((name, text),) = told(less)
    assert (name, "no print of a spool on the shelf" in text) == ("print next", True)
    assert len(told(*[0.5] * 9)) == limits_text.TRIES

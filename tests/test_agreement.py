"""One question, one answer: whoever is asked of one spool and one job at one moment says the same."""

import functools
import itertools
import pathlib

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

import gcodetool
from gcodetool.app.check import JobQuestion, examine_job
from gcodetool.app.drying import DryerQuestion, JobToDryFor
from gcodetool.drying.instructions import instruction
from gcodetool.gcode.program import read
from gcodetool.ledger import place_entries, writers
from gcodetool.ledger.store import open_ledger
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder

pytestmark = pytest.mark.skipif(not COMPILED, reason="many forecasts: compiled kernels only")

NOW = 1795593600.0
HOUR = 3600.0
JOB = sample_folder() / "hose-clips-petg.gcode"
MEMBERS = 8
NAMES = itertools.count()


@functools.cache
def program():
    return read(JOB, dialect="klipper")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    path = str(tmp_path_factory.mktemp("shelf") / "ledger.sqlite")
    ledger = open_ledger(path)
    places = {
        "bench": {"kind": "open", "temperature_C": 22.0, "rh_pct": 48.0},
        "damp": {"kind": "open", "temperature_C": 24.0, "rh_pct": 78.0},
        "oven": {"kind": "dryer", "temperature_C": 65.0, "room": "bench"},
        "bag": {"kind": "sealed"},
        "box": {"kind": "box", "temperature_C": 22.0, "rh_pct": 14.0},
        "bench-1": {"kind": "printer", "printer": "bench-1", "room": "damp"},
    }
    for name, facts in places.items():
        place_entries.add_place(ledger, name, facts, at_s=NOW - 2000 * HOUR, force=False)
    return path


stays = st.lists(
    st.tuples(st.sampled_from(["bench", "damp", "oven", "bag", "box"]), st.floats(0.2, 300.0)), max_size=4
)
looks = st.sampled_from([None, None, "none", "few", "many"])


DEEP = [("oven", 1.1), ("bag", 56.02), ("damp", 276.94), ("oven", 86.77)]  # dry outside, wet inside


@example("PA6", 0.326, DEEP, "few", True, None)
@settings(max_examples=12, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.sampled_from(["PETG", "TPU", "PA6", "PLA"]),
    st.floats(0.0, 1.0),
    stays,
    looks,
    st.booleans(),
    st.sampled_from([None, 4.0]),
)
def test_all_that_are_asked_say_the_same(shelf, material, water, moves, bubbles, weighed, own_h) -> None:
    spool = f"reel-{next(NAMES)}"
    ledger = open_ledger(shelf)
    facts = {"material": material, "diameter_mm": 1.75, "net_mass_g": 1000.0}
    facts |= {} if own_h is None else {"safe_exposure_h": own_h}
    began = NOW - sum(hours for _, hours in moves) * HOUR - HOUR
    received = {"water_wt_pct": water * (2.0 if material == "PA6" else 0.5)}
    writers.add_spool(ledger, spool, facts, place="bench", received=received, at_s=began, force=True)
    at_s = began + HOUR / 2
    for place, hours in moves:
        writers.move(ledger, spool, place, tool=None, at_s=at_s, note=None, force=True)
        at_s += hours * HOUR
    if bubbles is not None:
        writers.inspect(
            ledger, spool, bubbles=bubbles, oozes=None, pops=None, at_s=NOW - 60.0, note=None, force=True
        )
    if weighed:
        writers.weigh(ledger, spool, 1200.0, resolution_g=None, at_s=NOW - 90.0, note=None, force=True)
    words = {"at": NOW, "members": MEMBERS, "ledger": shelf, "printer": "bench-1"}

    seen = examine_job(program(), JobQuestion(spool, **words), spread=False)
    tool = seen.findings.tools[0]
    verdict = tool.verdict

    # the file itself, as prepare and review look at it
    again = examine_job(program(), JobQuestion(spool, **words), watch_z_mm=1.0, spread=False).findings
    assert again.tools == seen.findings.tools
    assert again.cautions == seen.findings.cautions

    # where it stands: the list, and the spool itself
    shown = gcodetool.spool(spool, at=NOW, members=MEMBERS, ledger=shelf)
    (row,) = [
        each.row for each in gcodetool.spools(at=NOW, members=MEMBERS, ledger=shelf) if each.id == spool
    ]
    assert (row.word, row.whole_word, row.safe_s, row.keeps_s) == (
        shown.word,
        shown.whole_word,
        shown.safe_exposure_s,
        shown.keeps_s,
    )
    assert row.next_fed_wt_pct == shown.state.next_fed_wt_pct == tool.state.next_fed_wt_pct
    limits = (shown.limit_good_wt_pct, shown.limit_marginal_wt_pct)
    assert limits == (tool.forecast.limit_good_wt_pct, tool.forecast.limit_marginal_wt_pct)
    # in a dryer the word is that of the wettest turns, and what is fed next may be dry
    drying = bool(moves) and moves[-1][0] == "oven"
    if shown.word == "wet" and not drying:
        assert shown.safe_exposure_s == 0 or shown.safe_source == "stated"
    if verdict.by_model and verdict.code in ("clear", "adjust"):
        lower = tool.forecast.start_wt_pct.p50 < tool.state.next_fed_wt_pct.p50
        assert shown.word != "wet" or drying or lower

    # one job in a queue, without a dryer to send the spool to first
    plan = pathlib.Path(shelf).with_name(f"{spool}.toml")
    plan.write_text(f'[[job]]\nfile = "{JOB}"\nspool = "{spool}"\n')
    listed = gcodetool.queue_plan(
        [plan], printer="bench-1", dryers={}, at=NOW, members=MEMBERS, ledger=shelf, processes=1
    )
    (job,) = listed.rows
    (each,) = job.tools
    assert (each.spool, each.code, each.because, each.from_layer) == (
        spool,
        verdict.code,
        verdict.because,
        verdict.from_layer,
    )
    assert (each.share, each.outcomes, each.air) == (verdict.share, verdict.outcomes, tool.exposure.air)
    assert each.safe_s == tool.exposure.safe_s
    spoken = [said for said in seen.findings.cautions if said.startswith((spool, "T0 is sliced"))]
    assert list(each.cautions) == spoken

    # a drying plan for the job, judged as it stands now
    made, _ = gcodetool.drying_plan(
        spool,
        DryerQuestion("oven"),
        job=JobToDryFor(JOB, printer="bench-1"),
        at=NOW,
        members=MEMBERS,
        ledger=shelf,
        cap_s=HOUR,
    )
    if made.job is not None:
        assert (made.job.now.code, made.job.now.because) == (verdict.code, verdict.because)
        # where the model alone would print, own figure and eyes still count: the plan's first line says so
        assert (made.job.clear_s == 0.0) == (verdict.code == "clear") or not verdict.by_model
        assert ("Do not print" in instruction(made)) == (made.job.clear_s == 0.0 and verdict.code != "clear")
        assert made.job.words == tool.exposure.air

    # a slicer's profile adjusted for the job
    done = gcodetool.adjust(PROFILE, spool, job=JOB, **words)
    assert done.water.covered == (verdict.code == "adjust")
    assert (done.water.good, done.water.marginal) == limits
    assert done.findings.tools == seen.findings.tools


PROFILE = sample_folder().parent / "tests" / "data" / "profiles" / "a-flat-petg-green.ini"

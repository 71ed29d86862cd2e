"""What a box's log says of it: another model's logs, laws, and the commands end to end."""

import datetime
import json
import os
import pathlib
import re
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from storage_truth import scored, simulate

import gcodetool
from gcodetool import moments, profiles
from gcodetool.cli.main import outcome
from gcodetool.errors import InputError
from gcodetool.ledger import records, store
from gcodetool.ledger.placetables import check_places
from gcodetool.moisture.air import desiccant, drying_agent, vapour_density, vapour_pressure
from gcodetool.moisture.doubts import Doubts
from gcodetool.moisture.history import state_at
from gcodetool.moisture.places import charged
from gcodetool.moisture.record import AirLog, Charge, Event, Place, Spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.storage import fit
from gcodetool.storage.fit import BoxFacts, fit_box

ROOT = pathlib.Path(__file__).parent.parent
SCHEMA = json.loads((ROOT / "docs" / "storage.schema.json").read_text(encoding="utf-8"))
HOUR, DAY = 3600.0, 86_400.0
NOW = 1.79e9


def test_another_models_boxes_are_read():
    """Twenty logs of one day and more: the long count is in tests/benchmarks/box_fit.py."""
    rows = [scored(each) for each in simulate(20, 7)]
    assert sum(row.inside for row in rows) >= 11  # of 20 at 80 %: fewer once in a thousand draws
    assert sum(row.found for row in rows) >= 0.9 * sum(row.true for row in rows)
    assert sum(row.false for row in rows) <= 3


def empty_box(per_day: float, days: float, *, opened: tuple[float, ...] = (), every_s: float = 600.0):
    """Return logs of an empty box that leaks, exactly, and of its room."""
    at = np.arange(0.0, days * DAY, every_s)
    full = float(vapour_density(295.15, vapour_pressure(295.15, 100.0)))
    room, rh, course = 0.5 * full, 0.10 * full, []
    for moment in at:
        if any(moment - every_s < each <= moment for each in opened):
            rh = room - 0.1 * (room - rh)
        course.append(100.0 * rh / full)
        rh = room + (rh - room) * np.exp(-per_day * every_s / DAY)
    logs = [
        AirLog(NOW + at, np.full(len(at), 22.0), np.array(values))
        for values in (course, np.full(len(at), 50.0))
    ]
    return logs[0], logs[1]


@pytest.mark.parametrize("per_day", [0.3, 1.0, 4.0])
def test_an_exact_log_of_an_empty_box_gives_its_exchange(per_day):
    fit = fit_box(*empty_box(per_day, 2.0), BoxFacts(0.02))
    assert fit.exchange_per_day is not None
    assert fit.exchange_per_day.p10 <= per_day <= fit.exchange_per_day.p90
    assert fit.exchange_per_day.p50 == pytest.approx(per_day, rel=0.5)
    assert fit.exchange_m3_h is not None
    assert fit.exchange_m3_h.p50 * 24.0 / 0.02 == pytest.approx(fit.exchange_per_day.p50)
    assert fit.openings_s == ()


def test_openings_and_gaps_are_named():
    log, room = empty_box(0.5, 3.0, opened=(1.0 * DAY + 300, 2.0 * DAY + 300))
    fit = fit_box(log, room, BoxFacts(0.02))
    assert len(fit.openings_s) == 1  # after the first one it is as humid as the room
    keep = (log.at_s < NOW + 0.4 * DAY) | (log.at_s > NOW + 0.6 * DAY)
    cut = AirLog(log.at_s[keep], log.temperature_C[keep], log.rh_pct[keep])
    gappy = fit_box(cut, room, BoxFacts(0.02))
    assert [each.why for each in gappy.doubtful] == ["no readings"]
    assert gappy.used_s < fit.used_s
    seen = room.at_s > NOW + 0.3 * DAY
    late = AirLog(room.at_s[seen], room.temperature_C[seen], room.rh_pct[seen])
    assert "the room was not read" in [each.why for each in fit_box(log, late, BoxFacts(0.02)).doubtful]
    soaked = AirLog(log.at_s, log.temperature_C, np.where(log.at_s > NOW + 2.5 * DAY, 100.0, log.rh_pct))
    assert "it shows saturated air" in [each.why for each in fit_box(soaked, room, BoxFacts(0.02)).doubtful]


def test_a_day_will_do_and_less_will_not():
    log, room = empty_box(1.0, 1.0)
    fit = fit_box(log, room, BoxFacts(0.02))
    assert fit.exchange_per_day is not None
    with pytest.raises(InputError, match="half hour"):
        fit_box(AirLog(log.at_s[:30], log.temperature_C[:30], log.rh_pct[:30]), room, BoxFacts(0.02))
    with pytest.raises(InputError, match="--air"):
        fit_box(log, room, BoxFacts())


def test_members_are_in_the_fitted_range():
    place = Place("box", "box", 22.0, air_L=20.0, exchange_m3_h=0.001, exchange_range_m3_h=(0.0005, 0.004))
    stream = 0.001 * Doubts(101).exchange(place)
    assert np.mean((stream >= 0.0005) & (stream <= 0.004)) == pytest.approx(0.8, abs=0.02)


def test_warmer_desiccant_stands_under_damper_air():
    gel = profiles.desiccant("silica gel")
    cold, warm = drying_agent(gel), drying_agent(gel, 313.15)

    def humid(agent, wt_pct):
        return float(np.interp(wt_pct, agent.content_wt_pct, agent.rh_pct))

    assert humid(warm, 12.0) / humid(cold, 12.0) == pytest.approx(1.06, abs=0.01)
    assert humid(cold, 12.0) == 20.0
    for name in profiles.names("desiccants"):
        for kelvin in (253.15, 298.15, 333.15):
            agent = drying_agent(profiles.desiccant(name), kelvin)
            assert agent.rh_pct[0] == 0.0
            assert agent.rh_pct[-1] == 100.0
            assert (np.diff(agent.rh_pct) > 0).all()
    assert desiccant("clay").rh_pct[1] == 10.0


def test_a_charge_counts_from_its_moment_on():
    gel, sieve = profiles.desiccant("silica gel"), profiles.desiccant("molecular sieve")
    place = Place(
        "box",
        "box",
        22.0,
        desiccant="silica gel",
        desiccant_g=100.0,
        agent=gel,
        charges=(Charge(10.0, desiccant_g=50.0), Charge(20.0, sieve.name, 30.0, sieve)),
    )
    seen = [(each.desiccant, each.desiccant_g) for each in (charged(place, at) for at in (0.0, 10.0, 25.0))]
    assert seen == [("silica gel", 100.0), ("silica gel", 50.0), ("molecular sieve", 30.0)]


def test_a_renewal_does_not_rewrite_the_past():
    """Until it nothing changes; from then on the box stands under what is in it now."""
    petg, gel = profiles.material("PETG"), profiles.desiccant("silica gel")
    room = Place("bench", "open", 22.0, 50.0)
    box = Place(
        "box",
        "box",
        22.0,
        air_L=10.0,
        desiccant=gel.name,
        agent=gel,
        desiccant_g=30.0,
        exchange_m3_h=0.002,
        room="bench",
        desiccant_fresh_s=(NOW,),
    )

    def humid(at_s: float, *charges: Charge) -> float:
        fresh = tuple(sorted({NOW, *(each.at_s for each in charges)}))
        places = {"bench": room, "box": replace(box, charges=charges, desiccant_fresh_s=fresh)}
        events = (Event(NOW, "received", "box", water_wt_pct=0.05),)
        state = state_at(Spool("one", petg, 1.75, 500.0, places, events), at_s, members=1)
        assert state.enclosed_rh_pct is not None
        return float(state.enclosed_rh_pct[0])

    day = 40 * DAY
    more = Charge(NOW + day, desiccant_g=400.0)
    gone = Charge(NOW + day, desiccant_g=0.0)
    assert humid(NOW + 0.9 * day, more) == pytest.approx(humid(NOW + 0.9 * day), rel=1e-9)
    as_before = humid(NOW + 1.2 * day, Charge(NOW + day))
    assert humid(NOW + 1.2 * day, more) < as_before < humid(NOW + 1.2 * day)
    assert humid(NOW + 1.2 * day, gone) > humid(NOW + 1.2 * day)


# ---------------------------------------------------------------- stories


@pytest.fixture
def run(capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.db"))

    def call(*words, code=0):
        found = outcome([*map(str, words)])
        out, err = capsys.readouterr()
        assert found == code, (out, err)
        return out if code == 0 else err

    return call


def when(at_s: float) -> str:
    return datetime.datetime.fromtimestamp(at_s, datetime.UTC).isoformat()


def write_log(path: pathlib.Path, log: AirLog) -> None:
    lines = ["time;temperature_C;rh_pct"]
    lines += [
        f"{when(at)};{celsius:.1f};{rh:.2f}"
        for at, celsius, rh in zip(log.at_s, log.temperature_C, log.rh_pct, strict=True)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture
def shelf(run, tmp_path):
    """A bench, a box that was left shut and empty for two days, and their logs."""
    box, room = empty_box(2.0, 2.0)
    write_log(tmp_path / "box.csv", box)
    write_log(tmp_path / "room.csv", room)
    at = ("--at", when(NOW))
    run("place", "add", "bench", "--kind", "open", "--temperature", 22, "--humidity", 50, *at)
    gel = ("--desiccant", "silica gel", "--desiccant-mass", 100)
    run(
        "place",
        "add",
        "box-2",
        "--kind",
        "box",
        "--temperature",
        22,
        "--room",
        "bench",
        "--air",
        20,
        *gel,
        *at,
    )
    run("place", "renewed", "box-2", "--mass", 0, *at)
    run("place", "log", "bench", "room.csv")
    run("place", "log", "box-2", "box.csv")
    return ("--at", when(NOW + 2 * DAY))


def places(tmp_path):
    with store.reading(store.open_ledger(str(tmp_path / "shelf.db"), make=False)) as conn:
        return records.places(conn)


def test_a_box_is_fitted_kept_and_taken_back(run, shelf, tmp_path):
    said = run("place", "fit", "box-2", *shelf)
    assert said.startswith("box-2: it exchanges ~")
    found = json.loads(run("place", "fit", "box-2", *shelf, "--keep", "--json"))
    jsonschema.Draft202012Validator(SCHEMA).validate(found)
    assert found["exchange_per_day"]["p10"] < 2.0 < found["exchange_per_day"]["p90"]
    assert found["kept"]
    facts = places(tmp_path)["box-2"].facts
    assert facts["exchange_m3_h"] == found["exchange_m3_h"]["p50"]
    assert facts["exchange_range_m3_h"] == [found["exchange_m3_h"]["p10"], found["exchange_m3_h"]["p90"]]
    run("place", "set", "box-2", "--exchange", 0.01)
    assert "exchange_range_m3_h" not in places(tmp_path)["box-2"].facts
    run("place", "undo", "box-2")
    run("place", "undo", "box-2")
    assert "exchange_m3_h" not in places(tmp_path)["box-2"].facts


def test_a_reel_in_the_box_counts_with_what_is_left_of_it(run, shelf):
    """As much as of a smaller reel, not as when it was new."""

    def fitted(*reel):
        run("spool", "add", "pa6-1", "--material", "PA6", *reel, "--place", "box-2", "--at", when(NOW))
        found = json.loads(run("place", "fit", "box-2", *shelf, "--json"))
        run("spool", "undo", "pa6-1")
        return found["exchange_per_day"]

    begun, small = fitted("--net-mass", 1000, "--left", 100), fitted("--net-mass", 100)
    assert begun == pytest.approx(small, rel=1e-9)
    assert begun != fitted("--net-mass", 1000)


def test_a_renewal_is_an_event_with_its_own_charge(run, shelf, tmp_path):
    later = ("--at", when(NOW + DAY))
    said = run("place", "renewed", "box-2", "--desiccant", "molecular sieve", "--mass", 250, *later)
    assert "desiccant renewed: 250 g molecular sieve" in said
    assert "200 to 300 °C" in said
    assert "caution: hot grains burn" in said
    assert "renewed: 250 g molecular sieve" in run("place", "show", "box-2")
    stated = {
        name: {**each.stated, "log": AirLog((0.0,), (20.0,), (50.0,))}
        for name, each in places(tmp_path).items()
    }
    box = check_places(stated, "ledger")["box-2"]
    assert box.desiccant_fresh_s == (NOW, NOW + DAY)
    assert charged(box, NOW + DAY / 2).desiccant_g == 0.0
    assert charged(box, NOW + 2 * DAY).desiccant == "molecular sieve"
    run(
        "spool",
        "add",
        "petg-03",
        "--material",
        "PETG",
        "--net-mass",
        1000,
        "--place",
        "box-2",
        "--at",
        when(NOW),
    )
    run("spool", "export", "petg-03", "-o", "petg-03.toml")
    text = (tmp_path / "petg-03.toml").read_text(encoding="utf-8")
    assert "renewed = [" in text
    run("ledger", "check")
    run("spool", "import", "petg-03.toml", "--ledger", "other.db")
    run("spool", "export", "petg-03", "-o", "again.toml", "--ledger", "other.db")
    assert "renewed = [" in (tmp_path / "again.toml").read_text(encoding="utf-8")
    run("place", "undo", "box-2")
    assert "molecular sieve" not in run("place", "list")


def test_what_was_put_in_counts_from_its_date_whatever_is_corrected(run, capsys):
    def corrected(*words):
        assert outcome(["place", "set", "bin", *words]) == 0
        return capsys.readouterr().err

    gel = ("--desiccant", "silica gel", "--desiccant-mass", 50)
    run("place", "add", "bin", "--kind", "box", "--temperature", 22, "--air", 20, *gel, "--at", when(NOW))
    assert "whatever" not in corrected("--desiccant-mass", "60")
    run("place", "renewed", "bin", "--mass", 120, "--at", when(NOW + DAY))
    assert "whatever" not in corrected("--desiccant", "clay")  # renewed with the same as before: that is clay
    assert "120 g clay" in run("place", "list")
    told = corrected("--desiccant-mass", "300")
    assert f"renewed with counts from {moments.wall(NOW + DAY)} on, whatever is corrected" in told
    assert "120 g clay" in run("place", "list")
    run("place", "renewed", "bin", "--desiccant", "molecular sieve", "--at", when(NOW + 2 * DAY))
    assert f"counts from {moments.wall(NOW + 2 * DAY)} on" in corrected("--desiccant", "silica gel")
    assert "120 g molecular sieve" in run("place", "list")
    assert "whatever" not in corrected("--air", "18")


def test_no_box_holds_more_desiccant_than_it_has_room_for(run):
    box = ("place", "add", "bin", "--kind", "box", "--temperature", 22, "--air", 20)
    gel = ("--desiccant", "silica gel", "--desiccant-mass")
    assert "50000 g of desiccant fill 55.6 L at least, more than the 20 L of the box" in run(
        *box, *gel, "50kg", code=1
    )
    run(*box, *gel, "5kg")
    for words in (("set", "bin", "--desiccant-mass", "50kg"), ("renewed", "bin", "--mass", "50kg")):
        assert "add --force" in run("place", *words, code=1)
        run("place", *words, "--force")
        run("place", "undo", "bin")
    assert "fill 5.6 L at least, more than the 2 L" in run("place", "set", "bin", "--air", 2, code=1)
    run("place", "set", "bin", "--temperature", 23)
    bag = ("--kind", "sealed", "--temperature", 22, "--air", 0.1)
    run("place", "add", "bag", *bag, *gel, 300)  # what is left of its air is little


def test_a_correction_says_that_it_counts_for_the_whole_record(run, capsys):
    run("place", "add", "attic", "--kind", "open", "--temperature", 22, "--humidity", 50, "--at", when(NOW))
    capsys.readouterr()
    assert outcome(["place", "set", "attic", "--humidity", "60", "--at", when(NOW + DAY)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("attic: corrected for its whole record, ")
    assert f"not from {moments.wall(NOW + DAY)} on; air that has changed is noted with" in err
    for plain in (["--humidity", "61"], ["--note", "dry in winter", "--at", when(NOW + DAY)]):
        assert outcome(["place", "set", "attic", *plain]) == 0
        assert capsys.readouterr().err == ""


def test_complaints_say_what_to_do(run, shelf):
    assert "what is fitted is a box" in run("place", "fit", "bench", code=1)
    assert "no place" in run("place", "fit", "box-9", code=1)
    run("place", "set", "box-2", "--humidity", 20)
    assert "--forget humidity" in run("place", "fit", "box-2", "--keep", *shelf, code=1)
    run("place", "add", "bin", "--kind", "box", "--temperature", 22, "--humidity", 30)
    assert "states no room" in run("place", "fit", "bin", code=1)
    assert "states no desiccant yet" in run("place", "renewed", "bin", code=1)
    assert "kind 'open'" in run("place", "renewed", "bench", code=1)
    assert "desiccant renewed" in run("place", "renewed", "box-2", "--at", when(NOW - HOUR))
    before = ("place", "renewed", "box-2", "--at", when(NOW - 2 * DAY))
    assert f"in the record from {moments.wall(NOW)} on; correct --at" in run(*before, code=1)
    assert "desiccant renewed" in run(*before, "--force")
    assert "no price" in run("place", "size", "box-2", "--spools", "x", "--price", "gel", code=2)


@pytest.mark.skipif(not COMPILED, reason="minutes where the kernel runs interpreted")
def test_a_box_is_sized_for_a_dried_spool(run, shelf, tmp_path):
    run("place", "add", "oven", "--kind", "dryer", "--temperature", 65, "--dew-point", -20)
    run(
        "spool",
        "add",
        "petg-03",
        "--material",
        "PETG",
        "--net-mass",
        1000,
        "--place",
        "bench",
        "--at",
        when(NOW),
    )
    size = ("place", "size", "box-2", "--spools", "petg-03", "--members", 8)
    assert run(*size, *shelf).startswith("box-2: dry petg-03 first")
    run("spool", "move", "petg-03", "oven", "--at", when(NOW + HOUR))
    later = ("--at", when(NOW + 5 * DAY))
    run(
        "spool",
        "add",
        "pla-11",
        "--material",
        "PLA",
        "--net-mass",
        1000,
        "--place",
        "box-2",
        "--at",
        when(NOW),
    )
    found = json.loads(run(*size, *later, "--price", "silica gel=8", "--json"))
    jsonschema.Draft202012Validator(SCHEMA).validate(found)
    gel = next(each for each in found["charges"] if each["desiccant"] == "silica gel")
    assert gel["grams"] > 0
    assert gel["cost"] == pytest.approx(8 * gel["grams"] / 1000)
    assert [each["grams"] is None for each in found["charges"]] == sorted(
        each["grams"] is None for each in found["charges"]
    )
    said = run(*size, *later)
    assert f"{gel['grams']:.0f} g" in said
    assert "place fit box-2 --keep" in " ".join(said.split())
    assert any(note.startswith("pla-11 in it now") for note in found["notes"])


def test_a_cold_reel_in_a_warm_room_is_told(run, capsys):
    at = ("--at", when(NOW))
    run("place", "add", "garage", "--kind", "open", "--temperature", -2, "--humidity", 80, *at)
    run("place", "add", "bench", "--kind", "open", "--temperature", 22, "--humidity", 55, *at)
    run("spool", "add", "pla-11", "--material", "PLA", "--net-mass", 1000, "--place", "garage", *at)
    outcome(["spool", "move", "pla-11", "bench", "--at", when(NOW + HOUR)])
    said = capsys.readouterr().err
    assert "pla-11 comes from -2 °C, and the dew point in bench is 13 °C" in said
    hours = int(re.search(r"for about (\d+) h", said)[1])
    (item,) = [
        each
        for each in gcodetool.due(at=NOW + 1.1 * HOUR, ledger=os.environ["GCODETOOL_LEDGER"], members=1).items
        if each.kind == "warm"
    ]
    assert item.at_s == pytest.approx(NOW + HOUR + hours * HOUR, abs=0.5 * HOUR)
    outcome(["spool", "move", "pla-11", "garage", "--at", when(NOW + 2 * HOUR)])
    assert "dew point" not in capsys.readouterr().err


def test_a_stretch_holds_no_opening_and_all_that_is_undisturbed(monkeypatch):
    """Every usable reading is in one stretch, whichever side of an opening or a doubtful time it lies on."""
    monkeypatch.setattr(fit, "_thinned", lambda part: part)
    at_s = np.arange(0.0, 3 * DAY + 1, 600.0)
    column = np.ones(len(at_s))
    opened = 150  # the last reading before the jump
    again = at_s[opened] + fit.WINDOW_S + fit.SETTLES_S
    unread = fit.Doubtful(2 * DAY, 2.25 * DAY, "no readings")
    found = list(fit._stretches(fit._Course(at_s, column, column, column), [opened], [unread]))
    ends = [(each.at_s[0], each.at_s[-1]) for each in found]
    assert ends == [(0.0, at_s[opened]), (again + 600.0, unread.begin_s), (unread.end_s, at_s[-1])]
    usable = (at_s <= at_s[opened]) | (at_s > again)
    usable &= (at_s <= unread.begin_s) | (at_s >= unread.end_s)
    assert np.concatenate([each.at_s for each in found]).tolist() == at_s[usable].tolist()


def test_a_stretch_is_read_from_its_shortest_length_on(monkeypatch):
    monkeypatch.setattr(fit, "_thinned", lambda part: part)
    for more_s, count in ((0.0, 1), (-1.0, 0)):
        at_s = np.array([NOW, NOW + fit.LEAST_STRETCH_S + more_s])
        assert len(list(fit._stretches(fit._Course(at_s, at_s, at_s, at_s), [], []))) == count

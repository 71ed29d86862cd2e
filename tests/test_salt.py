"""A jar over a saturated salt solution: its air, and what it may not be said to have besides."""

import datetime
import itertools

import pytest

from gcodetool import profiles
from gcodetool.errors import SpoolError
from gcodetool.ledger import place_entries, records, writers
from gcodetool.ledger.placetables import check_places
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.history import state_at

AT = datetime.datetime(2026, 11, 2, 8, tzinfo=datetime.UTC).timestamp()
# Greenspan 1977 at 25 °C, as recalled in the profiles' own source
AT_25_C = {"lithium chloride": 11.3, "sodium chloride": 75.3, "potassium sulfate": 97.3}


def jar(**facts):
    return check_places({"jar": {"kind": "box", "temperature_C": 25.0, **facts}}, "test")["jar"]


def test_a_jar_has_the_air_over_its_solution():
    for name, rh_pct in AT_25_C.items():
        assert jar(solution=name).rh_pct == pytest.approx(rh_pct)
    assert jar(solution="kitchen salt").solution == "sodium chloride"
    assert jar(solution="NaCl", temperature_C=22.5).rh_pct == pytest.approx((75.5 + 75.3) / 2)


def test_every_solution_falls_or_stays_with_temperature_and_says_what_to_mind():
    for name in profiles.names("humidity"):
        salt = profiles.salt_solution(name)
        low, high = salt.range_C
        steps = [salt.rh_pct(low + (high - low) * i / 20) for i in range(21)]
        assert all(before >= after for before, after in itertools.pairwise(steps))
        assert salt.caution and salt.caution in salt.care and "children" in salt.care


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"solution": "sugar"}, "no salt solution 'sugar'"),
        ({"solution": "sodium chloride", "rh_pct": 75.0}, "alone makes the air"),
        ({"solution": "sodium chloride", "temperature_C": 60.0}, "known from 15 to 35 °C"),
        ({"solution": "sodium chloride", "desiccant": "silica gel", "desiccant_g": 5.0}, "alone makes"),
    ],
)
def test_what_a_jar_cannot_be(facts, said):
    with pytest.raises(SpoolError, match=said):
        jar(**facts)


def test_a_reading_in_the_jar_counts_in_place_of_the_table(tmp_path):
    ledger = open_ledger(tmp_path / "ledger.db")
    room = {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0}
    place_entries.add_place(ledger, "bench", room, at_s=AT)
    facts = {"kind": "box", "temperature_C": 22.0, "solution": "sodium chloride"}
    done = place_entries.add_place(ledger, "jar", facts, at_s=AT)
    assert "kitchen salt" in done.notes[0] and "lid shut" in done.notes[0]
    coil = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 30.0, "winding": "loose"}
    writers.add_spool(ledger, "a", coil, place="bench", at_s=AT)
    writers.move(ledger, "a", "jar", at_s=AT)

    def content():
        with reading(ledger) as conn:
            spool = records.load_spool(conn, "a")
        return spool, float(state_at(spool, AT + 30 * 86_400).mean_wt_pct[0])

    spool, damp = content()
    assert spool.places["jar"].rh_pct == pytest.approx(75.42)
    assert any("over saturated sodium chloride" in one.text for one in state_at(spool, AT + 1e5).notes)
    place_entries.read(ledger, "jar", rh_pct=65.0, temperature_C=22.0, at_s=AT + 10)
    assert content()[1] < 0.9 * damp

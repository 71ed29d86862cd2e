"""What forms of the pages take in their fields, at the edges."""

import pytest

from gcodetool.serve.fields import READERS, FieldError

NEW = {"id": "petg-1", "material": "PETG", "net": "1000"}


@pytest.mark.parametrize(
    ("form", "fields", "edge", "beyond"),
    [
        (("spool", "weigh"), {}, ("grams", "1000000"), "1000001"),
        (("spool", "weigh"), {}, ("grams", "0,1 g"), "0"),
        (("spool", "weigh"), {}, ("grams", "1.2 kg"), "1.2"),  # of kilograms, or of grams
        (("spool", "dry"), {}, ("hours", "10000"), "10001"),
        (("spool", "dry"), {}, ("hours", "0.1"), "0"),
        (("spool", "move"), {"place": "bench"}, ("tool", "255"), "256"),
        (("place", "new"), NEW, ("net", "50000"), "50001"),
        (("place", "new"), NEW, ("empty", "0"), "-1"),
        (("place", "new"), NEW, ("line", "x" * 60), "x" * 61),
        (("spool", "move"), {"place": "bench"}, ("tool", "0"), "0.5"),
    ],
)
def test_a_number_is_taken_up_to_its_edge(form, fields, edge, beyond) -> None:
    name, value = edge
    READERS[form](fields | {name: value})
    with pytest.raises(FieldError):
        READERS[form](fields | {name: beyond})


@pytest.mark.parametrize(
    ("form", "fields", "facts"),
    [
        (("spool", "feed"), {"amount": "3,9", "unit": "g"}, {"mass_g": 3.9}),
        (("spool", "feed"), {"amount": "12.5", "unit": "m"}, {"length_mm": 12500.0}),
        (("spool", "feed"), {"amount": "1250 mm", "unit": "m"}, {"length_mm": 1250.0}),
        (("spool", "feed"), {"amount": "0.2 kg"}, {"mass_g": 200.0}),
        (("spool", "dry"), {"hours": "6h30"}, {"hours": 6.5, "temperature_C": None, "dryer": None}),
        (("place", "read"), {"rh": "55 %", "celsius": "68F"}, {"rh_pct": 55.0, "temperature_C": 20.0}),
    ],
)
def test_fields_take_what_the_command_line_takes(form, fields, facts) -> None:
    assert READERS[form](fields) == pytest.approx(facts)


def test_a_unit_of_another_kind_is_refused_with_what_to_write() -> None:
    with pytest.raises(FieldError, match="no unit of a mass; write"):
        READERS[("spool", "weigh")]({"grams": "21 C"})
    with pytest.raises(FieldError, match="too long"):
        READERS[("spool", "weigh")]({"grams": "9" * 50})

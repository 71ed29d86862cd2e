"""What forms of the pages take in their fields, at the edges."""

import pytest

from gcodetool.serve.fields import READERS, FieldError


@pytest.mark.parametrize(
    ("form", "fields", "edge", "beyond"),
    [
        (("spool", "weigh"), {}, ("grams", "1000000"), "1000001"),
        (("spool", "weigh"), {}, ("grams", "0,1"), "0"),
        (("spool", "dry"), {}, ("hours", "10000"), "10001"),
        (("spool", "dry"), {}, ("hours", "0.1"), "0"),
        (("spool", "move"), {"place": "bench"}, ("tool", "255"), "256"),
        (("spool", "move"), {"place": "bench"}, ("tool", "0"), "0.5"),
    ],
)
def test_a_number_is_taken_up_to_its_edge(form, fields, edge, beyond) -> None:
    name, value = edge
    READERS[form](fields | {name: value})
    with pytest.raises(FieldError):
        READERS[form](fields | {name: beyond})

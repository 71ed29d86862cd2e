"""docs/drying.md says what the command says."""

import importlib.util
import pathlib

import pytest

from gcodetool.moisture.solver import COMPILED

pytestmark = pytest.mark.skipif(not COMPILED, reason="64 members: minutes where the kernel runs interpreted")
ROOT = pathlib.Path(__file__).parent.parent
PAGE = (ROOT / "docs" / "drying.md").read_text(encoding="utf-8")

spec = importlib.util.spec_from_file_location(
    "drying_table", ROOT / "docs" / "experiments" / "drying_table.py"
)
assert spec is not None
assert spec.loader is not None
table = importlib.util.module_from_spec(spec)
spec.loader.exec_module(table)


@pytest.mark.parametrize(
    "case", [table.CASES[i] for i in (0, 3, 4, 6, 9, 10)], ids=lambda case: "-".join(map(str, case[:3]))
)
def test_rows_of_the_twelve_cases_are_the_commands(case):
    assert table.row(case) in PAGE


@pytest.mark.parametrize("case", table.NEVER, ids=lambda case: case[0])
def test_the_never_cases_come_out(case):
    row = table.never_row(case)
    assert "| never in this air |" in row
    assert row in PAGE


def test_the_page_has_every_case():
    assert len(table.CASES) >= 12
    rows = [line for line in PAGE.splitlines() if line.startswith("| ") and " | heated-box |" in line]
    assert len(rows) == sum(case[1] == "heated-box" for case in table.CASES)
    for material, dryer, grams, _ in table.CASES:
        assert f"| {material} | {dryer} | {grams} g |" in PAGE

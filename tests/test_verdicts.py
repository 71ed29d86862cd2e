"""docs/verdicts.md reads sensible to a person of the trade, and is what the command writes."""

import importlib.util
import re
from pathlib import Path

import pytest

from gcodetool.moisture.solver import COMPILED

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "docs" / "experiments" / "verdicts.py"
TABLE = (ROOT / "docs" / "verdicts.md").read_text(encoding="utf-8")

EXPECTED = {  # found open 60 days ago; after drying, 1 h at once; dried, 20 h in open air
    "PLA": ({"adjust"}, {"clear", "adjust"}, None),
    "PETG": ({"adjust"}, {"clear", "adjust"}, None),
    "ABS": ({"adjust"}, {"clear", "adjust"}, None),
    "PA6": ({"dry-first"}, {"clear", "adjust"}, {"runs-out"}),
    "TPU_95A": ({"dry-first"}, {"clear", "adjust"}, {"runs-out"}),
    "PVA": ({"dry-first"}, {"runs-out", "dry-first"}, None),
    # Not asked of anyone, but what the page says of the others must be what the command writes too.
    "PCTG": ({"adjust"}, {"clear", "adjust"}, None),
    "ASA": ({"adjust"}, {"clear", "adjust"}, None),
    "PC": ({"dry-first"}, {"clear", "adjust"}, None),
    "PA6_66": ({"dry-first"}, {"clear", "adjust"}, {"runs-out"}),
    "PA12": ({"dry-first"}, {"clear", "adjust"}, None),
    "PET_amorphous": ({"dry-first"}, {"clear", "adjust"}, None),
}


@pytest.fixture(scope="module")
def verdicts():
    spec = importlib.util.spec_from_file_location("verdicts_script", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def row(name):
    line = next(line for line in TABLE.splitlines() if line.startswith(f"| {name} ("))
    return [cell.strip() for cell in line.strip("| ").split(" | ")][1:]


def test_there_are_twelve_materials(verdicts):
    assert len(verdicts.MATERIALS) == 12
    assert len(re.findall(r"^\| [A-Z]", TABLE, re.MULTILINE)) == 12


@pytest.mark.parametrize("name", EXPECTED if COMPILED else ["ABS"])  # interpreted, a minute each
def test_the_trade_would_say_the_same(verdicts, name):
    told = verdicts.scenes(name)
    for one, expected in zip(told, EXPECTED[name], strict=True):
        if expected is not None:
            assert one.code in expected
    assert (told[2].layer or 0) > 1 or told[2].code != "runs-out"
    # The page is what the command writes (its last digits may differ between machines).
    for one, cell in zip(told, row(name), strict=True):
        assert cell.startswith(f"**{one.code}**")
        if one.code == "runs-out":
            assert int(re.search(r"layer (\d+)", cell)[1]) == pytest.approx(one.layer, abs=3)
        written = float(re.search(r"([\d.]+) →", cell)[1])
        assert one.start_wt_pct == pytest.approx(written, rel=0.02)


def test_pva_gets_the_reason_that_heated_room_air_cannot_do_it():
    assert "floor of" in row("PVA")[1]
    assert "cannot get there" in row("PVA")[1]

"""docs/verdicts.md reads sensible to a person of the trade, and is what the command writes."""

import importlib.util
import re
from pathlib import Path

import pytest

from gcodetool.moisture.solver import COMPILED

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "docs" / "experiments" / "verdicts.py"
TABLE = (ROOT / "docs" / "verdicts.md").read_text(encoding="utf-8")

ROOMS_RH = (35, 45, 60, 75)
FOUND_OPEN = {  # in rooms of 35, 45, 60 and 75 % RH, after 60 days
    **dict.fromkeys(("PLA", "PETG", "PCTG", "ASA", "ABS"), ("adjust", "adjust", "adjust", "dry-first")),
    "PC": ("adjust", "dry-first", "dry-first", "dry-first"),
    **dict.fromkeys(("PA6", "PA6_66", "PA12", "TPU_95A", "PVA", "PET_amorphous"), ("dry-first",) * 4),
}
DRIED = {  # at 45 % RH: after drying, 1 h at once; dried, 20 h in open air
    "PLA": ({"clear", "adjust"}, None),
    "PETG": ({"clear", "adjust"}, None),
    "ABS": ({"clear", "adjust"}, None),
    "PA6": ({"clear", "adjust"}, {"runs-out"}),
    "TPU_95A": ({"clear", "adjust"}, {"runs-out"}),
    "PVA": ({"runs-out", "dry-first"}, None),
    # Not asked of anyone, but what the page says of the others must be what the command writes too.
    "PCTG": ({"clear", "adjust"}, None),
    "ASA": ({"clear", "adjust"}, None),
    "PC": ({"clear", "adjust"}, None),
    "PA6_66": ({"clear", "adjust"}, {"runs-out"}),
    "PA12": ({"clear", "adjust"}, None),
    "PET_amorphous": ({"clear", "adjust"}, None),
}


@pytest.fixture(scope="module")
def verdicts():
    spec = importlib.util.spec_from_file_location("verdicts_script", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def row(name, *, dried):
    mark = f"| {name} (" if dried else f"| {name} |"
    line = next(line for line in TABLE.splitlines() if line.startswith(mark))
    return [cell.strip() for cell in line.strip("| ").split(" | ")][1:]


def is_written(one, cell):
    """Return whether a cell of the page says what the command finds; last digits may differ between machines."""
    layer = re.search(r"layer (\d+)", cell)
    written = float(re.search(r"([\d.]+) →", cell)[1])
    return (
        cell.startswith(f"**{one.code}**")
        and (one.code != "runs-out" or int(layer[1]) == pytest.approx(one.layer, abs=3))
        and one.start_wt_pct == pytest.approx(written, rel=0.02)
    )


def test_there_are_twelve_materials(verdicts):
    assert verdicts.ROOMS_RH == ROOMS_RH
    assert len(verdicts.MATERIALS) == len(FOUND_OPEN) == len(DRIED) == 12
    assert len(re.findall(r"^\| [A-Z][\w]+ \|", TABLE, re.MULTILINE)) == 12
    assert len(re.findall(r"^\| [A-Z][\w]+ \(", TABLE, re.MULTILINE)) == 12


@pytest.mark.parametrize("rh_pct", ROOMS_RH)
@pytest.mark.parametrize("name", FOUND_OPEN if COMPILED else ["ABS"])  # interpreted, a minute each
def test_the_trade_would_say_the_same_of_a_reel_from_an_open_shelf(verdicts, name, rh_pct):
    told = verdicts.found_open(name, float(rh_pct))
    column = ROOMS_RH.index(rh_pct)
    assert told.code == FOUND_OPEN[name][column]
    assert is_written(told, row(name, dried=False)[column])


@pytest.mark.parametrize("name", DRIED if COMPILED else ["ABS"])
def test_the_trade_would_say_the_same_of_a_dried_reel(verdicts, name):
    told = verdicts.scenes(name)
    for one, expected in zip(told, DRIED[name], strict=True):
        if expected is not None:
            assert one.code in expected
    assert (told[1].layer or 0) > 1 or told[1].code != "runs-out"
    for one, cell in zip(told, row(name, dried=True), strict=True):
        assert is_written(one, cell)


def test_pva_gets_the_reason_that_heated_room_air_cannot_do_it():
    assert "floor of" in row("PVA", dried=True)[0]
    assert "cannot get there" in row("PVA", dried=True)[0]

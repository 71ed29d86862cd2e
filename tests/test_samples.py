"""The sample jobs and spools tell the stories that their README promises."""

import datetime
import re

import pytest

from gcodetool import profiles
from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.gcode.program import read
from gcodetool.ledger.spoolfile import read_spool

FOLDER = profiles.sample_folder()
README = (FOLDER / "README.md").read_text(encoding="utf-8")
STORIES = re.findall(r"^\| `([\w-]+)` \| ([\w-]+) \| `([\w-]+)` \| ([\w-]+) \|", README, re.MULTILINE)


def test_the_stories_cover_the_shelf_and_the_verdicts():
    assert {spool for _, _, spool, _ in STORIES} == {path.stem for path in (FOLDER / "shelf").glob("*.toml")}
    assert {job for job, *_ in STORIES} == {path.stem for path in FOLDER.glob("*.gcode")}
    assert {verdict for *_, verdict in STORIES} == {"clear", "adjust", "runs-out", "dry-first"}


@pytest.mark.parametrize("members", [1, None])
@pytest.mark.parametrize(("job", "printer", "spool", "verdict"), STORIES)
def test_each_story_ends_as_told(job, printer, spool, verdict, members):
    stated = re.search(r"`--at ([^`]+)`", README)
    assert stated
    found = examine(
        read(FOLDER / f"{job}.gcode"),
        {None: read_spool(FOLDER / "shelf" / f"{spool}.toml")},
        Conditions(
            datetime.datetime.fromisoformat(stated[1]).timestamp(), profiles.printer(printer), members=members
        ),
    )
    assert found.findings.verdict == verdict


def test_sample_code_fits_its_printer():
    """Every X and Y that a sample names lies on the bed of the printer that its story names."""
    for job, printer, _, _ in STORIES:
        bed = profiles.printer(printer).bed_mm
        assert bed is not None
        text = (FOLDER / f"{job}.gcode").read_text(encoding="utf-8")
        code = "\n".join(line.split(";")[0] for line in text.split("\n") if line.startswith(("G0 ", "G1 ")))
        for axis, low, high in (("X", bed[0], bed[2]), ("Y", bed[1], bed[3])):
            values = [float(value) for value in re.findall(rf"{axis}(-?[\d.]+)", code)]
            assert values
            assert low <= min(values)
            assert max(values) <= high

"""The block from the command line: when there is one, how it waits, and what the header says about it."""

import html
import json
import pathlib
from dataclasses import replace

import pytest
import queue_world
from click.testing import CliRunner

from gcodetool.block.annotate import purge_of
from gcodetool.cli.main import main
from gcodetool.judge.findings import Band, Forecast, SpoolState, ToolFindings, ToolVerdict

DATA = pathlib.Path(__file__).parent / "data" / "gcode"
SHELF = pathlib.Path(__file__).parent.parent / "sample_gcode" / "shelf"
AT = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]


def prepared(tmp_path, sample, *words):
    """The prepared file's lines between the marks of each region, and what stood on stderr."""
    (job,) = DATA.glob(f"{sample}-*.gcode.xz")
    out = tmp_path / "out.gcode"
    done = CliRunner().invoke(main, ["prepare", str(job), "-o", str(out), *AT, *words])
    assert done.exit_code == 0, done.output
    text = out.read_text(encoding="utf-8")

    def region(what):
        begin, end = f"; gcodetool:begin {what}\n", f"; gcodetool:end {what}\n"
        return text.split(begin)[1].split(end)[0].splitlines() if begin in text else []

    header = " ".join(line.removeprefix(";").strip() for line in region("header"))
    return header, region("purge-and-inspect"), done.stderr


SURE = ["--printer", "bench-2", "--spool", str(SHELF / "petg-03.toml")]


def test_never_always_and_unless_clear(tmp_path):
    header, block, _ = prepared(tmp_path, "a01", *SURE, "--block", "never")
    assert (block, "no block: not wanted" in header) == ([], True)
    header, block, said = prepared(tmp_path, "a01", *SURE, "--block", "always")
    assert block
    assert "gcodetool spool inspect petg-03 --bubbles none|few|many" in header
    assert "goes on by itself" not in said
    header, block, _ = prepared(tmp_path, "a01", *SURE)
    assert bool(block) == ("verdict: clear" not in header)
    if not block:
        assert "spool inspect" not in header


def test_what_was_seen_is_noted_of_the_spool_that_was_purged(tmp_path):
    """Of two tools the block purges the one that is fed first; the other's spool was not looked at."""
    job = queue_world.job(tmp_path, "two.gcode", materials=["PETG", "PETG"], layers=4)
    text = job.read_text(encoding="utf-8").replace("\nT0\n", "\nT9\n").replace("\nT1\n", "\nT0\n")
    job.write_text(
        text.replace("\nT9\n", "\nT1\n").replace("M109 S235\n", "T1\nM109 S235\n"), encoding="utf-8"
    )
    spools = [queue_world.spool(tmp_path, name, water=0.1, place="bench") for name in ("petg-04", "petg-05")]
    words = [f"--spool={tool}={path}" for tool, path in enumerate(spools)]
    out = tmp_path / "out.gcode"
    asked = [
        "prepare",
        str(job),
        "-o",
        str(out),
        "--at",
        queue_world.AT,
        "--members",
        "1",
        "--block",
        "always",
    ]
    done = CliRunner().invoke(main, [*asked, "--printer", "bench-2", *words])
    assert done.exit_code == 0, done.output
    assert "spool inspect petg-05" in out.read_text(encoding="utf-8")


def test_a_timed_wait_is_said_wherever_somebody_may_look(tmp_path):
    header, block, said = prepared(tmp_path, "a01", *SURE, "--block", "always", "--wait", "seconds=90")
    assert not any(line.startswith("M0") for line in block)
    assert sum(int(line[4:]) for line in block if line.startswith("G4 P")) == 95_000  # with the warning's 5
    assert "M117 Goes on by itself in 75 seconds. Wet? Stop the print now" in block
    for told in (header, said):
        assert "after 90 s the job goes on by itself" in told


@pytest.mark.parametrize(
    ("sample", "words", "says", "has_block"),
    [
        ("c01", [], "waits by 'M400 U1', the pause that the file's settings name", True),
        ("c01", ["--wait", "seconds=60"], "waits 60 s", True),
        ("a08", [], "not sure which firmware", False),
        ("a08", ["--wait", "seconds=60"], "the purge must go to a free spot", False),
        ("b01", ["--printer", "bench-2"], "waits for the button", True),
        ("b03", ["--printer", "bench-2"], "at 268 C, above the hot end's limit, 250 C", False),
    ],
)
def test_unsure_dialects_get_the_plain_subset_or_the_header_and_the_reason(
    tmp_path, sample, words, says, has_block
):
    header, block, _ = prepared(tmp_path, sample, "--block", "always", *words)
    assert says in header
    assert bool(block) == has_block
    if sample == "c01":
        assert {line.split()[0] for line in block} <= {
            *("G1", "G4", "G90", "G91", "G92", "M82", "M83", "M104", "M109", "M400")
        }


def test_the_whole_path_is_purged_where_what_is_in_it_is_the_wetter():
    def band(value):
        return Band(value, value, value)

    tool = ToolFindings(
        tool=0, spool="pa6-07", material="PA6", filament_mm=1.0, mass_g=None, extruding_s=1.0,
        verdict=ToolVerdict("adjust", 1.0, "", None, None),
        state=SpoolState(0.0, band(0.1), band(0.1), band(0.9), 1000.0, "bench-1"),
        forecast=Forecast(0.2, 0.6, band(0.1), band(0.2), ()),
    )  # fmt: skip
    assert purge_of(tool) == "path"
    assert (
        purge_of(replace(tool, state=replace(tool.state, path_wt_pct=band(0.15)))) == "melt-zone"
    )  # still good
    assert purge_of(replace(tool, forecast=replace(tool.forecast, start_wt_pct=band(1.0)))) == "melt-zone"
    assert purge_of(replace(tool, state=replace(tool.state, path_wt_pct=None))) == "melt-zone"
    assert purge_of(None) == "melt-zone"


def two_tools(folder):
    """Return a job with two tools, and the words that name a damp reel of PETG for each."""
    job = queue_world.job(folder, "two.gcode", materials=["PETG", "PETG"], layers=4)
    spools = [queue_world.spool(folder, name, water=0.1, place="bench") for name in ("petg-04", "petg-05")]
    return job, spools


def test_the_command_on_a_page_names_the_reel_of_every_tool(tmp_path):
    """With one of them alone the other tool counts as without a reel, and the file's verdict is another than the page's."""
    job, spools = two_tools(tmp_path)
    page = tmp_path / "page.html"
    words = [f"--spool={tool}={path}" for tool, path in enumerate(spools)]
    asked = ["review", str(job), "-o", str(page), "--at", queue_world.AT, "--members", "1", *words]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code in (0, 10), done.output
    text = html.unescape(page.read_text(encoding="utf-8"))
    for tool, path in enumerate(spools):
        assert f"--spool {tool}={path}" in text


def test_one_reel_for_two_tools_is_said_with_what_is_left_for_both(tmp_path):
    job, spools = two_tools(tmp_path)
    asked = ["check", str(job), "--at", queue_world.AT, "--members", "1", "--json"]
    done = CliRunner().invoke(main, [*asked, f"--spool=0={spools[0]}", f"--spool=1={spools[0]}"])
    report = json.loads(done.stdout)
    together = sum(each["filament_mm"] for each in report["tools"]) / 1000
    (said,) = [each for each in report["cautions"] if "one reel feeds one tool" in each]
    assert said == (
        f"petg-04 is named for T0 and T1, which feed {together:.2f} m together: one reel feeds one tool at a time; "
        "name the reel of each tool, e.g. --spool 1=ID"
    )
    done = CliRunner().invoke(main, [*asked, f"--spool=0={spools[0]}", f"--spool=1={spools[1]}"])
    assert "one reel" not in done.stdout

"""Applied to the samples: every file read back by the interpreter, and compared move by move with what it was."""

import functools
import json
import lzma
import pathlib
import re
from dataclasses import replace

import interpreter
import jsonschema
import pytest

from gcodetool import profiles
from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.block.annotate import WATCH, PrepareOptions, annotate, write
from gcodetool.cli.main import outcome
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.edits import strip_regions
from gcodetool.gcode.program import read
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.motion.planner import COMPILED
from gcodetool.motion.timing import build_timeline
from gcodetool.tweaks.applied_before import applied_before
from gcodetool.tweaks.apply import apply_tweaks
from gcodetool.tweaks.suggest import FIRST_NOZZLE, NOZZLE, RETRACTION

ROOT = pathlib.Path(__file__).parent.parent
FOLDER = ROOT / "tests" / "data" / "gcode"
SAMPLES = sorted(FOLDER.glob("[abc]0*.gcode.xz"))
TRIED = SAMPLES if COMPILED else SAMPLES[6:8]  # interpreted, all of them would take minutes
AT_S = 1793606400.0  # 2026-11-02 08:00 UTC
# per dialect, one that the shop has, with room for longer retraction
PRINTERS = {Dialect.MARLIN: "bench-2", Dialect.KLIPPER: "bench-1", Dialect.REPRAPFIRMWARE: "rig-4"}
SPOOL = """\
id = "{name}"
material = "{material}"
diameter_mm = {diameter}
net_mass_g = 1000
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = {rh}
[[event]]
at = 2026-11-02T07:59:00Z
kind = "received"
water_wt_pct = {water}
place = "bench"
"""


def test_all_sixteen_samples_are_here() -> None:
    assert len(SAMPLES) == 16


def machine(dialect):
    """The printer of a sample: its own bounds wide enough for every sample's retraction."""
    found = profiles.printer(PRINTERS[dialect])
    return replace(found, retraction=replace(found.retraction, max_length_mm=8.0))


def material_of(path):
    """The polymer of a sample, by its name: what the slicer's word says is tested elsewhere."""
    for word in ("petg", "pla", "tpu", "pa"):
        if f"-{word}" in path.name:
            return profiles.material(word)
    raise AssertionError(path)


def spools(path, tmp_path, share):
    """The spools of a sample at *share* of the way from dry (0: half of good) through marginal (1: its limit)."""
    material = material_of(path)
    good, marginal = material.limit_good_wt_pct, material.limit_marginal_wt_pct
    water = good / 2 if share <= 0 else good + share * (marginal - good)
    two = "two" in path.name
    found = {}
    for tool in range(2 if two else 1):
        target = tmp_path / f"spool-{tool}.toml"
        target.write_text(
            SPOOL.format(
                name=f"spool-{tool}",
                material=material.key,
                diameter=2.85 if "285" in path.name else 1.75,
                water=water,
                rh=15 if share <= 0 else 25,
            ),
            encoding="utf-8",
        )
        found[tool if two else None] = read_spool(target)
    return found


@functools.cache
def program_of(path):
    return read(path)


def applied(path, tmp_path, share, words=("temperature", "retraction"), **more):
    program = program_of(path)
    printer = machine(program.dialect)
    held = spools(path, tmp_path, share)

    def look(changed):
        return examine(changed, held, Conditions(AT_S, printer, members=1), spread=False, watch_z_mm=WATCH)

    first = look(program)
    return first, apply_tweaks(program, first, words, printer=printer, again=look, **more), held


@pytest.mark.parametrize("share", [0.0, 3.0], ids=["dry", "wet"])
@pytest.mark.parametrize("path", TRIED, ids=lambda path: path.name[:3])
def test_dry_and_wet_stock_leaves_every_sample_as_it_is(path, tmp_path, share) -> None:
    first, done, _ = applied(path, tmp_path, share)
    assert {tool.verdict.code for tool in first.findings.tools} <= {"clear"} if share <= 0 else {"dry-first"}
    assert not done.changed
    assert done.program is program_of(path)
    assert done.notes[0].startswith("nothing to apply: the verdict is")


@pytest.mark.parametrize(
    "words", [("temperature", "retraction"), ("temperature",), ("retraction",)], ids="+".join
)
@pytest.mark.parametrize("path", TRIED, ids=lambda path: path.name[:3])
def test_marginal_stock_changes_what_is_listed_and_nothing_else(path, words, tmp_path) -> None:
    program = program_of(path)
    _, done, _ = applied(path, tmp_path, 0.5, words)
    before = b"".join(program.blocks())
    after = b"".join(done.program.blocks())
    tools = done.examined.findings.tools
    for tool in tools:
        for tweak in tool.tweaks:
            assert (tweak.applied is None) == (tweak.apply not in words), tweak
    if not done.changed:
        assert after == before
        assert done.notes
        return
    wanted = {
        (tool.tool, tweak.before): tweak.after
        for tool in tools
        for tweak in tool.tweaks
        if tweak.setting in (NOZZLE, FIRST_NOZZLE) and tweak.applied is not None and tweak.applied.done
    }
    longer = {
        tool.tool: tweak.after - tweak.before
        for tool in tools
        for tweak in tool.tweaks
        if tweak.setting == RETRACTION and tweak.applied is not None and tweak.applied.done
    }
    assert wanted or longer
    assert "temperature" in words or not wanted
    assert "retraction" in words or not longer
    compare(program, before, after, done.program.changes, wanted, longer)
    # the forecast is that of the new file: the same as if it were read anew
    written = tmp_path / "new.gcode"
    written.write_bytes(after)
    printer = machine(program.dialect)
    anew = build_timeline(
        read(written, dialect=program.dialect), printer=printer, filament_diameter_mm=diameters(path)
    )
    assert done.examined.findings.moving_s == pytest.approx(anew.total_moving_s, rel=1e-12)
    old = build_timeline(program, printer=printer, filament_diameter_mm=diameters(path))
    if longer:
        assert anew.total_moving_s > old.total_moving_s
    for number in old.tools:
        assert anew.filament_mm(number) == pytest.approx(old.filament_mm(number), abs=1e-6)


def diameters(path):
    return 2.85 if "285" in path.name else 1.75


PLAIN = re.compile(r"G[01](?: F[\d.]+)? X[-\d.]+ Y[-\d.]+(?: E[\d.]+)?[ ]*(?:;[^\n]*)?\r?\n?")


def thinned(one, other):
    """Both texts without the inner lines of long runs that only print: what both have, and far from any pair."""
    plain = [a == b and PLAIN.fullmatch(a) is not None for a, b in zip(one, other, strict=True)]
    kept = [not all(plain[max(0, at - 3) : at + 4]) for at in range(len(plain))]
    return [[line for line, keep in zip(each, kept, strict=True) if keep] for each in (one, other)]


def compare(program, before, after, changes, wanted, longer) -> None:
    """Run both texts and compare them event by event."""
    dialect = program.dialect.label
    added = {edit.replacement.decode() for edit in changes if edit.start == edit.stop}
    old, new = (text.decode("utf-8").splitlines(keepends=True) for text in (before, after))
    told = [line for line in new if line in added]
    assert len(told) == sum(1 for edit in changes if edit.start == edit.stop)
    if told and longer:  # the firmware is told, and told back
        assert len(told) == 2
        assert all(re.match(r"M207 S[\d.]+|SET_RETRACTION ", line) for line in told)
    old, new = thinned(old, [line for line in new if line not in added])
    if program.facts.volumetric_e and "M200" not in "".join(old[:400]):
        pytest.skip("volumetric without M200: the interpreter cannot know the unit")
    deepest, paired = max(longer.values(), default=0.0), 0
    events = zip(interpreter.execute(old, dialect), interpreter.execute(new, dialect), strict=True)
    for was, now in events:
        one, two = was.after, now.after
        assert (was.kind, one.x, one.y, one.z, one.feed, one.tool, one.speed, one.flow, one.hot) == (
            now.kind,
            two.x,
            two.y,
            two.z,
            two.feed,
            two.tool,
            two.speed,
            two.flow,
            two.hot,
        )
        for tool, target in dict(one.targets).items():
            other = dict(two.targets)[tool]
            assert other in (target, wanted.get((tool, target)))
            if (tool, target) in wanted and one.targets != was.before.targets and was.text != now.text:
                assert other == wanted[tool, target]
        deeper = two.retracted - one.retracted
        assert -1e-6 <= deeper <= deepest + 1e-6
        if abs(now.fed - was.fed) > 1e-9:
            assert abs(abs(now.fed - was.fed)) <= deepest + 1e-6
            paired += now.fed > was.fed
        elif was.text != now.text:
            assert re.match(r"G92|G0|G1|M10[49]|G10|[A-Z_]*START|SET_HEATER|TEMPERATURE_WAIT|M568", now.text)
    assert abs(sum(dict(two.fed).values()) - sum(dict(one.fed).values())) <= 1e-5
    if longer and not told:
        assert paired > 0


def test_prepare_writes_it_names_it_and_leaves_it_the_second_time(tmp_path, capsys) -> None:
    path = next(each for each in SAMPLES if each.name.startswith("b01"))
    job = tmp_path / "valve.gcode"
    job.write_bytes(lzma.decompress(path.read_bytes()))
    spools(path, tmp_path, 0.5)
    out = tmp_path / "out.gcode"
    printer = "bench-2"
    words = [
        *(
            "prepare",
            str(job),
            "--spool",
            str(tmp_path / "spool-0.toml"),
            "--printer",
            printer,
            "--members",
            "1",
        ),
        *("--at", "2026-11-02T08:00:00Z", "--apply", "temperature,retraction", "-o", str(out)),
    ]
    report = tmp_path / "report.json"
    assert outcome([*words, "--report", str(report)]) == 0
    said = json.loads(report.read_text(encoding="utf-8"))
    jsonschema.validate(said, json.loads((ROOT / "docs" / "report.schema.json").read_text(encoding="utf-8")))
    done = [each for each in said["tools"][0]["tweaks"] if each["applied"]]
    assert {each["apply"] for each in done} == {"retraction", "temperature"}
    text = out.read_bytes()
    head = text[: text.index(b"gcodetool:end header")].decode()
    assert "; applied to this file: " in head
    assert re.search(r"; T0 retraction length: was 5, is \S+ mm: \d+ retractions", head)
    assert outcome(words) == 0
    assert out.read_bytes() == text  # the same inputs: the same file
    program = read(out)
    assert applied_before(program) == "temperature, retraction"
    capsys.readouterr()
    assert outcome(["check", str(out), *words[2:10], "--json"]) == 10
    said = capsys.readouterr().out
    assert '"setting"' not in said
    assert "tweaks were applied to this file before (" in said
    again = tmp_path / "again.gcode"
    for target in (["--in-place"], ["-o", str(again)]):
        assert outcome(["prepare", str(out), *words[2:-2], *target]) == 0
        said = capsys.readouterr()
        assert "left as it is" in said.err
        assert out.read_bytes() == text
    assert again.read_bytes() == text
    # what stands outside the regions is the edited text and nothing else
    assert b"".join(strip_regions([text])) != job.read_bytes()
    assert job.read_bytes() == lzma.decompress(path.read_bytes())


def test_block_and_header_stand_in_the_edited_file_as_in_any(tmp_path) -> None:
    path = next(each for each in SAMPLES if each.name.startswith("c02"))
    _, done, held = applied(path, tmp_path, 0.5)
    assert done.changed
    printer = machine(program_of(path).dialect)
    made = annotate(
        done.program,
        done.examined,
        list(held.values()),
        printer=printer,
        options=PrepareOptions(block="always"),
    )
    target = tmp_path / "clips.gcode"
    write(done.program, made, target, last_look=lambda: None)
    assert b"".join(strip_regions([target.read_bytes()])) == b"".join(done.program.blocks())
    cooler = next(t for t in done.examined.findings.tools[0].tweaks if t.setting == FIRST_NOZZLE)
    text = target.read_text(encoding="utf-8")
    assert f"PRINT_START EXTRUDER={cooler.after:g} " in text
    block = text[text.index("begin purge-and-inspect") : text.index("end purge-and-inspect")]
    assert f"S{cooler.after:g}" in block
    assert f"S{cooler.before:g}" not in block


def test_from_a_layer_on(tmp_path) -> None:
    path = next(each for each in SAMPLES if each.name.startswith("c02"))
    _, done, _ = applied(path, tmp_path, 0.5, from_layer=5)
    marks = [
        each.start()
        for each in re.finditer(rb"^;LAYER_CHANGE", b"".join(done.program.blocks()), re.MULTILINE)
    ]
    assert done.changed
    assert min(edit.start for edit in done.program.changes) >= marks[4] - 20
    _, done, _ = applied(path, tmp_path, 0.5, from_layer=500)
    assert not done.changed
    assert all(note.startswith("T0") and "not applied" in note for note in done.notes)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--apply", "fan"], "--apply 'fan' cannot be applied"),
        (["--apply", "none,retraction"], "--apply none cannot be combined"),
        (["--from-layer", "3"], "--from-layer says where --apply begins"),
        (["--no-tweaks", "--apply", "retraction"], "cannot be used together"),
    ],
)
def test_words_that_do_not_fit_are_a_misuse(words, said, capsys) -> None:
    assert outcome(["prepare", "x.gcode", *words]) == 2
    assert said in capsys.readouterr().err


def test_a_test_series_can_switch_tweaks_off_and_the_report_says_so(tmp_path, capsys) -> None:
    path = next(each for each in SAMPLES if each.name.startswith("a07"))
    spools(path, tmp_path, 0.5)
    words = ["check", str(path), "--spool", str(tmp_path / "spool-0.toml"), "--members", "1", "--json"]
    words += ["--at", "2026-11-02T08:00:00Z"]
    outcome(words)
    with_tweaks = capsys.readouterr().out
    outcome([*words, "--no-tweaks"])
    without = capsys.readouterr().out
    assert '"setting"' in with_tweaks
    assert '"setting"' not in without
    assert "tweaks are switched off for this call" in without

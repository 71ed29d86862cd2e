"""Stories: the command line end to end, and what a tired user gets wrong."""

import errno
import itertools
import json
import os
import pathlib
import re
import shutil
import stat
import subprocess
import sys

import click
import jsonschema
import pytest

from gcodetool.cli.main import LISTED, main, outcome
from gcodetool.cli.options import parse_spool_words
from gcodetool.errors import UsageError
from gcodetool.gcode import edits
from gcodetool.profiles import sample_folder

SAMPLES = sample_folder()
SHELF = SAMPLES / "shelf"
SCHEMA = json.loads((pathlib.Path(__file__).parent.parent / "docs" / "report.schema.json").read_text())
AT = ["--at", "2026-11-25T09:00:00+01:00"]
TPU = str(SAMPLES / "hose-clips-tpu.gcode")


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run each story in an empty folder, without profiles of the person who runs it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))


@pytest.mark.parametrize(
    ("words", "whose"), [(("1=a.toml", "1=b.toml"), "tool 1"), (("a.toml", "b.toml"), "the job")]
)
def test_two_spools_for_one_tool_are_refused_by_its_number(words, whose) -> None:
    with pytest.raises(UsageError, match=f"for {whose}:"):
        parse_spool_words(words)


def call(capsys: pytest.CaptureFixture[str], *words: str | os.PathLike[str]) -> tuple[int, str, str]:
    """Return exit code, stdout and stderr of one call."""
    code = outcome([str(word) for word in words])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert "a fault in gcodetool itself" not in err
    return code, out, err


def report(capsys: pytest.CaptureFixture[str], *words: str | os.PathLike[str]) -> dict:
    """Return the JSON report of a check, validated."""
    _, out, _ = call(capsys, "check", *words, "--json")
    found = json.loads(out)
    jsonschema.validate(found, SCHEMA)
    return found


# ---------------------------------------------------------------- check


@pytest.mark.parametrize(
    ("job", "spool", "code", "verdict"),
    [
        ("hose-clips-petg.gcode", "petg-03.toml", 0, "clear"),
        ("spacer-rings-pla.gcode", "pla-11.toml", 10, "adjust"),
        ("hose-clips-tpu.gcode", "tpu-05.toml", 21, "runs-out"),
        ("hose-clips-tpu.gcode", "tpu-02.toml", 20, "dry-first"),
    ],
)
def test_the_exit_code_says_the_verdict(capsys, job, spool, code, verdict) -> None:
    words = ("check", SAMPLES / job, "--spool", SHELF / spool, *AT)
    assert call(capsys, *words)[0] == code
    found = report(capsys, *words[1:])
    assert found["verdict"] == verdict
    assert found["tools"][0]["verdict"]["code"] == verdict


def test_without_a_record_the_verdict_is_unknown(capsys) -> None:
    code, out, _ = call(capsys, "check", TPU, *AT)
    assert code == 30
    assert "no record" in out
    found = report(capsys, TPU, *AT)
    assert found["tools"][0]["state"] is None
    assert found["tools"][0]["forecast"] is None


def test_a_report_names_layers_times_and_limits(capsys) -> None:
    found = report(capsys, TPU, "--spool", SHELF / "tpu-05.toml", "--members", "8", *AT)
    tool = found["tools"][0]
    layers = tool["forecast"]["layers"]
    assert [each["layer"] for each in layers] == list(range(1, 30))
    assert sum(each["filament_mm"] for each in layers) == pytest.approx(tool["filament_mm"], abs=2.0)
    assert all(a["start_s"] < b["start_s"] for a, b in itertools.pairwise(layers))
    assert all(each["wt_pct"]["p10"] <= each["wt_pct"]["p50"] <= each["wt_pct"]["p90"] for each in layers)
    assert found["time"]["open_air_s"] == pytest.approx(
        found["time"]["moving_s"] + found["time"]["waiting_s"]
    )
    assert tool["exposure"]["margin_s"] == pytest.approx(
        tool["exposure"]["safe_s"] - tool["exposure"]["needed_s"]
    )
    assert found["time"]["limits"]


def test_one_member_is_nominal_and_claims_no_band(capsys) -> None:
    found = report(capsys, TPU, "--spool", SHELF / "tpu-05.toml", "--members", "1", *AT)
    band = found["tools"][0]["state"]["next_fed_wt_pct"]
    assert band["p10"] is None
    assert band["p50"] > 0


def test_more_confidence_is_never_a_better_verdict(capsys) -> None:
    order = [0, 10, 21, 20, 30]
    codes = [
        call(capsys, "check", TPU, "--spool", SHELF / "tpu-05.toml", "--confidence", q, *AT)[0]
        for q in ("0.1", "0.5", "0.95")
    ]
    assert [order.index(code) for code in codes] == sorted(order.index(code) for code in codes)


def two_records(folder: pathlib.Path) -> tuple[pathlib.Path, pathlib.Path, str]:
    """Write two records of the same mean content: one wet throughout, one dried and then exposed."""
    places = (
        '[place.bench]\nkind = "open"\ntemperature_C = 22.0\nrh_pct = 55.0\n'
        '[place.oven]\nkind = "dryer"\ntemperature_C = 65.0\nroom = "bench"\n'
        '[place.bag]\nkind = "sealed"\nleak_g_per_day = 0\n'
    )
    head = 'material = "PETG"\ndiameter_mm = 1.75\nnet_mass_g = 1000\n[body]\nmaterial = "abs"\n'
    exposed = folder / "exposed.toml"
    exposed.write_text(
        'id = "exposed"\n'
        + head
        + places
        + '[[event]]\nat = 2026-11-01T08:00:00+01:00\nkind = "received"\nplace = "oven"\nwater_wt_pct = 0.03\n'
        '[[event]]\nat = 2026-11-02T08:00:00+01:00\nkind = "moved"\nplace = "bench"\n',
        encoding="utf-8",
    )
    at = "2026-11-02T12:00:00+01:00"
    seen = json.loads(
        subprocess.run(
            [
                sys.executable,
                "-m",
                "gcodetool",
                "spool",
                "show",
                exposed,
                "--at",
                at,
                "--members",
                "1",
                "--json",
            ],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    )
    mean = seen["mean_wt_pct"]["p50"]
    wet = folder / "wet.toml"
    wet.write_text(
        'id = "wet"\n'
        + head
        + places
        + f'[[event]]\nat = 2026-11-02T11:00:00+01:00\nkind = "received"\nplace = "bag"\nwater_wt_pct = {mean!r}\n',
        encoding="utf-8",
    )
    return wet, exposed, at


def test_no_lumped_water(capsys, tmp_path) -> None:
    """Same mean, other history: other filament at the nozzle, and another depth profile."""
    wet, exposed, at = two_records(tmp_path)
    shown = {}
    for spool in (wet, exposed):
        _, out, _ = call(capsys, "spool", "show", spool, "--at", at, "--members", "1", "--json")
        shown[spool.stem] = json.loads(out)
    assert shown["wet"]["mean_wt_pct"]["p50"] == pytest.approx(
        shown["exposed"]["mean_wt_pct"]["p50"],
        rel=1e-6,
    )
    next_fed = {name: seen["next_fed_wt_pct"]["p50"] for name, seen in shown.items()}
    assert next_fed["exposed"] > 1.2 * next_fed["wet"]
    profile = shown["exposed"]["by_depth"]
    deep = min(profile, key=lambda row: abs(row["depth_mm"] - 10))["wt_pct"]
    assert deep < 0.9 * profile[0]["wt_pct"]
    flat = [row["wt_pct"] for row in shown["wet"]["by_depth"]]
    assert max(flat) == pytest.approx(min(flat), rel=1e-3)
    job = SAMPLES / "hose-clips-petg.gcode"
    starts = {
        spool.stem: report(capsys, job, "--spool", spool, "--at", at, "--members", "1")["tools"][0][
            "forecast"
        ]["start_wt_pct"]["p50"]
        for spool in (wet, exposed)
    }
    assert starts["exposed"] > 1.2 * starts["wet"]


def test_a_stated_safe_exposure_counts_unless_the_model_is_worse(capsys, tmp_path) -> None:
    text = (SHELF / "petg-03.toml").read_text(encoding="utf-8")
    spool = tmp_path / "petg-03.toml"
    spool.write_text(
        text.replace('material = "PETG"', 'material = "PETG"\nsafe_exposure_h = 0.0001', 1), encoding="utf-8"
    )
    found = report(capsys, SAMPLES / "hose-clips-petg.gcode", "--spool", spool, *AT)
    tool = found["tools"][0]
    assert tool["exposure"]["source"] == "stated"
    assert tool["verdict"]["code"] in ("dry-first", "runs-out")
    assert "your own safe exposure" in tool["verdict"]["because"]
    assert any("your own safe exposure leaves" in caution for caution in found["cautions"])


# ---------------------------------------------------------------- prepare


def test_prepare_by_hand_writes_beside_and_takes_nothing_away(capsys, tmp_path) -> None:
    job = tmp_path / "clips one, #2.gcode"
    shutil.copy(TPU, job)
    code, out, _ = call(capsys, "prepare", job, "--spool", SHELF / "tpu-05.toml", *AT)
    target = tmp_path / "clips one, #2.prepared.gcode"
    assert code == 0
    assert str(target) in out
    assert job.read_bytes() == pathlib.Path(TPU).read_bytes()
    assert b"".join(edits.strip_regions([target.read_bytes()])) == job.read_bytes()
    assert target.read_bytes().count(b"; gcodetool:begin purge-and-inspect\n") == 1
    assert target.read_bytes().startswith(b";FLAVOR:Marlin\n")


def test_prepare_in_place_twice_is_once_and_needs_no_name(capsys, tmp_path, monkeypatch) -> None:
    (tmp_path / "deep").mkdir()
    job = tmp_path / "deep" / "a1b2c3"  # as a slicer hands over an upload: no extension
    shutil.copy(TPU, job)
    job.chmod(0o640)
    monkeypatch.chdir(tmp_path / "deep")
    words = ("prepare", "--in-place", "--spool", SHELF / "tpu-05.toml", *AT, "a1b2c3")
    assert call(capsys, *words)[0] == 0
    once = job.read_bytes()
    assert once != pathlib.Path(TPU).read_bytes()
    assert call(capsys, *words)[0] == 0
    assert job.read_bytes() == once
    assert stat.S_IMODE(job.stat().st_mode) == 0o640
    assert [each.name for each in job.parent.iterdir()] == ["a1b2c3"]


def test_inserted_text_depends_on_nothing_else(capsys, tmp_path, monkeypatch) -> None:
    """Not on the name or the folder; of the zone of the clock on the wall only what the times are written in."""
    import time

    made = []
    for name, zone in (("one.gcode", "UTC"), ("two.gcode", "Asia/Tokyo"), ("three.gcode", "UTC")):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        shutil.copy(TPU, tmp_path / name)
        call(
            capsys,
            "prepare",
            tmp_path / name,
            "-o",
            tmp_path / f"out-{name}",
            "--spool",
            SHELF / "tpu-05.toml",
            *AT,
        )
        made.append((tmp_path / f"out-{name}").read_bytes())
    monkeypatch.undo()
    time.tzset()
    assert made[0] == made[2]
    times = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d (UTC|JST)")
    assert times.search(made[1]) is not None
    assert times.sub(b"TIME", made[0]) == times.sub(b"TIME", made[1])


def test_a_refused_verdict_leaves_the_file_alone(capsys, tmp_path) -> None:
    job = tmp_path / "clips.gcode"
    shutil.copy(TPU, job)
    words = (
        "prepare",
        "--in-place",
        job,
        "--spool",
        SHELF / "tpu-02.toml",
        "--refuse",
        "dry-first,unknown",
        *AT,
    )
    code, _, err = call(capsys, *words)
    assert code == 20
    assert "refused" in err.splitlines()[0]
    assert "dry-first" in err.splitlines()[0]
    assert job.read_bytes() == pathlib.Path(TPU).read_bytes()


@pytest.mark.parametrize(("wish", "blocks"), [("always", 1), ("unless-clear", 0), ("never", 0)])
def test_when_a_block_is_inserted(capsys, tmp_path, wish, blocks) -> None:
    out = tmp_path / "out.gcode"
    job = SAMPLES / "hose-clips-petg.gcode"
    call(capsys, "prepare", job, "-o", out, "--spool", SHELF / "petg-03.toml", "--block", wish, *AT)
    assert out.read_bytes().count(b"; gcodetool:begin purge-and-inspect\n") == blocks
    assert out.read_bytes().count(b"; gcodetool:begin header\n") == 1


def test_the_report_file_is_the_report(capsys, tmp_path) -> None:
    call(
        capsys, "prepare", TPU, "-o", tmp_path / "out.gcode", "--report", tmp_path / "r.json",
        "--spool", SHELF / "tpu-05.toml", *AT,
    )  # fmt: skip
    found = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    jsonschema.validate(found, SCHEMA)
    assert found == report(capsys, TPU, "--spool", SHELF / "tpu-05.toml", *AT)


def test_layer_notes_stand_where_a_limit_is_crossed(capsys, tmp_path) -> None:
    """A long job from a spool that starts well: a note before the layer that the report names."""
    out = tmp_path / "out.gcode"
    spool = tmp_path / "tpu.toml"
    spool.write_text(
        'id = "tpu-09"\nmaterial = "TPU"\ndiameter_mm = 1.75\nnet_mass_g = 500\n'
        '[place.bench]\nkind = "open"\ntemperature_C = 22\nrh_pct = 45\n'
        '[[event]]\nat = 2026-11-25T09:00:00+01:00\nkind = "received"\nplace = "bench"\nwater_wt_pct = 0.03\n',
        encoding="utf-8",
    )
    found = report(capsys, TPU, "--spool", spool, *AT)
    layer = found["tools"][0]["verdict"]["from_layer"]
    assert layer > 1
    call(capsys, "prepare", TPU, "-o", out, "--spool", spool, *AT)
    lines = out.read_text(encoding="utf-8").splitlines()
    note = lines.index("; gcodetool:begin layer-note")
    assert f"from layer {layer} " in lines[note + 1] + lines[note + 2]
    after = lines.index("; gcodetool:end layer-note")
    assert lines[after + 1] == f";LAYER:{layer - 1}"


def test_a_hostile_name_cannot_forge_a_region(capsys, tmp_path) -> None:
    spool = tmp_path / "x.toml"
    text = (SHELF / "tpu-05.toml").read_text(encoding="utf-8")
    spool.write_text(
        text.replace("place.bench-1]", 'place."; gcodetool:end header\\nG28"]').replace(
            'place = "bench-1"', 'place = "; gcodetool:end header\\nG28"'
        ),
        encoding="utf-8",
    )
    out = tmp_path / "out.gcode"
    code, _, err = call(capsys, "prepare", TPU, "-o", out, "--spool", spool, *AT)
    if code == 0:
        assert b"".join(edits.strip_regions([out.read_bytes()])) == pathlib.Path(TPU).read_bytes()
    else:
        assert len(err.splitlines()) == 1


# ---------------------------------------------------------------- bad input


def one_line(err: str) -> str:
    """Return the only line of a failure."""
    lines = err.splitlines()
    assert len(lines) == 1, err
    assert lines[0].startswith("gcodetool: ")
    return lines[0]


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("missing.gcode", None, "no such file"),
        ("empty.gcode", b"", "empty"),
        ("binary.gcode", b"GCDE\x01\x00\x00\x00\x01\x00", "binary"),
        ("zip.gcode", b"PK\x03\x04" + bytes(40), "zip"),
        ("noise.gcode", bytes(range(256)) * 20, "binary"),
        ("probe.gcode", b"G28\nG29\nG1 X10 Y10 F3000\nM84\n", "no filament is extruded"),
        ("notes.gcode", b"; only words\n; nothing else\n", "no filament is extruded"),
    ],
)
@pytest.mark.parametrize("command", ["check", "prepare"])
def test_a_file_that_is_no_job(capsys, tmp_path, command, name, content, word) -> None:
    job = tmp_path / name
    if content is not None:
        job.write_bytes(content)
    extra = ["--in-place"] if command == "prepare" else []
    code, out, err = call(capsys, command, job, *extra, *AT)
    assert code == 1
    assert word in one_line(err).lower()
    assert name in err
    assert out == ""
    assert (job.read_bytes() if job.exists() else None) == content
    assert sorted(each.name for each in tmp_path.iterdir()) == ([] if content is None else [name])


def test_a_job_of_lines_that_its_firmware_does_not_know_says_which(capsys, tmp_path) -> None:
    """Klipper knows G1, not G01: nothing of the file is done there."""
    job = tmp_path / "g01.gcode"
    job.write_bytes(b"; start\nPRINT_START BED=60 EXTRUDER=210\nG01 X10 Y10 F3000\nG01 X20 E5\n")
    printer = tmp_path / "bench-9.toml"
    printer.write_text('name = "bench-9"\ndialect = "klipper"\n', encoding="utf-8")
    code, _, err = call(capsys, "check", job, "--printer", printer, *AT)
    assert code == 1
    said = one_line(err)
    assert (
        "no filament is extruded, as klipper reads it: lines 3, 4: 'G01 X10 Y10 F3000': no such command"
        in said
    )
    assert "with --printer" in said


def test_a_spindle_is_not_touched(capsys, tmp_path) -> None:
    job = tmp_path / "mill.gcode"
    content = b"G21\nG90\nM3 S9000\nG28\nM104 S210\nM109 S210\n" + b"".join(
        b"G1 X%d Y%d E%d F1500\n" % (x % 50, x % 70, x) for x in range(1, 60)
    )
    job.write_bytes(content)
    code, _, err = call(capsys, "prepare", "--in-place", job, *AT)
    assert code == 1
    assert "spindle" in one_line(err)
    assert job.read_bytes() == content


def test_a_file_that_was_cut_off_is_said(capsys, tmp_path) -> None:
    job = tmp_path / "cut.gcode"
    data = (SAMPLES / "hose-clips-petg.gcode").read_bytes()
    job.write_bytes(data[: len(data) // 2])
    found = report(capsys, job, *AT)
    assert any("cut off" in caution for caution in found["cautions"])


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('material = "TPU"', 'material = "TPV"', "no material"),
        ("net_mass_g = ", "net_mass_g = -", "net_mass_g"),
        ('place = "bench-1"', 'place = "bench-9"', "bench-9"),
        ("at = 2026-11", "at = 2025-11", "received"),
    ],
)
def test_a_spool_file_that_contradicts_itself(capsys, tmp_path, old, new, word) -> None:
    text = (SHELF / "tpu-05.toml").read_text(encoding="utf-8")
    assert old in text
    if old.startswith("at = "):
        where = text.rindex(old)
        changed = text[:where] + new + text[where + len(old) :]
    else:
        changed = text.replace(old, new, 1)
    spool = tmp_path / "spool.toml"
    spool.write_text(changed, encoding="utf-8")
    code, _, err = call(capsys, "check", TPU, "--spool", spool, *AT)
    assert code == 1
    line = one_line(err)
    assert word in line
    assert "spool.toml:" in line


@pytest.mark.parametrize(
    ("words", "word"),
    [
        (["check"], "Missing argument"),
        ([], "needs a command: check"),
        (["spool"], "needs a command: add"),
        (["chekc", TPU], "Did you mean 'check'? See 'gcodetool --help'."),
        (["check", TPU, "--spool", "0=a.toml", "--spool", "0=b.toml"], "two spools"),
        (["check", TPU, "--spool", "a.toml", "--spool", "1=b.toml"], "names no tool"),
        (["check", TPU, "--spool", f"3={SHELF / 'tpu-05.toml'}", *AT], "tool 3"),
        (["check", TPU, "--at", "yesterday"], "has no time of day; write yesterday 18:00"),
        (["check", TPU, "--confidence", "1.5"], "1.5"),
        (["check", TPU, "--place", "shed", "--spool", str(SHELF / "tpu-05.toml"), *AT], "shed"),
        (["prepare", TPU, "--refuse", "wet"], "is no verdict"),
        (["prepare", TPU, "--wait", "forever"], "--wait"),
        (["prepare", TPU, "--in-place", "-o", "x.gcode"], "cannot be used together"),
    ],
)
def test_misuse_is_exit_2_and_one_line(capsys, words, word) -> None:
    code, out, err = call(capsys, *words)
    assert code == 2
    assert word in one_line(err)
    assert out == ""


def test_unknown_printers_offer_the_nearest(capsys) -> None:
    code, _, err = call(capsys, "check", TPU, "--printer", "bench1", *AT)
    assert code == 1
    assert "bench-1" in one_line(err)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_an_unwritable_target_stays_as_it_is(capsys, tmp_path) -> None:
    job = tmp_path / "clips.gcode"
    shutil.copy(TPU, job)
    tmp_path.chmod(0o500)
    try:
        code, _, err = call(capsys, "prepare", "--in-place", job, "--spool", SHELF / "tpu-05.toml", *AT)
    finally:
        tmp_path.chmod(0o700)
    assert code == 1
    assert "cannot write" in one_line(err)
    assert job.read_bytes() == pathlib.Path(TPU).read_bytes()


def test_a_target_without_a_folder_is_one_line(capsys, tmp_path) -> None:
    code, _, err = call(capsys, "prepare", TPU, "-o", tmp_path / "nowhere" / "x.gcode", *AT)
    assert code == 1
    assert "no such folder" in err


@pytest.mark.parametrize("code_of", [errno.ENOSPC, errno.EIO])
def test_a_write_that_fails_half_way_leaves_the_target(capsys, tmp_path, monkeypatch, code_of) -> None:
    job = tmp_path / "clips.gcode"
    shutil.copy(TPU, job)

    def broken(*_: object) -> None:
        raise OSError(code_of, os.strerror(code_of))

    monkeypatch.setattr(os, "fsync", broken)
    code, _, err = call(capsys, "prepare", "--in-place", job, "--spool", SHELF / "tpu-05.toml", *AT)
    assert code == 1
    assert "the target is as it was" in err
    assert job.read_bytes() == pathlib.Path(TPU).read_bytes()
    assert [each.name for each in tmp_path.iterdir()] == ["clips.gcode"]


# ---------------------------------------------------------------- the rest


def test_demo_says_what_to_look_at(capsys, tmp_path) -> None:
    code, out, _ = call(capsys, "demo")
    assert code == 0
    [made] = tmp_path.iterdir()
    assert made.name in out
    assert b"".join(edits.strip_regions([made.read_bytes()])) == pathlib.Path(TPU).read_bytes()
    assert {"clear", "adjust", "runs-out", "dry-first"} <= set(out.replace(",", " ").split())


def test_profiles_are_listed_and_shown(capsys) -> None:
    code, out, _ = call(capsys, "profiles", "list")
    assert code == 0
    assert "PA6" in out
    code, out, err = call(capsys, "profiles", "show", "nylon")
    assert code == 0
    assert "diffusivity_23C_m2_s" in out
    assert err.startswith("# ")
    code, _, err = call(capsys, "profiles", "show", "PETGG")
    assert code == 1
    assert "PETG" in one_line(err)


def test_the_list_of_commands_says_what_each_says_of_itself() -> None:
    context = click.Context(main)
    commands = {name: main.get_command(context, name) for name in LISTED}
    assert {name: listed.says for name, listed in LISTED.items()} == {
        name: command.get_short_help_str(limit=200) for name, command in commands.items()
    }


def test_the_module_runs_like_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "gcodetool", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("gcodetool")


def commands() -> list[tuple[str, ...]]:
    """Return every command and subcommand."""
    import click

    found: list[tuple[str, ...]] = []
    context = click.Context(main)
    for name in LISTED:
        command = main.get_command(context, name)
        found.append((name,))
        if isinstance(command, click.Group):
            found += [(name, each) for each in command.commands]
    return found


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_has_help_with_an_example(capsys, words) -> None:
    code, out, _ = call(capsys, *words, "--help")
    assert code == 0
    assert "Example: gcodetool" in " ".join(out.split()) or "Example, as a slicer's step" in " ".join(
        out.split()
    )
    readme = (pathlib.Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    assert f"gcodetool {words[0]}" in readme


def test_interpreted_kernels_are_said_once_on_stderr(capsys, monkeypatch) -> None:
    from types import SimpleNamespace

    from gcodetool.cli import main as module

    for name in module.KERNELS:
        monkeypatch.setitem(sys.modules, name, SimpleNamespace(COMPILED=True))
    module.say_interpreted()
    assert capsys.readouterr().err == ""
    monkeypatch.setitem(sys.modules, module.KERNELS[0], SimpleNamespace(COMPILED=False))
    module.say_interpreted()
    assert "interpreted" in one_line(capsys.readouterr().err)


def listings(command, words):
    """Yield each group's words and its help, as a pipe, which has 78 columns, shows it: a terminal has more."""
    if isinstance(command, click.Group):
        context = click.Context(command, info_name=" ".join(words), terminal_width=78)
        yield " ".join(words), command.get_help(context)
        for name in command.list_commands(context):
            yield from listings(command.get_command(context, name), [*words, name])


def test_no_commands_line_in_a_listing_is_cut():
    found = dict(listings(main, ["gcodetool"]))
    assert {"gcodetool", "gcodetool spool", "gcodetool drying", "gcodetool place"} <= found.keys()
    for words, text in found.items():
        body = text.partition("Commands:")[2]
        assert body, words
        cut = [line for line in body.splitlines() if line.rstrip().endswith("...")]
        assert not cut, (words, cut)

"""Shared boxes and leaking bags from the command line: the ledger knows who stood where, files name the place."""

import json
import shlex

import pytest

from gcodetool.app import spools
from gcodetool.cli.main import outcome
from gcodetool.queue import executors

BEGIN = (
    "place add bench --kind open --temperature 22 --humidity 50 --at 2026-09-01T00:00",
    "place add box --kind box --temperature 22 --air 10 --desiccant 'silica gel' --desiccant-mass 200 --at 2026-09-01T00:00",
    "spool add wet-1 --material PA6 --net-mass 750 --water 2.5 --place bench --at 2026-09-02T00:00",
    "spool add dry-1 --material PA6 --net-mass 750 --water 0.2 --place bench --at 2026-09-02T00:00",
    "spool move dry-1 box --at 2026-09-03T00:00",
)


@pytest.fixture
def run(ledger_word, tmp_path, monkeypatch, capsys):
    """Run one command on a ledger of the test's own, with two spools in it: what it prints."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_LEDGER", ledger_word)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))

    def call(line, code=0):
        got = outcome(shlex.split(line))
        out, err = capsys.readouterr()
        assert got == code, (line, out, err)
        return out if code == 0 else err

    for line in BEGIN:
        call(line)
    return call


def content(run, spool, at):
    said = json.loads(run(f"spool show {spool} --members 1 --at {at} --json"))
    return said["mean_wt_pct"]["p50"]


def listed(run, at):
    return run(f"spool list --members 1 --at {at}")


def test_who_moves_in_changes_the_others_future_and_the_list_notices(run):
    alone, before = content(run, "dry-1", "2026-10-20"), content(run, "dry-1", "2026-09-20")
    first = listed(run, "2026-10-20")
    run("spool move wet-1 box --at 2026-09-21T00:00")
    assert content(run, "dry-1", "2026-10-20") > alone * 1.05
    assert content(run, "dry-1", "2026-09-20") == before
    assert listed(run, "2026-10-20") != first  # though nothing was noted of dry-1
    assert "shares the air of box with wet-1" in " ".join(
        run("spool show dry-1 --members 1 --at 2026-10-20").split()
    )
    # taken out again: its past is what it was, its future is its own
    shared = content(run, "dry-1", "2026-10-10")
    run("spool move wet-1 bench --at 2026-10-10T00:00")
    assert content(run, "dry-1", "2026-10-10") == shared
    assert "shares the air" not in " ".join(run("spool show dry-1 --members 1 --at 2026-10-20").split())
    run("spool undo wet-1")
    run("spool undo wet-1")
    assert content(run, "dry-1", "2026-10-20") == alone


def test_a_reading_in_a_box_leaves_the_past_alone(run):
    before, later = content(run, "dry-1", "2026-09-20"), content(run, "dry-1", "2026-12-20")
    run("place read box --humidity 30 --at 2026-10-01T00:00")
    assert content(run, "dry-1", "2026-09-20") == before
    assert content(run, "dry-1", "2026-12-20") > later


def test_a_bag_states_its_film_or_its_leak(run):
    run("place add foil --kind sealed --film foil --room bench --desiccant clay --desiccant-mass 30")
    run("place add zip --kind sealed --leak 0.3 --room bench")
    assert "film: foil" in run("place list") and "lets in 0.3 g of water a day" in " ".join(
        run("place list").split()
    )
    said = run("place add odd --kind sealed --film paper --room bench", code=1)
    assert "film is 'paper', but must be foil | metallised" in said
    assert "--leak says what comes through already" in run(
        "place add odd --kind sealed --film foil --leak 0.1 --room bench", code=1
    )
    said = []
    for place in ("foil", "zip"):
        run(
            f"spool add {place}-1 --material PETG --net-mass 1000 --water 0.02 --place {place} --at 2026-09-02T00:00"
        )
        said.append(content(run, f"{place}-1", "2026-12-01"))
    assert said[0] < 0.06 < 0.1 < said[1]


def test_a_list_worked_out_in_processes_says_the_same(run, monkeypatch):
    """Whoever works it out; what it took is kept, and a record that cannot be read is told beside the others."""
    run("spool move wet-1 box --at 2026-09-04T00:00")
    for count in range(4):
        run(f"spool add reel-{count} --material PETG --net-mass 750 --place bench --at 2026-09-05T00:00")
    run("spool add lost-1 --material PETG --net-mass 750 --place bench --at 2026-09-12T00:00")
    listing = "spool list --members 2 --at 2026-09-10T00:00"
    said = {}
    for count in (2, 1):
        started = []
        monkeypatch.setattr(executors, "cores", lambda count=count, to=started: to.append(count) or count)
        cached = f"{listing} --json"
        said[count] = run(cached)
        assert started == [count]
        assert run(cached) == said[count]  # from what was kept
        monkeypatch.setattr(spools.cache, "profiles_stamp", lambda: "other")  # nothing that was kept holds
        monkeypatch.setattr(spools, "MODEL", "other")
    assert said[2] == said[1]
    assert "lost-1" in said[1]  # whose record begins later: told beside the others

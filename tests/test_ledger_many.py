"""Many writers at once, and writers that are killed: what was acknowledged is there, exactly once.

``GCODETOOL_HYPOTHESIS=long`` runs the full counts: 8 × 250 and 8 × 25 writers, 200 kills.
"""

import os
import pathlib
import random
import subprocess
import sys

import pytest

from gcodetool.ledger import entries, maintenance, place_entries, store, writers
from gcodetool.ledger.store import open_ledger, reading

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
EACH = 250 if LONG else 12
CALLS = 25 if LONG else 1
KILLS = 200 if LONG else 5
WRITERS = 8
WRITER = pathlib.Path(__file__).with_name("ledger_writer.py")
ROOT = WRITER.parent.parent
CALL = "import sys; from gcodetool.cli.main import run; run()"
# the same, broken off at the lock; whoever started the tests may have told them to ignore the keyboard
BROKEN_OFF = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
from gcodetool.cli.main import run
from gcodetool.ledger import store
from sqlalchemy.engine import Connection
real = Connection.exec_driver_sql
def told(self, statement, *rest):
    if statement == "BEGIN IMMEDIATE":
        print("at the lock", file=sys.stderr, flush=True)
    return real(self, statement, *rest)
Connection.exec_driver_sql = told
run()
"""
FACTS = {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750}


def environment() -> dict[str, str]:
    """Return the environment of a process that finds this tree."""
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), store.PATIENCE: "120"}


def begin(word: str) -> store.Ledger:
    """Make a ledger with one spool."""
    ledger = open_ledger(word)
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=1.76e9)
    writers.add_spool(ledger, "pa6-07", FACTS, at_s=1.76e9)
    return ledger


def noted(ledger: store.Ledger) -> dict[str, int]:
    """Return the entry of each token that is there; a token that is there twice fails."""
    with reading(ledger) as conn:
        weighed = [entry for entry in entries.of(conn, "spool", "pa6-07") if entry.kind == "weighed"]
    found = {entry.facts["note"]: entry.number for entry in weighed}
    assert len(found) == len(weighed)
    return found


def test_each_acknowledged_event_of_eight_writers_is_there_once(ledger_word: str) -> None:
    ledger = begin(ledger_word)
    crowd = [
        subprocess.Popen(
            [sys.executable, str(WRITER), ledger_word, f"w{number}", str(EACH)],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        for number in range(WRITERS)
    ]
    acknowledged = {}
    for writer in crowd:
        out, _ = writer.communicate()
        assert writer.returncode == 0
        acknowledged |= {token: int(number) for token, number in map(str.split, out.splitlines())}
    assert len(acknowledged) == WRITERS * EACH
    assert noted(ledger) == acknowledged
    assert not list(maintenance.integrity_errors(ledger))


def test_each_acknowledged_command_of_eight_writers_is_there_once(ledger_word: str) -> None:
    """The same through the command line; the ledger is not even made yet when they begin."""
    ledger = begin(ledger_word)
    script = 'for i in $(seq $3); do $0 -c "$1" spool weigh pa6-07 $((900 + $i)) --note $2-$i --ledger $4 || exit 1; done'
    crowd = [
        subprocess.Popen(
            ["sh", "-c", script, sys.executable, CALL, f"w{number}", str(CALLS), ledger_word],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        for number in range(WRITERS)
    ]
    said = 0
    for writer in crowd:
        out, _ = writer.communicate()
        assert writer.returncode == 0
        said += out.count("weighs")
    assert said == WRITERS * CALLS
    assert set(noted(ledger)) == {f"w{w}-{i}" for w in range(WRITERS) for i in range(1, CALLS + 1)}
    assert not list(maintenance.integrity_errors(ledger))


def test_eight_that_begin_at_once_make_one_ledger(ledger_word: str) -> None:
    script = (
        "import sys; from gcodetool.ledger.store import open_ledger; from gcodetool.ledger import place_entries; "
        "place_entries.add_place(open_ledger(sys.argv[1]), sys.argv[2], {'kind': 'sealed'})"
    )
    crowd = [
        subprocess.Popen([sys.executable, "-c", script, ledger_word, f"bag-{number}"], env=environment())
        for number in range(WRITERS)
    ]
    assert [writer.wait() for writer in crowd] == [0] * WRITERS
    ledger = open_ledger(ledger_word, make=False)
    assert maintenance.ledger_stats(ledger).places == WRITERS
    if ledger.path is not None:
        left = {path.name.removesuffix("-wal").removesuffix("-shm") for path in ledger.path.parent.iterdir()}
        assert left == {ledger.path.name}


def test_a_killed_writer_loses_nothing_that_it_acknowledged(ledger_word: str) -> None:
    ledger = begin(ledger_word)
    chance = random.Random(7)
    acknowledged: dict[str, int] = {}
    for round_ in range(KILLS):
        writer = subprocess.Popen(
            [sys.executable, str(WRITER), ledger_word, f"k{round_}", "100000"],
            stdout=subprocess.PIPE,
            env=environment(),
        )
        assert writer.stdout is not None
        lines = [writer.stdout.readline() for _ in range(1 + chance.randrange(40))]
        writer.kill()  # on its way to the next
        lines += writer.stdout.read().splitlines()
        writer.wait()
        writer.stdout.close()
        for line in lines:
            token, _, number = line.decode().strip().partition(" ")
            if number:
                acknowledged[token] = int(number)
        ledger = open_ledger(ledger_word, make=False)
        there = noted(ledger)
        assert acknowledged.items() <= there.items()
        assert len(there) <= len(acknowledged) + round_ + 1  # at most one written and not said, each time
    assert len(acknowledged) >= KILLS
    assert not list(maintenance.integrity_errors(ledger))


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_command_broken_off_by_the_keyboard_writes_nothing_or_all(tmp_path: pathlib.Path) -> None:
    import signal

    word = str(tmp_path / "l.sqlite")
    ledger = begin(word)
    with store.writing(ledger):  # somebody holds the lock
        waiting = subprocess.Popen(
            [sys.executable, "-c", BROKEN_OFF, "spool", "weigh", "pa6-07", "900", "--ledger", word],
            stderr=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        assert waiting.stderr is not None
        assert waiting.stderr.readline() == "at the lock\n"
        waiting.send_signal(signal.SIGINT)
    _, said = waiting.communicate()
    assert "Traceback" not in said
    assert len(noted_numbers(ledger)) == (1 if waiting.returncode == 0 else 0)
    assert not list(maintenance.integrity_errors(ledger))


def noted_numbers(ledger: store.Ledger) -> list[int]:
    """Return the numbers of the weigh-ins that are there."""
    with reading(ledger) as conn:
        return [entry.number for entry in entries.of(conn, "spool", "pa6-07") if entry.kind == "weighed"]

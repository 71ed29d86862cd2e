"""A ledger damaged at random, in its bytes or in its rows, and what has to hold all the same.

:func:`damaged` makes one from a seed; :func:`examined` asks the commands about it: never a fault of the tool itself, never
"all as it was noted" where it is not, and the good backup beside it stays.  Used by ``test_ledger_damage.py`` and
``fuzz_long.py --sort ledgers``.
"""

import contextlib
import random
import sqlite3
from pathlib import Path
from typing import Final

from fuzzing_files import SHELF, alone, said

CHAINED: Final = (
    "SELECT number, subject, name, kind, at_us, facts, chain, who, noted_us, call, part, turn_us, nth FROM entry "
    "ORDER BY number"
)
READINGS: Final = "SELECT * FROM reading ORDER BY entry, at_us"
COLUMNS: Final = {
    "entry": [
        "number",
        "subject",
        "name",
        "kind",
        "at_us",
        "noted_us",
        "facts",
        "call",
        "part",
        "chain",
        "who",
        "turn_us",
        "nth",
    ],
    "reading": ["entry", "place", "at_us", "temperature_C", "rh_pct"],
    "schema_version": ["version"],
}
VALUES: Final = (
    None,
    0,
    1,
    -1,
    2**62,
    0.5,
    "",
    "x",
    "{}",
    "[]",
    "null",
    b"\xff\x00",
    "spool",
    "undone",
    "9" * 40,
)


def made(folder: Path) -> Path:
    """Return a sound ledger in one file, with spools, places, readings, an undo and what was noted by two people."""
    path, good = folder / "ledger.sqlite", folder / "good.sqlite"
    log = folder / "log.csv"
    log.write_text("time,temperature_C,rh_pct\n2026-11-20T08:00:00,21,50\n2026-11-20T09:00:00,22,52\n")
    calls = [
        *(f"spool import {SHELF}/{name}.toml --keep-places" for name in ("petg-03", "pa6-07", "pla-11")),
        "spool weigh petg-03 800 --force",
        "spool weigh petg-03 790 --force",
        "spool undo petg-03",
        "place add shed --kind open --temperature 20 --humidity 50",
        f"place log shed {log}",
        f"ledger backup -o {good}",
    ]
    with alone(folder):
        for words in calls:
            code, _, err = said([*words.split(), "--ledger", str(path)])
            assert code == 0, err
    return good


def rows(path: Path, asked: str = CHAINED) -> list[tuple[object, ...]]:
    """Return what a ledger's file holds."""
    with contextlib.closing(sqlite3.connect(path)) as conn:
        return conn.execute(asked).fetchall()


def damaged(good: Path, seed: int, work: Path) -> bytes:
    """Return the bytes of *good* with something wrong in them; the same for the same seed."""
    dice = random.Random(f"ledger {seed}")
    return _rows_damaged(good, dice, work) if dice.random() < 0.5 else _bytes_damaged(good.read_bytes(), dice)


def _bytes_damaged(good: bytes, dice: random.Random) -> bytes:
    data = bytearray(good)
    for _ in range(dice.choice((1, 1, 4, 64))):
        data[dice.randrange(len(data))] = dice.randrange(256)
    if dice.random() < 0.2:
        del data[dice.randrange(len(data)) :]
    return bytes(data)


def _rows_damaged(good: Path, dice: random.Random, work: Path) -> bytes:
    work.write_bytes(good.read_bytes())
    table = dice.choice(("entry", "entry", "entry", "reading", "schema_version"))
    column = dice.choice(COLUMNS[table])
    with contextlib.closing(sqlite3.connect(work)) as conn:
        conn.execute("PRAGMA ignore_check_constraints = ON")
        ids = [row[0] for row in conn.execute(f"SELECT rowid FROM {table} ORDER BY rowid")]
        one, other = dice.choice(ids), dice.choice(ids)
        how = dice.randrange(5)
        with contextlib.suppress(sqlite3.Error):  # what the database itself refuses is no damage
            if how == 0:
                conn.execute(f"DELETE FROM {table} WHERE rowid = ?", (one,))
            elif how == 1:
                value = f"(SELECT {column} FROM {table} WHERE rowid = ?)"
                conn.execute(f"UPDATE {table} SET {column} = {value} WHERE rowid = ?", (other, one))
            elif how == 2:
                names = ", ".join(name for name in COLUMNS[table] if name != "number")
                some = names.replace("part", "part + 100").replace("at_us,", "at_us + 7,", 1)
                conn.execute(
                    f"INSERT INTO {table} ({names}) SELECT {some} FROM {table} WHERE rowid = ?", (one,)
                )
            else:
                conn.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (dice.choice(VALUES), one))
        conn.commit()
    return work.read_bytes()


def examined(good: Path, content: bytes, folder: Path) -> dict[str, int]:
    """Put a damaged ledger through the commands; return what was said of it, counted."""
    ledger, backup = folder / "damaged.sqlite", folder / "backup.sqlite"
    for left in folder.glob("damaged.sqlite*"):
        left.unlink()
    ledger.write_bytes(content)
    if not backup.exists():
        backup.write_bytes(good.read_bytes())
    wanted, readings, here = rows(good), rows(good, READINGS), ["--ledger", str(ledger)]
    with alone(folder):
        code, out, err = said(["ledger", "check", *here])
        assert code in (0, 1), (code, err)
        well = "all as it was noted" in out
        assert well == (code == 0)
        if well:
            assert rows(ledger) == wanted
            assert rows(ledger, READINGS) == readings
        asked = [
            ["spool", "list", "--members", "1"],
            ["spool", "show", "petg-03", "--members", "1", "--json"],
            ["place", "list"],
            ["place", "show", "shed"],
            ["spool", "export", "pa6-07", "-o", str(folder / "out.toml")],
            ["spool", "weigh", "pla-11", "800", "--force"],
        ]
        some = random.Random(content).sample(asked, 2)
        for words in (*some, ["ledger", "backup", "-o", str(backup)]):
            if words[1] == "weigh" and well:
                continue  # so that the backup stays the same
            code, _, err = said([*words, *here])
            assert code in (0, 1), (words, code, err)
            assert "Traceback" not in err, (words, err)
        assert rows(backup) == wanted
        assert rows(backup, READINGS) == readings
    return {"well": int(well), "damaged": int(not well)}

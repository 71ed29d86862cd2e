"""A damaged ledger: what is damaged is named, the rest stays readable, and no good backup is lost."""

import contextlib
import os
import pathlib
import shutil
import sqlite3

import ledger_damage
import pytest
from ledger_damage import rows

from gcodetool.cli.main import outcome
from gcodetool.ledger.schema import VERSIONS
from gcodetool.ledger.steps import STEPS

SHELF = pathlib.Path(__file__).parents[1] / "sample_gcode" / "shelf"
DAMAGES = 2000 if os.environ.get("GCODETOOL_HYPOTHESIS") == "long" else 30


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    folder = tmp_path_factory.mktemp("ledger")
    path = folder / "ledger.sqlite"
    for name in ("petg-03", "pa6-07", "pla-11"):
        assert (
            outcome(["spool", "import", str(SHELF / f"{name}.toml"), "--keep-places", "--ledger", str(path)])
            == 0
        )
    for grams in ("800", "790"):
        assert outcome(["spool", "weigh", "petg-03", grams, "--force", "--ledger", str(path)]) == 0
    assert outcome(["ledger", "backup", "-o", str(folder / "good.sqlite"), "--ledger", str(path)]) == 0
    return folder


@pytest.fixture
def folder(template: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    shutil.copy(template / "good.sqlite", tmp_path / "ledger.sqlite")
    shutil.copy(template / "good.sqlite", tmp_path / "backup.sqlite")
    return tmp_path


def change(path: pathlib.Path, *statements: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as conn:
        for statement in statements:
            conn.execute(statement)
        conn.commit()


def said(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    capsys.readouterr()
    code = outcome([str(word) for word in words])
    shown = capsys.readouterr()
    return code, shown.out + shown.err


DAMAGE = {
    "facts": "UPDATE entry SET facts = facts || ' ' WHERE number = {n}",
    "no JSON": "UPDATE entry SET facts = '{{' WHERE number = {n}",
    "a list": "UPDATE entry SET facts = '[]' WHERE number = {n}",
    "no text": "UPDATE entry SET facts = x'ff00fe' WHERE number = {n}",
    "no number": "UPDATE entry SET at_us = 'soon' WHERE number = {n}",
    "kind": "UPDATE entry SET kind = 'set' WHERE number = {n}",
    "moment": "UPDATE entry SET at_us = at_us + 1 WHERE number = {n}",
    "deep": "UPDATE entry SET facts = '" + "[" * 5000 + "' WHERE number = {n}",
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_each_damaged_entry_is_named_and_other_spools_stay_readable(
    damage: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = [number for number, subject, name, *_ in rows(folder / "ledger.sqlite") if name == "petg-03"]
    damaged = [mine[1], mine[-1]]
    change(folder / "ledger.sqlite", *(DAMAGE[damage].format(n=number) for number in damaged))
    code, words = said(capsys, "ledger", "check")
    assert code == 1
    for number in damaged:
        assert f"- spool petg-03, entry {number}: " in words
    assert "all as it was noted" not in words
    code, words = said(capsys, "spool", "show", "petg-03", "--members", "1")
    assert (code, words.count("\n")) == (1, 1)
    assert f"entry {damaged[0]}" in words
    assert said(capsys, "spool", "show", "pa6-07", "--members", "1")[0] == 0
    code, words = said(capsys, "spool", "list", "--members", "1")
    assert code == 0
    assert f"petg-03: spool petg-03, entry {damaged[0]}" in " ".join(words.split())
    assert said(capsys, "spool", "weigh", "pa6-07", "900", "--force")[0] == 0


@pytest.mark.parametrize(
    "lost",
    [
        "DELETE FROM entry WHERE number = (SELECT max(number) FROM entry)",
        "DELETE FROM entry WHERE number = (SELECT min(number) FROM entry WHERE name = 'petg-03')",
        "DELETE FROM entry WHERE number = (SELECT max(number) FROM entry WHERE name = 'pa6-07')",
        "DELETE FROM entry",
        "UPDATE entry SET subject = 'spool' WHERE subject = 'place' AND number = 1",
    ],
)
def test_what_is_gone_is_noticed_and_no_backup_takes_it_over(
    lost: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(folder / "ledger.sqlite", lost)
    before = (folder / "backup.sqlite").read_bytes()
    assert said(capsys, "ledger", "check")[0] == 1
    code, words = said(capsys, "ledger", "backup", "-o", "backup.sqlite")
    assert code == 1
    assert "no backup is made" in words
    assert (folder / "backup.sqlite").read_bytes() == before


def test_a_backup_of_another_shelf_does_not_replace_this_ones(
    folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = ["--ledger", "other.sqlite"]
    assert (
        outcome(["place", "add", "shed", "--kind", "open", "--temperature", "9", "--humidity", "80", *other])
        == 0
    )
    before = (folder / "backup.sqlite").read_bytes()
    code, words = said(capsys, "ledger", "backup", "-o", "backup.sqlite", *other)
    assert code == 1
    assert "so it is not replaced" in words
    assert (folder / "backup.sqlite").read_bytes() == before
    assert outcome(["spool", "weigh", "pa6-07", "900", "--force"]) == 0
    assert outcome(["ledger", "backup", "-o", "backup.sqlite"]) == 0  # one that goes on from it does


def test_an_empty_or_foreign_file_is_no_ledger(
    folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for content in (b"", b"no database", (folder / "backup.sqlite").read_bytes()[:4096]):
        (folder / "ledger.sqlite").write_bytes(content)
        code, words = said(capsys, "ledger", "check")
        assert code == 1
        assert "all as it was noted" not in words
        assert (folder / "ledger.sqlite").read_bytes() == content


@pytest.mark.parametrize("before", ["whole", "damaged", "empty", "gone", "gone but its log", "cut"])
def test_restoring_gives_the_backup_and_keeps_what_was_there(
    before: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ledger, wanted = folder / "ledger.sqlite", rows(folder / "backup.sqlite")
    with contextlib.closing(
        sqlite3.connect(ledger)
    ) as holder:  # so that the log stays when the others are done
        holder.execute("PRAGMA journal_mode = WAL")
        assert outcome(["spool", "weigh", "pa6-07", "900", "--force"]) == 0
        holder.execute("SELECT count(*) FROM entry").fetchall()
        shutil.copy(f"{ledger}-wal", folder / "log")
    if before in ("damaged", "cut", "empty"):
        data = ledger.read_bytes()
        ledger.write_bytes(
            {"damaged": data[:200] + b"\xff" * 9000 + data[9200:], "cut": data[:-5000], "empty": b""}[before]
        )
    if before.startswith("gone"):
        ledger.unlink()
    if before != "whole" and before != "gone":
        shutil.copy(folder / "log", f"{ledger}-wal")
    code, words = said(capsys, "ledger", "restore", "backup.sqlite")
    assert code == 0, words
    assert rows(ledger) == wanted
    assert said(capsys, "ledger", "check")[0] == 0
    kept = [path for path in folder.iterdir() if "before-restore" in path.name]
    assert bool(kept) == (before != "gone")
    if before == "whole":
        assert len(rows(kept[0])) == len(wanted) + 1
    assert outcome(["spool", "fed", "pa6-07", "--length", "100"]) == 0
    assert said(capsys, "ledger", "check")[0] == 0
    assert len(rows(ledger)) == len(wanted) + 1


def test_a_bad_backup_is_not_restored(folder: pathlib.Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = rows(folder / "ledger.sqlite")
    change(folder / "backup.sqlite", "UPDATE entry SET facts = '{}' WHERE number = 2")
    (folder / "empty.sqlite").write_bytes(b"")
    for name in ("backup.sqlite", "empty.sqlite", "none.sqlite", "ledger.sqlite"):
        code, words = said(capsys, "ledger", "restore", name)
        assert (code, words.count("\n")) == (1, 1)
        assert "nothing was written" in words
    assert rows(folder / "ledger.sqlite") == before


@pytest.mark.parametrize("damage", ["pages", "head", "cut", "entry"])
def test_of_a_damaged_backup_is_said_what_is_known(
    damage: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    backup = folder / "backup.sqlite"
    if damage == "entry":
        change(backup, "UPDATE entry SET facts = '{}' WHERE number = 2")
    else:
        data = backup.read_bytes()
        zeros = {"pages": (3 * 4096, 6 * 4096), "head": (100, 4096), "cut": (len(data), len(data))}[damage]
        data = data[: zeros[0]] + bytes(zeros[1] - zeros[0]) + data[zeros[1] :]
        backup.write_bytes(data[: len(data) // 2] if damage == "cut" else data)
    code, words = said(capsys, "ledger", "restore", "backup.sqlite")
    assert code == 1
    assert "backup.sqlite: not restored, the backup is damaged: " in words
    assert ".restore-" not in words
    code, checked = said(capsys, "ledger", "check", "--ledger", "backup.sqlite")
    assert code == 1
    assert "'gcodetool ledger check'" not in checked  # it is what says this
    if damage in ("head", "cut"):  # nothing more is known of it, so nothing is promised
        assert "ledger check" not in words
    else:
        assert "'gcodetool ledger check --ledger backup.sqlite' names all" in words
        assert "thing" in checked and "not in order" in checked


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_backup_goes_into_a_server_too(
    ledger_word: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = ["--ledger", ledger_word]
    assert (
        outcome(["place", "add", "shed", "--kind", "open", "--temperature", "9", "--humidity", "80", *there])
        == 0
    )
    code, words = said(capsys, "ledger", "restore", "backup.sqlite", *there)
    assert code == 0, words
    assert said(capsys, "ledger", "check", *there)[0] == 0
    assert outcome(["spool", "fed", "pa6-07", "--length", "100", *there]) == 0
    assert outcome(["ledger", "backup", "-o", "again.sqlite", *there]) == 0
    assert rows(folder / "again.sqlite")[:-1] == rows(folder / "backup.sqlite")
    (kept,) = [path for path in folder.iterdir() if "before-restore" in path.name]
    assert [row[2] for row in rows(kept)] == ["shed"]


def test_random_damage_is_never_a_fault_of_the_tool_nor_a_wrong_all_well(tmp_path: pathlib.Path) -> None:
    good = ledger_damage.made(tmp_path)
    found = {"well": 0, "damaged": 0}
    for seed in range(DAMAGES):
        content = ledger_damage.damaged(good, seed, tmp_path / "work.sqlite")
        try:
            said_of_it = ledger_damage.examined(good, content, tmp_path)
        except Exception as error:
            error.add_note(f"seed {seed}")
            raise
        found = {key: found[key] + said_of_it[key] for key in found}
    assert found["damaged"] > DAMAGES / 4
    assert ledger_damage.examined(good, good.read_bytes(), tmp_path) == {"well": 1, "damaged": 0}


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE entry SET kind = 'undone' WHERE kind = 'weighed'",
        "UPDATE entry SET kind = 'added' WHERE kind = 'moved'",
        "UPDATE entry SET kind = 'moved' WHERE kind = 'weighed'",
        "UPDATE entry SET at_us = 'soon' WHERE kind = 'moved'",
        "UPDATE entry SET facts = '1' WHERE kind = 'moved'",
        "UPDATE entry SET name = x'ff00fe' WHERE kind = 'weighed'",
        "UPDATE entry SET name = x'ff00fe' WHERE subject = 'place'",
        "UPDATE entry SET facts = '[]' WHERE kind = 'added'",
    ],
)
def test_what_is_read_without_its_digest_is_no_fault_either(
    damage: str, folder: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who is where is asked of single entries, for speed: what these say is looked at before it is used."""
    change(folder / "ledger.sqlite", damage)
    for words in (("place", "list"), ("place", "show", "bench"), ("spool", "list", "--members", "1")):
        assert "fault in gcodetool" not in said(capsys, *words)[1], words
    assert said(capsys, "ledger", "check")[0] == 1


def test_the_name_of_each_step_fits_the_column_that_records_it() -> None:
    """SQLite takes names of any length, a server does not."""
    longest = VERSIONS.c.name.type.length  # type: ignore[attr-defined]
    assert all(len(step.name) <= longest for step in STEPS)

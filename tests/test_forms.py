"""The keys of forms in the ledger: one transaction with the note, moved forward from older ledgers, left out of nothing."""

import pathlib
from dataclasses import replace

import pytest

from gcodetool.errors import FormUsedError, LedgerError, MovedMeanwhileError
from gcodetool.ledger import access, entries, maintenance, place_entries, restore, steps, store, writers
from gcodetool.ledger.forms import Form
from gcodetool.ledger.store import Ledger, open_ledger, reading

T0 = 1_793_750_400.0
FACTS = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 1000.0}


@pytest.fixture
def shelf(ledger_word: str) -> Ledger:
    return stocked(open_ledger(ledger_word))


def stocked(ledger: Ledger) -> Ledger:
    for name in ("bench", "shelf"):
        place_entries.add_place(ledger, name, {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
    writers.add_spool(ledger, "petg-03", FACTS, place="bench", at_s=T0)
    return ledger


def count(ledger: Ledger) -> int:
    with reading(ledger) as conn:
        return len(entries.of(conn, "spool", "petg-03"))


def test_a_key_is_good_once_and_kept_only_with_its_note(shelf: Ledger) -> None:
    form = replace(shelf, form=Form("k1", "a", "spool", "petg-03"))
    with pytest.raises(LedgerError):  # refused: the key is still good
        writers.move(form, "petg-03", "nowhere", at_s=T0 + 1)
    noted = writers.move(form, "petg-03", "shelf", at_s=T0 + 1).entries[0].number
    with pytest.raises(FormUsedError) as same:
        writers.move(form, "petg-03", "shelf", at_s=T0 + 1)
    assert (same.value.numbers, same.value.same) == ((noted,), True)
    with pytest.raises(FormUsedError) as other:
        writers.weigh(
            replace(shelf, form=Form("k1", "b", "spool", "petg-03")), "petg-03", 1000.0, at_s=T0 + 2
        )
    assert not other.value.same
    assert count(shelf) == 2


def test_what_moved_meanwhile_is_told_and_what_did_not_is_not(shelf: Ledger) -> None:
    with reading(shelf) as conn:
        seen = entries.of(conn, "spool", "petg-03")[-1].number
    writers.weigh(shelf, "petg-03", 1100.0, at_s=T0 + 1)
    writers.move(
        replace(shelf, form=Form("k1", "a", "spool", "petg-03", seen)), "petg-03", "shelf", at_s=T0 + 2
    )
    with pytest.raises(MovedMeanwhileError) as moved:
        writers.move(
            replace(shelf, form=Form("k2", "a", "spool", "petg-03", seen)), "petg-03", "bench", at_s=T0 + 3
        )
    assert len(moved.value.numbers) == 1
    assert count(shelf) == 3


def test_an_older_ledger_gets_room_for_them(ledger_word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    step = next(one for one in steps.STEPS if "forms noted once" in one.name)
    with monkeypatch.context() as old:
        before = tuple(one for one in steps.STEPS if one.version < step.version)
        old.setattr(steps, "STEPS", before)
        old.setattr(store, "NEWEST", before[-1].version)
        stocked(open_ledger(ledger_word))
    ledger = open_ledger(ledger_word)
    with reading(ledger) as conn:
        assert steps.version_of(conn) == steps.NEWEST
    writers.weigh(replace(ledger, form=Form("k", "a", "spool", "petg-03")), "petg-03", 1100.0, at_s=T0 + 1)
    with pytest.raises(FormUsedError):
        writers.weigh(
            replace(ledger, form=Form("k", "a", "spool", "petg-03")), "petg-03", 1100.0, at_s=T0 + 1
        )


def test_a_backup_keeps_keys_and_lets_nobody_in(shelf: Ledger, tmp_path: pathlib.Path) -> None:
    token = access.grant(shelf, "phone", "device")
    form = Form("k1", "a", "spool", "petg-03")
    writers.weigh(replace(shelf, form=form), "petg-03", 1100.0, at_s=T0 + 1)
    assert access.known(shelf, token) is not None
    kept = tmp_path / "kept.sqlite"
    maintenance.backup(shelf, kept)
    copy = open_ledger(kept)
    assert access.known(copy, token) is None
    assert token.encode() not in kept.read_bytes()
    with pytest.raises(FormUsedError):
        writers.weigh(replace(copy, form=form), "petg-03", 1100.0, at_s=T0 + 1)
    other = open_ledger(tmp_path / "other.sqlite")
    assert other.path is not None
    restore.restore(kept, str(other.path))
    with pytest.raises(FormUsedError):
        writers.weigh(replace(open_ledger(other.path), form=form), "petg-03", 1100.0, at_s=T0 + 1)


def test_names_and_tokens(shelf: Ledger) -> None:
    first = access.grant(shelf, "s1", "sensor", place="bench")
    second = access.grant(shelf, "s1", "sensor", place="bench")  # a new one ends the old one
    assert access.known(shelf, first) is None
    found = access.known(shelf, second)
    assert found is not None
    assert (found.name, found.role, found.place) == ("s1", "sensor", "bench")
    for name, role, place, said in (
        ("s1", "device", None, "another sensor"),
        ("", "device", None, "cannot be"),
        ("s2", "sensor", "nowhere", "no place"),
    ):
        with pytest.raises(LedgerError, match=said):
            access.grant(shelf, name, role, place=place)
    access.drop(shelf, "s1")
    with pytest.raises(LedgerError, match="there are: none"):
        access.drop(shelf, "s1")

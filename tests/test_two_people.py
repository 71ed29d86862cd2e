"""Several people, several machines: who wrote what, whose clock was wrong, and two shelves made one."""

import getpass
import json
import os
import pathlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.cli.main import outcome
from gcodetool.errors import GcodetoolError, LedgerError
from gcodetool.ledger import (
    call,
    entries,
    exchange,
    maintenance,
    merge,
    place_entries,
    records,
    store,
    writers,
)
from gcodetool.ledger.store import Ledger, open_ledger, reading, writing

T0 = 1_793_606_400.0  # 2026-11-02T08:00Z
HOUR = 3600.0
LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
DAMAGE = ("file", "entry", "readings", "record")
FACTS = {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750}


def bench(ledger: Ledger) -> None:
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)


@pytest.fixture
def shelf(ledger_word: str) -> Ledger:
    ledger = open_ledger(ledger_word)
    bench(ledger)
    writers.add_spool(ledger, "pa6-07", FACTS, at_s=T0)
    return ledger


def history(ledger: Ledger, spool: str = "pa6-07") -> list[entries.LedgerEntry]:
    with reading(ledger) as conn:
        return entries.of(conn, "spool", spool)


# ---------------------------------------------------------------- who


def test_each_entry_says_who_wrote_it(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GCODETOOL_WHO", " early shift ")
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    monkeypatch.delenv("GCODETOOL_WHO")
    writers.weigh(shelf, "pa6-07", 949.0, at_s=T0 + 2 * HOUR)
    assert [entry.who for entry in history(shelf)][1:] == ["early shift", getpass.getuser()]
    assert not list(maintenance.integrity_errors(shelf))


@pytest.mark.parametrize("name", ["a\x1b[31mb", "x" * 81, "a\nb"])
def test_what_cannot_be_a_name_is_refused_and_nothing_is_written(
    name: str, shelf: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_WHO", name)
    with pytest.raises(LedgerError, match=r"^GCODETOOL_WHO: .* cannot be a name"):
        writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    assert len(history(shelf)) == 1


def test_without_a_login_nobody_is_named(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise OSError("no such user")

    monkeypatch.delenv("GCODETOOL_WHO", raising=False)
    monkeypatch.setattr(call.getpass, "getuser", nobody)
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    assert history(shelf)[-1].who == ""


def test_a_history_shows_who_and_files_carry_it(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_LEDGER", "ledger.sqlite")
    for who, words in (
        ("early shift", "place add bench --kind open --temperature 22 --humidity 48"),
        ("early shift", "spool add pa6-07 --material PA6"),
        ("late shift", "spool weigh pa6-07 950 --force"),
    ):
        monkeypatch.setenv("GCODETOOL_WHO", who)
        assert outcome(words.split()) == 0
    assert outcome(["spool", "export", "pa6-07", "-o", "pa6-07.toml"]) == 0
    monkeypatch.setenv("GCODETOOL_WHO", "another shop")
    assert outcome(["spool", "import", "pa6-07.toml", "--ledger", "other.sqlite"]) == 0
    for ledger in ("ledger.sqlite", "other.sqlite"):
        capsys.readouterr()
        assert outcome(["spool", "show", "pa6-07", "--members", "1", "--ledger", ledger]) == 0
        shown = capsys.readouterr().out
        assert "early shift" in shown
        assert "late shift" in shown
        assert outcome(["spool", "show", "pa6-07", "--members", "1", "--json", "--ledger", ledger]) == 0
        said = json.loads(capsys.readouterr().out)
        assert [entry["who"] for entry in said["history"]] == ["early shift", "late shift"]
    text = exchange.export(open_ledger("other.sqlite"), "pa6-07").text
    assert text == pathlib.Path("pa6-07.toml").read_text(encoding="utf-8")
    pathlib.Path("bad.toml").write_text(text.replace('"late shift"', '"a\\u001bb"'), encoding="utf-8")
    assert outcome(["spool", "import", "bad.toml", "--ledger", "third.sqlite"]) == 1
    assert "bad.toml:" in capsys.readouterr().err


def test_a_changed_name_or_order_is_damage(shelf: Ledger) -> None:
    for column, value in (
        ("who", "somebody else"),
        ("who", None),
        ("noted_us", 5),
        ("turn_us", 1),
        ("part", 7),
    ):
        with pytest.raises(KeyError), writing(shelf) as conn:
            conn.execute(
                entries.ENTRIES.update().values({column: value}).where(entries.ENTRIES.c.number == 2)
            )
            assert entries.of(conn, "spool", "pa6-07")[0].damage is not None, column
            raise KeyError  # and it is as it was


# ---------------------------------------------------------------- clocks


def test_a_clock_that_is_ahead_is_named(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    ahead = 26 * 3600 * 1_000_000
    with monkeypatch.context() as patch:
        for module in (entries, writers):
            patch.setattr(module, "now_us", lambda: call.now_us() + ahead)
        patch.setenv("GCODETOOL_WHO", "late shift")
        writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    (fault,) = [fault for fault in maintenance.integrity_errors(shelf) if fault.kind == "clock"]
    assert "noted by late shift" in fault.text
    assert "still to come" in fault.text
    with pytest.raises(
        LedgerError, match=r"the last note was made at .* by late shift: one of the clocks is wrong"
    ):
        writers.weigh(shelf, "pa6-07", 949.0)
    writers.weigh(shelf, "pa6-07", 949.0, at_s=T0 + 2 * HOUR)
    faults = [fault.text for fault in maintenance.integrity_errors(shelf) if fault.kind == "clock"]
    assert any("26.0 h before entry 3, which stood there already" in text for text in faults)
    writers.weigh(shelf, "pa6-07", 948.0)  # the last note's clock is right again
    assert [entry.facts.get("gross_g") for entry in history(shelf)[1:]] == [950.0, 949.0, 948.0]


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_knows_what_time_it_is(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writers, "now_us", lambda: call.now_us() + 7200 * 1_000_000)
    with pytest.raises(LedgerError, match="the server's"):
        writers.weigh(shelf, "pa6-07", 950.0)
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    with reading(shelf) as conn:
        assert len(records.spool(conn, "pa6-07").happened) == 1


# ---------------------------------------------------------------- two shelves made one


def sqlite_shelf(path: pathlib.Path) -> Ledger:
    ledger = open_ledger(path)
    bench(ledger)
    place_entries.add_place(ledger, "oven", {"kind": "dryer", "temperature_C": 70, "room": "bench"}, at_s=T0)
    writers.add_spool(ledger, "pa6-07", FACTS, place="bench", at_s=T0)
    return ledger


def copied(ledger: Ledger, path: pathlib.Path) -> Ledger:
    store.copy(ledger, path)
    return open_ledger(path)


def merged(one: Ledger, other: Ledger, path: pathlib.Path) -> tuple[Ledger, merge.Merged]:
    assert other.path is not None
    ledger = copied(one, path)
    return ledger, merge.merge(ledger, other.path)


def content(ledger: Ledger) -> dict[str, object]:
    """Return all that a ledger says, without the numbers that it gave itself."""
    found: dict[str, object] = {}
    with reading(ledger) as conn:
        known = records.places(conn)
        for name, place in known.items():
            found[f"place {name}"] = (place.stated, records.air_of(conn, place))
        for name, spool in records.spools(conn).items():
            found[f"spool {name}"] = (records.data_of(spool, known, lambda _: None), spool.retired)
        found["where"] = records.at_places(conn, 2**60)
        for subject in ("spool", "place"):
            for name, rows in entries.by_name(entries.of(conn, subject)).items():
                found[f"entries of {subject} {name}"] = [(each.sign, each.who, each.turn) for each in rows]
    return found


def signs(*ledgers: Ledger) -> set[tuple[str, int]]:
    found = set()
    for ledger in ledgers:
        with reading(ledger) as conn:
            found |= {each.sign for each in (*entries.of(conn, "spool"), *entries.of(conn, "place"))}
    return found


def does(ledger: Ledger, what: int, dice: int, side: int) -> None:
    """Do one of the things that people do; what cannot be here is not done."""
    names = ("pa6-07", f"own-{side}")
    spool, at_s = names[dice % 2], T0 + HOUR * (1 + dice % 97)
    try:
        if what == 0:
            writers.add_spool(ledger, names[1], FACTS, place="bench", at_s=T0 + HOUR)
        elif what == 1:
            writers.move(ledger, spool, ("bench", "oven")[dice % 3 == 0], at_s=at_s)
        elif what == 2:
            writers.weigh(ledger, spool, 900.0 + dice % 40, at_s=at_s, force=True)
        elif what == 3:
            writers.set_spool(
                ledger, spool, {"colour": f"colour {dice % 3}", "body": {"mass_g": 200 + dice % 3}}
            )
        elif what == 4:
            writers.undo(ledger, spool, force=dice % 7 == 0)
        elif what == 5:
            place_entries.read(ledger, "bench", rh_pct=40.0 + dice % 20, at_s=at_s)
        elif what == 6:
            place_entries.undo_place(ledger, "bench")
        elif what == 7:
            place_entries.set_place(ledger, "oven", {"temperature_C": 60.0 + dice % 9})
        elif what == 8:
            writers.retire(ledger, spool)
        else:
            writers.fed(ledger, spool, length_mm=100.0 + dice % 3, at_s=at_s, force=True)
    except GcodetoolError:
        pass


DEEDS = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 999), st.integers(0, 1)), max_size=8)


@settings(max_examples=settings().max_examples // 100 if LONG else 6)
@given(before=DEEDS, after=DEEDS)
def test_merging_is_one_law(
    before: list[tuple[int, int, int]],
    after: list[tuple[int, int, int]],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Whichever takes in the other, and in whatever order: the same; again: nothing; and nothing is lost."""
    folder = tmp_path_factory.mktemp("merge")
    base = sqlite_shelf(folder / "base.sqlite")
    for what, dice, _ in before:
        does(base, what, dice, 9)
    sides = [copied(base, folder / f"{side}.sqlite") for side in range(3)]
    for what, dice, side in after:
        does(sides[side], what, dice, side)
    writers.weigh(sides[2], "pa6-07", 930.0, at_s=T0 + HOUR, force=True) if "pa6-07" in shelf_of(
        base
    ) else None
    one, told = merged(sides[0], sides[1], folder / "one.sqlite")
    other, told_there = merged(sides[1], sides[0], folder / "other.sqlite")
    left_out = {(each.subject, each.name) for each in told.conflicts if each.kind == "left-out"}
    assert left_out == {(each.subject, each.name) for each in told_there.conflicts if each.kind == "left-out"}
    for ledger in (one, other):
        assert not [each for each in maintenance.integrity_errors(ledger) if each.kind in DAMAGE]
    assert not merge.merge(one, sides[1].path).entries
    assert not merge.merge(one, other.path).entries or left_out
    if left_out:
        return
    assert content(one) == content(other)
    assert signs(one) == signs(*sides[:2])
    third, told_third = merged(one, sides[2], folder / "third.sqlite")
    first, _ = merged(sides[1], sides[2], folder / "first.sqlite")
    again, told_again = merged(sides[0], first, folder / "again.sqlite")
    if not any(each.kind == "left-out" for each in (*told_third.conflicts, *told_again.conflicts)):
        assert content(third) == content(again)
        assert signs(third) == signs(*sides)


def shelf_of(ledger: Ledger) -> list[str]:
    with reading(ledger) as conn:
        return records.on_shelf(conn, retired=True)


@pytest.fixture
def sides(tmp_path: pathlib.Path) -> tuple[Ledger, Ledger]:
    base = sqlite_shelf(tmp_path / "mine.sqlite")
    return base, copied(base, tmp_path / "yours.sqlite")


def texts(done: merge.Merged, kind: str) -> list[str]:
    return [str(each) for each in done.conflicts if each.kind == kind]


def test_what_both_did_is_put_together_and_what_they_both_corrected_is_named(
    sides: tuple[Ledger, Ledger], monkeypatch: pytest.MonkeyPatch
) -> None:
    mine, yours = sides
    monkeypatch.setenv("GCODETOOL_WHO", "early shift")
    writers.set_spool(mine, "pa6-07", {"body": {"mass_g": 210}, "colour": "grey"})
    writers.move(mine, "pa6-07", "oven", at_s=T0 + HOUR)
    writers.fed(mine, "pa6-07", length_mm=8210, at_s=T0 + 30 * HOUR)
    monkeypatch.setenv("GCODETOOL_WHO", "late shift")
    writers.set_spool(yours, "pa6-07", {"body": {"mass_g": 212}, "colour": "grey"})
    writers.move(yours, "pa6-07", "bench", at_s=T0 + 20 * HOUR)
    writers.fed(yours, "pa6-07", length_mm=8210, at_s=T0 + 31 * HOUR)
    done = merge.merge(mine, yours.path)
    assert [(entry.kind, entry.who) for entry in done.entries] == [
        ("set", "late shift"),
        ("moved", "late shift"),
        ("fed", "late shift"),
    ]
    (corrected,) = texts(done, "corrected")
    assert "body.mass_g: early shift" in corrected
    assert f"entry {done.entries[0].number} counts" in corrected
    assert len(texts(done, "moved")) == len(texts(done, "twice")) == 1
    with reading(mine) as conn:
        record = records.spool(conn, "pa6-07")
    assert record.facts["body"] == {"mass_g": 212}
    assert [(each.kind, each.who) for each in record.happened] == [
        ("moved", "early shift"),
        ("moved", "late shift"),
        ("fed", "early shift"),
        ("fed", "late shift"),
    ]
    writers.undo(mine, "pa6-07", done.entries[2].number)  # the one print that both noted
    back = merge.merge(yours, mine.path)
    assert content(yours) == content(mine)
    assert not texts(back, "left-out")


def test_two_spools_of_one_name_stay_two(sides: tuple[Ledger, Ledger]) -> None:
    mine, yours = sides
    for ledger, material in zip(sides, ("PETG", "PLA"), strict=True):
        writers.add_spool(ledger, "petg-03", {**FACTS, "material": material}, place="bench", at_s=T0)
    before = content(mine)
    done = merge.merge(mine, yours.path)
    assert content(mine) == before
    (text,) = texts(done, "left-out")
    assert text.startswith("petg-03: two spools of one name")
    assert "--as ID" in text


def test_a_spool_does_not_come_into_other_air(tmp_path: pathlib.Path) -> None:
    mine, yours = (open_ledger(tmp_path / f"{name}.sqlite") for name in ("mine", "yours"))
    for ledger, rh in ((mine, 48), (yours, 65)):
        place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": rh}, at_s=T0)
    writers.add_spool(yours, "pla-11", {**FACTS, "material": "PLA"}, at_s=T0)
    done = merge.merge(mine, yours.path)
    assert not done.entries
    assert [text.split(":")[0] for text in texts(done, "left-out")] == ["bench", "pla-11"]
    assert "rh_pct 48, there 65" in texts(done, "left-out")[0]
    done = merge.merge(mine, yours.path, keep_places=True)
    assert [(entry.name, entry.kind) for entry in done.entries] == [("pla-11", "added")]
    assert [(each.kind, each.name) for each in done.conflicts] == [("kept", "bench")]
    with reading(mine) as conn:
        assert records.places(conn)["bench"].facts["rh_pct"] == 48


def test_two_ledgers_that_know_nothing_of_each_other_share_a_bench(tmp_path: pathlib.Path) -> None:
    mine, yours = (open_ledger(tmp_path / f"{name}.sqlite") for name in ("mine", "yours"))
    for side, ledger in enumerate((mine, yours)):
        bench(ledger)
        place_entries.read(ledger, "bench", rh_pct=50 + side, at_s=T0 + (1 + side) * HOUR)
        writers.add_spool(ledger, f"own-{side}", FACTS, place="bench", at_s=T0)
    here, there = copied(mine, tmp_path / "here.sqlite"), copied(yours, tmp_path / "there.sqlite")
    assert not merge.merge(here, yours.path).conflicts
    assert not merge.merge(there, mine.path).conflicts
    with reading(here) as one, reading(there) as other:
        airs = [records.air_of(conn, records.places(conn)["bench"]) for conn in (one, other)]
        assert airs[0] == airs[1]
        assert [rh for _, _, rh in airs[0]] == [48, 50, 51]
        assert records.on_shelf(one) == records.on_shelf(other) == ["own-0", "own-1"]


def test_taken_back_on_one_side_and_used_on_the_other_is_left_to_people(sides: tuple[Ledger, Ledger]) -> None:
    mine, yours = sides
    writers.undo(mine, "pa6-07")
    writers.weigh(yours, "pa6-07", 930.0, force=True)
    for ledger, other in ((mine, yours), (yours, mine)):
        before = content(ledger)
        (text,) = texts(merge.merge(ledger, other.path), "left-out")
        assert "taken back on one side" in text
        assert content(ledger) == before


def test_a_damaged_shelf_is_not_merged(sides: tuple[Ledger, Ledger]) -> None:
    mine, yours = sides
    with writing(yours) as conn:
        conn.execute(entries.ENTRIES.update().values(facts="{}").where(entries.ENTRIES.c.name == "bench"))
    for ledger, other in ((mine, yours), (yours, mine)):
        with pytest.raises(LedgerError, match=r"damaged.*bench, entry 1"):
            merge.merge(ledger, other.path)


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_takes_a_shelf_in(shelf: Ledger, tmp_path: pathlib.Path) -> None:
    maintenance.backup(shelf, tmp_path / "copy.sqlite")
    other = open_ledger(tmp_path / "copy.sqlite")
    writers.weigh(other, "pa6-07", 930.0, at_s=T0 + HOUR, force=True)
    place_entries.read(other, "bench", rh_pct=50, at_s=T0 + HOUR)
    assert [entry.kind for entry in merge.merge(shelf, other.path).entries] == ["read", "weighed"]
    assert content(shelf) == content(other)
    writers.weigh(shelf, "pa6-07", 929.0, at_s=T0 + 2 * HOUR, force=True)
    assert not [each for each in maintenance.integrity_errors(shelf) if each.kind in DAMAGE]


def test_the_command_says_what_it_did(
    sides: tuple[Ledger, Ledger], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, yours = sides
    writers.weigh(yours, "pa6-07", 700.0, at_s=T0 + HOUR)
    words = ["spool", "import", str(yours.path), "--merge", "--ledger", str(mine.path)]
    assert outcome(words) == 0
    assert "1 entries taken in" in capsys.readouterr().out
    assert outcome([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"entries": [], "conflicts": []}
    for ledger, material in zip(sides, ("PETG", "PLA"), strict=True):
        writers.add_spool(ledger, "petg-03", {**FACTS, "material": material}, place="bench", at_s=T0)
    assert outcome(words) == 1
    shown = capsys.readouterr()
    assert "- petg-03: two spools of one name" in shown.out
    assert "1 not merged, the first: petg-03" in shown.err
    assert outcome(["spool", "import", str(yours.path), "--ledger", str(mine.path)]) == 2
    assert "add --merge" in capsys.readouterr().err
    assert outcome(["spool", "import", str(mine.path), "--merge", "--ledger", str(mine.path)]) == 1


def test_a_lent_spool_comes_back_with_its_file(
    tmp_path: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, yours = sqlite_shelf(tmp_path / "mine.sqlite"), open_ledger(tmp_path / "yours.sqlite")
    file = tmp_path / "pa6-07.toml"
    file.write_text(exchange.export(mine, "pa6-07").text, encoding="utf-8")
    exchange.import_spool(yours, file)
    writers.fed(yours, "pa6-07", length_mm=500, at_s=T0 + HOUR)
    writers.fed(yours, "pa6-07", length_mm=500, at_s=T0 + HOUR)  # two of a kind
    writers.weigh(mine, "pa6-07", 700.0, at_s=T0 + 2 * HOUR)
    writers.set_spool(mine, "pa6-07", {"colour": "grey"})
    file.write_text(exchange.export(yours, "pa6-07").text, encoding="utf-8")
    with pytest.raises(LedgerError, match="--merge"):
        exchange.import_spool(mine, file)
    done = exchange.import_spool(mine, file, merge=True)
    assert [entry.kind for entry in done.entries] == ["fed", "fed"]
    assert any("colour grey, here not stated" in note for note in done.notes)
    writers.undo(mine, "pa6-07", done.entries[0].number)  # both: they came by one command
    again = exchange.import_spool(mine, file, merge=True)
    assert not again.entries
    assert "nothing written" in again.notes[-1]

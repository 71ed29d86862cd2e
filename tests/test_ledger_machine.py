"""Whatever people note in whatever order: the record replayed is the record as a plain list would have it."""

import pathlib
import tempfile
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    precondition,
    rule,
)

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import dryings, exchange, maintenance, place_entries, records, store, writers
from gcodetool.ledger.store import open_ledger, reading

T0 = 1_700_000_000
PLACES = {
    "bench": {"kind": "open", "temperature_C": 22, "rh_pct": 48},
    "oven": {"kind": "dryer", "temperature_C": 78.0, "room": "bench"},
    # each spool is dried in its own: what shares a dryer is another test's (test_dryers)
    "oven-of-pa6-07": {"kind": "dryer", "temperature_C": 78.0, "room": "bench"},
    "oven-of-petg-03": {"kind": "dryer", "temperature_C": 78.0, "room": "bench"},
    "box-2": {"kind": "box", "temperature_C": 22, "rh_pct": 14},
    "bench-1": {"kind": "printer", "printer": "bench-1", "room": "bench"},
}
FULL_MM = 275_900.0
when = st.integers(0, 500).map(lambda hours: float(T0 + 3600 * hours))
spool_ids = st.sampled_from(["pa6-07", "petg-03"])


@dataclass
class Command:
    """One command of the model: its events, whether it counts, and what it undid."""

    spool: str
    events: list[tuple[float, str, dict[str, Any]]]
    numbers: list[int] = field(default_factory=list)
    undoes: "Command | None" = None
    undone: bool = False
    order: int = 0


class Shelf(RuleBasedStateMachine):
    """A ledger beside a list of commands."""

    commands = Bundle("commands")

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory(prefix="ledger-machine-")
        self.ledger = open_ledger(pathlib.Path(self.folder.name) / "l.sqlite")
        self.model: list[Command] = []
        self.readings: dict[float, tuple[float, float]] = {}
        self.added: set[str] = set()

    def teardown(self) -> None:
        assert not list(maintenance.integrity_errors(self.ledger))
        self.folder.cleanup()

    @initialize()
    def places(self) -> None:
        for name, facts in PLACES.items():
            place_entries.add_place(self.ledger, name, facts, at_s=T0)

    def note(
        self, spool: str, done: writers.Written, events: list[tuple[float, str, dict[str, Any]]]
    ) -> Command:
        """Keep a command in the model."""
        numbers = [entry.number for entry in done.entries if entry.subject == "spool"]
        command = Command(spool, events, numbers, order=len(self.model))
        self.model.append(command)
        return command

    def counted(self, spool: str) -> list[tuple[float, str, dict[str, Any]]]:
        """Return the model's events of a spool, by time; ties as noted."""
        events = [
            event
            for command in self.model
            if command.spool == spool and self.counts(command)
            for event in command.events
        ]
        return sorted(events, key=lambda event: event[0])

    def counts(self, command: Command) -> bool:
        """Return whether nothing that counts undoes a command."""
        return not any(other.undoes is command and self.counts(other) for other in self.model)

    def fed_mm(self, spool: str) -> float:
        """Return what was fed from a spool in all."""
        return sum(facts["length_mm"] for _, kind, facts in self.counted(spool) if kind == "fed")

    @precondition(lambda self: len(self.added) < 2)
    @rule(spool=spool_ids)
    def add(self, spool: str) -> None:
        if spool in self.added:
            with pytest.raises(LedgerError, match="on the shelf already"):
                writers.add_spool(
                    self.ledger, spool, {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750}
                )
            return
        facts = {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750}
        writers.add_spool(self.ledger, spool, facts, place="bench", at_s=T0)
        self.added.add(spool)

    @precondition(lambda self: self.added)
    @rule(
        target=commands,
        spool=spool_ids,
        place=st.sampled_from(["bench", "bench-1", "box-2", "oven"]),
        at=when,
        tool=st.sampled_from([None, 0, 1]),
    )
    def move(self, spool: str, place: str, at: float, tool: int | None) -> Command | None:
        tool = tool if place == "bench-1" else None
        if spool not in self.added:
            with pytest.raises(LedgerError, match="no spool"):
                writers.move(self.ledger, spool, place, at_s=at)
            return Command(spool, [])
        done = writers.move(self.ledger, spool, place, tool=tool, at_s=at)
        return self.note(
            spool, done, [(at, "moved", {"place": place} if tool is None else {"place": place, "tool": tool})]
        )

    @precondition(lambda self: self.added)
    @rule(target=commands, spool=spool_ids, grams=st.floats(1, 950), at=when)
    def weigh(self, spool: str, grams: float, at: float) -> Command:
        if spool not in self.added:
            return Command(spool, [])
        done = writers.weigh(
            self.ledger, spool, grams, at_s=at, force=True
        )  # whatever the record makes likely
        return self.note(spool, done, [(at, "weighed", {"gross_g": grams})])

    @precondition(lambda self: self.added)
    @rule(
        target=commands,
        spool=spool_ids,
        bubbles=st.sampled_from([None, "none", "few", "many"]),
        pops=st.sampled_from([True, False]),
        at=when,
    )
    def inspect(self, spool: str, bubbles: str | None, pops: bool, at: float) -> Command:
        if spool not in self.added:
            return Command(spool, [])
        done = writers.inspect(self.ledger, spool, bubbles=bubbles, pops=pops, at_s=at)
        return self.note(
            spool,
            done,
            [(at, "inspected", {"pops": pops} if bubbles is None else {"bubbles": bubbles, "pops": pops})],
        )

    @precondition(lambda self: self.added)
    @rule(target=commands, spool=spool_ids, length=st.floats(1, 200_000), at=when)
    def feed(self, spool: str, length: float, at: float) -> Command:
        if spool not in self.added:
            return Command(spool, [])
        if self.fed_mm(spool) + length > FULL_MM:
            with pytest.raises(LedgerError, match="more than the reel held"):
                writers.fed(self.ledger, spool, length_mm=length, at_s=at)
            return Command(spool, [])
        try:
            done = writers.fed(self.ledger, spool, length_mm=length, at_s=at)
        except DoubtError as doubt:  # soon after it came
            assert "more than a printer feeds" in str(doubt)
            done = writers.fed(self.ledger, spool, length_mm=length, at_s=at, force=True)
        return self.note(spool, done, [(at, "fed", {"length_mm": length})])

    @precondition(lambda self: self.added)
    @rule(
        target=commands,
        spool=spool_ids,
        hours=st.floats(0.5, 20),
        degrees=st.sampled_from([60.0, 78.0]),
        at=when,
    )
    def dry(self, spool: str, hours: float, degrees: float, at: float) -> Command:
        begin, oven = round((at - 3600 * hours) * 1e6) / 1e6, f"oven-of-{spool}"
        stays = [(T0, "bench", None)] + [
            (moment, facts["place"], facts.get("tool"))
            for moment, kind, facts in self.counted(spool)
            if kind == "moved"
        ]
        before = [stay for stay in stays if stay[0] <= begin and not stay[1].startswith("oven")]
        if (
            spool not in self.added
            or begin < T0
            or any(begin < stay[0] <= at for stay in stays)
            or not before
        ):
            if spool in self.added:
                with pytest.raises(LedgerError):
                    dryings.dried(self.ledger, spool, hours=hours, temperature_C=degrees, dryer=oven, at_s=at)
            return Command(spool, [])
        done = dryings.dried(self.ledger, spool, hours=hours, temperature_C=degrees, dryer=oven, at_s=at)
        _, back, _ = before[-1]
        tool = next((stay[2] for stay in reversed(stays) if stay[0] <= begin and stay[1] == back), None)
        last = {"place": back} if tool is None else {"place": back, "tool": tool}
        return self.note(
            spool,
            done,
            [
                (done.entries[-2].at_s, "moved", {"place": oven, "temperature_C": degrees}),
                (at, "moved", last),
            ],
        )

    @rule(target=commands, command=consumes(commands))
    def undo(self, command: Command) -> Command:
        if not command.numbers:
            return Command(command.spool, [])
        if not self.counts(command):
            with pytest.raises(LedgerError, match="undone already"):
                writers.undo(self.ledger, command.spool, command.numbers[0])
            return command
        again = Command(command.spool, [], undoes=command, order=len(self.model))
        self.model.append(again)
        if self.fed_mm(command.spool) > FULL_MM:  # it would bring back more than there was
            self.model.pop()
            with pytest.raises(LedgerError, match="more than the reel held"):
                writers.undo(self.ledger, command.spool, command.numbers[0])
            return command
        done = writers.undo(self.ledger, command.spool, command.numbers[0])
        again.numbers = [done.entries[0].number]
        return again

    @precondition(lambda self: self.added)
    @rule(rh=st.integers(0, 100), at=when)
    def read(self, rh: int, at: float) -> None:
        place_entries.read(self.ledger, "bench", rh_pct=rh, temperature_C=21.0, at_s=at)
        self.readings[at] = (21.0, float(rh))

    @invariant()
    def replay_equals_the_model(self) -> None:
        for spool in self.added:
            with reading(self.ledger) as conn:
                record = records.spool(conn, spool)
                air = records.air_of(conn, records.places(conn)["bench"])
                there = records.at_places(conn, round(1e6 * (T0 + 3600 * 250)))
            assert there[spool] == record.stay(round(1e6 * (T0 + 3600 * 250)))[1]
            mine = [(entry.at_s, entry.kind, entry.facts) for entry in record.happened]
            assert mine == self.counted(spool)
            if self.readings:
                theirs = dict(self.readings)
                theirs.setdefault(float(T0), (22.0, 48.0))
                assert [(at / 1e6, celsius, rh) for at, celsius, rh in air] == [
                    (at, *theirs[at]) for at in sorted(theirs)
                ]

    @precondition(lambda self: self.added)
    @rule()
    def out_and_in_and_out(self) -> None:
        spool = sorted(self.added)[0]
        with tempfile.TemporaryDirectory() as name:
            folder = pathlib.Path(name)
            out = exchange.export(self.ledger, spool, beside=folder)
            for file, text in {**out.logs, "s.toml": out.text}.items():
                (folder / file).write_text(text, encoding="utf-8")
            other: store.Ledger = open_ledger(folder / "other.sqlite")
            exchange.import_spool(other, folder / "s.toml")
            assert exchange.export(other, spool, beside=folder) == out


TestShelf = Shelf.TestCase
TestShelf.settings = settings(
    max_examples=10 if settings().max_examples <= 100 else 300,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)

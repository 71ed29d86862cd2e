"""The simulation of a record: where the spool is, and its field so far, event by event.

Left out: learning from what the record says (``learning``), snapshots and whole states (``history``).
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.cutting import cut_off, stages
from gcodetool.moisture.desiccant_charge import Charges
from gcodetool.moisture.ensemble import Ensemble
from gcodetool.moisture.field import SpoolIntegrator, first_step_s, uniform
from gcodetool.moisture.inspections import SAME_STRAND_MM, SAME_STRAND_S
from gcodetool.moisture.learning import reel_of
from gcodetool.moisture.members import air_as_met, some_of
from gcodetool.moisture.notes import Note
from gcodetool.moisture.observations import Inspected, Weighed
from gcodetool.moisture.places import (
    ROOM_C,
    ROOM_RH_PCT,
    box_of,
    closing_notes,
    first_air,
    last_air,
    place_of,
    stretches,
)
from gcodetool.moisture.record import Event, Spool
from gcodetool.moisture.replay_facts import (
    air_arrays,
    air_facts,
    air_of,
    arrays_of,
    facts_of,
    field_of,
    members_of,
    record_of,
)
from gcodetool.moisture.state import Printed, State
from gcodetool.moisture.winding import Winding, winding

FEED_WAITS: Final = (
    0.02  # of a stay: so much later a feed may be noted and still happen where the march has stopped
)


Floats = NDArray[np.float64]
Look = tuple[
    int, float, float, float, tuple[Any, ...]
]  # strand, stay, when first, what was left, what was seen
NOT_LOOKED: Final[Look] = (0, math.nan, math.nan, math.nan, ())
OTHERS: Final = 100_000  # strands of other spools are numbered from here on


class Replay:
    """The simulation of a record: where the spool is, and its field so far."""

    def __init__(self, spool: Spool, ensemble: Ensemble, now_s: float, notes: list[Note]) -> None:
        self.spool = spool
        self.ensemble = ensemble
        self.polymer = ensemble.polymer
        self.doubts = ensemble.doubts
        self.now_s = now_s
        self.notes = notes
        self.ignored = len(notes)  # the first ones speak of the moment asked for
        self.at_s = -math.inf
        self.place = ""
        self.since_s = -math.inf
        self.last: Event | None = None
        self.reel: SpoolIntegrator | None = None
        self.path: SpoolIntegrator | None = None
        self.previous: Air | None = None  # the air it came from, which a bag is closed with
        self.fresh = True  # the next stretch begins with a change of air
        self.said: list[Note] = []  # of what was learned
        self.captured: tuple[dict[str, Any], dict[str, Floats]] | None = None
        self.record: list[Weighed | Inspected] = []
        self.printed: list[Printed] = []
        self.stages = stages(spool)  # what it was before cuts, and what it is,
        self.stage = 0  # and as which of these it goes on
        self.whose: list[int] = []  # of each entry of the record: which of these it was
        self.box: str | None = None  # the closed place that it is in,
        self.enclosed: Air | None = None  # and its air, as it began
        self.charges = Charges(spool)  # of closed places' desiccants
        self.printer_since = False  # since the last weigh-in it was on a printer,
        self.fed_since = False  # and feeding was noted
        self.looked: Look = NOT_LOOKED  # the last strand looked at,
        self.print_looked: Look = NOT_LOOKED  # and the last one whose print was judged
        self.waiting_m = 0.0  # fed since the march stopped, not yet drawn off the reel,
        self.threaded_s = -math.inf  # and when what is in the tube was last fed on,
        self.last_threaded_s = (
            -math.inf
        )  # which happens for the last time then: what hung there before is gone

    def until(self, at_s: float) -> None:
        """March through the present stay up to *at_s*."""
        self.draw()
        while self.reel is not None and self.at_s < at_s:
            renewals = self.charges.renewals(self.box)
            end_s = min([at_s, *(one for one in renewals if one > self.at_s)])
            self._stay(self.reel, end_s)
            self.at_s = end_s
            if end_s in renewals and self.box is not None:  # the box is opened for it
                self.charges.renew(self.box)
                self.fresh = True
        self.at_s = at_s

    def _stay(self, reel: SpoolIntegrator, end_s: float) -> None:
        """March on in the same place."""
        for begin, end, around in stretches(
            self.spool,
            self.place,
            self.at_s,
            end_s,
            now_s=self.now_s,
            previous=self.previous,
            doubts=self.doubts,
        ):
            anew = self.fresh or around.corrected
            first = first_step_s(end - begin, anew=anew)
            if anew or not around.reel.closed:
                self.enclosed = around.reel if around.reel.closed else None
            load = self.charges.load(around, begin, self.polymer.members) if anew else None
            reel.surround(around.reel, again=not anew, loaded_kg=load)
            reel.run(end - begin, first_s=first)
            reel.hold_enclosed_water()
            said = self.charges.look(
                around,
                held_kg=reel.held_kg(),
                spent_s=reel.spent_s(),
                begin_s=begin,
                end_s=end,
                since_s=self.since_s,
            )
            if said is not None:
                self.note_once(said)
            if self.path is not None and end > self.threaded_s:
                self.path.surround(around.path)
                self.path.run(end - max(begin, self.threaded_s), first_s=first)
            self.fresh = False

    def note_once(self, text: str) -> None:
        """Add a note unless one begins with the same words, up to the first comma."""
        head = text.partition(",")[0]
        if not any(note.text.startswith(head + ",") for note in self.notes):
            self.notes.append(Note("note", text))

    def apply(self, event: Event) -> None:
        """Let *event* happen at the present moment."""
        self.last = event
        if event.kind == "received":
            self._receive(event)
        elif event.kind == "moved":
            self._move(event)
        elif event.kind == "fed" or event.into is not None:
            self._feed(event)
        elif event.kind == "cut":
            self._cut_off(event)
        elif event.kind == "weighed":
            self._weigh(event)
        elif event.kind == "outcome":
            self._print(event)
        else:
            self._inspect(event)
        self.settle()

    def expect(self, events: Sequence[Event]) -> None:
        """Be told all events that will happen."""
        anew = (event.at_s for event in events if event.place or event.into or event.kind == "fed")
        self.last_threaded_s = max(anew, default=-math.inf)

    def waits(self, event: Event) -> bool:
        """Take a feed together with those before it, if it is little and soon after the march stopped; or say no.

        It then happens where the march stands, from the outermost layer, which has the rest for longer.  Only what
        came before decides, so that a record goes the same way with and without its last events.
        """
        if event.kind != "fed" or self.reel is None or not self.reel.winding.layers:
            return False
        total_m = self.waiting_m + (event.length_mm or 0.0) / 1000.0
        late_s, stayed_s = event.at_s - self.at_s, event.at_s - self.since_s
        if late_s > FEED_WAITS * stayed_s or total_m >= self.reel.winding.length_m[-1]:
            return False
        self.waiting_m, self.threaded_s = total_m, event.at_s
        self.last, self.fed_since = event, True
        return True

    def draw(self) -> None:
        """Draw off the reel what waits for it."""
        if self.waiting_m and self.reel is not None:
            self.reel.feed(self.waiting_m)
            self.waiting_m = 0.0
            self.path = self._strand_outside(self.threaded_s)

    def settle(self) -> None:
        """Go on from the numbers alone, as from a snapshot: with and without one, a state is the same to the bit."""
        if self.reel is not None:
            self.reel = self.reel.settled()
        if self.path is not None:
            self.path = self.path.settled()

    def state(self) -> State:
        """Return the state at the present moment."""
        self.draw()
        assert self.reel is not None
        notes = [*self.notes, *self.reel.winding.notes, *self.said]
        if self.record and self.polymer.members == 1:
            what = in_words(len(self.record), "weigh-in or inspection", "weigh-ins and inspections")
            notes.append(Note("note", f"recorded, not learned from: {what} (one member, nominal parameters)"))
        if self.spool.fibre_wt_pct:
            notes.append(
                Note("assumed", "the fibre is glass (for the strand's length; carbon would be lighter)")
            )
        members = self.polymer.members
        return State(
            spool=self.spool,
            as_of_s=self.at_s,
            field=self.reel.field(),
            polymer=self.ensemble.polymer,
            doubts=self.doubts,
            weights=np.full(members, 1.0 / members),
            place=self.place,
            since_s=self.since_s,
            last=self.last,
            path=None if self.path is None else self.path.field(),
            notes=tuple(dict.fromkeys(notes)),
            record=tuple(self.record),
            printed=tuple(self.printed),
            enclosed=self.enclosed,
        )

    def capture(self) -> None:
        """Keep a picture of the present moment for `_kept`: small facts and arrays."""
        assert self.reel is not None
        facts: dict[str, Any] = {
            "at_s": self.at_s,
            "place": self.place,
            "since_s": self.since_s,
            "fresh": self.fresh,
            "notes": [(note.kind, note.text) for note in self.notes[self.ignored :]],
            "printer_since": self.printer_since,
            "fed_since": self.fed_since,
            "record": [facts_of(one) for one in self.record],
            "whose": self.whose,
            "stage": self.stage,
            "box": self.box,
            "enclosed": self.enclosed is not None,
            "loads": {name: since_s for name, (since_s, _) in self.charges.loads.items()},
            "previous": air_facts(self.previous),
            "waiting_m": self.waiting_m,
            "threaded_s": None if math.isinf(self.threaded_s) else self.threaded_s,
        }
        arrays = {f"record {i}": members_of(one) for i, one in enumerate(self.record)}
        arrays |= air_arrays(self.previous, self.polymer.members)
        arrays |= {f"load {name}": load for name, (_, load) in self.charges.loads.items()}
        for name, march in (("reel", self.reel), ("path", self.path)):
            if march is not None:
                arrays |= arrays_of(name, march.field())
        arrays["length"] = self.reel.winding.length_m
        self.captured = facts, arrays

    def restore(self, facts: dict[str, Any], arrays: dict[str, Floats], last: Event) -> None:
        """Go on from a picture."""
        self.at_s, self.since_s, self.place = facts["at_s"], facts["since_s"], facts["place"]
        self.fresh, self.last = facts["fresh"], last
        self.printer_since, self.fed_since = facts["printer_since"], facts["fed_since"]
        self.notes += [Note(*each) for each in facts["notes"]]
        self.waiting_m = facts["waiting_m"]
        self.threaded_s = -math.inf if facts["threaded_s"] is None else facts["threaded_s"]
        self.previous = air_of(facts["previous"], arrays)
        self.box = facts["box"]
        self.charges.loads = {
            name: (since_s, arrays[f"load {name}"]) for name, since_s in facts["loads"].items()
        }
        if facts["enclosed"]:
            *_, (_, _, around) = stretches(
                self.spool,
                self.place,
                self.at_s - 1.0,
                self.at_s,
                now_s=self.now_s,
                previous=self.previous,
                doubts=self.doubts,
            )
            self.enclosed = around.reel
        self.stage, self.whose = facts["stage"], facts["whose"]
        self.record = [
            record_of(one, arrays[f"record {i}"], reel_of(self.stages[stage]))
            for i, (one, stage) in enumerate(zip(facts["record"], self.whose, strict=True))
        ]
        wound = self._wound()
        left = _with_lengths(wound, arrays["length"])
        self.reel = SpoolIntegrator(field_of("reel", left, arrays), self.polymer)
        if "path water" in arrays:
            one = np.ones(1)
            strand = replace(wound, length_m=one, full_m=one, loose=True, body=None)
            self.path = SpoolIntegrator(field_of("path", strand, arrays), self.polymer)

    def begin_as(self, other: "Replay") -> None:
        """Go on from where another replay of the same strand stands, with some of its members."""
        assert other.reel is not None
        self.at_s, self.since_s, self.place, self.box = other.at_s, other.since_s, other.place, other.box
        self.fresh, self.last, self.stage = other.fresh, other.last, other.stage
        self.printer_since, self.fed_since = other.printer_since, other.fed_since
        self.waiting_m = other.waiting_m
        count, members = other.polymer.members, self.polymer.members
        self.previous = air_as_met(other.previous, members)
        field = other.reel.field()
        if members == 1:  # its parameters are the middle ones
            arrays = {
                name: np.mean(each, axis=-1, keepdims=True) for name, each in arrays_of("", field).items()
            }
        else:
            arrays = {name: each[..., some_of(count, members)] for name, each in arrays_of("", field).items()}
        wound = _with_lengths(self._wound(), field.winding.length_m)
        self.reel = SpoolIntegrator(field_of("", wound, arrays), self.polymer)
        self._thread()

    def _receive(self, event: Event) -> None:
        self._go(event)
        place = place_of(self.spool, self.place, event.line)
        where = first_air(self.spool, place, event.at_s, self.now_s, self.doubts)
        start = where if where is not None else self._assumed_air()
        kelvin = start.members_K
        if event.water_wt_pct is not None:
            content = np.full(self.polymer.members, event.water_wt_pct / 100.0)
        elif event.sealed:
            content = self.polymer.sealed_share * self.polymer.room_equilibrium()
            self.notes.append(
                Note(
                    "assumed",
                    "a new sealed reel holds 0.4 (0.2 to 0.6) of its content at 23 °C and 50 % RH, "
                    "and is opened where it is received unless that is a sealed place",
                )
            )
        else:
            content = self.polymer.own_equilibrium(np.asarray(start.members_rh_pct) / 100.0, kelvin)
            air = (
                f"the air of {self.place}" if where is not None else f"{ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH"
            )
            self.notes.append(
                Note("assumed", f"found open, so in balance with {air} ({start.rh_pct:.0f} % RH)")
            )
        wound = self._wound()
        self.reel = SpoolIntegrator(uniform(wound, self.polymer, content, kelvin), self.polymer)
        if wound.body is not None and wound.body.assumed:
            self.notes.append(Note("assumed", wound.body.assumed))
        self.previous = start
        self._thread()

    def _assumed_air(self) -> Air:
        air = airs.room_air(ROOM_C, ROOM_RH_PCT)
        return air if self.doubts is None else self.doubts.assumed(air)

    def _wound(self) -> Winding:
        """Return the winding as it was when new, its flanges as open as each member has them."""
        wound = winding(self.stages[self.stage], self.polymer.density_kg_m3)
        if self.doubts is None:
            return wound
        return replace(wound, flange_open=self.doubts.flange_open(float(np.mean(wound.flange_open))))

    def _move(self, event: Event) -> None:
        if box_of(self.spool, place_of(self.spool, event.place or "", event.line)) is not None:
            self.previous = last_air(
                self.spool, self.place, self.at_s, self.now_s, self.previous, self.doubts
            )
        self._go(event)
        self._thread()

    def _go(self, event: Event) -> None:
        self.place = event.place or ""
        place = place_of(self.spool, self.place, event.line)
        self.box = box_of(self.spool, place)
        self.since_s = event.at_s
        self.at_s = event.at_s
        self.printer_since = self.printer_since or place.kind == "printer"
        self.fresh = True
        self.notes += [Note("assumed", text) for text in closing_notes(self.spool, place, event.at_s)]

    def _feed(self, event: Event) -> None:
        assert self.reel is not None
        wanted = (event.length_mm or 0.0) / 1000.0
        left = self.reel.winding.remaining_mm / 1000.0
        if wanted > left * (1 + 1e-9):
            self.notes.append(
                Note(
                    "note",
                    f"more filament fed than the reel held: {wanted:.1f} of {left:.1f} m; "
                    "check net_mass_g and the lengths fed",
                )
            )
        self.reel.feed(wanted)
        self.fed_since = True
        self._thread()

    def _cut_off(self, event: Event) -> None:
        """Go on as the sample that is cut off here."""
        assert self.reel is not None
        self.stage += 1
        self.reel = SpoolIntegrator(cut_off(self.reel.field(), self._wound()), self.polymer)
        self.printer_since = self.fed_since = False
        self._move(event)

    def heard_from(self, relative: "Replay", number: int) -> None:
        """Take into the record what was weighed and seen of a spool of the same reel, and is not in it."""
        mine = [self.stages[stage].id for stage in self.whose]
        theirs = [relative.stages[stage].id for stage in relative.whose]
        seen: dict[str, int] = {}
        for one, name in zip(relative.record, theirs, strict=True):
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > mine.count(name):
                strand = OTHERS * number
                other = replace(one, strand=one.strand + strand) if isinstance(one, Inspected) else one
                self.record.append(other)

    def _weigh(self, event: Event) -> None:
        assert self.reel is not None and event.gross_g is not None
        dry_kg = math.fsum(self.reel.winding.strand_kg())
        field = self.reel.field()
        water_g = 1000.0 * dry_kg * field.mean() if dry_kg else np.zeros(self.polymer.members)
        body_g = 1000.0 * field.body_gain_kg()
        water_g = water_g + body_g
        unnoted = None
        mine = [one for one, stage in zip(self.record, self.whose, strict=True) if stage == self.stage]
        last = next((one for one in reversed(mine) if isinstance(one, Weighed)), None)
        lighter = last is not None and event.gross_g < last.gross_g - event.resolution_g
        if last is not None and lighter and self.printer_since and not self.fed_since:
            # Lighter than the water explains: strand was used, and nobody noted it.  What came back heavier, or
            # as it was, was not printed from: then its gain is uptake.
            unnoted = max(0.0, float(last.gross_g - event.gross_g - np.mean(last.water_g - water_g)))
            doubt = 4.0 * (float(np.std(last.water_g - water_g)) + event.resolution_g)
            if unnoted > max(doubt, 1.0):
                length_m = (
                    unnoted / 1000.0 / dry_kg * self.reel.winding.remaining_mm / 1000.0 if dry_kg else 0.0
                )
                self.notes.append(
                    Note(
                        "assumed",
                        f"{unnoted:.0f} g were printed before the weigh-in of {event.gross_g:g} g without a "
                        "note (it was on a printer, and lost more than water)",
                    )
                )
                self.reel.feed(length_m)
                self._thread()
                left = math.fsum(self.reel.winding.strand_kg()) / dry_kg
                water_g = (water_g - body_g) * left + body_g
                dry_kg = math.fsum(self.reel.winding.strand_kg())
        self.record.append(
            Weighed(
                event.gross_g,
                event.resolution_g,
                water_g,
                1000.0 * dry_kg,
                self.stages[self.stage].net_mass_g - 1000.0 * dry_kg,
                unnoted,
                reel_of(self.stages[self.stage]),
            )
        )
        self.whose.append(self.stage)
        self.printer_since = self.spool.places[self.place].kind == "printer"
        self.fed_since = False

    def _inspect(self, event: Event) -> None:
        assert self.reel is not None
        if event.bubbles is None and event.oozes is None and event.pops is None:
            return  # a look at the winding says nothing of the water
        content = self.reel.outer_mean()
        if not np.isnan(content).any():
            ratio = content / self.polymer.limit_marginal
            looks = (event.bubbles, event.oozes, event.pops)
            self.looked = self._looked(self.looked, looks)
            self.record.append(Inspected(ratio, *looks, self.looked[0]))
            self.whose.append(self.stage)

    def _print(self, event: Event) -> None:
        """Keep what was fed when a print came out so: limits are learned from it, the spool's own water is not."""
        assert self.reel is not None
        content = self.reel.outer_mean()
        if event.outcome is not None and not np.isnan(content).any():
            self.print_looked = self._looked(self.print_looked, (event.outcome,))
            self.printed.append(Printed(event.at_s, event.outcome, content, self.print_looked[0]))

    def _looked(self, last: Look, looks: tuple[Any, ...]) -> Look:
        """Return which strand is looked at now, after the *last* one: the same until the reel moved or was fed on."""
        assert self.reel is not None
        left_mm = self.reel.winding.remaining_mm
        strand, since_s, at_s, had_mm, seen = last
        again = since_s == self.since_s and had_mm - left_mm <= SAME_STRAND_MM
        if not again or (
            seen != looks and self.at_s - at_s > SAME_STRAND_S
        ):  # what looks different later is news
            return (strand + 1, self.since_s, self.at_s, left_mm, looks)
        return last

    def _thread(self) -> None:
        """On a printer, let the path hold strand as it now comes off the reel."""
        self.path, self.threaded_s = self._strand_outside(self.at_s), self.at_s

    def _strand_outside(self, at_s: float) -> SpoolIntegrator | None:
        """Return what hangs outside since a moment; None where it is not asked for."""
        if self.reel is None or not self.reel.winding.layers or at_s < self.last_threaded_s:
            return None
        if self.spool.places[self.place].kind != "printer":
            return None
        return SpoolIntegrator(self.reel.field().outermost(), self.polymer)


def _with_lengths(wound: Winding, length_m: Floats) -> Winding:
    """Return a winding as it was when new with so much strand left in its layers."""
    return replace(wound, length_m=length_m, full_m=wound.full_m[: length_m.shape[0]])


def in_words(number: int, one: str, many: str = "") -> str:
    """Return a number of things in words."""
    return f"{number} {one if number == 1 else many or one + 's'}"

"""What becomes of a spool: from its record, through the steps of its history, to what arrives at the nozzle.

Between two steps a spool sits in its place, the one that it stands in now, and ages there; what the plan lets
happen is added to its record, so that all that reads the record sees it.  States are kept for a while
and computed again where they are gone.  Left out: remembering outcomes (``forecast_memo``).
"""

import math
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from gcodetool.drying.course import course, falls_to
from gcodetool.drying.device import of_place
from gcodetool.drying.goal import DryingGoal
from gcodetool.drying.job import JobFeed, job_hours
from gcodetool.drying.limits import Bound, set_point
from gcodetool.drying.status import is_dry
from gcodetool.drying.together import companions
from gcodetool.judge.feed_air import air_of_feed, feed_need
from gcodetool.judge.findings import FeedNeed
from gcodetool.judge.outcomes import reached
from gcodetool.judge.print_air import PrintAir, air_of_print, last_open
from gcodetool.judge.print_judgement import PrintJudgement, judge_print
from gcodetool.judge.verdict_codes import Code
from gcodetool.moisture.history import State, Surroundings, aged, quantile, state_at, surroundings
from gcodetool.moisture.known import known_at
from gcodetool.moisture.record import Event, Spool
from gcodetool.moisture.snapshot import SnapshotStoreFor
from gcodetool.motion.feed import ToolFeed
from gcodetool.queue.findings import ToolRow, empty_row
from gcodetool.queue.job_list import QueuePrinter
from gcodetool.queue.spool_steps import Dried, Dry, DryingTime, ForecastOptions, Print, StepHistory
from gcodetool.queue.summary import JobSummary, ToolSummary

HALF_HOUR_S: Final = 1800.0  # hours of drying are given in these, rounded up
LONGEST_DRYING_S: Final = 48 * 3600.0
# of the marginal limit: what leaves the dryer at the limit is past it before its job ends (own estimate)
HEADROOM: Final = 0.85
SAME_K: Final = 1e-6  # of two temperatures that are one
STATES: Final = 12_288  # kept, counted by their members; one of 64 takes about 0.4 MB
MOST_STATES: Final = 3000  # kept, however few members they have: of one, each takes about 9 kB


class SpoolSimulator:
    """Spools, jobs and terms, with the states computed last.

    ``firsts`` holds spools as they are now, by id and members; ``shelf_of`` says where snapshots of them lie;
    ``since``: the moment before their steps, where that is not now.
    """

    def __init__(
        self,
        spools: Mapping[str, Spool],
        jobs: Mapping[str, JobSummary],
        printers: Mapping[str, QueuePrinter],
        options: ForecastOptions,
        *,
        firsts: dict[tuple[str, int], State],
        shelf_of: SnapshotStoreFor,
        since: Mapping[str, float],
    ) -> None:
        self.since = since
        self.spools, self.jobs, self.printers, self.options = spools, jobs, printers, options
        self.firsts, self.shelf_of = firsts, shelf_of
        self._states: OrderedDict[tuple[StepHistory, float | None], State] = OrderedDict()
        self._most = max(1, min(STATES // options.members, MOST_STATES))

    def state(self, history: StepHistory) -> State:
        """Return the spool right after the history's last step.

        Raises
        ------
        GcodetoolError
            Its record does not say what is needed.
        """
        return self._kept((history, None))

    def at(self, history: StepHistory, at_s: float) -> State:
        """Return the spool at a moment after the history's last step, having sat in its place since."""
        return self._kept((history, at_s))

    def _kept(self, key: tuple[StepHistory, float | None]) -> State:
        found = self._states.get(key)
        if found is None:
            found = self._computed(*key)
            self._states[key] = found
        self._states.move_to_end(key)
        while len(self._states) > self._most:
            self._states.popitem(last=False)
        return found

    def _computed(self, history: StepHistory, at_s: float | None) -> State:
        if at_s is not None:
            state = self.state(history)
            seconds = at_s - state.as_of_s
            return (
                aged(state, surroundings(state.spool, state.place, at_s, state.doubts), seconds)
                if seconds > 0
                else state
            )
        parts = history.parts()
        done = len(parts) - 1
        while done and (parts[done], None) not in self._states:
            done -= 1
        if not done:
            self._keep(parts[0], self.first(history.spool))
        for part in parts[done + 1 :]:
            self._do(part)
        return self._states[(history, None)]

    def first(self, name: str) -> State:
        """Return a spool as it is now; errors as in :meth:`state`."""
        key = (name, self.options.members)
        if key not in self.firsts:
            spool = self.spools[name]
            state = state_at(
                spool,
                self.since.get(name, self.options.at_s),
                members=self.options.members,
                shelf=self.shelf_of(spool),
            )
            # what was read since then is known now
            places = known_at(spool, self.options.at_s).places
            self.firsts[key] = replace(state, spool=replace(state.spool, places=places))
        return self.firsts[key]

    def wetness_ratio(self, past: StepHistory) -> float:
        """Return what a spool feeds next now over its marginal limit; errors as in :meth:`state`."""
        state = self.at(past, self.options.at_s)
        ratio = state.next_fed_wt_pct / state.limit_marginal_wt_pct
        found = reached(ratio, self.options.confidence, state.weights)
        return found if math.isfinite(found) else math.inf

    def _do(self, history: StepHistory) -> None:
        """Take a history's last step; its outcome is thrown away, the state is kept."""
        before, step = history.before, history.step
        assert before is not None
        if isinstance(step, Print):
            self.simulate_print(before, step)
        elif isinstance(step, Dry):
            self.simulate_drying(before, step)
        elif step is not None:
            state = self.at(before, step.at_s)
            self._keep(history, moved(state, step.at_s, step.place or room_of(state)))

    def _keep(self, history: StepHistory, state: State) -> None:
        self._states[(history, None)] = state
        while len(self._states) > self._most:
            self._states.popitem(last=False)

    def simulate_print(self, history: StepHistory, step: Print) -> ToolRow:
        """Return what comes of printing from the spool after the history's steps; errors as in :meth:`state`."""
        job = self.jobs[step.job]
        tool = next(each for each in job.tools if each.tool == step.tool)
        state, around, feed = self._at_printer(history, step)
        judged = judge_print(
            state, around, feed, confidence=self.options.confidence, explain=self.options.exposures
        )
        arrival = judged.arrival
        end_s, after = step.start_s + job.open_air_s, arrival.after
        if step.off_s is not None:  # it hangs there until somebody comes
            waited = aged(after, around.air, step.off_s - end_s)
            after, end_s = replace(waited, place=after.place, since_s=after.since_s), step.off_s
        back = put_back(after, around, step.start_s, end_s, arrival.fed_mm)
        self._keep(history.with_step(step), as_it_was_left(back, state))
        return replace(self._row(state, judged, around, tool), box=step.box)

    def driest_feed(self, history: StepHistory, step: Print) -> FeedNeed | None:
        """Return how dry a box at the feed must be for a better end; None: no air tells."""
        state, around, feed = self._at_printer(history, step)
        confidence = self.options.confidence
        judged = judge_print(state, around, feed, confidence=confidence, explain=False)
        if not judged.by_model:
            return None
        return feed_need(state, around, feed, judged.code, confidence=confidence)

    def _at_printer(self, history: StepHistory, step: Print) -> tuple[State, PrintAir, ToolFeed]:
        """Return a spool as its job begins, the air that it is printed in, and what the job takes off it."""
        state = self.at(history, step.start_s)
        return (
            state,
            self._printer_air(state, step, step.start_s),
            self.jobs[step.job].feed(step.tool).thinned(self.options.pieces),
        )

    def _printer_air(self, state: State, step: Print, at_s: float) -> PrintAir:
        """Return the air that a job is printed in at a moment, from a spool as it is."""
        machine = None if step.printer is None else self.printers[step.printer]
        where = () if machine is None else (name for name in machine.places if name in state.spool.places)
        around = air_of_print(
            state.spool,
            state,
            at_s=at_s,
            place=next(iter(where), None),
            printer=None if machine is None else machine.profile,
        )
        return around if step.box is None else air_of_feed(state.spool, state, step.box, around, at_s)

    def _row(self, state: State, judged: PrintJudgement, around: PrintAir, tool: ToolSummary) -> ToolRow:
        spool, arrival = state.spool, judged.arrival
        row = replace(
            empty_row(tool, judged.code, judged.because, spool=spool.id, stock=spool),
            left_mm=state.remaining_mm,
            short_mm=arrival.short_mm,
            cautions=judged.cautions,
        )
        if judged.judged is None:
            return row
        confidence, weights = self.options.confidence, state.weights
        return replace(
            row,
            safe_s=judged.exposure.safe_s,
            source=judged.exposure.source if self.options.exposures else None,
            air=around.words,
            start_wt_pct=quantile(arrival.start_wt_pct, confidence, weights),
            worst_wt_pct=quantile(arrival.worst_wt_pct, confidence, weights),
            share=judged.share,
            outcomes=judged.judged.outcomes,
            from_layer=judged.from_layer,
        )

    def simulate_drying(self, history: StepHistory, step: Dry) -> Dried:
        """Return what a drying after the history's steps, or waiting in a dryer, does to what is fed next."""
        state, after = self._in_dryer(history, step)
        back = room_of(state) if state.place == step.dryer else state.place
        self._keep(history.with_step(step), as_it_was_left(moved(after, step.out_s, back), state))
        before, then = (
            quantile(each.next_fed_wt_pct, self.options.confidence, state.weights) for each in (state, after)
        )
        return Dried(before, then)

    def _in_dryer(self, history: StepHistory, step: Dry) -> tuple[State, State]:
        """Return a spool as it goes into a dryer after the history's steps, and as it is there at the end.

        One that waits where it was dried just before stays in, and so does the air around it.
        """
        last, earlier, state = history.step, history.before, self.at(history, step.in_s)
        stays = isinstance(last, Dry) and (last.dryer, last.out_s) == (step.dryer, step.in_s)
        going = state
        if step.waits is not None and stays and isinstance(last, Dry) and earlier is not None:
            going = replace(self._in_dryer(earlier, last)[1], company=())
        device = of_place(going.spool, going, step.dryer)
        air = device.air(step.temperature_C)
        beside = companions(state, [state, *(self.at(each, step.in_s) for each in step.beside)], device)
        after = aged(going, Surroundings(air, air, device.place), step.out_s - step.in_s, company=beside)
        gone = with_events(going, Event(step.in_s, "moved", step.dryer, temperature_C=step.temperature_C))
        return state, replace(after, spool=gone.spool, path=None)

    def drying_time(
        self,
        history: StepHistory,
        dryer: str,
        in_s: float,
        length_mm: float,
        shared_C: float | None = None,
        beside: tuple[StepHistory, ...] = (),
    ) -> DryingTime | None:
        """Return how long a drying from *in_s* on takes; None where it cannot be, does not get there, or is dry.

        *shared_C*: at the temperature that others in the dryer have, where that suits the spool; *beside*: the reels
        that share its air.
        """
        state = self.at(history, in_s)
        place = state.spool.places.get(dryer)
        if place is None or place.kind != "dryer" or state.remaining_mm <= 0:
            return None
        if state.place == dryer and is_dry(state):
            return None
        device = of_place(state.spool, state, dryer)
        setting = set_point(state.spool, device)
        if not setting.possible or (shared_C is not None and shared_C > setting.temperature_C + SAME_K):
            return None
        if shared_C is not None:
            binding = Bound(shared_C, "others in the dryer at that time", "company")
            setting = replace(
                setting, temperature_C=shared_C, knob_C=shared_C + device.set_offset_C, binding=binding
            )
        polymer = state.polymer
        ran = course(
            state,
            device,
            setting.temperature_C,
            length_mm=min(length_mm, state.remaining_mm),
            cap_s=LONGEST_DRYING_S,
            company=companions(state, [state, *(self.at(each, in_s) for each in beside)], device),
            done=lambda high, _: bool((high <= polymer.limit_good).all()),
            keep=False,
        )
        good, marginal = polymer.limit_good, polymer.limit_marginal
        for goal, limit in (("good", good), ("marginal", HEADROOM * marginal), ("marginal", marginal)):
            seconds = quantile(falls_to(ran.at_s, ran.wettest, limit), self.options.confidence, state.weights)
            if math.isfinite(seconds):
                whole = HALF_HOUR_S * max(1, math.ceil(seconds / HALF_HOUR_S))
                return DryingTime(
                    whole, setting.temperature_C, setting.knob_C, setting.binding.whose, goal, beside
                )
        return None

    def job_hours(self, history: StepHistory, drying: Dry, step: Print, wanted: Code) -> float | None:
        """Return how long a spool is to be dried for a job to come to *wanted*, as its drying plan says; None: none does.

        From the drying's beginning on, beside the same reels. [s]
        """
        state = self.at(history, drying.in_s)
        device = of_place(state.spool, state, drying.dryer)
        around, feed = self._printer_air(state, step, drying.in_s), self.jobs[step.job].feed(step.tool)
        job = JobFeed(step.job, feed, around)
        goal = DryingGoal(
            state,
            self.options.confidence,
            min(state.remaining_mm, job.length_mm),
            LONGEST_DRYING_S,
            None,
            company=companions(
                state, [state, *(self.at(each, drying.in_s) for each in drying.beside)], device
            ),
        )
        ran = goal.run(device, drying.temperature_C, keep=True).course
        return job_hours(
            state, device, drying.temperature_C, ran, job, wanted, confidence=self.options.confidence
        )


# ---------------------------------------------------------------- small things


def with_events(state: State, *events: Event) -> State:
    """Return the state with what the plan lets happen in its spool's record."""
    past = tuple(event for event in state.spool.events if event.at_s <= state.as_of_s)
    return replace(state, spool=replace(state.spool, events=(*past, *events)))


def moved(state: State, at_s: float, place: str) -> State:
    """Return the state with the spool in another place, and without what the place that it left holds."""
    found = with_events(state, Event(at_s, "moved", place))
    field = replace(found.field, store_kg=None)
    return replace(found, field=field, place=place, since_s=at_s, company=(), enclosed=None)


def as_it_was_left(back: State, before: State) -> State:
    """Return the state of a spool that is back in its closed place: air and desiccant there hold what they held."""
    if back.place != before.place or back.field.store_kg is not None:
        return back
    return replace(back, field=replace(back.field, store_kg=before.field.store_kg))


def room_of(state: State) -> str:
    """Return where a spool goes that leaves its dryer: the dryer's room, else the open place it was in last."""
    place = state.spool.places.get(state.place)
    if place is not None and place.room is not None:
        return place.room
    return last_open(state.spool, state.as_of_s) or state.place


def put_back(after: State, around: PrintAir, start_s: float, end_s: float, fed_mm: float) -> State:
    """Return the spool after a job: back in its place, what was fed noted.

    Out of a dryer it does not go back; off one printer it stays on the other, but not in a box that fed that one.
    """
    spool, home, used = after.spool, after.place, around.air.place
    events = [Event(end_s, "fed", length_mm=fed_mm)]
    if used is not None and used != home:
        events.insert(0, Event(start_s, "moved", used))
    state = replace(
        after, spool=replace(spool, events=(*(e for e in spool.events if e.at_s <= start_s), *events))
    )
    place = spool.places.get(home)
    back = home
    if place is not None and place.kind == "dryer":
        back = room_of(after)
    elif place is not None and place.kind == "printer" and used is not None and not around.air.fed:
        back = used
    if back != used:
        state = replace(state, path=None)
    if back == (used or home):
        return replace(state, place=back)
    return moved(state, end_s, back)

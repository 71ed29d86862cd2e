"""When is it done: one spool in one dryer at one moment, against what it is dried for.

Computed from the state that the whole record leaves, weigh-ins of the run included, and the course of drying
ahead of it.  Every command that says something of a spool in a dryer asks here, so none can say another thing.
A reel is judged by its wettest turns: inside, DRIED of the members must be there, so that it is taken out once;
outside, half of them, as a list counts.  That an air never gets it there, and that nothing more is gained in it, are
claims to act on once as well, and ask for as many.  Left out: how hot else it could be dried, and where (``plan``).
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.course import Course, falls_to, known, rises_to
from gcodetool.drying.device import Device
from gcodetool.drying.drying_floor import equilibrium
from gcodetool.drying.energy import Energy, energy_for
from gcodetool.drying.goal import DryingGoal, DryingRun, Reach, over
from gcodetool.drying.job import JobFeed, JobNeed, job_need
from gcodetool.drying.too_hot import TooHot, too_hot
from gcodetool.errors import SpoolError
from gcodetool.judge.outcomes import DRIED, ROUNDING, reached
from gcodetool.judge.record_facts import steam_seen
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.content_history import past_states
from gcodetool.moisture.history import Quantiles, State, quantile, quantiles
from gcodetool.moisture.observations import Weighed

Floats = NDArray[np.float64]

HORIZON_S: Final = 96 * HOUR_S
CONFIDENCE: Final = 0.5  # of a reel that is in no dryer, as a list counts
GAIN_SHARE: Final = 0.05  # of the goal: where the wettest turns still lose less, nothing more is gained
TELLING_STEPS: Final = 5.0  # of the scale, between two weighings that tell something
LOOKS_BEHIND: Final = 25  # at a run up to now, for a picture
SOONEST_S: Final = HOUR_S  # to the next weighing: each one costs the reel its warmth

Word = Literal["not-yet", "done", "cannot"]
Because = Literal["reached", "nothing-more"]


@dataclass(frozen=True)
class OnScale:
    """What a scale shows at some moment from now on, in grams.

    Attributes
    ----------
    at_s
        From now.
    loss_g
        Lost until then, from now.
    gross_g
        The reel's mass then; None where it was never weighed.
    """

    at_s: float
    loss_g: Quantiles
    gross_g: Quantiles | None


@dataclass(frozen=True)
class Ahead:
    """One moment of the course: from now [s], the wettest turns [wt %], the reel's mass [g]."""

    at_s: float
    wettest_wt_pct: Quantiles
    gross_g: Quantiles | None


@dataclass(frozen=True)
class DryingStatus:
    """Whether a spool in a dryer is done, and all that belongs to it.

    Attributes
    ----------
    inside, since_s
        Whether it is in the dryer now; since when this run lasts, None: it has not begun. [s since 1970]
    word
        "not-yet"; "done": it is there, as surely as is asked for; or "cannot": this air never gets it there.
    because
        Of a reel that can come out: the goal is reached ("done"), or nothing more can be gained, so that it stays as
        likely there as *share* says ("not-yet") or never gets there ("cannot"); else None.
    goal, goal_wt_pct
        "good", "target" or "job", and its content; of a job, None: it differs from turn to turn.
    wettest_wt_pct, mean_wt_pct, floor_wt_pct
        Of the wettest and of all turns now, and what this air ends at.
    share, can_share
        Of the members whose wettest turns are there now, and of those that this air gets to the content shown at all.
    to_go_s, sure_s
        From now until the goal, and until it is said to be reached; infinite and None where they never are.
    marginal
        The second best, where the goal is good: when the marginal limit is reached.
    by_then, next_hour, weigh_next
        On the scale: at the end of the hours to go, after another hour, and when it next tells something;
        None where there is nothing to wait for, or no scale can tell.
    end_g
        The dry limit: the reel's mass in the end, in this air; None where it was never weighed.
    next_hour_wt_pct
        What the wettest turns lose in another hour.
    energy
        Used so far in this run; None where the dryer's power is not known.
    too_hot
        That it is in hotter air than it stands now; None: it is not.
    job
        What the job needs, where it is the goal.
    course
        Ahead, for a picture.
    """

    spool: str
    material: str
    as_of_s: float
    members: int
    dryer: str
    temperature_C: float
    room: str
    inside: bool
    since_s: float | None
    word: Word
    because: Because | None
    goal: str
    goal_wt_pct: float | None
    wettest_wt_pct: Quantiles
    mean_wt_pct: Quantiles
    floor_wt_pct: Quantiles
    share: float
    can_share: float
    to_go_s: Quantiles
    sure_s: float | None
    marginal: Reach | None
    by_then: OnScale | None
    next_hour: OnScale
    next_hour_wt_pct: float
    weigh_next: OnScale | None
    end_g: Quantiles | None
    energy: Energy | None
    too_hot: TooHot | None
    job: JobNeed | None
    course: tuple[Ahead, ...]

    @property
    def take_out(self) -> bool:
        """Whether it can come out: the goal is reached, or nothing more can be gained."""
        return self.because is not None


def status(
    state: State,
    device: Device,
    *,
    to_wt_pct: float | None = None,
    job: JobFeed | None = None,
    since_s: float | None = None,
    tariff_per_kWh: float | None = None,
) -> DryingStatus:
    """Return whether *state*'s spool is done in *device*, as that runs now.

    Parameters
    ----------
    state
        From `history.state_at`: the whole record, this run's weigh-ins included.
    device
        The dryer that it is in, or was in last, from `device.of_place`.
    to_wt_pct, job
        What it is dried for instead of good: a content, or what a job needs.
    since_s
        When this run began. [s since 1970]
    tariff_per_kWh
        Price of electricity.

    Raises
    ------
    SpoolError
        The reel is empty.
    """
    spool = state.spool
    if not state.field.winding.layers or state.remaining_mm <= 0:
        raise SpoolError.at(spool.source or spool.id, None, "the reel is empty by its record; nothing to dry")
    celsius = device.around.temperature_C if device.runs_C is None else device.runs_C
    needed = state.remaining_mm if job is None else min(state.remaining_mm, job.length_mm)
    goal = DryingGoal(state, CONFIDENCE, needed, HORIZON_S, to_wt_pct)
    if (
        goal.to is not None
    ):  # what was dried below a content is not to take up water again, unless this air wets it
        floor, _ = equilibrium(state, device, celsius)
        goal.upwards = goal.upwards and quantile(floor, 0.5, state.weights) >= goal.to
    ran = goal.run(device, celsius, keep=job is not None, at_least_s=HOUR_S)
    need = None
    if job is not None:
        need = job_need(state, device, celsius, ran.course, job, confidence=CONFIDENCE)
    inside = state.place == device.place
    said = _Answer(goal, ran, need, DRIED if inside else CONFIDENCE)
    scale = _Scale(state, ran.course)
    return DryingStatus(
        spool=spool.id,
        material=spool.material.key,
        as_of_s=state.as_of_s,
        members=state.members,
        dryer=device.name,
        temperature_C=celsius,
        room=device.room.name,
        inside=inside,
        since_s=since_s,
        word=said.word,
        because=said.because,
        goal="job" if need is not None else goal.targets[0][0],
        goal_wt_pct=None if need is not None else 100.0 * quantile(goal.targets[0][1], 0.5, state.weights),
        wettest_wt_pct=goal.band(ran.course.wettest[0]),
        mean_wt_pct=goal.band(ran.course.middle[0]),
        floor_wt_pct=goal.band(ran.floor),
        share=said.share,
        can_share=said.can_share,
        to_go_s=said.to_go_s,
        sure_s=said.sure_s,
        marginal=next((one for one in ran.reaches if one.goal == "marginal"), None),
        by_then=None if said.because is not None else scale.at(known(said.to_go_s.p50)),
        next_hour=scale.look(HOUR_S),
        next_hour_wt_pct=_next_hour_wt_pct(goal, ran.course),
        weigh_next=None if said.because is not None else scale.next(known(said.to_go_s.p50)),
        end_g=scale.end_g(ran.floor),
        energy=energy_for(device, _in_dryer_s(state, inside, since_s), None, tariff_per_kWh),
        too_hot=too_hot(spool, state.place, state.as_of_s) if inside else None,
        job=need,
        course=scale.course(goal),
    )


def is_dry(state: State) -> bool:
    """Return whether a reel in a dryer is dry, as `status` would say it: nothing is left to be dried there."""
    wettest, limit = state.field.layer_mean().max(axis=0), state.polymer.limit_good
    return _there(wettest, limit, wettest / limit, DRIED, state.weights)


def _there(held: Floats, asked: Floats, ratio: Floats, share: float, weights: Floats) -> bool:
    """Return whether a *share* of the members are there, by their own limits, and the numbers shown support it."""
    shown = quantile(ratio, 0.5, weights) <= 1 and (
        quantile(held, 0.5, weights) <= quantile(asked, 0.5, weights)
    )
    return shown and reached(ratio, share, weights) <= 1


def behind(state: State, since_s: float) -> tuple[Ahead, ...]:
    """Return the course of a run up to now, as the record tells it today; its times are from now, below 0."""
    now_s = state.as_of_s
    moments = np.linspace(since_s, now_s, LOOKS_BEHIND)
    body_g = body_of(state)
    found = []
    for at_s, seen in zip(moments, past_states(state, moments.tolist()), strict=True):
        if seen is None or not seen.field.winding.layers:
            continue
        wettest = 100.0 * seen.field.layer_mean().max(axis=0)
        gross = None
        if body_g is not None:
            grams = seen.remaining_g * (1.0 + seen.field.mean()) + seen.body_gain_g
            gross = quantiles(body_g + grams, state.weights)
        found.append(Ahead(float(at_s) - now_s, quantiles(wettest, state.weights), gross))
    return tuple(found)


def body_of(state: State) -> Floats | None:
    """Return what is no water and no strand, by the last weigh-in, (members,) [g]: the body and the net mass's error."""
    weighed = [one for one in state.record if isinstance(one, Weighed)]
    return weighed[-1].gross_g - weighed[-1].dry_g - weighed[-1].water_g if weighed else None


class _Answer:
    """The word, and the hours that belong to it."""

    def __init__(self, goal: DryingGoal, ran: DryingRun, need: JobNeed | None, sure: float) -> None:
        self.goal, self.ran, self.sure = goal, ran, sure
        weights = goal.state.weights
        name, limit = goal.targets[0]
        course = ran.course
        # the hours are those to the content shown; how far the members' own limits lie from it is for `sure_s`
        shown = np.full(limit.shape, quantile(limit, 0.5, weights))
        if goal.upwards:
            ratio, times = over(limit, course.middle[0]), rises_to(course.at_s, course.middle, limit)
            to_shown = rises_to(course.at_s, course.middle, shown)
        else:
            ratio, times = course.wettest[0] / limit, falls_to(course.at_s, course.wettest, limit)
            to_shown = falls_to(course.at_s, course.wettest, shown)
        self.share = float(weights[ratio <= 1].sum() / weights.sum())
        self.to_go_s = quantiles(to_shown, weights)
        self.sure_s = known(reached(times, sure, weights))
        held, asked = (limit, course.middle[0]) if goal.upwards else (course.wettest[0], limit)
        there, surely = (_there(held, asked, ratio, share, weights) for share in (CONFIDENCE, sure))
        if name == "good" and steam_seen(goal.state.spool, goal.state.as_of_s):
            there = surely = False  # seen since it was dried: what eyes saw is a floor
        if need is not None:
            there = surely = need.clear_s == 0.0 and need.now.code == "clear"
            self.to_go_s = Quantiles(None, math.inf if need.clear_s is None else need.clear_s, None)
            self.sure_s = need.clear_s
        ends = ran.floor >= shown if goal.upwards else ran.floor <= shown
        self.can_share = float(weights[ends].sum() / weights.sum())
        likely_never = ran.reaches[0].outcome == "never" if need is None else need.clear_s is None
        never = likely_never and (need is not None or 1.0 - self.can_share >= sure - ROUNDING)
        more = self._more(limit)
        self.word: Word
        self.because: Because | None = None
        if surely:
            self.word, self.because = "done", "reached"
        elif there and not more:
            self.word, self.because = "not-yet", "nothing-more"
        elif not there and (never or (likely_never and not more)):
            self.word, self.because = "cannot", None if more else "nothing-more"
        else:
            self.word = "not-yet"

    def _more(self, limit: Floats) -> bool:
        """Return whether the wettest turns may still lose something worth waiting for; upwards, the mean gains."""
        course, weights = self.ran.course, self.goal.state.weights
        if self.goal.upwards:
            gain = course.middle.max(axis=0) - course.middle[0]
        else:
            gain = course.wettest[0] - course.wettest.min(axis=0)
        return reached(gain, self.sure, weights) >= GAIN_SHARE * quantile(limit, 0.5, weights)


class _Scale:
    """What a scale shows along a course."""

    def __init__(self, state: State, ran: Course) -> None:
        self.state, self.ran = state, ran
        self.body_g = body_of(state)
        notes = [event for event in state.spool.events if event.kind == "weighed"]
        self.step_g = notes[-1].resolution_g if notes else 0.1

    def water_g(self, at_s: float) -> Floats:
        """Return what each member has at a moment, (members,)."""
        columns = self.ran.scale_g.T
        return np.array([np.interp(at_s, self.ran.at_s, column) for column in columns])

    def gross_g(self, water_g: Floats) -> Quantiles | None:
        """Return the reel's mass with so much water; None: it was never weighed."""
        if self.body_g is None:
            return None
        return quantiles(self.body_g + self.state.remaining_g + water_g, self.state.weights)

    def end_g(self, floor: Floats) -> Quantiles | None:
        """Return what it shows in the end, when the strand holds *floor* [kg/kg] and the body what it has last."""
        strand_g = self.state.remaining_g
        return self.gross_g(self.ran.scale_g[-1] + strand_g * (floor - self.ran.whole[-1]))

    def look(self, at_s: float) -> OnScale:
        """Return what it shows at a moment from now."""
        now, then = self.ran.scale_g[0], self.water_g(at_s)
        return OnScale(at_s, quantiles(now - then, self.state.weights), self.gross_g(then))

    def at(self, at_s: float | None) -> OnScale | None:
        """Return the same; None where the moment never comes."""
        return None if at_s is None else self.look(at_s)

    def next(self, to_go_s: float | None) -> OnScale | None:
        """Return when it next tells something: at the latest at the end; None: it will not."""
        lost = np.abs(self.ran.scale_g[0] - self.ran.scale_g)
        middle = np.array([quantile(row, 0.5, self.state.weights) for row in lost])
        telling = np.flatnonzero(middle >= TELLING_STEPS * self.step_g)
        if not telling.size:
            return None
        at_s = max(SOONEST_S, float(self.ran.at_s[telling[0]]))
        end_s = float(self.ran.at_s[-1]) if to_go_s is None else max(SOONEST_S, to_go_s)
        return self.look(min(at_s, end_s))

    def course(self, goal: DryingGoal) -> tuple[Ahead, ...]:
        """Return the moments ahead."""
        return tuple(
            Ahead(float(at_s), goal.band(wettest), self.gross_g(water))
            for at_s, wettest, water in zip(self.ran.at_s, self.ran.wettest, self.ran.scale_g, strict=True)
        )


def _next_hour_wt_pct(goal: DryingGoal, ran: Course) -> float:
    then = np.array([np.interp(HOUR_S, ran.at_s, column) for column in ran.wettest.T])
    return 100.0 * quantile(ran.wettest[0] - then, 0.5, goal.state.weights)


def _in_dryer_s(state: State, inside: bool, since_s: float | None) -> float | None:
    return state.as_of_s - since_s if inside and since_s is not None else None

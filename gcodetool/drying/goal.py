"""What is wanted of a spool in a device, and whether and when it gets there: the one course of drying ahead.

``DryingGoal`` runs a device at a temperature; plan, status and reading of a run all look along its course.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.course import Course, course, falls_to, known, rises_to
from gcodetool.drying.device import Device
from gcodetool.drying.drying_floor import equilibrium, final_activity
from gcodetool.drying.limits import Bound
from gcodetool.judge.outcomes import reached
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles, State, quantile, quantiles
from gcodetool.moisture.shared_air import Companion

Floats = NDArray[np.float64]

SURE: Final = 0.9
DEEP: Final = 0.3  # of good: drier than this no job needs it
NEAR_FLOOR: Final = 1.1  # and nearer to the floor than this is not waited for

Outcome = Literal["already", "reaches", "longer", "never"]


@dataclass(frozen=True)
class Reach:
    """Whether and when a content is reached.

    Attributes
    ----------
    goal
        "good", "marginal" or "target".
    limit_wt_pct
        The content asked for, median of the members' own.
    outcome
        At the asked confidence: already there, within the hours looked at, longer than those, or never in
        this air, however long.
    seconds
        At the asked confidence; None where it is not within the hours looked at.
    p50_s, p90_s
        The same at these two; None as well.
    share
        Of the members that get there within the hours looked at.
    """

    goal: str
    limit_wt_pct: float
    outcome: Outcome
    seconds: float | None
    p50_s: float | None
    p90_s: float | None
    share: float


@dataclass(frozen=True)
class Look:
    """Contents at one moment of the course, wt %."""

    at_s: float
    wettest_wt_pct: Quantiles
    middle_wt_pct: Quantiles
    whole_wt_pct: Quantiles


@dataclass(frozen=True)
class DryingRun:
    """One device run at one temperature; *rh_pct*: where its air ends."""

    course: Course
    floor: Floats
    reaches: tuple[Reach, ...]
    rh_pct: float
    notes: tuple[str, ...] = ()


class DryingGoal:
    """What is wanted of a spool; runs devices against it.  *shared*, *company*: limits of other reels, and these."""

    def __init__(
        self,
        state: State,
        confidence: float,
        needed_mm: float,
        cap_s: float,
        to_wt_pct: float | None,
        *,
        shared: Sequence[Bound] = (),
        company: Sequence[Companion] = (),
    ) -> None:
        self.state, self.shared, self.company = state, shared, company
        self.confidence = confidence
        self.needed_mm = needed_mm
        self.cap_s = cap_s
        self.to = None if to_wt_pct is None else to_wt_pct / 100.0
        held = quantile(state.field.mean(), 0.5, state.weights)
        self.upwards = self.to is not None and self.to > held
        polymer = state.polymer
        self.targets: tuple[tuple[str, Floats], ...]
        if self.to is None:
            self.targets = (("good", polymer.limit_good), ("marginal", polymer.limit_marginal))
        else:
            self.targets = (("target", np.full(state.members, self.to)),)

    def band(self, content: Floats) -> Quantiles:
        """Return the quantiles of a content, wt %."""
        return quantiles(100.0 * content, self.state.weights)

    def at(self, values: Floats, q: float | None = None) -> float:
        """Return a quantile, of the asked confidence unless another is named."""
        return quantile(values, self.confidence if q is None else q, self.state.weights)

    def run(
        self, device: Device, temperature_C: float, *, keep: bool = False, at_least_s: float = 0.0
    ) -> DryingRun:
        """Return what *device* does at *temperature_C*, looked at until all members are there."""
        # reels hold each other up only in air that the dryer keeps; fresh air is the same for all
        company = self.company if device.around.closed else ()
        floor, notes = equilibrium(self.state, device, temperature_C, company)
        strictest = self.targets[0][1]
        if keep:  # a job may need it drier than good when it begins
            strictest = np.minimum(strictest, np.maximum(DEEP * strictest, NEAR_FLOOR * floor))

        def there(high: Floats, low: Floats) -> bool:
            # a rising mean lies above its driest layer, so that layer at the target ends it surely
            return bool((low >= strictest).all() if self.upwards else (high <= strictest).all())

        ran = course(
            self.state,
            device,
            temperature_C,
            length_mm=self.needed_mm,
            cap_s=self.cap_s,
            done=there,
            keep=keep,
            at_least_s=at_least_s,
            company=company,
        )
        reaches = tuple(self.reach(name, limit, ran, floor) for name, limit in self.targets)
        ends = 100.0 * self.at(final_activity(self.state, device, temperature_C, company), 0.5)
        return DryingRun(ran, floor, reaches, ends, notes)

    def still(self, device: Device) -> DryingRun:
        """Return what the spool is now, for a device that must not be used."""
        state = self.state
        layers, mean = state.field.layer_mean(), state.field.mean()
        scale_g = state.remaining_g * mean + state.body_gain_g
        one = Course(
            np.zeros(1),
            layers.max(axis=0)[np.newaxis],
            layers.min(axis=0)[np.newaxis],
            mean[np.newaxis],
            mean[np.newaxis],
            scale_g[np.newaxis],
            np.zeros(1),
            np.zeros(1),
        )
        floor = np.full(state.members, np.nan)
        reaches = tuple(self.reach(name, limit, one, floor) for name, limit in self.targets)
        return DryingRun(one, floor, reaches, device.around.rh_pct)

    def reach(self, name: str, limit: Floats, ran: Course, floor: Floats) -> Reach:
        """Return whether and when *limit* is reached."""
        if self.upwards:
            times, ratio = rises_to(ran.at_s, ran.middle, limit), over(limit, ran.middle[0])
            # upwards it is the dry members that do not get there: the floor counts from the other end
            short = self.at(floor, 1.0 - self.confidence) < self.at(limit, 0.5)
        else:
            times, ratio = falls_to(ran.at_s, ran.wettest, limit), ran.wettest[0] / limit
            short = self.at(floor) > self.at(limit, 0.5)
        at, p50, p90 = (self.when(times, ratio, q) for q in (self.confidence, 0.5, SURE))
        outcome: Outcome = "longer"
        if at == 0.0:
            outcome = "already"
        elif math.isfinite(at):
            outcome = "reaches"
        elif short:
            outcome = "never"
        one = self.state.members == 1
        weights = self.state.weights
        return Reach(
            goal=name,
            limit_wt_pct=100.0 * self.at(limit, 0.5),
            outcome=outcome,
            seconds=known(at),
            p50_s=known(p50),
            p90_s=None if one else known(p90),
            share=float(weights[np.isfinite(times)].sum() / weights.sum()),
        )

    def when(self, times: Floats, ratio: Floats, share: float) -> float:
        """Return when a *share* of the members are there: 0 where that many are now, as `status` counts them."""
        now = reached(times, share, self.state.weights) == 0.0 and self.at(ratio, share) <= 1.0
        return 0.0 if now else self.at(times, share)

    def looks(self, ran: Course, advised_s: float | None) -> list[Look]:
        """Return the course at the moments worth showing."""
        end = ran.at_s[-1]
        if advised_s:
            end = min(end, max(1.5 * advised_s, HOUR_S))
        return [
            Look(
                float(ran.at_s[i]),
                self.band(ran.wettest[i]),
                self.band(ran.middle[i]),
                self.band(ran.whole[i]),
            )
            for i in range(ran.at_s.shape[0])
            if ran.at_s[i] <= end * (1 + 1e-9)
        ]


def over(asked: Floats, held: Floats) -> Floats:
    """Return what is asked for over what is held, (members,): infinite where there is none.

    >>> over(np.array([1.0, 1.0]), np.array([0.5, 0.0])).tolist()
    [2.0, inf]
    """
    return np.asarray(np.divide(asked, held, out=np.full(asked.shape, np.inf), where=held > 0.0))

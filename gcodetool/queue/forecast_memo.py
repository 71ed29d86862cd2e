"""What was forecast: what comes of printing from each spool and of drying it, each computed once.

What becomes of a spool depends on its own steps alone (``spool_steps``), so what was computed is remembered,
from one call to the next where somebody keeps it (``forecast_store``).  Left out: computing it
(``spool_simulation``), which steps (``schedule``).
"""

import functools
import hashlib
import math
from collections.abc import Callable, Mapping
from dataclasses import field, replace
from typing import TYPE_CHECKING, Any, Final, TypeVar

from gcodetool.errors import GcodetoolError
from gcodetool.judge.verdict_codes import Code
from gcodetool.moisture.record import Spool
from gcodetool.queue.findings import ToolRow, empty_row
from gcodetool.queue.job_list import QueuePrinter
from gcodetool.queue.spool_steps import (
    NO_PASTS,
    Dried,
    Dry,
    DryingTime,
    ForecastOptions,
    Pasts,
    Print,
    StepHistory,
)
from gcodetool.queue.summary import JobSummary, ToolSummary
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.snapshot import SnapshotStoreFor
    from gcodetool.moisture.state import State
    from gcodetool.queue.spool_simulation import SpoolSimulator

_Found = TypeVar("_Found")


@dataclass
class StoredForecasts:
    """What an earlier call found out about one spool, by the digests of its steps."""

    prints: dict[str, ToolRow] = field(default_factory=dict)
    times: dict[str, DryingTime | None] = field(default_factory=dict)
    dryings: dict[str, Dried] = field(default_factory=dict)
    hours: dict[str, float | None] = field(default_factory=dict)
    left_mm: float | None = None
    wet: float | None = None


class ForecastMemo:
    """Spools, jobs and options, with all that was computed for them so far.

    ``firsts``, shared between memos, holds spools as they are now; ``shelf_of`` says where snapshots lie; ``pasts``
    is what a plan did to them that their records do not have.

    Attributes
    ----------
    prints, times, dryings, left, wetness : what is known, by history and step, or by spool.
    shared_times : how long dryings beside others take.
    hours : for how long jobs need their spools dried.
    known : what earlier calls found out, by spool.
    computed : spools of which something was computed that was not known.
    evaluations : forecasts and drying courses asked for so far, computed or remembered.
    stopped : from now on nothing is computed; what is not there yet is "not-read".
    """

    def __init__(
        self,
        spools: Mapping[str, Spool],
        jobs: Mapping[str, JobSummary],
        printers: Mapping[str, QueuePrinter],
        options: ForecastOptions,
        *,
        firsts: "dict[tuple[str, int], State] | None" = None,
        shelf_of: "SnapshotStoreFor | None" = None,
        pasts: Pasts = NO_PASTS,
    ) -> None:
        self.pasts = pasts
        self.spools, self.jobs, self.printers, self.options = spools, jobs, printers, options
        self.prints: dict[tuple[StepHistory, Print], ToolRow] = {}
        self.times: dict[tuple[StepHistory, str, float, float, float | None], DryingTime | None] = {}
        self.dryings: dict[tuple[StepHistory, Dry], Dried] = {}
        self.shared_times: dict[Any, DryingTime | None] = {}
        self.hours: dict[tuple[StepHistory, Dry, Print, Code], float | None] = {}
        self.left: dict[str, float] = {}
        self.wetness: dict[str, float] = {}
        self.known: dict[str, StoredForecasts] = {}
        self.computed: set[str] = set()
        self.evaluations = 0
        self.stopped = False
        self._firsts = {} if firsts is None else firsts
        self._shelf_of = shelf_of
        self._simulator: SpoolSimulator | None = None

    @property
    def shared(self) -> dict[str, Any]:
        """What another memo of the same spools may share."""
        return {"firsts": self._firsts, "shelf_of": self._shelf_of, "pasts": self.pasts}

    @functools.cached_property
    def machines(self) -> str:
        """Digest of the printers, but for where their profiles lie."""
        digest = hashlib.sha256()
        for word, machine in sorted(self.printers.items()):
            profile = machine.profile
            bare = None if profile is None else replace(profile, path=None, note=None)
            digest.update(f"\n{word} {bare!r} {machine.places!r}".encode())
        return digest.hexdigest()

    def past(self, spool: str) -> StepHistory:
        """Return what has happened to a spool by now that its record does not have."""
        return self.pasts.histories.get(spool) or StepHistory(spool)

    @property
    def simulator(self) -> "SpoolSimulator":
        """What computes; made when there is something to compute."""
        if self._simulator is None:
            from gcodetool.moisture.snapshot import no_snapshots
            from gcodetool.queue.spool_simulation import SpoolSimulator

            self._simulator = SpoolSimulator(
                self.spools,
                self.jobs,
                self.printers,
                self.options,
                firsts=self._firsts,
                shelf_of=self._shelf_of or no_snapshots,
                since=self.pasts.since,
            )
        return self._simulator

    def printed(self, history: StepHistory, step: Print, tool: ToolSummary) -> ToolRow:
        """Return what comes of printing from the spool after the history's steps."""
        found = self.prints.get((history, step))
        if found is not None:
            return found
        found = self._of(history.spool).prints.get(history.with_step(step).digest)
        if found is None and self.stopped:
            return empty_row(tool, "not-read", "stopped before its forecast", spool=history.spool)
        self.evaluations += 1
        if found is None:
            try:
                found = self.simulator.simulate_print(history, step)
            except GcodetoolError as error:
                found = empty_row(tool, "unknown", str(error), spool=history.spool)
            self.computed.add(history.spool)
        self.prints[(history, step)] = found
        return found

    def dried(self, history: StepHistory, step: Dry) -> Dried:
        """Return what a drying after the history's steps does."""
        found = self.dryings.get((history, step))
        if found is not None:
            return found
        found = self._of(history.spool).dryings.get(history.with_step(step).digest)
        if found is None and self.stopped:
            return Dried(math.nan, math.nan)
        self.evaluations += 1
        if found is None:
            found = self.simulator.simulate_drying(history, step)
            self.computed.add(history.spool)
        self.dryings[(history, step)] = found
        return found

    def drying_time(
        self,
        history: StepHistory,
        dryer: str,
        in_s: float,
        length_mm: float,
        shared_C: float | None = None,
        beside: tuple[StepHistory, ...] = (),
    ) -> DryingTime | None:
        """Return how long the spool needs in *dryer* from *in_s* on until all of *length_mm* is good.

        At the highest temperature that suits it, or at *shared_C*, which others in the dryer have; *beside*: the reels
        that share its air.  None where that dryer is not in its record, may not be used for it so, or does not get there.
        """
        if beside:
            return self._shared_time((history, dryer, in_s, length_mm, shared_C), beside)
        key = (history, dryer, in_s, length_mm, shared_C)
        if key not in self.times:
            stored, digest = self._of(history.spool).times, history.drying_key(*key[1:])
            self.times[key] = self._computed(
                history.spool, stored, digest, lambda: self.simulator.drying_time(*key)
            )
        return self.times[key]

    def _shared_time(
        self, key: tuple[StepHistory, str, float, float, float | None], beside: tuple[StepHistory, ...]
    ) -> DryingTime | None:
        """Return how long a drying beside others takes; what other spools have a part in is not kept in files."""
        if (key, beside) not in self.shared_times:
            self.shared_times[(key, beside)] = self._computed(
                key[0].spool, {}, None, lambda: self.simulator.drying_time(*key, beside)
            )
        return self.shared_times[(key, beside)]

    def job_hours(self, history: StepHistory, drying: Dry, step: Print, wanted: Code) -> float | None:
        """Return how long a job needs its spool dried to come to *wanted*, from that drying's beginning on; None: for ever.

        The answer of ``drying plan --for``, within the hours that a queue looks at. [s]
        """
        # neither depends on when it ends, nor on when the job begins
        asked = replace(drying, out_s=drying.in_s), replace(step, start_s=drying.in_s, off_s=None)
        key = (history, *asked, wanted)
        if key not in self.hours:
            stored, digest = self._of(history.spool).hours, history.hours_key(*key[1:])
            self.hours[key] = self._computed(
                history.spool, stored, digest, lambda: self.simulator.job_hours(*key)
            )
        return self.hours[key]

    def _computed(
        self,
        spool: str,
        stored: Mapping[str, _Found | None],
        digest: str | None,
        compute: Callable[[], _Found | None],
    ) -> _Found | None:
        """Return what an earlier call stored under a question's digest, else the answer; None where it cannot be had.

        ``digest``: None where the answer is not kept from one call to the next.
        """
        self.evaluations += 1
        if digest is not None and digest in stored:
            return stored[digest]
        try:
            found = compute()
        except GcodetoolError:
            found = None
        if digest is not None:
            self.computed.add(spool)
        return found

    def shares_air(self, spool: str, dryer: str) -> bool:
        """Return whether what a reel gives off in a dryer stays there, for others to meet."""
        from gcodetool.moisture.places import is_closed

        place = self.spools[spool].places.get(dryer)
        return place is not None and is_closed(place)

    def has(self, history: StepHistory, step: Print | Dry) -> bool:
        """Return whether what comes of a step is known already."""
        known = self._of(history.spool)
        if isinstance(step, Print):
            return (history, step) in self.prints or history.with_step(step).digest in known.prints
        return (history, step) in self.dryings or history.with_step(step).digest in known.dryings

    def has_time(self, history: StepHistory, dryer: str, in_s: float, length_mm: float) -> bool:
        """Return whether it is known already how long a drying takes, at the highest temperature."""
        known = self._of(history.spool).times
        key = (history, dryer, in_s, length_mm, None)
        return key in self.times or history.drying_key(*key[1:]) in known

    def has_wetness(self, spool: str) -> bool:
        """Return whether it is known already how wet a spool is, and how much is on it."""
        known = self._of(spool)
        return (spool in self.wetness or known.wet is not None) and (
            spool in self.left or known.left_mm is not None
        )

    def left_mm(self, spool: str) -> float:
        """Return what is on a reel now; 0 where its record does not say. [mm]"""
        if spool not in self.left:
            known = self._of(spool).left_mm
            try:
                self.left[spool] = (
                    self.simulator.state(self.past(spool)).remaining_mm if known is None else known
                )
            except GcodetoolError:
                self.left[spool] = 0.0
            if known is None:
                self.computed.add(spool)
        return self.left[spool]

    def wet(self, spool: str) -> float:
        """Return what is fed next now over its marginal limit; inf where the record does not say."""
        if spool not in self.wetness:
            known = self._of(spool).wet
            try:
                self.wetness[spool] = (
                    self.simulator.wetness_ratio(self.past(spool)) if known is None else known
                )
            except GcodetoolError:
                self.wetness[spool] = math.inf
            if known is None:
                self.computed.add(spool)
        return self.wetness[spool]

    def _of(self, spool: str) -> StoredForecasts:
        return self.known.get(spool) or NOTHING_STORED


NOTHING_STORED: Final = StoredForecasts()

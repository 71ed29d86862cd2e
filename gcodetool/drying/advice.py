"""How to dry a spool with what the workshop has, in the planner's own words: beside every "dry it first"."""

from typing import Final

from gcodetool.drying import instructions
from gcodetool.drying.device import of_place
from gcodetool.drying.limits import highest
from gcodetool.drying.plan import DryingPlan, plan
from gcodetool.errors import GcodetoolError
from gcodetool.moisture.history import State

MOST: Final = 3  # dryers named


def drying_advice(state: State, *, confidence: float = 0.5, of_job: bool = False) -> tuple[str, ...]:
    """Return what to do in each dryer of the spool's record, the quickest first; with the caution of heat.

    The hours are for the whole reel, which is said beside the verdict *of_job*: a job may need less, or not so deep.
    Where the record knows no dryer, the command that plans for one, and the highest temperature allowed.
    """
    plans = [made for name in dryers_of(state) if (made := _planned(state, name, confidence)) is not None]
    if not plans:
        celsius, bound = highest(state.spool)
        return (
            f"its record has no dryer: 'gcodetool drying plan {state.spool.id} --dryer NAME' says how long; "
            f"at no more than {celsius:g} °C, {bound}",
            instructions.HEAT_IN_SHORT,
        )
    plans.sort(key=_slowness)
    told = [instructions.instruction(made) for made in plans[:MOST]]
    if of_job:
        told.append(instructions.WHOLE_REEL.format(spool=state.spool.id))
    return (*told, instructions.HEAT_IN_SHORT)


def dryers_of(state: State) -> list[str]:
    """Return the dryers that a record knows, by name."""
    return sorted(name for name, place in state.spool.places.items() if place.kind == "dryer")


def _planned(state: State, name: str, confidence: float) -> DryingPlan | None:
    """Return the plan for one dryer; None where its air is not known."""
    try:
        return plan(state, of_place(state.spool, state, name), confidence=confidence)
    except GcodetoolError:
        return None


def _slowness(made: DryingPlan) -> tuple[bool, float, str]:
    never = made.advised_s is None
    return never, made.cap_s if made.advised_s is None else made.advised_s, made.device.name

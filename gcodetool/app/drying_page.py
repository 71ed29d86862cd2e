"""``drying status -o``: the run of a spool, or of all spools in a dryer, on one page."""

from pathlib import Path
from typing import Final

from gcodetool.app.check import SpoolWord
from gcodetool.app.drying import StatusQuestion, statuses
from gcodetool.app.resolve import spools_in_dryer
from gcodetool.drying.runs import last_run, past_runs, readings_of
from gcodetool.drying.status import DryingStatus, behind
from gcodetool.gcode.edits import write_atomic
from gcodetool.moisture.history import State
from gcodetool.moisture.record import Spool
from gcodetool.report.html.drying import SpoolRun, drying_page

MOST_RUNS: Final = 12  # over each other, the latest ones


def drying_status_page(
    word: SpoolWord, asked: StatusQuestion, output: str | Path
) -> tuple[DryingStatus, ...]:
    """Write the page to *output*, and return the statuses that it shows; none: nothing is written."""
    found = list(statuses(word, asked))
    if not found:
        return ()
    drawn = [_drawn(held, state, said) for held, state, said in found]
    dryer = found[0][2].dryer
    there = {held.id: held for held, _, _ in found}
    for spool in spools_in_dryer(dryer, None, ledger=asked.ledger) if found[0][0].in_ledger else ():
        there.setdefault(spool.id, spool)
    runs = past_runs(list(there.values()), dryer, asked.now_s)[-MOST_RUNS:]
    write_atomic(Path(output), [drying_page(drawn, runs).encode("utf-8", "replace")])
    return tuple(said for _, _, said in found)


def _drawn(held: Spool, state: State, said: DryingStatus) -> SpoolRun:
    began_s, ended_s, _ = last_run(held, state.as_of_s, None)
    readings = readings_of(held, began_s, ended_s)
    return SpoolRun(said, behind(state, began_s) if said.inside else (), readings)

"""``drying list``: what is in the dryers of the workshop, and what they used month by month."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime

from gcodetool.app.drying import StatusQuestion, power_like, statuses
from gcodetool.app.resolve import Moment, clock
from gcodetool.drying.energy import DryerMonth, energy_of, together_s
from gcodetool.drying.status import DryingStatus
from gcodetool.ledger import dryers, records
from gcodetool.ledger.records import PlaceRecord
from gcodetool.ledger.store import open_ledger, reading


def drying_list(
    *,
    at: Moment = None,
    members: int | None = None,
    tariff_per_kWh: float | None = None,
    ledger: str | None = None,
) -> tuple[list[DryingStatus], list[DryerMonth]]:
    """Return the status of every spool that is in a dryer, and what each dryer ran in each month, the latest first.

    Parameters
    ----------
    at, members, ledger
        As for a check.
    tariff_per_kWh
        Price of electricity.

    Raises
    ------
    LedgerError
        There is no ledger, or it cannot be used.
    """
    now_s = clock(at)
    with reading(open_ledger(ledger, make=False)) as conn:
        known = [each for each in records.places(conn).values() if each.kind == "dryer"]
        noted = {each.name: dryers.stays_in(conn, each.name) for each in known}
    asked = StatusQuestion(None, None, now_s, members, tariff_per_kWh, ledger)
    inside = [said for each in known for _, _, said in statuses(each.name, asked)]
    months: list[DryerMonth] = []
    for each in known:
        stays = [
            (stay.spool, stay.begin_us / 1e6, min(stay.end_us / 1e6, now_s))
            for stay in noted[each.name]
            if stay.begin_us / 1e6 < now_s
        ]
        months += _months(each, stays, tariff_per_kWh)
    return inside, sorted(months, key=lambda one: (one.month, one.dryer), reverse=True)


def _months(
    dryer: PlaceRecord, stays: list[tuple[str, float, float]], tariff: float | None
) -> Iterator[DryerMonth]:
    """Yield one dryer's months."""
    seconds: dict[str, float] = defaultdict(float)
    for begin_s, end_s in together_s((begin, end) for _, begin, end in stays):
        for month, part_s in _by_month(begin_s, end_s):
            seconds[month] += part_s
    spools: dict[str, set[str]] = defaultdict(set)
    for spool, begin_s, end_s in stays:
        for month, _ in _by_month(begin_s, end_s):
            spools[month].add(spool)
    stated = dryer.facts.get("power_W")
    power_W, said = (float(stated), f"as {dryer.name} states") if stated else power_like(dryer.name)
    for month, spent_s in seconds.items():
        energy = energy_of(power_W, said, spent_s, None, tariff)
        yield DryerMonth(month, dryer.name, tuple(sorted(spools[month])), spent_s, energy)


def _by_month(begin_s: float, end_s: float) -> Iterator[tuple[str, float]]:
    """Yield the months of the clock on the wall that a time lies in, and how much of it lies in each. [s]"""
    at_s = begin_s
    while at_s < end_s:
        here = datetime.fromtimestamp(at_s).astimezone()
        year, month = (here.year + 1, 1) if here.month == 12 else (here.year, here.month + 1)
        next_s = datetime(year, month, 1).astimezone().timestamp()
        until_s = min(end_s, next_s)
        yield here.strftime("%Y-%m"), until_s - at_s
        at_s = until_s

"""Figures of a record that cannot be: a spool lighter than its reel, more fed than there was, more water than it holds.

They are refused when they are written, unless somebody insists, and found again by ``ledger check``.
Left out: names and times that cannot be, which nobody can insist on (``writers``).
"""

import math
from collections.abc import Iterator
from typing import Final, NamedTuple

from gcodetool.errors import DoubtError
from gcodetool.ledger.entries import MICRO, LedgerEntry
from gcodetool.ledger.records import SpoolRecord
from gcodetool.moisture.record import Spool
from gcodetool.shell import shell_word

WATER_SHARE: Final = 0.12  # of the filament's mass: more water than any of it holds [kg/kg]
BODY_SHARE: Final = 1.1  # a card reel holds water too
FED_SLACK: Final = 1.001  # lengths are rounded
FED_SURE: Final = 0.9  # of what was fed is surely gone
WATER_DOUBT: Final = 2.0  # of the most that a polymer holds, as its profile states it
UNKNOWN_BODY_G: Final = (
    250.0  # of a card reel, whose water counts where nobody stated the reel (own estimate)
)
SCALE_G: Final = 5.0  # of a kitchen scale, and of what is left out (own estimate)
FILL_SHARE: Final = 0.05  # a new reel holds so much more or less than is stated (own estimate)
PRINTED_G_H: Final = 100.0  # the most that a printer takes off a reel in an hour: 25 mm³/s (own estimate)
FAST: Final = 2.0  # so many times that is sure to be more than any printer takes (own estimate)
LATE_G: Final = (
    50.0  # fed so much, a move to the printer may have been noted late: no question (own estimate)
)
HEAVIEST_BODY_G: Final = 1000.0  # of a reel that states no mass, or its net mass (own estimate)


class _Doubt(NamedTuple):
    """What cannot be of an entry (its number and kind; no number: of all of them together), and the way out."""

    number: int | None
    kind: str
    text: str
    cure: str = "correct the figure"


def check_plausible(
    record: SpoolRecord, spool: Spool, *, force: bool, only: LedgerEntry | None = None
) -> list[str]:
    """Return what is odd about the figures of a record, or of one entry of it; refuse it without *force*.

    Parameters
    ----------
    spool
        The same one as the physics takes it; its events are not looked at.

    Raises
    ------
    LedgerError
        A figure cannot be, and nobody insists.
    """
    doubts = [
        one
        for one in _doubts(record, spool)
        if only is None or one.number == only.number or (one.number is None and one.kind == only.kind)
    ]
    if only is not None and not doubts:
        doubts = [one for one in _unlike_the_record(record, spool) if one.number == only.number]
        doubts += _fed_too_fast(record, spool, only)
    if doubts and not force:
        raise DoubtError(f"{record.id}: {doubts[0].text}; {doubts[0].cure}, or add --force")
    return [one.text for one in doubts]


def left_g(record: SpoolRecord, spool: Spool, *, at_us: int) -> float:
    """Return the filament that a spool has at a moment, by what was noted; 0 where that is more than it held. [g]"""
    fed_g = math.fsum(_fed_g(entry, spool.metre_g) for entry in _own(record) if entry.at_us <= at_us)
    return max(0.0, spool.net_mass_g - fed_g)


def doubtful(record: SpoolRecord, spool: Spool) -> list[tuple[int | None, str]]:
    """Return (entry, what cannot be) of a record's figures; None = not of one entry."""
    return [(one.number, one.text) for one in _doubts(record, spool)]


def _doubts(record: SpoolRecord, spool: Spool) -> list[_Doubt]:
    metre_g = spool.metre_g
    found = [*_came_wetter_than_it_can(record, spool), *_odd_masses(record, spool, metre_g)]
    fed_mm = math.fsum(_fed_g(entry, metre_g) / metre_g * 1e3 for entry in _own(record))
    held_mm = spool.net_mass_g / metre_g * 1e3
    if fed_mm > held_mm * FED_SLACK:
        text = (
            f"{fed_mm / 1e3:.1f} m fed and cut off in all is more than the reel held ({held_mm / 1e3:.1f} m of "
            f"{spool.net_mass_g:g} g)"
        )
        found.append(
            _Doubt(None, "cut" if any(entry.kind == "cut" for entry in record.happened) else "fed", text)
        )
    return found


def _came_wetter_than_it_can(record: SpoolRecord, spool: Spool) -> list[_Doubt]:
    """Return that a spool is said to have come with more water than its polymer can hold."""
    water = record.received.get("water_wt_pct")
    material = spool.material
    high = (material.uptake_saturation_range_wt_pct or (0.0, material.uptake_saturation_wt_pct))[1]
    if water is None or water <= WATER_DOUBT * high:
        return []
    text = f"it came with {water:g} wt % water, and {material.key} holds {high:g} wt % in water itself"
    return [_Doubt(record.added.number, record.added.kind, text)]


def _own(record: SpoolRecord) -> list[LedgerEntry]:
    """Return what happened to a spool since it was one of its own: a sample's file tells what was before, too."""
    cuts = [i for i, entry in enumerate(record.happened) if "cut_from" in entry.facts]
    return list(record.happened[cuts[-1] + 1 if cuts else 0 :])


def _odd_masses(record: SpoolRecord, spool: Spool, metre_g: float) -> list[_Doubt]:
    """Return the weigh-ins that no reel with what is left on it can have, however wet."""
    found: list[_Doubt] = []
    body_g, net_g = spool.body.mass_g, spool.net_mass_g
    heaviest_g = max(HEAVIEST_BODY_G, net_g) if body_g is None else body_g * BODY_SHARE
    fed_g = 0.0
    for entry in _own(record):
        fed_g += _fed_g(entry, metre_g)
        gross_g = entry.facts.get("gross_g")
        if gross_g is None:
            continue
        most_g = heaviest_g + max(0.0, net_g - FED_SURE * fed_g) * (1.0 + WATER_SHARE)
        if body_g is not None and gross_g < body_g:
            text = f"{gross_g:g} g is less than the empty reel ({body_g:g} g)"
        elif gross_g > most_g:
            left = "the reel with all that is left on it" if fed_g else "the reel full"
            text = f"{gross_g:g} g is more than {left} and wet ({most_g:.0f} g)"
        else:
            continue
        found.append(_Doubt(entry.number, entry.kind, text))
    return found


def _unlike_the_record(record: SpoolRecord, spool: Spool) -> Iterator[_Doubt]:
    """Yield the weigh-ins that lie further from the one before than water, and hours on a printer, explain.

    A reel that was printed from without a note is told by its weigh-ins (``moisture.replay``), as far as it was on a
    printer for long enough.  Asked of a weigh-in when it is noted: afterwards others may come before it.
    """
    metre_g = spool.metre_g
    body_g, net_g = spool.body.mass_g, spool.net_mass_g
    body_water_g = (BODY_SHARE - 1.0) * (UNKNOWN_BODY_G if body_g is None else body_g)
    wet = min(WATER_SHARE, WATER_DOUBT * spool.material.uptake_saturation_wt_pct / 100.0)
    known_g, since_us = None if body_g is None else body_g + net_g, record.received_us
    left_g, fed_g, first = net_g, 0.0, True
    for entry in _own(record):
        fed_g += _fed_g(entry, metre_g)
        gross_g = entry.facts.get("gross_g")
        if gross_g is None:
            continue
        left_g = max(0.0, left_g - fed_g)
        doubt_g = SCALE_G + body_water_g + wet * (left_g + fed_g) + (1.0 - FED_SURE) * fed_g
        doubt_g += FILL_SHARE * net_g if first else 0.0
        printed_g = PRINTED_G_H * _on_printers_h(record, spool, since_us, entry.at_us)
        expected_g = left_g if known_g is None else known_g - fed_g
        less_g = expected_g - gross_g
        if less_g > doubt_g + printed_g:
            yield _lighter(entry, record.id, less_g, bare=known_g is None)
        elif -less_g > doubt_g and not first:
            much = f"{gross_g:g} g is {-less_g:.0f} g more than the record comes to ({expected_g:.0f} g)"
            yield _Doubt(entry.number, entry.kind, f"{much}, and no water weighs that much")
        if less_g > doubt_g:  # it was printed from, whether that was noted or not
            left_g = max(0.0, left_g - less_g)
        known_g, since_us, fed_g, first = gross_g, entry.at_us, 0.0, False


def _fed_too_fast(record: SpoolRecord, spool: Spool, entry: LedgerEntry) -> Iterator[_Doubt]:
    """Yield that more was fed than a printer takes since the reel came to it, or came at all.

    All that was fed since then counts: people note the prints of a day together.
    """
    metre_g = spool.metre_g
    if entry.kind != "fed" or _fed_g(entry, metre_g) <= LATE_G:
        return
    since_us, where = record.received_us, ""
    for begin_us, name, _ in record.stays(entry.at_us)[-1:]:
        if name in spool.places and spool.places[name].kind == "printer":
            since_us, where = begin_us, name
    hours = (entry.at_us - since_us) / MICRO / 3600.0
    fed_g = math.fsum(
        _fed_g(one, metre_g)
        for one in _own(record)
        if one.kind == "fed" and since_us <= one.at_us <= entry.at_us
    )
    if fed_g <= LATE_G + FAST * PRINTED_G_H * hours:
        return
    on = f" on {where}" if where else " since it came"
    late = f"note when it went there (gcodetool spool move {record.id} {shell_word(where)} --at TIME)"
    yield _Doubt(
        entry.number,
        entry.kind,
        f"{fed_g:.0f} g within {60.0 * hours:.0f} min{on} is more than a printer feeds",
        "correct the figure" + (f", {late}" if where else ", name the moment with --at"),
    )


def _lighter(entry: LedgerEntry, spool_id: str, less_g: float, *, bare: bool) -> _Doubt:
    """Return what to say of a weigh-in that is too light, and how a print is noted that would explain it."""
    gross_g = entry.facts["gross_g"]
    what = "that the strand alone weighs by the record" if bare else "that the record comes to"
    return _Doubt(
        entry.number,
        entry.kind,
        f"{gross_g:g} g is {less_g:.0f} g less than the {gross_g + less_g:.0f} g {what}",
        f"if that much was printed, note it first (gcodetool spool fed {spool_id} --mass {less_g:.0f}); else correct "
        "the figure",
    )


def _on_printers_h(record: SpoolRecord, spool: Spool, begin_us: int, end_us: int) -> float:
    """Return how long a spool was on printers between two moments. [h]"""
    stays = record.stays(end_us)
    ends = [*(since for since, _, _ in stays[1:]), end_us]
    seconds = math.fsum(
        max(0, min(until, end_us) - max(since, begin_us)) / MICRO
        for (since, name, _), until in zip(stays, ends, strict=True)
        if name in spool.places and spool.places[name].kind == "printer"
    )
    return seconds / 3600.0


def _fed_g(entry: LedgerEntry, metre_g: float) -> float:
    """Return what an entry says was fed; 0 for another kind. [g]"""
    if entry.kind != "fed" and "into" not in entry.facts:
        return 0.0
    if "length_mm" in entry.facts:
        return float(entry.facts["length_mm"]) / 1e3 * metre_g
    return float(entry.facts["mass_g"])

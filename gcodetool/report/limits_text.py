"""Limits from one's own prints as a person reads them: stated and learned, what to do, record by record."""

from collections.abc import Iterator
from typing import Final, TextIO

from gcodetool.limits.findings import LEAST_RECORDS, LimitsFindings, so_many
from gcodetool.limits.influence import Moved
from gcodetool.limits.learning import LimitBand
from gcodetool.limits.next_try import Try
from gcodetool.report.as_text import percent, plain
from gcodetool.report.layout import Page
from gcodetool.report.shelf_text import when
from gcodetool.shell import shell_word

SHOWN: Final = 12  # records; --records shows all
TRIES: Final = 3  # spools to try next
ASKS_FOR: Final = 0.03  # share of the spread: a print that would tell less is not worth asking for


def print_limits(found: LimitsFindings, stream: TextIO, *, every: bool) -> None:
    """Print what prints say about a material's limits; *every*: all records, not the last ones."""
    page = Page(stream)
    page.line(plain(headline(found)), style="bold")
    page.hanging("  ", plain(what_to_do(found)))
    page.facts((name, plain(text)) for name, text in facts(found))
    if found.records:
        left_out = 0 if every else max(0, len(found.records) - SHOWN)
        page.line()
        page.line("  records" + (f", the last {SHOWN} of {len(found.records)}" if left_out else ""))
        for place, one in enumerate(found.records[left_out:], left_out):
            odd = against(found) if place in found.contradicted else ""
            page.hanging("  - ", plain(record_words(one, contradicts=odd)))


def whose(found: LimitsFindings) -> str:
    """Return the material, and its line, in words."""
    return found.material if found.line is None else f"{found.material}, line '{found.line}'"


def headline(found: LimitsFindings) -> str:
    """Return the answer: how one's own limits lie against the stated ones."""
    count = len(found.records)
    if not count:
        return f"{whose(found)}: no print was judged yet, so the stated limits are all that is known"
    band, stated = found.learned.marginal, found.stated[1]
    records = so_many(count)
    if band.p10 > stated:
        return f"{whose(found)}: your prints bear more water than the stated limits say ({records})"
    if band.p90 < stated:
        return f"{whose(found)}: your prints bear less water than the stated limits say ({records})"
    if count < LEAST_RECORDS:
        return (
            f"{whose(found)}: {records} so far, too few to say anything against the stated limits or for them"
        )
    return f"{whose(found)}: your prints agree with the stated limits ({records})"


def what_to_do(found: LimitsFindings) -> str:
    """Return the next thing to do about it."""
    if found.adopted is not None and found.adopted.records == len(found.records):
        return f"verdicts use these limits ({found.adopted.source}); to take them back: gcodetool limits drop {asked(found)}"
    if len(found.records) < LEAST_RECORDS and found.adopted is None:
        return (
            f"verdicts use the stated ones; own limits can be adopted from {LEAST_RECORDS} records on: note how the next "
            "print came out: gcodetool spool outcome ID --strings none|few|many --parts good|usable|scrap"
        )
    used = "the stated ones" if found.adopted is None else f"those of {found.adopted.records} records"
    return f"verdicts use {used} until you adopt these: gcodetool limits adopt {asked(found)}"


def asked(found: LimitsFindings) -> str:
    """Return whose limits these are, in the words of a command."""
    of_line = [] if found.line is None else ["--line", shell_word(found.line)]
    return " ".join([shell_word(found.material), *of_line])


def facts(found: LimitsFindings) -> Iterator[tuple[str, str]]:
    """Yield the limits, what holds them, and what to try next."""
    for name, stated, learned, kept in (
        ("good to", found.stated[0], found.learned.good, found.to_adopt.good),
        ("marginal to", found.stated[1], found.learned.marginal, found.to_adopt.marginal),
    ):
        text = f"stated {percent(stated)}, by your prints {band(learned)} wt %"
        yield name, text + ("" if kept == learned else f"; to adopt: {band(kept)}")
    if found.to_adopt.held_back is not None:
        yield "held back", found.to_adopt.held_back
    elif found.to_adopt.bound_wt_pct is not None:
        yield "at most", f"{percent(found.to_adopt.bound_wt_pct)} wt %: beyond it the melt itself is damaged"
    if found.contradicted:
        count = len(found.contradicted)
        yield (
            "odd",
            f"{count} record{' contradicts' if count == 1 else 's contradict'} {against(found)}, and so "
            f"{'counts' if count == 1 else 'count'} for little",
        )
    yield from _tries(found)


def _tries(found: LimitsFindings) -> Iterator[tuple[str, str]]:
    told = [one for one in found.tries[:TRIES] if one.narrower >= ASKS_FOR]
    for i, one in enumerate(told):
        yield (
            "print next" if i == 0 else "",
            f"{one.spool} as it is ({band(one)} wt %): takes {one.narrower:.0%} off the uncertainty, on average",
        )
    if not told:
        yield (
            "print next",
            f"a strand of about {percent(found.best_wt_pct)} wt %; no print of a spool on the shelf would take "
            f"{ASKS_FOR:.0%} off the uncertainty",
        )


def band(of: LimitBand | Try) -> str:
    """Return p50 with its band in brackets. [wt %]"""
    return f"{percent(of.p50)} ({percent(of.p10)}-{percent(of.p90)})"


def against(found: LimitsFindings) -> str:
    """Return what a record contradicts: a single one has no others beside it."""
    return "the stated limits" if len(found.records) == 1 else "the others"


def record_words(one: Moved, *, contradicts: str = "") -> str:
    """Return one record: when, whose, what was seen at which content, and how far it moved the marginal limit."""
    seen = one.evidence
    said = ", ".join(f"{question} {word}" for question, word in seen.said)
    moved = "moved nothing" if abs(one.marginal) < 5e-5 else f"moved marginal by {one.marginal:+.4f}"
    odd = f"; contradicts {contradicts}" if contradicts else ""
    return f"{when(seen.at_s)} {seen.spool}: {said} at {percent(one.wt_pct)} wt %; {moved}{odd}"

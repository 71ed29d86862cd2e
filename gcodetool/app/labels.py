"""What stands on the labels of spools and places: the name, what it is, and the heat that its maker allows."""

from collections.abc import Sequence
from datetime import datetime
from textwrap import wrap
from typing import Final
from urllib.parse import quote, urlsplit

from gcodetool.app.places import place as look_at
from gcodetool.app.resolve import Moment, clock, find_spool
from gcodetool.drying.limits import highest
from gcodetool.errors import UsageError
from gcodetool.judge.record_facts import last_drying
from gcodetool.report.labels import Label

REASON: Final = 24  # letters in a row of what binds the temperature


def spool_labels(
    names: Sequence[str], *, address: str | None = None, at: Moment = None, ledger: str | None = None
) -> list[Label]:
    """Return the labels of spools.

    Parameters
    ----------
    address : of the server whose page a phone's camera opens; None: the code holds the ID alone.
    at, ledger : as for a check.

    Raises
    ------
    SpoolError, LedgerError
        There is no such spool.
    UsageError
        *address* is none.
    """
    now_s, found = clock(at), []
    for name in names:
        held = find_spool(name, ledger=ledger)
        limit, because = highest(held)
        dried = last_drying(held, now_s)
        when = "not dried yet" if dried is None else f"dried {datetime.fromtimestamp(dried.end_s):%Y-%m-%d}"
        material = held.material.key + (f", {held.colour}" if held.colour else "")
        lines = (material, when, f"dry at {limit:g} °C at most", *wrap(because, REASON)[:3])
        found.append(Label(page_address(address, "s", held.id), held.id, lines))
    return found


def place_labels(
    names: Sequence[str], *, address: str | None = None, ledger: str | None = None
) -> list[Label]:
    """Return the labels of places; arguments and errors as of :func:`spool_labels`."""
    found = []
    for name in names:
        seen = look_at(name, ledger=ledger)
        lines = [{"box": "dry box", "sealed": "bag", "open": "room air"}.get(seen.kind, seen.kind)]
        if seen.charge.desiccant is not None:
            lines.append(f"{seen.charge.grams or 0.0:g} g {seen.charge.desiccant}")
        if seen.facts.get("max_temperature_C"):
            lines.append(f"{seen.facts['max_temperature_C']:g} °C at most")
        found.append(Label(page_address(address, "p", name), name, tuple(lines)))
    return found


def page_address(address: str | None, kind: str, name: str) -> str:
    """Return what a code holds: the page's address, or the plain name.

    >>> page_address("http://shop.local:8340/", "s", "pa6-07"), page_address(None, "s", "pa6-07")
    ('http://shop.local:8340/s/pa6-07', 'pa6-07')

    Raises
    ------
    UsageError
        The address is none of a server.
    """
    if address is None:
        return name
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.query or parts.fragment:
        raise UsageError(f"--address '{address}': write the server's, such as http://shop.local:8340")
    return f"{address.rstrip('/')}/{kind}/{quote(name, safe='')}"

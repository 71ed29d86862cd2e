"""The user's ``gcodetool.toml``: what is meant where a call does not say.

It lies in the user's configuration folder, beside own profiles.  Options win over it, and the environment's ledger
does.  Left out: what a word means (``app.resolve``).
"""

import os
from dataclasses import fields
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.profiledata import user_folder
from gcodetool.quickdata import dataclass
from gcodetool.tomlfile import Table, load

FILE: Final = "gcodetool.toml"
LONGEST_CURRENCY: Final = 8  # letters


@dataclass(frozen=True)
class UserDefaults:
    """What the file states; None: nothing.

    Attributes
    ----------
    printer, dryer : a place of the ledger, or a profile.
    ledger : path or URL; a path is relative to the file.
    members : of forecasts.
    confidence : share of them that must reach a verdict, 0 to 1.
    tariff : price of a kWh.
    currency : of all prices, as it stands behind an amount: EUR.
    """

    printer: str | None = None
    dryer: str | None = None
    ledger: str | None = None
    members: int | None = None
    confidence: float | None = None
    tariff: float | None = None
    currency: str | None = None


def path() -> Path:
    """Return where the file lies; it need not exist."""
    return user_folder() / FILE


def user_defaults() -> UserDefaults:
    """Return what the user's file states; nothing where there is none.

    Raises
    ------
    ProfileError
        ``file:line``: it says something that it cannot mean.
    """
    where = path()
    if not os.path.lexists(where):  # what is there and cannot be read is refused
        return UserDefaults()
    table = load(where, ProfileError, "file of defaults")
    table.only([field.name for field in fields(UserDefaults)])
    ledger = table.text("ledger")
    if ledger is not None and "://" not in ledger:
        ledger = str(where.parent / Path(ledger).expanduser())
    return UserDefaults(
        printer=table.text("printer"),
        dryer=table.text("dryer"),
        ledger=ledger,
        members=table.whole("members", low=1, high=1024),
        confidence=table.number("confidence", low=0, high=1),
        tariff=table.number("tariff", low=0),
        currency=_currency(table),
    )


def _currency(table: Table) -> str | None:
    said = table.text("currency")
    if said is not None and not (len(said) <= LONGEST_CURRENCY and said.isprintable()):
        table.fail("currency", 'currency is a short word or a sign; write "EUR"')
    return said

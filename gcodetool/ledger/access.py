"""Who may write to the ledger through the page: paired devices, sensors and calendars, by digests of their tokens.

A token is told once and kept nowhere; the ledger holds its SHA-256, which opens nothing.  Left out: cookies and
pairing codes (``serve``).
"""

import hashlib
import secrets
from dataclasses import dataclass
from typing import Final, Literal

from sqlalchemy import delete, insert, select, update

from gcodetool.errors import LedgerError
from gcodetool.ledger import records
from gcodetool.ledger.call import now_us
from gcodetool.ledger.place_entries import check_name, measured
from gcodetool.ledger.schema import ACCESS
from gcodetool.ledger.store import Ledger, reading, writing
from gcodetool.tomlfile import shown

Role = Literal["device", "sensor", "calendar"]
TOKEN_BYTES: Final = 24
SEEN_EVERY_US: Final = 600_000_000  # a device's last visit is noted no oftener


@dataclass(frozen=True)
class Pass:
    """One that may come in; *place* of a sensor alone."""

    name: str
    role: Role
    place: str | None
    made_us: int
    seen_us: int


def grant(ledger: Ledger, name: str, role: Role, *, place: str | None = None) -> str:
    """Let somebody in under a name, and return the token: a sensor's or calendar's old one is replaced.

    Raises
    ------
    LedgerError
        A name that cannot be one or belongs to another; no such place, or its air is not measured.
    """
    check_name(name)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with writing(ledger) as conn:
        if place is not None:
            measured(records.places(conn), place)
        there = conn.execute(select(ACCESS.c.role).where(ACCESS.c.name == name)).scalar()
        if there is not None and (there != role or role == "device"):
            raise LedgerError(f"{shown(name)} is the name of another {there}; choose another name")
        conn.execute(delete(ACCESS).where(ACCESS.c.name == name))
        values = {"name": name, "role": role, "digest": digest(token), "place": place, "made_us": now_us()}
        conn.execute(insert(ACCESS).values(**values, seen_us=0))
    return token


def known(ledger: Ledger, token: str) -> Pass | None:
    """Return whose token this is; None: nobody's."""
    with reading(ledger) as conn:
        row = conn.execute(select(ACCESS).where(ACCESS.c.digest == digest(token))).first()
    return None if row is None else Pass(row.name, row.role, row.place, row.made_us, row.seen_us)


def came(ledger: Ledger, visitor: Pass) -> None:
    """Note that somebody was here."""
    now = now_us()
    if now - visitor.seen_us > SEEN_EVERY_US:
        with writing(ledger) as conn:
            conn.execute(update(ACCESS).where(ACCESS.c.name == visitor.name).values(seen_us=now))


def listed(ledger: Ledger) -> list[Pass]:
    """Return all that may come in, by name."""
    with reading(ledger) as conn:
        rows = conn.execute(select(ACCESS).order_by(ACCESS.c.name)).all()
    return [Pass(row.name, row.role, row.place, row.made_us, row.seen_us) for row in rows]


def drop(ledger: Ledger, name: str) -> None:
    """Let somebody in no more.

    Raises
    ------
    LedgerError
        Nobody has that name.
    """
    with writing(ledger) as conn:
        if not conn.execute(delete(ACCESS).where(ACCESS.c.name == name)).rowcount:
            names = ", ".join(conn.execute(select(ACCESS.c.name).order_by(ACCESS.c.name)).scalars())
            raise LedgerError(f"no device, sensor or calendar {shown(name)}; there are: {names or 'none'}")


def digest(text: str) -> str:
    """Return what the ledger keeps of a token, or of a form and its key."""
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()

"""Forms that are noted once: a key that comes with a form is kept in the transaction that writes what it says.

A form sent twice finds its key; one that was filled in before a spool moved finds that.  Both are looked at under
the ledger's lock, so nothing comes between.  Left out: making and signing keys (``app.access``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, insert, select

from gcodetool.errors import FormUsedError, MovedMeanwhileError
from gcodetool.ledger.call import BY, CALL, now_us
from gcodetool.ledger.schema import ENTRIES, FORMS

MOVES: Final = (
    "moved",
    "undone",
    "retired",
    "set",
    "renewed",
)  # kinds of entries after which a page shows the wrong place, or what was in it before


@dataclass(frozen=True)
class Form:
    """What comes with a form.

    Attributes
    ----------
    key
        Digest of what was given out with it, unlike any other.
    sent
        Digest of what was filled in: to tell a second sending from a second thought.
    subject, name, seen
        What it is about, and the last entry of that which the page knew; *seen* None: it does not matter.
    who
        The name of the device that sent it, which then stands in the entry; empty: who runs the server.
    """

    key: str
    sent: str
    subject: str
    name: str
    seen: int | None = None
    who: str = ""


def take(conn: Connection, form: Form) -> None:
    """Take a form's key, in a transaction that holds the lock.

    Raises
    ------
    FormUsedError
        It was taken before.
    MovedMeanwhileError
        What it is about went elsewhere since the page was made.
    """
    before = conn.execute(select(FORMS.c.call, FORMS.c.sent).where(FORMS.c.key == form.key)).first()
    if before is not None:
        numbers = conn.execute(select(ENTRIES.c.number).where(ENTRIES.c.call == before.call)).scalars()
        raise FormUsedError(
            f"{form.name}: this form was sent already, and is noted once",
            numbers=tuple(sorted(numbers)),
            same=before.sent == form.sent,
        )
    if form.seen is not None and (since := _moves_since(conn, form)):
        what = "moved" if form.subject == "spool" else "changed"
        raise MovedMeanwhileError(
            f"{form.name}: it was {what} after this page was made; look, and send it again",
            numbers=tuple(since),
        )
    if form.who:
        conn.info[BY] = form.who
    values = {"key": form.key, "sent": form.sent, "call": conn.info[CALL], "at_us": now_us()}
    conn.execute(insert(FORMS).values(values))


def _moves_since(conn: Connection, form: Form) -> Sequence[int]:
    asked = select(ENTRIES.c.number).where(
        ENTRIES.c.subject == form.subject,
        ENTRIES.c.name == form.name,
        ENTRIES.c.number > form.seen,
        ENTRIES.c.kind.in_(MOVES),
    )
    return sorted(conn.execute(asked).scalars())

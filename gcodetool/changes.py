"""What a command has changed for good, kept so that its last words are true.

Whoever replaces a file or commits to a ledger does so within :func:`making`; the command line collects what was
made with :func:`collected` and says it where the command fails afterwards.  Left out: the words of the failure.
"""

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import field

from gcodetool.quickdata import dataclass


@dataclass
class Changes:
    """What was made, and what was being made when something stopped it, in words."""

    made: list[str] = field(default_factory=list)
    begun: list[str] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.made or self.begun)

    def __str__(self) -> str:
        return "; ".join([*self.made, *(f"perhaps {each}" for each in self.begun)])


_now: ContextVar[Changes | None] = ContextVar("changes", default=None)


@contextlib.contextmanager
def collected() -> Iterator[Changes]:
    """Give what is changed within; outside of it nothing is kept."""
    found = Changes()
    token = _now.set(found)
    try:
        yield found
    finally:
        _now.reset(token)


@contextlib.contextmanager
def making(what: str) -> Iterator[None]:
    """Do within this the one step that changes something for good: an error means that nothing was changed.

    What ends it from outside (a key, a signal) leaves open whether the step was done, and that is what is said.
    """
    changes = _now.get()
    if changes is None:
        yield
        return
    changes.begun.append(what)
    try:
        yield
    except Exception:
        changes.begun.remove(what)
        raise
    changes.made.append(what)
    changes.begun.remove(what)

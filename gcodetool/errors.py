"""Every exception that a user may meet, and the exit code each one means.

::

    GcodetoolError            exit 1
    ├── InputError            a file says something it cannot mean (G-code, spool, profile)
    │   ├── GcodeError
    │   ├── SpoolError
    │   ├── ProfileError
    │   ├── QueueError
    │   └── SeriesError
    ├── OutOfRangeError       a number outside what an equation or a machine allows
    ├── CalculationError      finite numbers went in, none came out: a fault of the program
    ├── WriteError            the result could not be written; the target is as it was
    ├── LedgerError           the ledger cannot be read or written, or has no such name
    │   ├── DamagedError      its file is damaged so that it cannot be read
    │   ├── DoubtError        what a check doubts; ``--force`` writes it
    │   ├── FormUsedError     a form of the page was sent before
    │   └── MovedMeanwhileError   what a form is about went elsewhere since
    ├── SchedulerError        a cluster that was at work is there no more
    └── UsageError            exit 2: the call's words do not fit together

A message is one line: what, where (``file:line``), what to do.  ``cli`` is the one place that
turns them into exit codes.
"""

from pathlib import Path
from typing import Self


class GcodetoolError(Exception):
    """Base of all errors that end a command with one clear line."""

    exit_code = 1


class InputError(GcodetoolError):
    """A file says something that it cannot mean."""

    @classmethod
    def at(cls, path: "str | Path", line: int | None, text: str) -> Self:
        """Return the error with its place in front: ``file:line: text``."""
        where = str(path) if line is None else f"{path}:{line}"
        return cls(f"{where}: {text}")


class GcodeError(InputError):
    """A G-code file that cannot be read or must not be touched."""


class SpoolError(InputError):
    """A spool's record that contradicts itself."""


class ProfileError(InputError):
    """A material, printer, dryer or spool body that is unknown or malformed."""


class QueueError(InputError):
    """A list of jobs that cannot be read or contradicts itself, or a folder without any."""


class SeriesError(InputError):
    """A plan or the results of a test series that cannot be read or contradict themselves."""


class OutOfRangeError(GcodetoolError, ValueError):
    """A number outside what an equation or a machine allows."""


class CalculationError(GcodetoolError, ArithmeticError):
    """Finite numbers went into a calculation and something else came out."""


class WriteError(GcodetoolError):
    """The result could not be written; the target is as it was."""


class LedgerError(GcodetoolError):
    """The ledger cannot be read or written, knows no such name, or an entry contradicts what is in it."""


class DamagedError(LedgerError):
    """A ledger's file is damaged so that it cannot be read, or no further."""


class DoubtError(LedgerError):
    """Figures that a check doubts: who insists, with ``--force``, has them written."""


class SchedulerError(GcodetoolError):
    """A cluster that was at work is there no more, or its workers do not fit."""


class FormUsedError(LedgerError):
    """A form that was sent before.

    Attributes
    ----------
    numbers : of the entries that it made then.
    same : the same was filled in.
    """

    def __init__(self, text: str, *, numbers: tuple[int, ...], same: bool) -> None:
        super().__init__(text)
        self.numbers, self.same = numbers, same


class MovedMeanwhileError(LedgerError):
    """What a form is about went elsewhere since the form was made; *numbers* of the entries that say so."""

    def __init__(self, text: str, *, numbers: tuple[int, ...]) -> None:
        super().__init__(text)
        self.numbers = numbers


class UsageError(GcodetoolError):
    """The words of a call do not fit together."""

    exit_code = 2

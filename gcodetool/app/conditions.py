"""What a check is made for: when, where and on what a job is printed, and how sure it must be."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from gcodetool.moisture.snapshot import SnapshotStoreFor, no_snapshots
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gcodetool.moisture.record import Place, Spool
    from gcodetool.profiles import Printer


Remarks = Callable[["Spool"], Sequence[str]]


def no_remarks(_: "Spool") -> tuple[str, ...]:
    """Say nothing of any spool."""
    return ()


@dataclass(frozen=True)
class Conditions:
    """The same for each tool of a job.

    Attributes
    ----------
    at_s : when the job starts, seconds since 1970 UTC.
    printer, place : the machine, and the place of the record in whose air it prints; None: not named.
    confidence : share of the members that must reach the verdict or better, 0 to 1.
    members : of the forecast; None: the usual number.
    tweaks : settings may be suggested.
    shelf_of : where snapshots of a spool's state lie.
    remarks : cautions on a spool that its own record does not hold.
    feed : the place of the record that the job is fed from; None: as it stands.
    boxes_of : gives the workshop's boxes beside those of a spool's record; asked only where a drier feed would help.
    """

    at_s: float
    printer: "Printer | None" = None
    place: str | None = None
    confidence: float = 0.5
    members: int | None = None
    tweaks: bool = True
    shelf_of: SnapshotStoreFor = no_snapshots
    remarks: "Remarks" = no_remarks
    feed: str | None = None
    boxes_of: "Callable[[Spool], Mapping[str, Place]] | None" = None

"""What is said beside a state: what was assumed, left out or learned, and what else is odd."""

from typing import Literal

from gcodetool.quickdata import dataclass

NoteKind = Literal["assumed", "ignored", "learned", "contradiction", "note"]
"""*contradiction*: the record and the model cannot both be right; a check repeats it as a caution."""


@dataclass(frozen=True)
class Note:
    """One remark; as text it begins with its kind, unless it is a plain note.

    >>> str(Note("assumed", "a hub of 80 mm")), str(Note("note", "look again"))
    ('assumed: a hub of 80 mm', 'look again')
    """

    kind: NoteKind
    text: str

    def __str__(self) -> str:
        return self.text if self.kind == "note" else f"{self.kind}: {self.text}"

"""What every table of a record shares: values without a file, numbers that must be there, keys of a kind.

Left out: what the tables mean (``placetables``, ``eventtables``, ``spoolfile``).
"""

import math
from pathlib import Path
from typing import Any, NoReturn

from gcodetool.tomlfile import Document, Keys, Table, nearest, printable, shown


class Given(Document):
    """Values that stand in no file, so in no line of one."""

    def line(self, keys: Keys) -> None:
        """Return None."""

    def fail(self, keys: Keys, text: str) -> NoReturn:
        """Raise *text* with the source in front."""
        raise self.error.at(self.path, None, printable(text))


def asked(table: Table, key: str, *, low: float = 0.0, high: float = math.inf, above: float = 0.0) -> float:
    """Return the number *key*, refusing a table without it."""
    table.need(key)
    number = table.number(key, low=low, high=high, above=above)
    assert number is not None  # need() saw it
    return number


def beside(table: Table, name: str) -> Path:
    """Return the path *name* as the file means it: relative to itself."""
    return Path(table.document.path).parent / name


def kind_of_table(table: Table, known: tuple[str, ...]) -> Any:
    """Return the kind of a place or an event, one of those known."""
    table.need("kind")
    return table.choice("kind", known)


def only_of_kind(table: Table, keys: tuple[str, ...], extra: tuple[str, ...], kind: str) -> None:
    """Refuse keys that tables of this *kind* have no use for."""
    allowed = (*extra, "note", *keys)
    for key in table.data:
        if key not in allowed:
            table.fail(key, f"{shown(key)} does not belong to kind '{kind}'; {nearest(key, allowed)}")
    table.text("note")

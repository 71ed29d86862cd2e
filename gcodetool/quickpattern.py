"""Regular expressions that are compiled when they are first asked, for the files that a check loads.

A check loads seventy of them and asks half; compiling one costs as much as scanning a thousand lines.
Left out: what is given to a function of ``re`` as a pattern (there is no pattern yet).
"""

import re
from typing import Any, AnyStr, cast


class _Pattern:
    """Stands for a compiled pattern: its methods and attributes are the pattern's, taken over when first used."""

    def __init__(self, text: Any, flags: int) -> None:
        self._text, self._flags = text, flags

    def __getattr__(self, name: str) -> Any:
        found = getattr(re.compile(self._text, self._flags), name)  # kept by `re` for the next name
        setattr(self, name, found)
        return found


def compiled(text: AnyStr, flags: int = 0) -> "re.Pattern[AnyStr]":
    """Return the pattern *text*, as ``re.compile`` does; a mistake in it shows at its first use.

    >>> compiled("[0-9]+").findall("12 m, 3 kg")
    ['12', '3']
    """
    return cast("re.Pattern[AnyStr]", _Pattern(text, flags))

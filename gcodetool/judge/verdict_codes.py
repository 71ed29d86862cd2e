"""The verdict's words: their order of badness and their exit codes."""

from collections.abc import Sequence
from typing import Final, Literal

Code = Literal["clear", "adjust", "runs-out", "dry-first", "unknown"]

BADNESS: Final[tuple[Code, ...]] = ("clear", "adjust", "runs-out", "dry-first", "unknown")
EXIT_CODES: Final[dict[Code, int]] = {
    "clear": 0,
    "adjust": 10,
    "runs-out": 21,
    "dry-first": 20,
    "unknown": 30,
}


def worse(code: Code, than: Code) -> bool:
    """Return whether a verdict is worse than another.

    >>> worse("dry-first", "runs-out"), worse("adjust", "adjust"), worse("clear", "adjust")
    (True, False, False)
    """
    return BADNESS.index(code) > BADNESS.index(than)


def worst(codes: Sequence[Code]) -> Code:
    """Return the worst verdict of several tools; nothing to judge is unknown.

    >>> worst(["adjust", "clear", "dry-first"])
    'dry-first'
    """
    return max(codes, key=BADNESS.index, default="unknown")

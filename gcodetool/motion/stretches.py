"""The growing columns of a timeline: a row for each stretch of one layer and one tool, up to a bound."""

import math
from array import array
from typing import Final

from gcodetool.motion.planner import Planner

MOST_STRETCHES: Final = 50_000  # more are summed into the last one: memory stays bounded
_SUMS: Final = ("moving", "forward", "waiting", "fed", "forward_mm", "last", "height")
_NAN_SUMS: Final = frozenset(("last", "height"))


class Stretches:
    """The growing columns of a timeline."""

    def __init__(self, planner: Planner) -> None:
        self.planner = planner
        self.count = 0
        self.room = 256
        self.whole = {name: array("q") for name in ("layer", "tool", "line", "offset")}
        self.real = {name: self._blank(name, self.room) for name in _SUMS}
        self.overflowed = False
        self.most = MOST_STRETCHES
        self.begin(0, 0, 1, 0)  # before the first layer: of tool 0, from the first line on
        self._share()

    @staticmethod
    def _blank(name: str, count: int) -> "array[float]":
        if name in _NAN_SUMS:
            return array("d", [math.nan]) * count
        return array("d", bytes(8 * count))

    def _share(self) -> None:
        self.planner.sums(*(self.real[name] for name in _SUMS))

    def begin(self, layer: int, tool: int, line: int, offset: int) -> None:
        """Start a stretch; past the most that there may be, go on with the last one."""
        if self.count >= self.most:
            self.overflowed = True
            self.planner.bucket = self.count - 1
            return
        if self.count == self.room:
            # new arrays: the planner's views keep the old ones from growing in place
            for name in _SUMS:
                self.real[name] = self.real[name] + self._blank(name, self.room)
            self.room *= 2
            self._share()
        for name, value in (("layer", layer), ("tool", tool), ("line", line), ("offset", offset)):
            self.whole[name].append(value)
        self.planner.bucket = self.count
        self.count += 1

    def wait(self, seconds: float) -> None:
        """Add a wait to the stretch in hand."""
        self.real["waiting"][self.count - 1] += seconds

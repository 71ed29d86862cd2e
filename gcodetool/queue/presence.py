"""When somebody is there: hours of the week on the wall's clock, and what fits into them.

A job is started, a reel mounted, put into a dryer or taken out only then.  Moments at both ends of a window count as
inside.  Left out: holidays, and who it is.
"""

import bisect
import functools
import itertools
import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from typing import Final

from gcodetool.errors import UsageError
from gcodetool.quickdata import dataclass

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WORDS: Final = re.compile(
    r"(?P<first>[A-Za-z]{3}) (?:-(?P<last>[A-Za-z]{3}))? \s+"
    r"(?P<from>\d{1,2}:\d{2}) \s*-\s* (?P<to>\d{1,2}:\d{2})",
    re.VERBOSE,
)
DAY_MIN: Final = 24 * 60
BLOCK: Final = 28  # days whose windows are worked out at a time
MARGIN: Final = 8  # days before and after it: a window of the week is always among them


@dataclass(frozen=True)
class Window:
    """A stretch of one day of the week, 0 Monday; minutes from midnight, beyond 1440: into the next day."""

    day: int
    from_min: int
    to_min: int


@dataclass(frozen=True)
class Presence:
    """The hours in which somebody is there; none listed: always."""

    windows: tuple[Window, ...] = ()
    words: tuple[str, ...] = ()

    def next_s(self, at_s: float) -> float:
        """Return the first moment from *at_s* on at which somebody is there."""
        return next(self.spans(at_s), (at_s, at_s))[0] if self.windows else at_s

    def last_s(self, at_s: float) -> float:
        """Return the last moment up to *at_s* at which somebody is there."""
        return next(self.spans_back(at_s), (at_s, at_s))[1] if self.windows else at_s

    def longest_absence_s(self, at_s: float) -> float:
        """Return the longest time in which nobody is there, of four weeks from *at_s* on. [s]"""
        spans = itertools.pairwise(self.spans(at_s)) if self.windows else ()
        return max((after[0] - before[1] for before, after in spans), default=0.0)

    def there(self, at_s: float) -> bool:
        """Return whether somebody is there."""
        return self.next_s(at_s) == at_s

    def spans(self, at_s: float) -> Iterator[tuple[float, float]]:
        """Yield stretches of presence from *at_s* on, the first one cut there; for four weeks."""
        begins, ends = _block(self.windows, _block_of(at_s))
        first = bisect.bisect_left(ends, at_s)
        for begin, end in zip(begins[first:], ends[first:], strict=True):
            yield max(begin, at_s), end

    def spans_back(self, at_s: float) -> Iterator[tuple[float, float]]:
        """Yield stretches of presence up to *at_s*, the last one first and cut there."""
        begins, ends = _block(self.windows, _block_of(at_s))
        count = bisect.bisect_right(begins, at_s)
        for begin, end in zip(begins[:count][::-1], ends[:count][::-1], strict=True):
            yield begin, min(end, at_s)

    def stay_from(self, in_s: float, seconds: float, *, alone: bool) -> tuple[float, float] | None:
        """Return the first stay in a dryer from *in_s* on; None where it never fits.

        Put in and taken out while somebody is there; *alone*: it may be hot without anybody, else the whole stay
        lies in one stretch of presence.
        """
        if not self.windows:
            return in_s, in_s + seconds
        if alone:
            begin = self.next_s(in_s)
            return begin, self.next_s(begin + seconds)
        return next(
            ((begin, begin + seconds) for begin, end in self.spans(in_s) if end - begin >= seconds), None
        )

    def stay_until(self, out_s: float, seconds: float, *, alone: bool) -> tuple[float, float] | None:
        """Return the last stay in a dryer that ends by *out_s*, as for :meth:`stay_from`."""
        if not self.windows:
            return out_s - seconds, out_s
        if alone:
            begin = self.last_s(out_s - seconds)
            end = self.next_s(begin + seconds)
            return (begin, end) if end <= out_s else None
        found = ((end - seconds, end) for begin, end in self.spans_back(out_s) if end - begin >= seconds)
        return next(found, None)


ALWAYS: Final = Presence()


def presence_of(words: Sequence[str]) -> Presence:
    """Return the hours that words like ``Mon-Fri 07:30-18:00`` stand for.

    >>> presence_of(["Sat 09:00-12:00"]).windows
    (Window(day=5, from_min=540, to_min=720),)
    >>> presence_of(["Fri-Sat 22:00-06:00"]).windows[0]
    Window(day=4, from_min=1320, to_min=1800)

    Raises
    ------
    UsageError
        A word that is none.
    """
    return Presence(tuple(window for word in words for window in _windows(word)), tuple(words))


def _windows(word: str) -> Iterator[Window]:
    match = WORDS.fullmatch(word.strip())
    names = {name.casefold(): at for at, name in enumerate(DAYS)}
    first = names.get(match["first"].casefold()) if match else None
    last = names.get((match["last"] or match["first"]).casefold()) if match else None
    if match is None or first is None or last is None:
        raise UsageError(f"'{word}' is no time of presence; write Mon-Fri 07:30-18:00")
    from_min, to_min = _minutes(match["from"], word), _minutes(match["to"], word)
    if from_min == to_min:
        raise UsageError(f"'{word}' is no stretch of time; write Mon-Fri 07:30-18:00, all day: 00:00-24:00")
    if to_min < from_min:
        to_min += DAY_MIN
    for at in range((last - first) % 7 + 1):
        yield Window((first + at) % 7, from_min, to_min)


def _minutes(clock: str, word: str) -> int:
    hours, minutes = (int(part) for part in clock.split(":"))
    if minutes > 59 or hours * 60 + minutes > DAY_MIN:
        raise UsageError(f"'{clock}' in '{word}' is no time of day; write 07:30")
    return hours * 60 + minutes


def _block_of(at_s: float) -> int:
    return datetime.fromtimestamp(at_s).toordinal() // BLOCK


@functools.lru_cache(maxsize=256)
def _block(windows: tuple[Window, ...], block: int) -> tuple[list[float], list[float]]:
    """Return begins and ends of the stretches around a block of days, those that touch joined."""
    days = range(block * BLOCK - MARGIN, (block + 2) * BLOCK + MARGIN)
    found = sorted(
        (_moment(day, window.from_min), _moment(day, window.to_min))
        for day in days
        for window in windows
        if date.fromordinal(day).weekday() == window.day
    )
    begins: list[float] = []
    ends: list[float] = []
    for begin, end in found:
        if ends and begin <= ends[-1]:
            ends[-1] = max(ends[-1], end)
        elif begin < end:
            begins.append(begin)
            ends.append(end)
    return begins, ends


def _moment(day: int, minutes: int) -> float:
    """Return a time of the wall's clock; where clocks are changed it is that of the clock then."""
    after = date.fromordinal(day) + timedelta(days=minutes // DAY_MIN)
    return datetime.combine(after, time(minutes % DAY_MIN // 60, minutes % 60)).timestamp()

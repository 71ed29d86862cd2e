"""What people type or a record holds as a time, turned into seconds: dates, hours, words, zones; and how one is printed.

The one parser of moments, as ``quantities`` is of numbers: :func:`moment` takes one text, :func:`iso` and
:func:`recorded_s` the columns of tables.  What could mean two times is refused with both.
"""

import datetime
import re
from typing import Final, Literal

from gcodetool.quantities import SPACES, NotUnderstoodError, quoted, span, span_if_any
from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled
from gcodetool.textfile import YEARS, seconds_of

Tense = Literal["past", "coming"]
MONTHS: Final = (  # in English, German and French; three letters of a name will do, where they are no other's
    ("january", "januar", "janvier"),
    ("february", "februar", "février", "fevrier"),
    ("march", "märz", "maerz", "mars"),
    ("april", "avril"),
    ("may", "mai"),
    ("june", "juni", "juin"),
    ("july", "juli", "juillet"),
    ("august", "août", "aout"),
    ("september", "septembre"),
    ("october", "oktober", "octobre"),
    ("november", "novembre"),
    ("december", "dezember", "décembre", "decembre"),
)
WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
UTC: Final = ("z", "utc", "gmt")
DAYS: Final = {"yesterday": -1, "today": 0, "tomorrow": 1}
DAY: Final = compiled(
    r"(?P<y1>\d{4})([-/.])(?P<m1>\d{1,2})\2(?P<d1>\d{1,2})(?![\d.])"  # year first
    r"|(?P<a>\d{1,2})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<y2>\d{4}|\d{2})?(?![\d.])"  # year last
    r"|(?P<d3>\d{1,2})(?:\.|st|nd|rd|th|er)?\s+(?P<m3>[a-zäéû]{3,9})\.?,?\s+(?P<y3>\d{4})\b"  # 26 Nov 2026
    r"|(?P<m4>[a-zäéû]{3,9})\.?\s+(?P<d4>\d{1,2})(?:st|nd|rd|th)?,?\s+(?P<y4>\d{4})\b",  # Nov 26, 2026
    re.ASCII,
)
CLOCK: Final = compiled(
    r"(?P<h1>\d{1,2}):(?P<m1>\d{2})(?::(?P<s1>\d{2})(?:[.,](?P<f1>\d{1,6})\d*)?)?\s*(?P<half1>[ap]\.?m\b\.?)?(?:\s*(?:uhr|h)\b)?"
    r"|(?P<h2>\d{1,2})\s*(?P<half2>[ap]\.?m\b\.?)"  # 6 pm
    r"|(?P<h3>\d{1,2})(?:[.:](?P<m3>\d{2}))?\s*uhr\b"  # 18.30 Uhr
    r"|(?P<h4>\d{1,2})\s*h(?:\s*(?P<m4>\d{2}))?\b",  # 18h30
    re.ASCII,
)
BASIC: Final = compiled(r"(\d{4})(\d\d)(\d\d)[t ](\d\d)(\d\d)(\d\d)?(z|[+-]\d\d:?\d\d)?", re.ASCII)
ISO: Final = compiled(
    r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,9})?)?(?:[Zz]|[+-]\d\d(?::?\d\d)?)?)?", re.ASCII
)
SHORT_ZONE: Final = compiled(r"[A-Z]{2,5}|[+-]\d{2}(?:\d{2})?", re.ASCII)  # as the zone tables call them
OFFSET: Final = compiled(r"([+-])(\d{2}):?(\d{2})?(?::?00)?", re.ASCII)
POINTED: Final = compiled(r"(\d{1,2})\.(\d{1,2})", re.ASCII)
TIME_EXAMPLE: Final = "2026-11-04 08:00, 'yesterday 18:00', 18:00 or now"


@dataclass(frozen=True)
class Moment:
    """A moment, seconds since 1970 UTC, and what is to be said of how it was understood."""

    at_s: float
    note: str | None = None


def iso(text: str) -> datetime.datetime | None:
    """Return a moment that is written as ISO 8601 has it, with date, hours and minutes; None: it is not, or cannot be.

    Quick, for tables of many moments.  Stricter than Python, which takes ``2026-11-26 22.10`` for ten o'clock.
    """
    if not ISO.fullmatch(text):
        return None
    try:
        return datetime.datetime.fromisoformat(text)
    except ValueError:
        return None


def recorded_s(text: str) -> float:
    """Return a moment of a table in seconds since 1970 UTC; of an hour that is there twice, the first.

    Raises
    ------
    NotUnderstoodError
        As :func:`moment` without a present one.
    """
    found = iso(text.strip())
    try:
        return moment(text).at_s if found is None else seconds_of(found)
    except (ValueError, OverflowError, OSError) as error:
        raise NotUnderstoodError(str(error)) from None


def moment(text: str, *, now_s: float | None = None, tense: Tense | None = None) -> Moment:
    """Return the moment that *text* says; without a zone it is local time.

    Parameters
    ----------
    text : ISO 8601, ``26.11.2026 18:00``, ``yesterday 18:00``, ``Mon 7:00``, ``18:00``, ``2h ago``, ``now``.
    now_s : the present moment; None: only whole dates are taken, as in a file that is read again later.
    tense : ``past`` for what has happened, ``coming`` for what will; a time of day or a weekday alone needs it where
        it could be two moments.

    Raises
    ------
    NotUnderstoodError
        It is none, may be two, does not exist on this clock, or is of a year that no record is of.
    """
    word = " ".join(text.translate(SPACES).casefold().split())
    if now_s is not None:
        if word == "now":
            return Moment(now_s)
        if (ago := re.fullmatch(r"(?:(in) )?(.+?)( ago)?", word)) and (ago[1] is None) != (ago[3] is None):
            return Moment(now_s + (span(ago[2]) if ago[1] else -span(ago[2])))
    if swapped := re.fullmatch(rf"(.*\S) ({'|'.join(DAYS)})", word):
        word = f"{swapped[2]} {swapped[1]}"
    if basic := BASIC.fullmatch(word):
        y, mo, d, h, mi, s, zone = basic.groups()
        word = f"{y}-{mo}-{d} {h}:{mi}:{s or '00'}{zone or ''}"
    return _Reader(text, re.sub(r"(?<=\d)t(?=\d)", " ", word), now_s, tense).moment()


@dataclass
class _Reader:
    """One text on its way to a moment: *rest* is what has not been read."""

    text: str
    rest: str
    now_s: float | None
    tense: Tense | None

    def refused(self, why: str, write: str = TIME_EXAMPLE) -> NotUnderstoodError:
        """Return why the text is no moment, to be raised."""
        return NotUnderstoodError(f"{quoted(self.text)} {why}; write {write}")

    def moment(self) -> Moment:
        """Return the moment."""
        weekday, shift, day = self._weekday(), None, None
        if self.now_s is not None and (word := re.match(r"[a-z]+", self.rest)) and word[0] in DAYS:
            shift = DAYS[word[0]]
            self._skip(word.end())
        else:
            day = self._day()
        hour, minute, second, micro = self._clock(day is not None, shift is not None or weekday is not None)
        if day is None and shift is None and weekday is None:
            day = self._day()  # 18:00 26.11.2026
        zone = self.rest
        if zone[:1].isdigit():
            raise self.refused("has no time of day that is known here", "18:00 with its colon")
        if day is None:
            return self._relative(weekday, shift, (hour, minute, second, micro), zone)
        if weekday is not None and day.weekday() != weekday:
            raise self.refused(
                f"is a {WEEKDAYS[day.weekday()].title()}, not a {WEEKDAYS[weekday].title()}",
                "the day that is meant",
            )
        return self._zoned(datetime.datetime.combine(day, datetime.time(hour, minute, second, micro)), zone)

    def _skip(self, count: int) -> None:
        self.rest = re.sub(r"^[\s,]*(?:at )?", "", self.rest[count:])

    def _weekday(self) -> int | None:
        word = re.match(r"([a-z]{3,9})\b\.?,?", self.rest)
        found = [n for n, name in enumerate(WEEKDAYS) if word and name.startswith(word[1])]
        if word is None or not found:
            return None
        self._skip(word.end())
        return found[0]

    def _day(self) -> datetime.date | None:
        match = DAY.match(self.rest)
        if match is None:
            return None
        if match["y1"]:
            year, month, day = match["y1"], int(match["m1"]), int(match["d1"])
        elif match["sep"]:
            year, month, day = match["y2"] or "", *self._order(match)
        else:
            name = match["m3"] or match["m4"]
            near = [n for n, names in enumerate(MONTHS, 1) if any(each.startswith(name) for each in names)]
            if len(near) != 1:
                return None
            year, month, day = match["y3"] or match["y4"], near[0], int(match["d3"] or match["d4"])
        if len(year) != 4:
            raise self.refused("has no whole year", "it in full, such as 2026-11-04 08:00")
        self._skip(match.end())
        try:
            return datetime.date(int(year), month, day)
        except ValueError:
            raise self.refused("is no time: there is no such day") from None

    def _order(self, match: re.Match[str]) -> tuple[int, int]:
        """Return month and day of a date that ends in its year; days with points are never month first."""
        first, second = int(match["a"]), int(match["b"])
        if match["sep"] == "." or first > 12 or first == second:
            return second, first
        if second > 12:
            return first, second
        year = match["y2"] or "2026"
        raise self.refused(
            "may be day or month first", f"{year}-{second:02}-{first:02} or {year}-{first:02}-{second:02}"
        )

    def _clock(self, dated: bool, worded: bool) -> tuple[int, int, int, int]:
        match = CLOCK.match(self.rest)
        if match is None or (match["h4"] and not (dated or worded)):
            self._no_clock(match, dated, worded)
            return 0, 0, 0, 0
        hour = int(next(match[key] for key in ("h1", "h2", "h3", "h4") if match[key]))
        minute = int(match["m1"] or match["m3"] or match["m4"] or 0)
        half = match["half1"] or match["half2"]
        if half:
            if not 1 <= hour <= 12:
                raise self.refused("is no time of day", "6 pm or 18:00")
            hour = hour % 12 + (12 if half.startswith("p") else 0)
        if hour == 24 and minute == 0:
            raise self.refused("is no time of day", "00:00 of the next day")
        second = int(match["s1"] or 0)
        if hour > 23 or minute > 59 or second > 59:
            raise self.refused("is no time: there is no such time of day")
        self._skip(match.end())
        return hour, minute, second, int((match["f1"] or "0").ljust(6, "0"))

    def _no_clock(self, clock: re.Match[str] | None, dated: bool, worded: bool) -> None:
        """Refuse what stands where a time of day should; a date alone is its midnight, as in ISO 8601."""
        if pointed := POINTED.fullmatch(self.rest):
            raise self.refused(
                f"may mean {int(pointed[1])}:{pointed[2]:0<2} or a part of an hour"
                if dated or worded
                else "is no time of day",
                f"{int(pointed[1]):02}:{pointed[2]:0<2} if that is the time of day",
            )
        if not dated and not worded and span_if_any(self.rest) is not None:
            shown = f"{int(clock['h4'])}:{clock['m4'] or '00'}" if clock else "18:00"
            raise self.refused(
                "may be a time of day or a length of time",
                f"{shown} for the time, '{self.rest} ago' for the other",
            )
        if re.fullmatch(r"\d{1,2}|\d{3,4}", self.rest):
            raise self.refused("has no time of day that is known here", "18:00 with its colon")
        if worded and not self.rest:
            raise self.refused("has no time of day", f"{self.text.strip()} 18:00")
        if not dated:
            raise self.refused("is no time")

    def _relative(
        self, weekday: int | None, shift: int | None, clock: tuple[int, int, int, int], zone: str
    ) -> Moment:
        """Return a moment that a word or a time of day tells from the present one."""
        if self.now_s is None:
            raise self.refused("has no date", "the date too, such as 2026-11-04 08:00")
        offset = datetime.datetime.fromtimestamp(self.now_s).astimezone().utcoffset()
        if OFFSET.fullmatch(zone) or (zone in UTC and offset):
            raise self.refused("is a range, or has a zone without a date", "one time, or the date too")
        now = datetime.datetime.fromtimestamp(self.now_s)
        today = datetime.datetime.combine(now.date(), datetime.time(*clock))
        if zone:
            self._zoned(today, zone)  # refuses what is no zone, before anything is said of the day
        if shift is not None:
            meant = (today + datetime.timedelta(days=shift)).weekday()
            if weekday is not None and weekday != meant:
                raise self.refused(
                    f"is a {WEEKDAYS[meant].title()}, not a {WEEKDAYS[weekday].title()}",
                    "the day that is meant",
                )
            return self._zoned(today + datetime.timedelta(days=shift), zone)
        if weekday is None:
            return self._alone(today, now, zone)
        ahead = (weekday - now.weekday()) % 7
        coming = today + datetime.timedelta(days=ahead if ahead or today >= now else 7)
        past = coming - datetime.timedelta(days=7) if coming > now else coming
        if self.tense is None:
            raise self.refused(
                "may be the last or the next", f"{past:%Y-%m-%d %H:%M} or {coming:%Y-%m-%d %H:%M}"
            )
        return self._zoned(past if self.tense == "past" else coming, zone)

    def _alone(self, today: datetime.datetime, now: datetime.datetime, zone: str) -> Moment:
        """Return a time of day alone: today's, unless that is on the wrong side of the present moment."""
        clock, slack = f"{today:%H:%M}", datetime.timedelta(minutes=1)
        if self.tense == "past" and today > now + slack:
            raise self.refused("is still to come today", f"'yesterday {clock}' or 'today {clock}'")
        if self.tense == "coming" and today < now - slack:
            raise self.refused("is past today", f"'tomorrow {clock}' or 'today {clock}'")
        return self._zoned(today, zone)

    def _zoned(self, naive: datetime.datetime, zone: str) -> Moment:
        if not YEARS[0] <= naive.year < YEARS[1]:
            raise self.refused(
                f"is no time: the year {naive.year} is outside {YEARS[0]} to {YEARS[1] - 1}",
                "the year that is meant",
            )
        try:
            if not zone:
                return self._local(naive)
            if zone in UTC:
                return Moment(seconds_of(naive.replace(tzinfo=datetime.UTC)))
            if offset := OFFSET.fullmatch(zone):
                minutes = int(offset[2]) * 60 + int(offset[3] or 0)
                ahead = datetime.timedelta(minutes=-minutes if offset[1] == "-" else minutes)
                return Moment(seconds_of(naive.replace(tzinfo=datetime.timezone(ahead))))
            for fold in (0, 1):  # the name that this clock gives to that hour, as our own output does
                here = naive.replace(fold=fold).astimezone()
                if (here.tzname() or "").casefold() == zone:
                    return Moment(seconds_of(here))
        except NotUnderstoodError:
            raise
        except (ValueError, OverflowError, OSError):
            raise self.refused("is no time") from None
        raise self.refused(
            f"is no time: '{zone}' is no zone of this clock", "the offset, such as 2026-11-04 08:00+01:00"
        )

    def _local(self, naive: datetime.datetime) -> Moment:
        """Return a moment of the wall clock; of an hour that is there twice, the first."""
        first, second = naive.astimezone(), naive.replace(fold=1).astimezone()
        if first.replace(tzinfo=None) != naive:
            raise self.refused(
                "does not exist: clocks were put forward over that hour",
                f"it with its offset, e.g. {max(first, second)}",
            )
        note = f"{naive} happens twice that day; taken as the first, {first}" if second > first else None
        return Moment(first.timestamp(), note)


def wall(at_s: float) -> str:
    """Return a moment as the clock on the wall shows it, with its zone; :func:`moment` reads it back."""
    here = datetime.datetime.fromtimestamp(at_s).astimezone()
    return f"{here:%Y-%m-%d %H:%M} {zone_word(here)}"


def zone_word(here: datetime.datetime) -> str:
    """Return how a moment's zone is called, shortly: its usual letters, else its offset.

    Windows gives a sentence in the user's language instead, with letters that a G-code file should not hold.

    >>> for name in ("NST", "Newfoundland Standard Time"):
    ...     zone = datetime.timezone(-datetime.timedelta(hours=3, minutes=30), name)
    ...     print(zone_word(datetime.datetime(2026, 11, 26, tzinfo=zone)))
    NST
    -03:30
    """
    name = here.tzname() or ""
    return name if SHORT_ZONE.fullmatch(name) else here.isoformat(timespec="minutes")[-6:]

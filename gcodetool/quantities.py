"""What people type, turned into numbers: decimal commas, units and lengths of time.

The one parser of every option and of every value that a file gives as a text; times stand in ``moments``.
:func:`number`, :func:`amount` (a number with a unit, in the unit of its :class:`Kind`) and :func:`span` take one text each.
What could mean two things is refused with both meanings (:class:`NotUnderstoodError`), never guessed.
Left out: which bounds hold (options and files know theirs), tables of loggers (``ledger.hygrometer``).
"""

import math
import re
from collections.abc import Callable, Mapping
from typing import Final

from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled

# ---------------------------------------------------------------- numbers

SPACES: Final = str.maketrans(dict.fromkeys("\u00a0\u2007\u2009\u202f\t", " ") | {"\u2212": "-", "’": "'"})
PLAIN: Final = compiled(
    r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII
)  # the point is the decimal sign here
COMMA: Final = compiled(r"[+-]?\d+,\d+")
EITHER: Final = compiled(r"[+-]?[1-9]\d{0,2},\d{3}")  # 1,200: one and a fifth, or twelve hundred
TRAILING: Final = compiled(r"[+-]?[1-9]\d?\.\d\d0", re.ASCII)  # 1.000 g: Python never prints the last zero
GROUPED: Final = compiled(  # thousands set apart; one sign between groups, another one before decimals
    r"[+-]?\d{1,3} (?: (?P<sep>[ '])\d{3} (?:(?P=sep)\d{3})* (?:[.,]\d+)?"
    r"| (?:\.\d{3})+,\d+ | (?:,\d{3})+\.\d+ | (?:\.\d{3}){2,} | (?:,\d{3}){2,} )",
    re.VERBOSE,
)
AMOUNT: Final = compiled(
    r"(?P<number>[+-]?[\d.,' ]*\d[.]?(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s].*)?", re.ASCII
)
RANGE: Final = compiled(r"\d\s*(?:-|–|\.\.+|to|bis|à)\s*\d")


class NotUnderstoodError(ValueError):
    """A text that is no quantity of the wanted kind, or could be two; the message quotes it and says what to write."""


class AmbiguousError(NotUnderstoodError):
    """A text that could be two quantities; the message names both."""


@dataclass(frozen=True)
class Kind:
    """What a number counts, its own unit, and the units that it may come in.

    Attributes
    ----------
    word : what it is, for messages: ``"temperature"``.
    unit : what a bare number is in, and every result.
    units : factor and offset to that unit, by spelling in small letters without spaces.
    example : what to write.
    doubt : what a bare number or one in the kind's own unit may mean instead; None: nothing.
    """

    word: str
    unit: str
    units: Mapping[str, tuple[float, float]]
    example: str
    doubt: Callable[[str, bool], str | None] | None = None


def _same(*words: str, factor: float = 1.0, offset: float = 0.0) -> dict[str, tuple[float, float]]:
    return dict.fromkeys(words, (factor, offset))


def _thousands(word: str, bare: bool) -> str | None:
    """Return what grams with a point and three digits may mean: 1.000 g is a kilogram to many."""
    if not TRAILING.fullmatch(word):
        return None
    return f"{float(word):g} or {word.replace('.', '')}; write the one that is meant"


def _part_of_an_hour(word: str, bare: bool) -> str | None:
    """Return what hours with two digits behind the point may mean: nobody writes the zero of 6.3."""
    found = re.fullmatch(r"(\d{1,2})[.,]([1-5]0)", word, re.ASCII)
    return found and f"{found[1]}h{found[2]} or {found[1]}.{found[2][0]} h; write the one that is meant"


def _fraction(word: str, bare: bool) -> str | None:
    """Return what a bare number under 1 may mean where percent are asked."""
    value = number(word)
    if not bare or not 0.0 < value < 1.0:
        return None
    return f"{value:g}% or {value * 100:g}%; write the one that is meant, with its sign"


LENGTHS: Final = (
    _same("mm", "millimetre", "millimeter", "millimetres", "millimeters")
    | _same("cm", "centimetre", "centimeter", "centimetres", "centimeters", factor=10.0)
    | _same("m", "metre", "meter", "metres", "meters", "mètre", "mètres", factor=1e3)
    | _same("in", "inch", "inches", '"', factor=25.4)
    | _same("ft", "foot", "feet", factor=304.8)
)
PERCENT: Final = _same("%", "percent", "pct", "prozent", "pourcent", "pourcents")
NUMBER: Final = Kind("number", "", {}, "2.5")
TEMPERATURE: Final = Kind(
    "temperature",
    "°C",
    _same("c", "°c", "ºc", "degc", "degreesc", "celsius", "degreescelsius", "gradcelsius", "degréscelsius")
    | _same("f", "°f", "ºf", "degf", "fahrenheit", factor=1 / 1.8, offset=-32 / 1.8)
    | _same("k", "kelvin", offset=-273.15),
    "22, 21,5 or 70F",
)
DIFFERENCE: Final = Kind(
    "difference of temperatures",
    "°C",
    _same("c", "°c", "ºc", "degc", "k", "kelvin", "celsius") | _same("f", "°f", "ºf", "degf", factor=1 / 1.8),
    "2 or 3.6F",
)
HUMIDITY: Final = Kind(
    "relative humidity",
    "% RH",
    PERCENT | _same("%rh", "rh", "%rf", "%hr", "%r.h", "%r.f", "r.h", "r.f"),
    "55 or 55%",
    _fraction,
)
HUMIDITY_DIFFERENCE: Final = Kind("difference of humidities", "% RH", HUMIDITY.units, "3 or 3%")
WATER: Final = Kind(
    "water content",
    "wt %",
    PERCENT
    | _same("wt%", "wt.%", "wt.-%", "w%", "weight%", "gew.-%", "gew.%", "gew%", "ma.-%", "%m/m", "%w/w", "m%")
    | _same("ppm", "mg/kg", factor=1e-4)
    | _same("g/kg", "mg/g", "‰", factor=0.1),
    "0.2, 0.2% or 200ppm",
)
FIBRE: Final = Kind("share of fibre", "wt %", PERCENT | _same("wt%", "wt.%"), "15 or 15%")
PERCENTAGE: Final = Kind("percentage", "%", PERCENT, "15 or 15%")
SHARE: Final = Kind("share", "", _same("%", factor=0.01), "0.9 or 90%")
MASS: Final = Kind(
    "mass",
    "g",
    _same("g", "gram", "grams", "gramm", "gramme", "grammes")
    | _same(
        "kg", "kilo", "kilos", "kilogram", "kilograms", "kilogramm", "kilogramme", "kilogrammes", factor=1e3
    )
    | _same("mg", factor=1e-3)
    | _same("lb", "lbs", factor=453.59237)
    | _same("oz", factor=28.349523125),
    "958.4, 958,4 g or 1.2kg",
    _thousands,
)
LENGTH: Final = Kind("length", "mm", LENGTHS, "1750, 175cm or 1.75m")
HOURS: Final = Kind("number of hours", "h", {}, "6, 6h30 or 90min", _part_of_an_hour)
SECONDS: Final = Kind(
    "number of seconds",
    "s",
    _same("s", "sec", "second", "seconds", "sek", "sekunden")
    | _same("min", "minute", "minutes", "minuten", factor=60.0)
    | _same("h", "hour", "hours", "stunden", "heures", factor=3600.0),
    "60, 90s or 2min",
)
VOLUME: Final = Kind(
    "volume",
    "L",
    _same("l", "litre", "liter", "litres", "liters", "dm3", "dm³")
    | _same("ml", "cm3", "cm³", "cm^3", "ccm", factor=1e-3)
    | _same("cl", factor=1e-2)
    | _same("dl", factor=0.1)
    | _same("m3", "m³", "m^3", factor=1e3),
    "9, 9L or 500ml",
)
AREA: Final = Kind(
    "area",
    "m²",
    _same("m2", "m²", "m^2")
    | _same("dm2", "dm²", "dm^2", factor=1e-2)
    | _same("cm2", "cm²", "cm^2", factor=1e-4),
    "0.15 or 1500cm2",
)
POWER: Final = Kind(
    "power", "W", _same("w", "watt", "watts") | _same("kw", factor=1e3), "350, 350W or 0.35kW"
)
FLOW: Final = Kind(
    "flow of air",
    "m³/h",
    _same("m3/h", "m³/h", "m^3/h") | _same("l/h", factor=1e-3) | _same("l/min", factor=0.06),
    "0.3 or 5L/min",
)
MASS_A_DAY: Final = Kind(
    "mass of water a day",
    "g/day",
    _same("g/day", "g/d", "g") | _same("mg/day", "mg/d", "mg", factor=1e-3),
    "0.05 or 50mg/day",
)

ENDINGS: Final = (  # the kind that the end of a key of our files names; the first that fits counts
    (("set_offset_C", "swing_C", "accuracy_C"), DIFFERENCE),
    (("isotherm_gab_C",), NUMBER),  # a symbol, not a unit
    (("_g_per_day",), MASS_A_DAY),
    (("_m3_h",), FLOW),
    (("accuracy_rh_pct",), HUMIDITY_DIFFERENCE),
    (("rh_pct",), HUMIDITY),
    (("fibre_wt_pct",), FIBRE),
    (("wt_pct",), WATER),
    (("_pct",), PERCENTAGE),
    (("_C",), TEMPERATURE),
    (("_g",), MASS),
    (("_mm",), LENGTH),
    (("_h", "_hours"), HOURS),
    (("_L",), VOLUME),
    (("_m2",), AREA),
    (("_W",), POWER),
)


def kind_of_key(key: str) -> Kind:
    """Return the kind of number that a key of a file states, by its unit suffix; a plain number where there is none.

    >>> kind_of_key("body.mass_g").word, kind_of_key("rate_C_s").word
    ('mass', 'number')
    """
    return next((kind for ends, kind in ENDINGS if key.endswith(ends)), NUMBER)


def number(text: str) -> float:
    """Return the finite number that *text* says; the point or the comma may be its decimal sign.

    >>> number("21,5"), number("1 234,5"), number("1e-3")
    (21.5, 1234.5, 0.001)

    Raises
    ------
    NotUnderstoodError
        It is none, or ``1,200``, which may be either of two.
    """
    word = text.translate(SPACES).strip()
    if not word.isascii():
        raise NotUnderstoodError(f"{quoted(text)} is no number; write 2.5")
    if EITHER.fullmatch(word):
        whole = word.replace(",", "")
        point = word.replace(",", ".")
        raise AmbiguousError(f"{quoted(text)} may be {point} or {whole}; write the one that is meant")
    if COMMA.fullmatch(word):
        word = word.replace(",", ".")
    elif GROUPED.fullmatch(word):
        word = _ungrouped(word)
    if not PLAIN.fullmatch(word):
        if RANGE.search(word):
            raise NotUnderstoodError(f"{quoted(text)} is a range; write one number")
        raise NotUnderstoodError(f"{quoted(text)} is no number; write 2.5")
    found = float(word)
    if not math.isfinite(found):
        raise NotUnderstoodError(f"{quoted(text)} is not finite; write a number")
    return found


def _ungrouped(word: str) -> str:
    """Return a number whose thousands are set apart as Python writes it; a last sign that stands once is the decimal."""
    last = max(word.rfind(","), word.rfind("."))
    decimal = word[last] if last >= 0 and word.count(word[last]) == 1 else ""
    head, tail = (word[:last], "." + word[last + 1 :]) if decimal else (word, "")
    return re.sub(r"[ '.,]", "", head) + tail


def amount(text: str, kind: Kind, *, bare_from: float = 0.0) -> float:
    """Return the number that *text* says, in the unit of *kind*; without a unit it is in that one already.

    A lesser one than *bare_from* needs its unit: a reel of 1 is one of 1kg.

    >>> round(amount("70F", TEMPERATURE), 2), amount("1.2kg", MASS), amount("6h30", HOURS)
    (21.11, 1200.0, 6.5)

    Raises
    ------
    NotUnderstoodError
        As :func:`number`, or a unit that is none of this kind.
    """
    if kind is HOURS:
        return _hours(text)
    word, unit = split(text, kind)
    bare = _number_of(word, unit, text, kind)
    if unit is None:
        if 0.0 < bare < bare_from:
            larger = next(each for each, (factor, _) in kind.units.items() if factor > 1.0)
            raise AmbiguousError(
                f"{quoted(text)} may be {word}{kind.unit} or {word}{larger}; write the one that is meant, with its unit"
            )
        return bare
    factor, offset = kind.units[unit]
    found = bare * factor + offset
    if not math.isfinite(found):
        raise NotUnderstoodError(f"{quoted(text)} is beyond all measure; write {kind.example}")
    return found


def split(text: str, kind: Kind) -> tuple[str, str | None]:
    """Return the number's own letters and its unit as *kind* spells it; None: no unit stands there.

    >>> split("1,2 KG", MASS), split("55", HUMIDITY)
    (('1,2', 'kg'), ('55', None))

    Raises
    ------
    NotUnderstoodError
        That is no amount, or the unit is none of this kind.
    """
    match = AMOUNT.fullmatch(text.translate(SPACES).strip())
    if match is None:
        raise NotUnderstoodError(f"{quoted(text)} is no {kind.word}; write {kind.example}")
    if match["unit"] is None:
        return match["number"], None
    unit = re.sub(r"\s", "", match["unit"]).casefold()
    unit = unit if unit in kind.units else unit.rstrip(".")
    if unit in kind.units:
        return match["number"], unit
    if RANGE.search(text):
        raise NotUnderstoodError(f"{quoted(text)} is a range; write one number, such as {kind.example}")
    article = "an" if kind.word[0] in "aeiou" else "a"
    raise NotUnderstoodError(
        f"{quoted(text)}: '{match['unit']}' is no unit of {article} {kind.word}; write {kind.example}"
    )


def _number_of(word: str, unit: str | None, text: str, kind: Kind) -> float:
    """Return the number before a unit; what may be two numbers of this kind is refused."""
    try:
        bare = number(word)
    except AmbiguousError:
        raise
    except NotUnderstoodError:
        raise NotUnderstoodError(f"{quoted(text)} is no {kind.word}; write {kind.example}") from None
    if kind.doubt is not None and (unit is None or kind.units[unit] == (1.0, 0.0)):
        other = kind.doubt(word.strip(), unit is None)
        if other is not None:
            raise AmbiguousError(f"{quoted(text)} may be {other}")
    return bare


# ---------------------------------------------------------------- lengths of time

PART: Final = compiled(r"(\d+(?:[.,]\d+)?)\s*([^\W\d_]+)\.?\s*(?:,|and|und|et)?\s*", re.ASCII)
BARE_MINUTES: Final = compiled(r"(\d+\s*(?:h|std))\s*(\d{2})", re.ASCII | re.IGNORECASE)  # 6h30
CLOCK_HOURS: Final = compiled(r"(\d{1,4}):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
UNIT_S: Final = {
    unit: seconds
    for seconds, words in (
        (1.0, ("s", "sec", "secs", "second", "seconds", "sek")),
        (60.0, ("m", "min", "mins", "minute", "minutes", "minuten")),
        (3600.0, ("h", "hr", "hrs", "hour", "hours", "std", "stunde", "stunden", "heure", "heures")),
        (86_400.0, ("d", "day", "days", "tag", "tage", "j", "jour", "jours")),
        (7 * 86_400.0, ("w", "wk", "week", "weeks", "woche", "wochen", "semaine", "semaines")),
    )
    for unit in words
}
LONGEST_SPAN_S: Final = 50 * 365.25 * 86_400.0
SPAN_EXAMPLE: Final = "2h, 6h30, 90min or 1d4h"


def span(text: str) -> float:
    """Return a length of time in seconds; it needs its unit.

    >>> span("6h30"), span("1 d 4 h"), span("1,5 h")
    (23400.0, 100800.0, 5400.0)

    Raises
    ------
    NotUnderstoodError
        It is none, has no unit, or is longer than any record.
    """
    word = text.translate(SPACES).strip()
    if CLOCK_HOURS.fullmatch(word):
        raise NotUnderstoodError(
            f"{quoted(text)} may be a time of day or a length of time; write 2h30, or --at 2:30 for the time"
        )
    seconds = span_if_any(word)
    if seconds is None:
        hint = "; add its unit" if PLAIN.fullmatch(word.replace(",", ".")) else ""
        raise NotUnderstoodError(f"{quoted(text)} is no length of time{hint}; write {SPAN_EXAMPLE}")
    if not seconds <= LONGEST_SPAN_S:
        raise NotUnderstoodError(f"{quoted(text)} is longer than any record; write {SPAN_EXAMPLE}")
    return seconds


def span_if_any(word: str) -> float | None:
    """Return the seconds of numbers with units, from the largest unit to the smallest; None: that is none."""
    if bare := BARE_MINUTES.fullmatch(word):
        if int(bare[2]) > 59:
            return None
        word = f"{bare[1]} {bare[2]}min"
    position, found, before = 0, 0.0, math.inf
    while position < len(word):
        match = PART.match(word, position)
        unit_s = None if match is None else UNIT_S.get(match[2].casefold())
        if match is None or unit_s is None or unit_s >= before or EITHER.fullmatch(match[1]):
            return None
        if before < math.inf and not float(found / before).is_integer():
            return None  # a part of an hour, and minutes after it
        found += float(match[1].replace(",", ".")) * unit_s
        before, position = unit_s, match.end()
    return found if word else None


def _hours(text: str) -> float:
    """Return a number of hours: bare, as ``6:30``, or with units."""
    word = text.translate(SPACES).strip()
    bare = re.sub(r"\s*(?:h|hours?|std\.?|stunden|heures?)$", "", word, flags=re.IGNORECASE)
    if other := _part_of_an_hour(bare, bare == word):
        raise AmbiguousError(f"{quoted(text)} may be {other}")
    if clock := CLOCK_HOURS.fullmatch(word):
        return int(clock[1]) + int(clock[2]) / 60.0 + int(clock[3] or 0) / 3600.0
    try:
        return number(word)
    except AmbiguousError:
        raise
    except NotUnderstoodError:
        pass
    seconds = span_if_any(word)
    if seconds is None:
        raise NotUnderstoodError(f"{quoted(text)} is no {HOURS.word}; write {HOURS.example}")
    return seconds / 3600.0


def quoted(text: str) -> str:
    """Return *text* in quotes, cut where it is long, fit for one line."""
    flat = "".join(letter if letter.isprintable() else " " for letter in text)
    return f"'{flat if len(flat) <= 60 else flat[:57] + '…'}'"

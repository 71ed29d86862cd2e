"""What was filled in: the fields of a form to what its writer takes, or one line about the field.

Numbers are read as everywhere else (``quantities``).  Left out: whether the figures can be; the writers say that.
"""

import re
import time
from collections.abc import Callable, Mapping
from typing import Any, Final
from urllib.parse import parse_qsl

from gcodetool.quantities import (
    FIBRE,
    HOURS,
    HUMIDITY,
    LENGTH,
    MASS,
    NUMBER,
    TEMPERATURE,
    Kind,
    NotUnderstoodError,
    amount,
)

MOST_FIELDS: Final = 40
MOST_SIGNS: Final = 40  # of a number
MOST_FED: Final = {"g": 1e6, "mm": 1e9}
AGO: Final = {
    "0": "now",
    "300": "5 min ago",
    "900": "15 min ago",
    "1800": "30 min ago",
    "3600": "1 h ago",
    "7200": "2 h ago",
    "14400": "4 h ago",
    "28800": "8 h ago",
    "43200": "12 h ago",
    "86400": "a day ago",
}
SCALES: Final = ("0.1", "1", "0.01", "5")  # g, what a scale reads to
Fields = Mapping[str, str]


class FieldError(Exception):
    """A field that cannot be read: one line for the person who filled it in."""


def read_fields(body: bytes) -> dict[str, str]:
    """Return the fields of a form by name; of two with one name the later.

    Raises
    ------
    FieldError
        The body is no form.
    """
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except (UnicodeDecodeError, ValueError):
        raise FieldError("That is no form of this page.") from None
    return {name: value.replace("\r\n", "\n").strip() for name, value in pairs}


def number(
    fields: Fields,
    name: str,
    label: str,
    kind: Kind = NUMBER,
    *,
    needed: bool = True,
    bare_from: float = 0.0,
) -> float | None:
    """Return a number in the unit of *kind*, which need not be said of one from *bare_from* on.

    >>> number({"g": "948,2"}, "g", "Grams", MASS), number({"g": "1.2 kg"}, "g", "Grams", MASS)
    (948.2, 1200.0)

    Raises
    ------
    FieldError
        It is none, could be two, or is missing and needed.
    """
    said = fields.get(name, "").strip()
    if not said:
        if needed:
            raise FieldError(f"{label}: write a number.")
        return None
    if len(said) > MOST_SIGNS:
        raise FieldError(f"{label}: that is too long for a number; write {kind.example}.")
    try:
        return amount(said, kind, bare_from=bare_from)
    except NotUnderstoodError as problem:
        raise FieldError(f"{label}: {problem}.") from None


def whole(fields: Fields, name: str, label: str) -> int | None:
    """Return a whole number from 0 on, or None; errors as `number`."""
    found = number(fields, name, label, needed=False)
    if found is None:
        return None
    if found != int(found) or not 0 <= found < 256:
        raise FieldError(f"{label}: write a whole number from 0 on.")
    return int(found)


def choice(fields: Fields, name: str, label: str, known: tuple[str, ...]) -> str | None:
    """Return one of some words, or None.

    Raises
    ------
    FieldError
        It is none of them.
    """
    said = fields.get(name, "")
    if said and said not in known:
        raise FieldError(f"{label}: choose one of {', '.join(known)}.")
    return said or None


def yes_no(fields: Fields, name: str, label: str) -> bool | None:
    """Return what was seen, or None; errors as `choice`."""
    return {"yes": True, "no": False, None: None}[choice(fields, name, label, ("yes", "no"))]


def moment(fields: Fields, now_s: Callable[[], float] = time.time) -> float | None:
    """Return when it happened; None: just now."""
    ago = choice(fields, "ago", "When", tuple(AGO)) or "0"
    return None if ago == "0" else now_s() - float(ago)


def _moved(fields: Fields) -> dict[str, Any]:
    place = fields.get("place", "")
    if not place:
        raise FieldError("Where did it go? Choose a place.")
    return {
        "place": place,
        "tool": whole(fields, "tool", "Tool"),
        "temperature_C": number(fields, "celsius", "Temperature", TEMPERATURE, needed=False),
    }


def _weighed(fields: Fields) -> dict[str, Any]:
    grams = number(fields, "grams", "Grams", MASS, bare_from=2)
    assert grams is not None  # it is needed
    if not 0 < grams <= 1e6:
        raise FieldError("Grams: write what the scale shows, reel and all.")
    resolution = choice(fields, "scale", "Scale", SCALES)
    return {"gross_g": grams, "resolution_g": None if resolution is None else float(resolution)}


def _dried(fields: Fields) -> dict[str, Any]:
    hours = number(fields, "hours", "Hours", HOURS)
    assert hours is not None
    if not 0 < hours <= 10_000:
        raise FieldError("Hours: write how long it was in the dryer.")
    return {
        "hours": hours,
        "temperature_C": number(fields, "celsius", "Temperature", TEMPERATURE, needed=False),
        "dryer": fields.get("dryer") or None,
    }


def _looked(fields: Fields) -> dict[str, Any]:
    seen = {
        "bubbles": choice(fields, "bubbles", "Bubbles", ("none", "few", "many")),
        "oozes": yes_no(fields, "oozes", "Ooze"),
        "pops": yes_no(fields, "pops", "Crackling"),
        "winding": choice(fields, "winding", "Winding", ("good", "deformed")),
    }
    if all(word is None for word in seen.values()):
        raise FieldError("What was seen? Choose at least one thing.")
    return seen


OUTCOME: Final = {
    "strings": ("Strings", ("none", "few", "many")),
    "bubbles": ("Bubbles", ("none", "few", "many")),
    "surface": ("Surface", ("smooth", "matt", "rough")),
    "parts": ("Parts", ("good", "usable", "scrap")),
    "because": ("Because of", ("water", "other")),
}


def _came_out(fields: Fields) -> dict[str, Any]:
    said = {name: choice(fields, name, label, words) for name, (label, words) in OUTCOME.items()}
    if all(word is None for word in said.values()):
        raise FieldError("How did it come out? Choose at least one thing.")
    return said


def _fed(fields: Fields) -> dict[str, Any]:
    said, unit = fields.get("amount", ""), choice(fields, "unit", "Unit", ("g", "m")) or "g"
    spoken = said + unit if said[-1:].isdecimal() else said  # its own unit goes before the chosen one
    kind = LENGTH if unit == "m" else MASS
    much = number({"amount": spoken}, "amount", "How much", kind)
    assert much is not None
    if not 0 < much <= MOST_FED[kind.unit]:
        raise FieldError("How much: write grams or metres, more than 0.")
    return {"length_mm": much} if kind is LENGTH else {"mass_g": much}


def _read(fields: Fields) -> dict[str, Any]:
    asked = "rh" in fields  # a dryer's form asks for the temperature alone
    return {
        "rh_pct": _percent(number(fields, "rh", "Humidity", HUMIDITY, needed=asked)),
        "temperature_C": number(fields, "celsius", "Temperature", TEMPERATURE, needed=False),
    }


def _renewed(fields: Fields) -> dict[str, Any]:
    grams = number(fields, "grams", "Grams", MASS, needed=False)
    if grams is not None and not 0 <= grams <= 1e6:
        raise FieldError("Grams: write its mass when dry, 0 where none is left in.")
    return {"desiccant": fields.get("desiccant") or None, "desiccant_g": grams}


CAME: Final = {
    "sealed": "new",
    "open": "open already",
    "": "not known",
}
DIAMETERS: Final = ("1.75", "2.85")  # mm
MOST_REEL_G: Final = 50_000.0
MOST_WORDS: Final = 60  # signs of a colour or a maker's line


def _new(fields: Fields) -> dict[str, Any]:
    spool_id = fields.get("id", "")
    if not spool_id:
        raise FieldError("Name: give the reel one of your own, small letters, digits and '-'.")
    if not fields.get("material"):
        raise FieldError("Material: choose one.")
    body = {"material": fields.get("body") or None, "mass_g": _mass(fields, "empty", "Empty reel", low=0.0)}
    came = choice(fields, "came", "It came", tuple(each for each in CAME if each))
    facts = {
        "material": fields["material"],
        "diameter_mm": float(choice(fields, "diameter", "Diameter", DIAMETERS) or DIAMETERS[0]),
        "net_mass_g": _mass(fields, "net", "Filament when new", needed=True),
        "fibre_wt_pct": number(fields, "fibre", "Fibre", FIBRE, needed=False),
        "colour": _words(fields, "colour", "Colour"),
        "line": _words(fields, "line", "Maker's line"),
        "body": body,
    }
    return {
        "spool_id": spool_id,
        "facts": facts,
        "received": {} if came is None else {"sealed": came == "sealed"},
        "left_g": _mass(fields, "left", "Left on it"),
    }


def _mass(
    fields: Fields, name: str, label: str, *, needed: bool = False, low: float | None = None
) -> float | None:
    """Return grams, more than 0 or from *low* on; errors as `number`."""
    grams = number(fields, name, label, MASS, needed=needed, bare_from=5)
    if (grams is not None and not (grams > 0 or grams == low)) or (grams or 0.0) > MOST_REEL_G:
        raise FieldError(f"{label}: write grams, at most {MOST_REEL_G:g}.")
    return grams


def _words(fields: Fields, name: str, label: str) -> str | None:
    said = fields.get(name, "")
    if len(said) > MOST_WORDS or not said.isprintable():
        raise FieldError(f"{label}: write at most {MOST_WORDS} letters.")
    return said or None


def _percent(rh: float | None) -> float | None:
    if rh is not None and not 0 <= rh <= 100:
        raise FieldError("Humidity: write % RH, from 0 to 100.")
    return rh


def _undone(fields: Fields) -> dict[str, Any]:
    entry = fields.get("entry", "")
    if not (entry.isascii() and entry.isdecimal()) or len(entry) > 15:
        raise FieldError("There is no such entry.")
    return {"number": int(entry)}


COMMAND: Final = re.compile(r"('gcodetool [^']*'|gcodetool [^;)]*)")  # for a terminal, as it stands
ON_PAGE: Final = (  # what the ledger's lines call by options, and what the forms call it
    ("add --force to take these", "note it all the same, below"),
    ("add --force", "note it all the same, below,"),
    ("--temperature C, or --knob C as it was set", "'°C of its air'"),
    ("--desiccant KIND --mass G", "'Kind' and 'Grams'"),
    ("say where it went: --to PLACE", "note first where it went: 'It goes to'"),
    ("--at", "'When'"),
    ("--dryer", "'Dryer'"),
    ("--tool", "'Tool'"),
    ("--temperature", "'°C'"),
    ("--knob", "what its knob shows"),
)


def on_page(line: str) -> str:
    """Return a line of the ledger with its options as the page's forms call them; whole commands stay.

    >>> on_page("petg-03: 1 g is less than the empty reel; correct the figure, or add --force")
    'petg-03: 1 g is less than the empty reel; correct the figure, or note it all the same, below'
    >>> on_page("correct --at, or move it: gcodetool spool move petg-03 oven --at TIME")
    "correct 'When', or move it: gcodetool spool move petg-03 oven --at TIME"
    """
    parts = COMMAND.split(line)
    for i in range(0, len(parts), 2):
        for option, said in ON_PAGE:
            parts[i] = re.sub(rf"{re.escape(option)}(?![a-z-])", said, parts[i])
    return "".join(parts).removesuffix(",")


READERS: Final[Mapping[tuple[str, str], Callable[[Fields], dict[str, Any]]]] = {
    ("spool", "move"): _moved,
    ("spool", "weigh"): _weighed,
    ("spool", "dry"): _dried,
    ("spool", "look"): _looked,
    ("spool", "feed"): _fed,
    ("spool", "outcome"): _came_out,
    ("spool", "undo"): _undone,
    ("place", "read"): _read,
    ("place", "renew"): _renewed,
    ("place", "new"): _new,
    ("place", "undo"): _undone,
}

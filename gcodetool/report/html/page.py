"""Any page of gcodetool's: one file, nothing fetched, a strict content policy, every outside word escaped.

``written`` fills a template of ``templates/`` (Jinja2, escaping everything) and puts style and script
into the page; the policy names them by their hashes, so nothing else runs.  Data for the script travel
in an inert element as JSON without any ``<``.  Words from files pass ``clean`` first.
"""

import base64
import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from gcodetool.errors import InputError
from gcodetool.judge.verdict_codes import Code
from gcodetool.moments import wall
from gcodetool.report.as_text import duration, percent
from gcodetool.report.html.palette import css
from gcodetool.report.layout import plain
from gcodetool.textfile import read_text

TEMPLATES: Final = Path(__file__).parent / "templates"
NO_WORDS: Final = re.compile(
    r"<span class=.nb.>.*?</span>|<(script|style|svg|title|code|pre|textarea|select)\b.*?</\1>|<[^>]*>",
    re.DOTALL,
)
WITH_UNIT: Final = re.compile(r"(?<=\d) (?:wt %|% RH|°C|kWh|min|mm|[%ghdsmKW])(?![\w/])|(?<=\bwt) %")
HYPHENED: Final = re.compile(r"(?<![\w&#./-])\w+(?:\.\w+)?(?:-\w+(?:\.\w+)?)+(?![\w/-])")
SHORT: Final = 18  # signs of what is kept on one line, so that a phone's narrow columns hold it
MOST: Final = 400  # characters of one word from outside
HEADLINES: Final[dict[Code, str]] = {
    "clear": "Print. The strand stays dry to the last layer.",
    "adjust": "Print with care. The strand is damp, within its limit.",
    "runs-out": "Do not start yet. The strand gets too wet on the way.",
    "dry-first": "Too wet from the first layer on. Dry this spool first.",
    "unknown": "Not known. Look at the strand before the part begins.",
}
# How full the drop beside the headline is drawn, of its height; the words carry the meaning.
FILLS: Final[dict[Code, float | None]] = {
    "clear": 0.12,
    "adjust": 0.45,
    "runs-out": 0.72,
    "dry-first": 1.0,
    "unknown": None,
}


def clean(text: object, most: int = MOST) -> str:
    r"""Return words from outside without control and direction-changing characters, cut to *most*.

    >>> clean("a\x00b\u202ec\nd" + "e" * 500, 12)
    'abc deeeeee…'
    """
    said = plain(" ".join(str(text).split("\n")))
    said = "".join(sign for sign in said if unicodedata.category(sign) not in ("Co", "Cn", "Zl", "Zp"))
    return said if len(said) <= most else said[: most - 1] + "…"


def as_data(value: object) -> str:
    r"""Return *value* as JSON that can stand in a script element: no ``<``, no ``&``, no line separators.

    >>> as_data({"a": "</script>"})
    '{"a":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def digits(value: float | None, count: int = 4) -> float | None:
    """Return *value* with so many digits that count; None for what is no number.

    >>> digits(0.123456), digits(float("nan")), digits(None)
    (0.1235, None, None)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{count}g}")


def moment(at_s: float) -> str:
    """Return a moment with its weekday, as the clock on the wall shows it."""
    return datetime.fromtimestamp(at_s).astimezone().strftime("%a ") + wall(at_s)


def sentence(text: str) -> str:
    """Return *text* as a sentence of its own.

    >>> sentence("dry it first"), sentence("tpu-05: one time in ten")
    ('Dry it first.', 'tpu-05: one time in ten.')
    """
    name = not text.partition(" ")[0].rstrip(";:,").isalpha()
    start = text if name else text[:1].upper() + text[1:]
    return start if start.endswith((".", "…", "!", "?")) else start + "."


def held_together(page: str) -> str:
    r"""Return a page whose dates, names and amounts are not broken where a line ends.

    Of what stands between tags alone: code, pictures, forms and data are left as they are.

    >>> held_together('<p title="a-b">petg-03: 0.2 wt % since 2026-11-25.</p>')
    '<p title="a-b"><span class="nb">petg-03</span>: 0.2\xa0wt\xa0% since <span class="nb">2026-11-25</span>.</p>'
    """
    parts, at = [], 0
    for mark in NO_WORDS.finditer(page):
        parts += [_whole(page[at : mark.start()]), mark[0]]
        at = mark.end()
    return "".join([*parts, _whole(page[at:])])


def _whole(words: str) -> str:
    if not words.strip():
        return words
    spaced = WITH_UNIT.sub(lambda found: found[0].replace(" ", "\u00a0"), words)
    return HYPHENED.sub(
        lambda found: f'<span class="nb">{found[0]}</span>' if len(found[0]) <= SHORT else found[0], spaced
    )


def hashed(text: str) -> str:
    """Return what a content policy calls an inline element of this text."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def policy(style: str, script: str) -> str:
    """Return the content policy of a page with this style and this script: nothing else, from nowhere."""
    return (
        f"default-src 'none'; style-src '{hashed(style)}'; script-src '{hashed(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def style_of(path: Path) -> str:
    """Return a style of ours with the colours before it."""
    return css() + read_text(path, InputError, "template")


def written(template: str, data: object, **context: Any) -> str:
    """Return the page *template* filled with *context*; *data* is what its script reads.

    Strings of *context* are escaped, ``markupsafe.Markup`` is not: only pictures drawn here may be that.
    """
    import jinja2
    from markupsafe import Markup

    home = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    home.filters.update(clean=clean, duration=duration, moment=moment, percent=percent, sentence=sentence)
    style = style_of(TEMPLATES / "page.css")
    script = read_text(TEMPLATES / "page.js", InputError, "template")
    shared: Mapping[str, Any] = {
        "style": Markup(style),  # our own files, as they are in the package
        "script": Markup(script),
        "policy": policy(style, script),
        "data": Markup(as_data(data)),  # as_data leaves no `<`
        "headlines": HEADLINES,
        "fills": FILLS,
    }
    return held_together(home.get_template(template).render({**shared, **context}))

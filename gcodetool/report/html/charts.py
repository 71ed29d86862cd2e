"""Curves as SVG that stands in a page as it is: drawn once, for screens, paper and pages without scripts.

matplotlib draws; its SVG is then made fit for a strict content policy (no style element, no style
attribute), for light and dark (our colours become the page's variables) and for being read aloud (a title
and a description).  Every chart comes wide and narrow; the page shows the one that fits.  A :class:`Frame`
says where the axes are, so that a script can read values off the same picture.
"""

import bisect
import io
import itertools
import logging
import math
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree

from gcodetool.report.as_text import percent
from gcodetool.report.html.level_labels import Level, name_levels, name_mark
from gcodetool.report.html.palette import LIGHT, named
from gcodetool.report.html.scale import colour_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from gcodetool.report.html.water import Curve, DrawnStay

PAPER: Final = LIGHT["paper"]
INK: Final = LIGHT["ink"]
FAINT: Final = LIGHT["faint"]
RULE: Final = LIGHT["rule"]
LINE: Final = LIGHT["sea"]  # the middle of a forecast
BAND: Final = LIGHT["band"]
REEL: Final = LIGHT["reel"]  # the whole reel, beside what is fed next
GOOD: Final = LIGHT["dry"]
MARGINAL: Final = LIGHT["warn"]
VIOLET: Final = LIGHT["violet"]
WIDE: Final = (920, 310)  # px
NARROW: Final = (350, 300)
SVG: Final = "{http://www.w3.org/2000/svg}"
FONT: Final = "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif"
PLACES: Final = frozenset(("d", "x", "y", "x1", "y1", "x2", "y2", "width", "height", "transform"))
LONG_NUMBER: Final = re.compile(r"(\.\d\d)\d+")
LINK: Final = re.compile(r"(?:url\()?#([^)]+)\)?")
DRAWN: Final = frozenset(  # properties that are attributes of their own
    (
        *(
            "fill",
            "fill-opacity",
            "fill-rule",
            "stroke",
            "stroke-width",
            "stroke-opacity",
            "stroke-dasharray",
        ),
        *("stroke-dashoffset", "stroke-linecap", "stroke-linejoin", "opacity", "clip-path"),
        *("text-anchor", "font-size", "font-weight"),
    )
)


@dataclass(frozen=True)
class Frame:
    """Where a chart's axes are: corners in the picture's own units, and what stands at them."""

    left: float
    right: float
    top: float
    bottom: float
    first: float
    last: float
    low: float
    high: float


@dataclass(frozen=True)
class Chart:
    """One chart in both sizes, with frames."""

    wide: str
    narrow: str
    frame_wide: Frame
    frame_narrow: Frame

    def pictures(self) -> dict[str, Any]:
        """Return the pictures as a template takes them: drawn here, so not to be escaped."""
        from markupsafe import Markup

        return {"wide": Markup(self.wide), "narrow": Markup(self.narrow)}


@dataclass(frozen=True)
class Point:
    """What arrives in the middle of one layer. [s, wt %]"""

    layer: int
    at_s: float
    p10: float | None
    p50: float
    p90: float | None


def time_unit(seconds: float) -> tuple[float, str]:
    """Return the unit in which a length of time reads best, and its name.

    >>> time_unit(150.0), time_unit(5400.0), time_unit(40 * 3600.0)
    ((1.0, 's'), (60.0, 'min'), (3600.0, 'h'))
    """
    for unit, name, most in ((1.0, "s", 150.0), (60.0, "min", 2.5 * 3600), (3600.0, "h", 4 * 86400.0)):
        if seconds <= most:
            return unit, name
    return 86400.0, "days"


def nozzle(
    points: Sequence[Point],
    *,
    good: float,
    marginal: float,
    until_s: float,
    crossed: int | None,
    title: str,
    desc: str,
    name: str,
) -> Chart:
    """Return the content of what arrives over a job: band, middle, limits, crossing, layers along the top.

    Parameters
    ----------
    points : in order of time, one per layer.
    good, marginal : the material's limits. [wt %]
    until_s : the end of the time axis. [s]
    crossed : the layer to mark; None for none.
    title, desc : for those who listen; any text.
    name : of the chart within its page; plain letters and digits.
    """
    unit, word = time_unit(until_s)

    def draw(axes: "Axes", narrow: bool) -> None:
        x = [point.at_s / unit for point in points]
        middle = [point.p50 for point in points]
        banded = [point for point in points if point.p10 is not None and point.p90 is not None]
        top = max([marginal * 1.12, *middle, *(point.p90 or 0.0 for point in banded)]) * 1.08
        axes.set_xlim(0.0, max(until_s / unit, 1e-9))
        axes.set_ylim(0.0, top)
        if banded:
            axes.fill_between(
                [point.at_s / unit for point in banded],
                [point.p10 or 0.0 for point in banded],
                [point.p90 or 0.0 for point in banded],
                color=BAND,
                alpha=0.55,
                linewidth=0,
            )
        axes.plot(x, middle, color=LINE, linewidth=2.4, marker="o" if len(x) == 1 else None, markersize=5)
        levels = [
            Level(good, f"good up to {percent(good)}", GOOD),
            Level(marginal, f"marginal up to {percent(marginal)}", MARGINAL),
        ]
        for level, dashes in zip(levels, ((2, 2), (6, 3)), strict=True):
            axes.axhline(level.value, color=level.colour, linewidth=1.4, dashes=dashes)
        edges = [
            [(one.at_s / unit, value or 0.0) for one, value in zip(banded, values, strict=True)]
            for values in ([one.p10 for one in banded], [one.p90 for one in banded])
        ]
        curve = list(zip(x, middle, strict=True))
        _strip(axes, points, unit, until_s, (good, marginal))
        mark = next((point for point in points if point.layer == crossed), None)
        named = []
        if mark is not None:
            axes.plot([mark.at_s / unit], [mark.p50], "o", color=PAPER, mec=MARGINAL, mew=2.2, ms=9)
            words = f"layer {mark.layer}" if mark.layer else "before layer 1"
            named.append(name_mark(axes, (mark.at_s / unit, mark.p50), words, levels, curve, INK))
        name_levels(axes, levels, [curve], edges, beside=named)
        _layers_on_top(axes, points, unit, 5 if narrow else 10)
        axes.set_xlabel(f"time since the file's first line ({word})")
        axes.set_ylabel("water, wt %")

    return both_sizes(draw, title, desc, name)


def _strip(
    axes: "Axes", points: Sequence[Point], unit: float, until_s: float, limits: tuple[float, float]
) -> None:
    """Draw the colours of the part along the time axis: runs of equal ones."""
    middles = [point.at_s for point in points]
    between = [(one + two) / 2 for one, two in itertools.pairwise(middles)]
    first = max(0.0, 2 * middles[0] - between[0]) if between else 0.0
    last = min(until_s, 2 * middles[-1] - between[-1]) if between else until_s
    edges = [at / unit for at in (first, *between, last)]
    runs: list[tuple[float, float, str]] = []
    for point, begin, end in zip(points, edges, edges[1:], strict=False):
        colour = colour_of(point.p50, limits)
        if runs and runs[-1][2] == colour:
            runs[-1] = (runs[-1][0], end, colour)
        else:
            runs.append((begin, end, colour))
    for begin, end, colour in runs:
        axes.axvspan(begin, end, ymin=0.0, ymax=0.035, color=colour, linewidth=0)


def _layers_on_top(axes: "Axes", points: Sequence[Point], unit: float, most: int) -> None:
    """Name layers along the top, at their times, as many as have room."""
    if not points:
        return
    step = _round_step(max(point.layer for point in points), most)
    low, high = axes.get_xlim()
    ticks: list[tuple[float, int]] = []
    for point in points:
        wanted = point.layer == 1 or (point.layer and point.layer % step == 0)
        at = point.at_s / unit
        if wanted and (not ticks or at - ticks[-1][0] > (high - low) / (1.6 * most)):
            ticks.append((at, point.layer))
    upper = axes.secondary_xaxis("top")
    said = [f"layer {layer}" if place == 0 else str(layer) for place, (_, layer) in enumerate(ticks)]
    upper.set_xticks([at for at, _ in ticks], said)
    upper.tick_params(length=3, color=FAINT, labelcolor=FAINT, labelsize=11)
    upper.spines["top"].set_visible(False)
    upper.patch.set_visible(False)


def _round_step(most: int, count: int) -> int:
    """Return a round number of layers between labels.

    >>> _round_step(240, 10), _round_step(7, 10)
    (50, 1)
    """
    step = 1
    while most / step > count:
        step = step * 5 // 2 if str(step)[0] == "2" else step * 2
    return step


AGES: Final = (
    (365 * 86400.0, "1 year"),
    (91 * 86400.0, "3 months"),
    (30 * 86400.0, "1 month"),
    (7 * 86400.0, "1 week"),
    (2 * 86400.0, "2 days"),
    (86400.0, "1 day"),
    (6 * 3600.0, "6 h"),
    (2 * 3600.0, "2 h"),
    (1800.0, "30 min"),
    (0.0, "start"),
)
PLACE_TINTS: Final = {  # a hatch tells them apart as well
    "open": (LIGHT["room"], ""),
    "printer": (LIGHT["room"], ".."),
    "box": (LIGHT["closed"], ""),
    "sealed": (LIGHT["closed"], "//"),
    "dryer": (LIGHT["heated"], "||"),
}


class Ages:
    """The history's axis: the latest hours have more room than old weeks, and every stay has some.

    A place is the mean of two: the logarithm of the age, and the stay's number.
    """

    def __init__(self, stays: "Sequence[DrawnStay]", first_s: float, at_s: float) -> None:
        self.at_s = at_s
        self.oldest = self._log(at_s - first_s) or 1.0
        ends = sorted({first_s, at_s, *(stay.end_s for stay in stays), *(stay.begin_s for stay in stays)})
        self.ages = [self._log(at_s - end) for end in ends][::-1]
        self.places = [-place / max(1, len(ends) - 1) for place in range(len(ends))]

    @staticmethod
    def _log(age_s: float) -> float:
        from gcodetool.report.html.water import BEND_S

        return math.log1p(max(0.0, age_s) / BEND_S)

    def place(self, moment_s: float) -> float:
        """Return where a moment stands: -1 the first, 0 the start of the job."""
        age = self._log(self.at_s - moment_s)
        at = min(len(self.ages) - 1, max(1, bisect.bisect_left(self.ages, age)))
        low, high = self.ages[at - 1], self.ages[at]
        share = (age - low) / (high - low) if high > low else 0.0
        by_stay = self.places[at - 1] + share * (self.places[at] - self.places[at - 1])
        return 0.5 * (by_stay - age / self.oldest)


def history(
    moments_s: Sequence[float],
    reel: "Curve",
    outside: "Curve",
    stays: "Sequence[DrawnStay]",
    points: Sequence[tuple[float, float, str]],
    *,
    at_s: float,
    limits: tuple[float, float],
    title: str,
    desc: str,
    name: str,
) -> Chart:
    """Return a spool's past: places as bands, contents as curves, weigh-ins and inspections as points.

    Parameters
    ----------
    points : (moment, content, ``weighed`` or ``inspected``).
    at_s : the job's start, the right end of the axis.
    limits : good and marginal. [wt %]
    others : as in :func:`nozzle`.
    """

    def draw(axes: "Axes", narrow: bool) -> None:
        axis = Ages(stays, moments_s[0], at_s)
        x = [axis.place(moment) for moment in moments_s]
        known = [value for value in (*outside.p90, *reel.p90) if math.isfinite(value)]
        top = max([limits[1] * 1.1, *known]) * 1.22
        axes.set_ylim(0.0, top)
        axes.set_xlim(-1.0, 0.0)
        for stay in stays:
            begin, end = axis.place(stay.begin_s), axis.place(stay.end_s)
            tint, hatch = PLACE_TINTS[stay.place.kind]
            axes.axvspan(begin, end, facecolor=tint, edgecolor=PAPER, hatch=hatch, linewidth=0.8)
            room = int((end - begin) * (38 if narrow else 112))
            shown = label(stay.place.name, room)
            if shown:
                axes.text(
                    (begin + end) / 2,
                    top * 0.955,
                    shown,
                    ha="center",
                    va="center",
                    fontsize=11,
                    color=INK,
                    parse_math=False,
                )
        axes.fill_between(x, outside.p10, outside.p90, color=BAND, alpha=0.6, linewidth=0)
        axes.plot(x, reel.p50, color=REEL, linewidth=1.6, dashes=(5, 2))
        axes.plot(x, outside.p50, color=LINE, linewidth=2.4)
        for limit, colour, dash in ((limits[0], GOOD, (2, 2)), (limits[1], MARGINAL, (6, 3))):
            axes.axhline(limit, color=colour, linewidth=1.2, dashes=dash)
        for kind, mark in (("weighed", "s"), ("inspected", "D")):
            chosen = [(moment, content) for moment, content, what in points if what == kind]
            axes.plot(
                [axis.place(moment) for moment, _ in chosen],
                [content for _, content in chosen],
                mark,
                color=PAPER,
                mec=INK,
                mew=1.8,
                ms=7.5,
            )
        ages = [(axis.place(at_s - age), word) for age, word in AGES if at_s - age >= moments_s[0]]
        kept: list[tuple[float, str]] = []
        for at, word in reversed(ages):
            if not kept or kept[-1][0] - at > 1 / (5.5 if narrow else 12):
                kept.append((at, word))
        axes.set_xticks([at for at, _ in kept], [word for _, word in kept])
        axes.set_xlabel("before the job starts (not to scale: each stay has room)")
        axes.set_ylabel("water, wt %")
        axes.grid(visible=False, axis="x")

    return both_sizes(draw, title, desc, name, top=12)


def label(text: str, room: int) -> str:
    """Return *text* cut to *room* characters; nothing where fewer than two would be left.

    >>> label("greenhouse", 6), label("greenhouse", 2)
    ('green…', '')
    """
    if len(text) <= room:
        return text
    return text[: room - 1] + "…" if room >= 3 else ""


def both_sizes(
    draw: "Callable[[Axes, bool], None]", title: str, desc: str, name: str, *, top: int = 30
) -> Chart:
    """Return what *draw* draws, in both sizes; *top*: room above the axes [px]."""
    wide, frame_wide = _drawn(draw, WIDE, top, title, desc, name + "w")
    narrow, frame_narrow = _drawn(draw, NARROW, top, title, desc, name + "n")
    return Chart(wide, narrow, frame_wide, frame_narrow)


@contextmanager
def _undocumented() -> Iterator[None]:
    """Let matplotlib's classes come without the texts that it writes for the help of each one's ``set``.

    They are a quarter of what its import takes.  Nothing else is other than it would be.
    """
    from matplotlib.artist import Artist

    name = "_update_set_signature_and_docstring"
    written = Artist.__dict__.get(name)
    if written is None:  # another version of it
        yield
        return
    setattr(Artist, name, classmethod(lambda cls: None))
    try:
        yield
    finally:
        setattr(Artist, name, written)


@contextmanager
def _quiet() -> Iterator[None]:
    """Let matplotlib say nothing of signs that its own font lacks: a browser draws the text."""
    log = logging.getLogger("matplotlib")
    before = log.level
    log.setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.setLevel(before)


def _drawn(
    draw: "Callable[[Axes, bool], None]", size: tuple[int, int], top: int, title: str, desc: str, name: str
) -> tuple[str, Frame]:
    """Return a chart of one size, and its frame."""
    with _quiet():
        with _undocumented():
            import matplotlib as mpl
            from matplotlib.figure import Figure

        looks: Any = {
            "svg.fonttype": "none",
            "svg.hashsalt": name,
            "font.size": 12,
            "hatch.linewidth": 0.6,
            "path.simplify": True,
            "path.simplify_threshold": 0.3,
            "axes.unicode_minus": False,
        }
        narrow = size[0] < WIDE[0]
        with mpl.rc_context(looks):
            width, height = size
            figure = Figure(figsize=(width / 72, height / 72), dpi=72)
            left, right, bottom = (52, 14, 46) if narrow else (62, 16, 46)
            axes = figure.add_axes(
                (left / width, bottom / height, 1 - (left + right) / width, 1 - (bottom + top) / height)
            )
            figure.patch.set_visible(False)
            axes.patch.set_visible(False)
            for side in ("top", "right", "left"):
                axes.spines[side].set_visible(False)
            axes.spines["bottom"].set_color(FAINT)
            axes.grid(axis="y", color=RULE, linewidth=0.8)
            axes.set_axisbelow(True)
            axes.tick_params(length=3, color=FAINT, labelcolor=FAINT, labelsize=11)
            axes.xaxis.label.set_color(FAINT)
            axes.yaxis.label.set_color(FAINT)
            axes.locator_params(axis="both", nbins=4 if narrow else 7)
            draw(axes, narrow)
            frame = _frame(figure, axes)
            out = io.BytesIO()
            figure.savefig(
                out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
            )
    return fit(out.getvalue(), title, desc, name), frame


def _frame(figure: "Figure", axes: "Axes") -> Frame:
    width, height = figure.get_size_inches() * 72
    box = axes.get_position()
    (first, last), (low, high) = axes.get_xlim(), axes.get_ylim()
    return Frame(
        left=round(float(box.x0 * width), 2),
        right=round(float(box.x1 * width), 2),
        top=round(float((1 - box.y1) * height), 2),
        bottom=round(float((1 - box.y0) * height), 2),
        first=float(first),
        last=float(last),
        low=float(low),
        high=float(high),
    )


def fit(svg: bytes, title: str, desc: str, name: str) -> str:
    """Return matplotlib's SVG as one element for a page: attributes for styles, no marks of its origin."""
    root = ElementTree.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{SVG}style", f"{SVG}metadata"):
                parent.remove(child)
    ids: dict[str, str] = {}
    for element in root.iter():
        _restyle(element)
        own = element.get("id")
        if own is not None:
            ids[own] = f"{name}-{len(ids)}"
            element.set("id", ids[own])
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key in PLACES:  # hundredths of a pixel are not seen
                element.set(key, LONG_NUMBER.sub(r"\1", value))
            found = LINK.fullmatch(value)
            if found is not None and found[1] in ids:
                element.set(key, value.replace(found[1], ids[found[1]]))
    head = ElementTree.Element(f"{SVG}title", {"id": f"{name}-title"})
    head.text = title
    told = ElementTree.Element(f"{SVG}desc", {"id": f"{name}-desc"})
    told.text = desc
    root.insert(0, told)
    root.insert(0, head)
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("role", "img")
    root.set("aria-labelledby", f"{name}-title {name}-desc")
    root.set("stroke-linejoin", "round")
    root.set("font-family", FONT)
    root.set("id", name)
    return _serialised(root)


def _restyle(element: Any) -> None:
    """Turn a style attribute into attributes, and our colours into the page's."""
    for key in ("fill", "stroke"):
        if key in element.attrib:
            element.set(key, named(element.attrib[key]))
    style = element.attrib.pop("style", None)
    if style is None:
        return
    for part in style.split(";"):
        key, _, value = part.partition(":")
        key, value = key.strip(), value.strip()
        if key == "font":
            size = re.search(r"([\d.]+)px", value)
            if size:
                element.set("font-size", size[1])
            weight = re.match(r"(bold|\d{3})\b", value)
            if weight:
                element.set("font-weight", weight[1])
        elif key in DRAWN and not (key == "stroke-linejoin" and value == "miter"):
            element.set(key, named(value))


def _serialised(root: Any) -> str:
    ElementTree.register_namespace("", "http://www.w3.org/2000/svg")
    ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    return re.sub(r"\n\s*", "\n", ElementTree.tostring(root, encoding="unicode"))

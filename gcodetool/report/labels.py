"""Labels for reels and places: a QR code and what must be read without it, as PDF, SVG or PNG.

Sizes are millimetres of paper.  The code is made by the library ``segno``, the page by ``matplotlib``; letters are drawn
as the font that comes with it, so that a label prints alike everywhere.  Left out: what stands on it (``app.labels``).
"""

import bisect
import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from gcodetool.errors import UsageError
from gcodetool.report.layout import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MM_PER_INCH: Final = 25.4
POINTS_PER_MM: Final = 72.0 / MM_PER_INCH
QUIET: Final = 4  # modules of white around a code (ISO/IEC 18004, 9.1)
SMALLEST_MODULE_MM: Final = (
    0.25  # a phone's camera at a hand's distance reads that; from printers of 203 dpi: two dots
)
MARGIN_MM: Final = 1.5
PNG_DPI: Final = 600
BIGGEST_MM: Final = 1200.0
LARGEST_LETTERS_MM: Final = 6.0
LARGEST_SMALL_MM: Final = 3.2
SMALLEST_LETTERS_MM: Final = 1.5

Form = Literal["pdf", "svg", "png"]


@dataclass(frozen=True)
class Label:
    """One label: what the code holds, the name in large letters, and lines in small ones."""

    code: str
    name: str
    lines: tuple[str, ...]


def draw(
    labels: Sequence[Label],
    form: Form,
    *,
    size_mm: tuple[float, float],
    sheet_mm: tuple[float, float] | None = None,
) -> bytes:
    """Return labels as a file: one on each page, or as many as fit on each sheet.

    Raises
    ------
    UsageError
        The extra ``serve`` is missing, a size cannot be, or a picture would need several pages.
    """
    pages = _pages(labels, size_mm, sheet_mm)
    if form != "pdf" and len(pages) > 1:
        raise UsageError(
            f"{len(labels)} labels do not fit into one {form.upper()}; write a PDF, or name a larger --sheet"
        )
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    paper = size_mm if sheet_mm is None else sheet_mm
    out = io.BytesIO()
    settings: Any = {
        "svg.fonttype": "path",
        "pdf.fonttype": 42,
        "svg.hashsalt": "gcodetool",
        "font.family": "DejaVu Sans",
    }
    # signs that the font lacks are drawn as empty boxes; the code holds the whole name
    with rc_context(settings), warnings.catch_warnings(action="ignore", category=UserWarning):
        figures = []
        for page in pages:
            figure = Figure(figsize=(paper[0] / MM_PER_INCH, paper[1] / MM_PER_INCH))
            for label, (left, top) in page:
                _label(figure, label, left, top, size_mm, paper)
            figures.append(figure)
        if form == "pdf":
            with PdfPages(out, metadata={"CreationDate": None, "Title": "labels"}) as book:
                for figure in figures:
                    book.savefig(figure)
        else:
            how: dict[str, Any] = {"metadata": {"Date": None}} if form == "svg" else {"dpi": PNG_DPI}
            figures[0].savefig(out, format=form, **how)
    return out.getvalue()


def _pages(
    labels: Sequence[Label], size_mm: tuple[float, float], sheet_mm: tuple[float, float] | None
) -> list[list[tuple[Label, tuple[float, float]]]]:
    """Return, page by page, each label and its upper left corner [mm from the upper left]."""
    for name, (wide, high) in (("--size", size_mm), ("--sheet", sheet_mm or size_mm)):
        if not (10 <= wide <= BIGGEST_MM and 10 <= high <= BIGGEST_MM):
            raise UsageError(f"{name} {wide:g}x{high:g}: from 10 to {BIGGEST_MM:g} mm each way")
    across, down = 1, 1
    if sheet_mm is not None:
        across, down = int(sheet_mm[0] // size_mm[0]), int(sheet_mm[1] // size_mm[1])
        if not across or not down:
            raise UsageError("--sheet: no label of that --size fits on it")
    left = ((sheet_mm or size_mm)[0] - across * size_mm[0]) / 2
    top = ((sheet_mm or size_mm)[1] - down * size_mm[1]) / 2
    places = [(left + i % across * size_mm[0], top + i // across * size_mm[1]) for i in range(across * down)]
    starts = range(0, len(labels), len(places))
    return [list(zip(labels[first : first + len(places)], places, strict=False)) for first in starts]


def modules(text: str) -> list[list[bool]]:
    """Return a QR code's modules, the quiet ones around it left out; True is dark.

    Raises
    ------
    UsageError
        The extra ``serve`` is missing, or the text is too long for a code that a label can hold.
    """
    try:
        import segno
    except ImportError:
        raise UsageError(
            "labels need the extra 'serve'; install it: pip install 'gcodetool[serve]'"
        ) from None
    try:
        code = segno.make_qr(text, error="m", boost_error=True, version=None)
    except ValueError:
        raise UsageError("--address: too long for a code; leave it out, and the code holds the ID") from None
    return [[bool(bit) for bit in row] for row in code.matrix]


def _label(
    figure: Any, label: Label, left: float, top: float, size: tuple[float, float], paper: tuple[float, float]
) -> None:
    wide, high = size
    box = (left / paper[0], 1 - (top + high) / paper[1], wide / paper[0], high / paper[1])
    axes = figure.add_axes(box)
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.axis("off")
    code = modules(label.code)
    # below the words on a tall label, beside them on a wide one
    beside = wide >= high
    side = min(high, 0.5 * wide) if beside else min(wide, 0.65 * high)
    module = side / (len(code) + 2 * QUIET)
    if module < SMALLEST_MODULE_MM:
        least = SMALLEST_MODULE_MM * (len(code) + 2 * QUIET)
        raise UsageError(
            f"--size {wide:g}x{high:g}: too small for this code, which needs {least:.0f} mm; "
            "take larger labels, or leave --address out"
        )
    corner = (0.0, (high - side) / 2) if beside else ((wide - side) / 2, high - side)
    _code(axes, code, corner[0] + QUIET * module, corner[1] + QUIET * module, module)
    if beside:
        _words(axes, label, side, MARGIN_MM, wide - side - MARGIN_MM, high - 2 * MARGIN_MM)
    else:
        _words(axes, label, MARGIN_MM, MARGIN_MM, wide - 2 * MARGIN_MM, high - side - MARGIN_MM)


def _code(axes: "Axes", code: list[list[bool]], left: float, top: float, module: float) -> None:
    from matplotlib.collections import PatchCollection
    from matplotlib.patches import Rectangle

    dark = []
    for row, bits in enumerate(code):
        column = 0
        while column < len(bits):  # a run of dark modules is one rectangle: no hair lines between them
            run = 0
            while column + run < len(bits) and bits[column + run]:
                run += 1
            if run:
                dark.append(Rectangle((left + column * module, top + row * module), run * module, module))
            column += run or 1
    axes.add_collection(PatchCollection(dark, facecolor="black", linewidth=0, antialiased=False))


def _words(axes: "Axes", label: Label, left: float, top: float, wide: float, high: float) -> None:
    """Write the name as large as it fits, and the lines below it; what is too long goes on below, or ends in an ellipsis."""
    from matplotlib.font_manager import FontProperties

    bold, plainly = FontProperties(weight="bold"), FontProperties()
    names = broken(plain(label.name), bold, wide)
    rows = [part for line in label.lines for part in broken(plain(line), plainly, wide)]
    unit = high / (1.6 * len(names) + 1.25 * len(rows) + 0.2)
    big = min(_fitting(name, bold, wide, min(LARGEST_LETTERS_MM, 1.6 * unit)) for name in names)
    small = min((_fitting(row, plainly, wide, min(LARGEST_SMALL_MM, unit)) for row in rows), default=unit)
    names = _as_many(names, int(high / (1.35 * big)))
    rows = _as_many(rows, int((high - 1.35 * big * len(names)) / (1.35 * small) + 0.35))
    at = top
    for lines, size, weight in ((names, big, "bold"), (rows, small, "normal")):
        for line in lines:
            size_pt = size * POINTS_PER_MM
            axes.text(
                left, at, line, fontsize=size_pt, weight=weight, va="top", parse_math=False, clip_on=True
            )
            at += 1.35 * size


def _as_many(lines: list[str], most: int) -> list[str]:
    """Return so many lines, at least one; the last one shows that there were more."""
    most = max(1, most)
    return lines if len(lines) <= most else [*lines[: most - 1], lines[most - 1][:-1] + "…"]


def broken(text: str, font: Any, wide: float) -> list[str]:
    """Return *text* in lines that are no wider than *wide* [mm] in the smallest letters, broken at blanks and hyphens.

    A word that is wider is broken where it must be.
    """
    room = wide / SMALLEST_LETTERS_MM
    lines = [""]
    for piece in re.findall(r"[^\s-]*-|[^\s-]+\s*|\s+", text):
        if lines[-1] and _width(lines[-1] + piece, font) > room:
            lines.append("")
        lines[-1] += piece
        while len(lines[-1]) > 1 and _width(lines[-1], font) > room:
            word = lines.pop()
            count = max(
                1, bisect.bisect_right(range(1, len(word)), room, key=lambda n: _width(word[:n], font))
            )
            lines += [word[:count], word[count:]]
    return [line.rstrip() for line in lines]


def _width(text: str, font: Any) -> float:
    """Return how wide letters of size 1 make a text."""
    from matplotlib.textpath import TextPath

    text = text.rstrip()
    return (
        float(TextPath((0, 0), text, size=1.0, prop=font, usetex=False).get_extents().width) if text else 0.0
    )


def _fitting(text: str, font: Any, wide: float, most: float) -> float:
    """Return the size of letters [mm] at which *text* is no wider than *wide* [mm]; never smaller than can be read."""
    at_one = _width(text, font)
    return max(SMALLEST_LETTERS_MM, min(most, wide / at_one if at_one > 0 else most))

"""The building blocks of pages: words made safe, one colour scale, shapes of a job, a spool's past, a stretched axis."""

import base64
import hashlib
import html.parser
import itertools
import json
import math
import pathlib
import re
import unicodedata

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gcodetool.gcode.program import read
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture.content_history import content_history
from gcodetool.moisture.history import state_at
from gcodetool.motion.timing import build_timeline
from gcodetool.report.html import charts, page, palette, scale
from gcodetool.report.html.level_labels import Level, name_levels, name_mark
from gcodetool.report.html.page import held_together
from gcodetool.report.html.part import EDGE, _joined, _view, part, path_data
from gcodetool.report.html.shapes import merged, shapes, thinned
from gcodetool.report.html.water import DrawnStay, moments_of

SAMPLES = pathlib.Path(__file__).parent.parent / "sample_gcode"
AT_S = 1795939200.0  # 2026-11-29: after all records of the samples

# ---- words from outside


@given(st.text(max_size=600))
def test_clean_words_hold_no_control_and_no_direction(text: str) -> None:
    said = page.clean(text)
    assert len(said) <= page.MOST
    assert not [sign for sign in said if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp")]


data = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text() | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(data)
def test_data_come_back_and_cannot_leave_their_element(value: object) -> None:
    text = page.as_data(value)
    assert json.loads(text) == value
    assert not set(text) & set("<>&\u2028\u2029")
    assert text.isascii()


class Scripts(html.parser.HTMLParser):
    """Text of each script and style of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.inside: str | None = None
        self.found: list[tuple[str, dict[str, str | None], str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self.inside = tag
            self.found.append((tag, dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        if self.inside is not None:
            tag, attrs, text = self.found.pop()
            self.found.append((tag, attrs, text + data))

    def handle_endtag(self, tag: str) -> None:
        if tag == self.inside:
            self.inside = None


def test_the_policy_names_the_style_and_the_script_that_the_page_has() -> None:
    text = page.written("base.html", {"a": "</script>"}, version="1")
    seen = Scripts()
    seen.feed(text)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    stated = policy[1].replace("&#39;", "'")
    assert stated.startswith("default-src 'none'; ")
    assert "unsafe" not in stated
    assert "http" not in stated
    kinds = [(tag, attrs.get("type")) for tag, attrs, _ in seen.found]
    assert kinds == [("style", None), ("script", "application/json"), ("script", None)]
    for tag, attrs, inside in seen.found:
        if attrs.get("type") is None:
            digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
            assert f"{tag}-src 'sha256-{digest}'" in stated


# ---- colours


def lab(colour: str) -> tuple[float, float, float]:
    """Return a hex colour in OKLab."""
    r, g, b = (linear(int(colour[place : place + 2], 16) / 255) for place in (1, 3, 5))
    cone = (
        0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b,
        0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b,
        0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b,
    )
    long, middle, short = (value ** (1 / 3) for value in cone)
    return (
        0.2104542553 * long + 0.7936177850 * middle - 0.0040720468 * short,
        1.9779984951 * long - 2.4285922050 * middle + 0.4505937099 * short,
        0.0259040371 * long + 0.7827717662 * middle - 0.8086757660 * short,
    )


def linear(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


# Colours as eyes without one kind of cone see them, linear RGB (Machado, Oliveira, Fernandes 2009, severity 1)
BLINDNESS = {
    "no red cones": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "no green cones": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "no blue cones": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def seen(colour: str, matrix: tuple[tuple[float, ...], ...]) -> str:
    values = [linear(int(colour[place : place + 2], 16) / 255) for place in (1, 3, 5)]
    out = [sum(part * value for part, value in zip(row, values, strict=True)) for row in matrix]
    return "#" + "".join(f"{round(255 * scale._companded(min(1.0, max(0.0, each)))):02x}" for each in out)


def test_the_scale_is_even_within_a_band_steps_at_each_limit_and_gets_darker_for_every_eye() -> None:
    colours = scale.colours()
    assert len(set(colours)) == scale.STEPS
    places = [lab(each) for each in colours]
    steps = [math.dist(one, two) for one, two in itertools.pairwise(places)]
    at_limits = [steps.pop(2 * scale.BAND - 1), steps.pop(scale.BAND - 1)]
    for band in range(3):
        within = steps[band * (scale.BAND - 1) : (band + 1) * (scale.BAND - 1)]
        assert max(within) < 1.25 * min(within)  # whole numbers of 255 cost a little evenness
    assert min(at_limits) > 4 * max(steps)
    for matrix in BLINDNESS.values():
        shown = [lab(seen(each, matrix)) for each in colours]
        falls = [one[0] - two[0] for one, two in itertools.pairwise(shown)]
        assert min(falls) > 0.005
        for place in (scale.BAND, 2 * scale.BAND):
            assert math.dist(shown[place - 1], shown[place]) > 0.1
    assert min(math.dist(lab(scale.NONE), place) for place in places) > 0.05


@given(st.floats(0, 3), st.floats(0, 3), st.floats(0, 2), st.floats(0.01, 2))
def test_wetter_is_never_paler_and_no_two_bands_share_a_colour(
    one: float, two: float, good: float, more: float
) -> None:
    limits = (good, good + more)
    low, high = sorted((one, two))
    steps = [scale.step_of(content, limits) for content in (low, high)]
    assert None not in steps
    assert steps[0] <= steps[1]  # type: ignore[operator]
    bands = [0 if each <= limits[0] else 1 if each <= limits[1] else 2 for each in (low, high)]
    assert [(step or 0) // scale.BAND for step in steps] == bands


def contrast(one: str, two: str) -> float:
    """Return the contrast of two colours as the guidelines for accessible pages reckon it."""
    light = []
    for colour in (one, two):
        r, g, b = (linear(int(colour[place : place + 2], 16) / 255) for place in (1, 3, 5))
        light.append(0.2126 * r + 0.7152 * g + 0.0722 * b)
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_words_can_be_read_on_every_ground_light_and_dark() -> None:
    grounds = (
        "paper",
        "panel",
        "sheet",
        "warn-soft",
        "dry-soft",
        "room",
        "closed",
        "heated",
        "drying",
        "away",
    )
    for shade in (0, 1):
        tone = {name: pair[shade] for name, pair in palette.TONES.items()}
        for ground in grounds:
            for words in ("ink", "faint"):
                assert contrast(tone[words], tone[ground]) >= 4.5, (words, ground, shade)
        for words in ("sea", "warn", "dry", "mid", "reel", "violet"):
            assert contrast(tone[words], tone["paper"]) >= 4.5, (words, shade)
        for words in ("ground-ink", "ground-warn"):
            assert contrast(tone[words], tone["ground"]) >= 4.5, (words, shade)
        assert contrast(tone["on-sea"], tone["sea"]) >= 4.5


def test_colours_stand_in_one_place() -> None:
    """No page, style or picture names a colour of its own; what the library drew is named before it is written."""
    assert len(palette.NAMES) == len(palette.TONES)  # no two names of one light colour
    own = {"palette.py", "scale.py"}
    homes = [pathlib.Path(palette.__file__).parent, pathlib.Path(palette.__file__).parents[2] / "serve"]
    for home in homes:
        for file in [*home.glob("*.py"), *home.glob("templates/*")]:
            if file.name not in own and file.suffix in (".py", ".css", ".html", ".js"):
                assert not re.findall(
                    r"#(?:[0-9a-f]{6}|[0-9a-f]{3})\b(?![^<]*</a>)", file.read_text("utf-8")
                ), file


# ---- shapes


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(0, 20)), min_size=1, max_size=30), st.floats(0.1, 5))
def test_merged_stretches_cover_the_same_and_lie_apart(pairs: list[tuple[float, float]], gap: float) -> None:
    spans = np.array([[begin, begin + length] for begin, length in pairs])
    found = merged(spans, gap)
    assert (found[1:, 0] > found[:-1, 1] + gap).all()
    assert set(found.ravel().tolist()) <= set(spans.ravel().tolist())
    for begin, end in spans.tolist():
        assert any(low <= begin and end <= high for low, high in found.tolist())


@given(
    st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), min_size=2, max_size=60),
    st.floats(0.01, 8),
)
def test_a_thinner_path_keeps_its_ends_and_adds_nothing(points: list[tuple[int, int]], width: float) -> None:
    path = np.array(points, dtype=np.float64)
    found = thinned(path, width)
    assert found[0].tolist() == path[0].tolist()
    assert found[-1].tolist() == path[-1].tolist()
    rest = iter(path.tolist())
    assert all(point in rest for point in found.tolist())  # a subsequence


def drawing(layers: int, *, points: list[tuple[float, float]]) -> str:
    """Return a job of family A with one closed run through *points* per layer."""
    lines = [
        "; generated by SLICER 2.5.0 on 2026-11-02 at 08:00:00 UTC",
        "",
        "G90",
        "M83",
        "G1 X1 Y1 E3 F900",
    ]
    for layer in range(1, layers + 1):
        lines += [";LAYER_CHANGE", f"G1 Z{0.2 * layer:.2f} F900", ";TYPE:Perimeter"]
        lines.append(f"G1 X{points[0][0]:.3f} Y{points[0][1]:.3f} F6000")
        lines += [f"G1 X{x:.3f} Y{y:.3f} E.2 F1800" for x, y in points[1:]]
    return "\n".join(lines) + "\n"


places = st.tuples(st.integers(10, 90), st.integers(10, 90)).map(lambda pair: (pair[0] * 1.0, pair[1] * 1.0))


@settings(max_examples=25)
@given(st.lists(places, min_size=3, max_size=12, unique=True), st.integers(1, 6))
def test_shapes_are_where_the_moves_lay_filament(
    tmp_path_factory: pytest.TempPathFactory, points: list[tuple[float, float]], layers: int
) -> None:
    job = tmp_path_factory.mktemp("shapes") / "job.gcode"
    job.write_text(drawing(layers, points=points))
    program = read(job)
    found = shapes(program, layers=layers).shapes
    assert [shape.layer for shape in found] == list(
        range(1, layers + 1)
    )  # the purge before layer 1 is left out
    for shape in found:
        assert shape.z_mm == pytest.approx(0.2 * shape.layer)
        assert shape.low == (min(x for x, _ in points), min(y for _, y in points))
        assert shape.high == (max(x for x, _ in points), max(y for _, y in points))
        assert shape.spans[0, 0] == shape.low[0]
        assert shape.spans[-1, 1] == shape.high[0]
        assert shape.path is not None
        laid = [tuple(point) for point in shape.path.tolist() if not math.isnan(point[0])]
        assert laid[0] == points[0]
        assert set(laid) <= set(points)


def test_shapes_of_a_sample_agree_with_its_timeline() -> None:
    program = read(SAMPLES / "hose-clips-petg.gcode")
    jobs = build_timeline(program)
    found = shapes(program, layers=jobs.layers).shapes
    heights = {int(layer): z for layer, z in zip(jobs.layer, jobs.z_mm, strict=True) if layer > 0 and z == z}
    assert {shape.layer: pytest.approx(shape.z_mm) for shape in found} == heights


def test_an_arc_is_drawn_round_and_a_circle_whole(tmp_path: pathlib.Path) -> None:
    job = tmp_path / "ring.gcode"
    lines = ["; generated by SLICER 2.5.0 on 2026-11-02 at 08:00:00 UTC", "", "G90", "M83"]
    lines += [";LAYER_CHANGE", ";TYPE:Perimeter", "G1 X60 Y50 Z.2 F900", "G3 X60 Y50 I-10 J0 E3 F900"]
    job.write_text("\n".join(lines) + "\n")
    (shape,) = shapes(read(job), layers=1).shapes
    assert shape.low == pytest.approx((40, 40), abs=0.01)
    assert shape.high == pytest.approx((60, 60), abs=0.01)


def test_many_points_stay_few(tmp_path: pathlib.Path) -> None:
    """A file that is one endless layer is thinned while it is read."""
    job = tmp_path / "spiral.gcode"
    lines = [
        "; generated by SLICER 2.5.0 on 2026-11-02 at 08:00:00 UTC",
        "",
        "G90",
        "M83",
        ";LAYER_CHANGE",
        "G1 Z.2",
    ]
    lines.append(";TYPE:Perimeter")
    for step in range(60_000):
        reach = 20 + step / 3000
        lines.append(
            f"G1 X{100 + reach * math.cos(step / 30):.3f} Y{100 + reach * math.sin(step / 30):.3f} E.01"
        )
    job.write_text("\n".join(lines) + "\n")
    (shape,) = shapes(read(job), layers=1).shapes
    assert shape.path is not None
    assert 500 < shape.path.shape[0] <= 3000
    assert shape.high == pytest.approx((140, 140), abs=0.5)


@settings(max_examples=40)
@given(st.lists(st.integers(0, 30), min_size=4, max_size=60), st.data())
def test_an_excerpt_has_the_lines_around_its_bytes(
    tmp_path_factory: pytest.TempPathFactory, widths: list[int], more: st.DataObject
) -> None:
    lines = [f"; {number} {'x' * width}" for number, width in enumerate(widths)]
    job = tmp_path_factory.mktemp("lines") / "job.gcode"
    job.write_text("\n".join(lines) + "\n")
    starts = [sum(len(line) + 1 for line in lines[:place]) for place in range(len(lines))]
    place = more.draw(st.integers(0, len(lines) - 1))
    replaced = more.draw(st.booleans())
    stop = starts[place] + (len(lines[place]) if replaced else 0)
    (found,) = shapes(read(job), layers=0, places=[(starts[place], stop)]).excerpts
    assert found.line == place + 1
    assert found.before == tuple(lines[max(0, place - 2) : place])
    rest = lines[place + 1 :] if replaced else lines[place:]
    assert found.inside == ((lines[place],) if replaced else ())
    assert found.after == tuple(rest[:2])


def test_path_data_say_the_path_again() -> None:
    program = read(SAMPLES / "spacer-rings-pla.gcode")
    found = shapes(program, layers=40).shapes
    drawn = part(found, lambda _layer, _tool: 8)
    assert drawn is not None
    shape = found[0]
    assert shape.path is not None
    said = path_data(shape, drawn.above)
    assert re.fullmatch(r"(?:M-?\d+ -?\d+l(?:[ -]?-?\d+[ -]\d+)+|M-?\d+ -?\d+)+", said)
    # walk it: absolute starts, relative steps
    at = np.zeros(2)
    walked = []
    for begin, steps in re.findall(r"M([-\d ]+)(?:l([-\d ]*))?", said):
        at = np.array([float(each) for each in re.findall(r"-?\d+", begin)])
        walked.append(at)
        numbers = [float(each) for each in re.findall(r"-?\d+", steps)]
        for step in zip(numbers[::2], numbers[1::2], strict=True):
            at = at + step
            walked.append(at)
    view = drawn.above
    real = [(10 * view.x(x), 10 * view.y(y)) for x, y in shape.path.tolist() if not math.isnan(x)]
    ends = np.array([walked[0], walked[-1]])
    assert ends == pytest.approx(np.array([real[0], real[-1]]), abs=0.51)


# ---- the past


@pytest.mark.parametrize(("spool", "members"), [("tpu-05", 6), ("pa6-07", 1)])
def test_the_past_ends_in_the_present_and_was_what_it_was(spool: str, members: int) -> None:
    record = read_spool(SAMPLES / "shelf" / f"{spool}.toml")
    state = state_at(record, AT_S, members=members)
    times = moments_of(record, AT_S).tolist()
    reel, outside = content_history(state, [times[0] - 10.0, *times])
    assert np.isnan(reel[0]).all()
    assert reel[-1] == pytest.approx(state.mean_wt_pct, rel=2e-3)
    assert outside[-1] == pytest.approx(state.next_fed_wt_pct, rel=2e-3)
    place = len(times) // 2
    then = state_at(record, times[place], members=members)
    assert reel[1 + place] == pytest.approx(then.mean_wt_pct, rel=2e-3)


@given(st.lists(st.floats(0.0, 1e7), min_size=2, max_size=9, unique=True))
def test_the_history_axis_runs_from_first_to_start_in_order(ages: list[float]) -> None:
    moments = sorted(AT_S - age for age in ages)
    if moments[-1] - moments[0] < 1.0:
        return
    place = read_spool(SAMPLES / "shelf" / "tpu-05.toml").places["bench"]
    stays = [DrawnStay(place, begin, end) for begin, end in itertools.pairwise(moments)]
    axis = charts.Ages(stays, moments[0], AT_S)
    found = [axis.place(moment) for moment in moments]
    assert found == sorted(found)
    assert axis.place(moments[0]) == pytest.approx(-1.0)
    assert axis.place(AT_S) == pytest.approx(0.0)


# ---- charts


@given(st.floats(1.0, 1e8))
def test_an_axis_of_time_has_a_unit_of_its_name_and_few_of_it(seconds: float) -> None:
    unit, word = charts.time_unit(seconds)
    assert unit == {"s": 1.0, "min": 60.0, "h": 3600.0, "days": 86_400.0}[word]
    assert word == "days" or seconds / unit <= 150
    assert word == "s" or seconds / unit >= 2.5


def test_a_chart_fits_a_strict_policy_and_tells_its_values() -> None:
    points = [charts.Point(layer, 100.0 * layer, 0.1, 0.1 + layer / 100, 0.4) for layer in range(1, 31)]
    drawn = charts.nozzle(
        points,
        good=0.15,
        marginal=0.3,
        until_s=3200.0,
        crossed=20,
        title="a <b> & c",
        desc="d",
        name="job0",
    )
    for text, frame in ((drawn.wide, drawn.frame_wide), (drawn.narrow, drawn.frame_narrow)):
        assert "style" not in text
        assert "metadata" not in text
        assert "a &lt;b&gt; &amp; c" in text
        assert "layer 20" in text
        assert "marginal up to 0.3" in text
        ids = re.findall(r' id="([^"]+)"', text)
        assert len(ids) == len(set(ids))
        for link in re.findall(r'(?:href="#|url\(#)([^")]+)', text):
            assert link in ids
        assert frame.first == 0.0
        assert frame.last == pytest.approx(3200 / 60)
        # the ring at the crossing stands where the frame says
        x = frame.left + (2000 / 60 - frame.first) / (frame.last - frame.first) * (frame.right - frame.left)
        y = frame.bottom - (0.3 - frame.low) / (frame.high - frame.low) * (frame.bottom - frame.top)
        rings = [
            (float(a), float(b))
            for a, b in re.findall(r'<use [^>]*x="([\d.]+)" y="([\d.]+)" fill="var\(--paper\)"', text)
        ]
        assert any(math.dist(ring, (x, y)) < 0.1 for ring in rings), (rings, x, y)


def test_names_with_signs_of_formulas_and_of_no_font_are_drawn_as_they_are() -> None:
    place = read_spool(SAMPLES / "shelf" / "tpu-05.toml").places["bench"]
    odd = "$x^{2$ 棚"
    from dataclasses import replace

    line = charts_curve()
    drawn = charts.history(
        [0.0, 3600.0, 7200.0],
        line,
        line,
        [DrawnStay(replace(place, name=odd), 0.0, 7200.0)],
        [(3600.0, 0.2, "weighed")],
        at_s=7200.0,
        limits=(0.1, 0.2),
        title="t",
        desc="d",
        name="p",
    )
    assert odd in drawn.wide


def charts_curve() -> object:
    from gcodetool.report.html.water import Curve

    return Curve(np.array([0.1, 0.1, 0.1]), np.array([0.2, 0.2, 0.2]), np.array([0.3, 0.3, 0.3]))


@pytest.mark.parametrize("floor", [0.02, 0.3])
@pytest.mark.parametrize("slope", [0.0, 0.4, -0.4])
def test_the_words_of_a_level_hide_no_curve_no_line_and_no_other_words(slope: float, floor: float) -> None:
    figure = Figure(figsize=(920 / 72, 310 / 72), dpi=72)
    renderer = FigureCanvasAgg(figure).get_renderer()
    axes = figure.add_axes((0.1, 0.1, 0.85, 0.85))
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    curve = [(x / 20, 0.35 + slope * (x / 20 - 0.5)) for x in range(21)]
    levels = [Level(0.36, "marginal up to 0.360", "red"), Level(floor, "good up to 0.020", "green")]
    name_levels(axes, levels, [curve])
    boxes = [text.get_window_extent(renderer) for text in axes.texts]
    points = axes.transData.transform([(x / 400, 0.35 + slope * (x / 400 - 0.5)) for x in range(401)])
    lines = [float(axes.transData.transform((0.0, level.value))[1]) for level in levels]
    assert len(boxes) == 2
    assert not boxes[0].overlaps(boxes[1])
    for box in boxes:
        assert not any(box.contains(x, y) for x, y in points)
        assert not any(box.y0 < line < box.y1 for line in lines)
        assert axes.get_window_extent().y0 <= box.y0
        assert box.y1 <= axes.get_window_extent().y1


@pytest.mark.parametrize("at", [0.0, 0.25, 0.6, 1.0])
@pytest.mark.parametrize("level", [0.34, 0.36, 0.5])
def test_the_words_of_a_mark_keep_off_the_limits_words_on_a_phone(level: float, at: float) -> None:
    figure = Figure(figsize=(340 / 72, 260 / 72), dpi=72)
    renderer = FigureCanvasAgg(figure).get_renderer()
    axes = figure.add_axes((0.15, 0.1, 0.8, 0.8))
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    curve = [(0.0, 0.35), (1.0, 0.45)]
    levels = [Level(level, "marginal up to 0.340", "red"), Level(0.1, "good up to 0.100", "green")]
    beside = name_mark(axes, (at, 0.35 + 0.1 * at), "before layer 1", levels, curve, "black")
    name_levels(axes, levels, [curve], beside=[beside])
    mark, *words = (text.get_window_extent(renderer) for text in axes.texts)
    assert len(words) == 2 and not any(mark.overlaps(box) for box in words)
    assert mark.x1 - mark.x0 <= beside.right - beside.left
    inside = axes.get_window_extent()
    assert inside.x0 <= mark.x0 and mark.x1 <= inside.x1 and inside.y0 <= mark.y0 and mark.y1 <= inside.y1
    height = axes.transData.transform((0.0, level))[1]
    assert not mark.y0 < height < mark.y1


def test_dates_names_and_amounts_are_held_together_where_words_stand_and_nowhere_else() -> None:
    page = (
        '<p title="a-b 2 g">petg-03 &amp; x&#39;s 0.2 wt % at 65 °C</p>'
        "<code>a-b 2 g</code><svg><text>a-b 2 g</text></svg>"
    )
    once = held_together(page)
    assert once == (
        '<p title="a-b 2 g"><span class="nb">petg-03</span> &amp; x&#39;s 0.2\u00a0wt\u00a0% at 65\u00a0°C</p>'
        "<code>a-b 2 g</code><svg><text>a-b 2 g</text></svg>"
    )
    assert held_together(once) == once
    long = "<p>a-very-long-name-of-a-file.gcode and/or-not</p>"
    assert held_together(long) == long


BOXES = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 12), st.integers(1, 4)).map(
        lambda box: (float(box[0]), float(box[1]), box[0] + 1.0, float(box[1] + box[2]))
    ),
    min_size=1,
    max_size=12,
)


@given(BOXES)
@example([(0.0, 0.0, 1.0, 2.0), (0.0, 2.0, 1.0, 3.0)])
def test_boxes_that_stand_on_each_other_are_one_and_cover_what_they_did(boxes):
    def cells(some):
        return {(left, row) for left, upper, _, lower in some for row in range(int(upper), int(lower))}

    joined = _joined(dict.fromkeys(boxes))
    assert cells(joined) == cells(boxes)
    for one, other in itertools.combinations(joined, 2):
        same_column = one[0] == other[0] and one[2] == other[2]
        assert not same_column or one[3] < other[1] or other[3] < one[1]  # apart: not even touching


@given(st.floats(-50, 50), st.floats(0, 300), st.floats(0, 5), st.floats(0, 300))
def test_a_view_holds_all_of_its_part_within_its_edges(left, wide, low, high):
    view = _view(left, left + wide, low, low + high)
    for x, z in itertools.product((left, left + wide), (low, low + high)):
        assert EDGE - 0.11 <= view.x(x) <= view.width - EDGE + 0.11
        assert EDGE - 0.11 <= view.y(z) <= view.height - EDGE + 0.11

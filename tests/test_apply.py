"""Laws of applied tweaks: what is fed stays to the last digit, paths stay, and twice is once.

Generated jobs are made of pairs, lines, arcs and G92 in every E mode; :func:`feed` reads them back with
decimal numbers, by rules of its own.
"""

import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.gcode import edits
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.targets import targets
from gcodetool.motion.timeline import Heating
from gcodetool.tweaks.retraction_edits import RetractionChange, firmware_retraction_edits, retraction_edits
from gcodetool.tweaks.temperature_edits import temperature_edits

E = re.compile(r"E(-?[\d.]+)")
AREA = Decimal("2.405281875")  # of 1.75 mm, as a volumetric slicer's retraction needs it here


class Writer:
    """Writes a job's lines; E words in the mode in force."""

    def __init__(self, *, dialect: Dialect, absolute: bool, bare: bool, digits: int) -> None:
        self.dialect, self.absolute, self.bare, self.digits = dialect, absolute, bare, digits
        self.e = Decimal(0)
        self.lines: list[str] = ["G90", "M82" if absolute else "M83", "G92 E0"]

    def number(self, value: Decimal) -> str:
        text = f"{value:.{self.digits}f}"
        if self.bare:
            text = text.rstrip("0").rstrip(".").replace("-0.", "-.") or "0"
            text = text[1:] if text.startswith("0.") else text
        return text

    def word(self, by: Decimal) -> str:
        by = Decimal(self.number(by)) if by else Decimal(0)
        self.e += by
        return f"E{self.number(self.e if self.absolute else by)}"

    def zero(self) -> None:
        self.lines.append("G92 E0")
        self.e = Decimal(0)


@st.composite
def jobs(draw, *, scale=Decimal(1)):
    """Return (text, dialect, layers as (offset, number), retraction [mm])."""
    dialect = draw(st.sampled_from(list(Dialect)))
    out = Writer(
        dialect=dialect,
        absolute=draw(st.booleans()),
        bare=draw(st.booleans()),
        digits=draw(st.sampled_from([3, 5])),
    )
    length = Decimal(draw(st.integers(20, 500))) / 100
    depth = Decimal(out.number(length * scale))
    wipes = draw(st.booleans())
    extra = Decimal(draw(st.sampled_from(["0", "0.02"])))
    if draw(st.booleans()) and dialect != Dialect.KLIPPER:
        out.lines.append("M221 S97")
    marks = []
    for layer in range(1, draw(st.integers(2, 4))):
        marks.append((len(out.lines), layer))
        out.lines += [";LAYER_CHANGE", f"G1 Z{layer * 0.2:.1f} F600"]
        for _ in range(draw(st.integers(1, 4))):
            kind = draw(st.sampled_from(["pair", "pair", "other", "blob", "tool", "zero", "arc", "set"]))
            if kind in ("pair", "other"):
                pulled = depth if kind == "pair" else depth + Decimal("0.5")
                pull(draw, out, pulled, wipes=wipes)
                if draw(st.booleans()):
                    out.zero()
                out.lines.append(f"G1 X{draw(st.integers(0, 99))} Y5 F9000")
                out.lines.append(f"G1 {out.word(pulled + extra)} F2100")
            elif kind == "blob":  # goes on printing while it is pulled back
                out.lines.append(f"G1 {out.word(-depth)} F2100")
                out.lines.append(f"G1 X9 Y9 {out.word(depth)}")
            elif kind == "tool":
                out.lines.append(f"T{draw(st.integers(0, 1))}")
                out.zero()
            elif kind == "zero":
                out.zero()
            elif kind == "arc":
                out.lines.append(f"G2 X10 Y10 I5 J0 {out.word(Decimal('0.25'))} F1800")
            else:
                out.lines.append("M106 S128")
            out.lines.append(
                f"G1 X{draw(st.integers(0, 99))} Y{draw(st.integers(0, 99))} {out.word(Decimal('1.234'))}"
            )
    end = draw(st.sampled_from(["\n", "\r\n"]))
    starts = [0]
    for line in out.lines:
        starts.append(starts[-1] + len(line + end))
    text = "".join(line + end for line in out.lines).encode()
    return text, dialect, [(starts[at], number) for at, number in marks], length


def pull(draw, out: Writer, depth: Decimal, *, wipes: bool) -> None:
    """Pull back *depth*: at once, or along wipes with or without a rest at the end."""
    if not wipes:
        out.lines.append(f"G1 {out.word(-depth)} F2100")
        return
    first, rest = depth / 2, Decimal("0.05") if draw(st.booleans()) else Decimal(0)
    out.lines.append(f"G1 X1 Y2 {out.word(-Decimal(out.number(first)))} F7680")
    second = depth - Decimal(out.number(first)) - Decimal(out.number(rest))
    out.lines.append(f"G1 X2 Y2 {out.word(-second)}")
    if rest:
        out.lines.append(f"G1 {out.word(-rest)} F2100")


def feed(text: bytes, dialect: Dialect):
    """Yield (line without its E word, filament of the line) exactly; the file's own unit."""
    for line, by, _ in registered(text, dialect):
        yield line, by


def registered(text: bytes, dialect: Dialect):
    """Yield (line without its E word, filament, the E register after it)."""
    absolute, e = True, Decimal(0)
    for line in text.decode().splitlines():
        by = Decimal(0)
        found = E.search(line)
        if line in ("M82", "M83"):
            absolute = line == "M82"
        elif line.startswith("G92") and found:
            e = Decimal(found[1])
        elif line.startswith("G") and found:
            value = Decimal(found[1])
            by = value - e if absolute else value
            if absolute or dialect != Dialect.REPRAPFIRMWARE:  # relative words leave its register alone
                e += by
        yield E.sub("E", line), by, e


def changed(text: bytes, done) -> bytes:
    return b"".join(edits.apply([text], done.edits))


def lengthened(job, *, more=0.25, from_layer=1, scale=1.0, volumetric=False, most=1e3):
    text, dialect, layers, length = job
    before = float(length)
    wanted = {tool: RetractionChange(before, before + more, 1.75, most) for tool in (0, 1)}
    done = retraction_edits(
        [text], dialect, wanted, layers=layers, from_layer=from_layer, volumetric=volumetric
    )
    return done, changed(text, done)


@given(jobs(), st.integers(1, 60))
def test_no_filament_is_won_or_lost_and_no_path_changes(job, hundredths) -> None:
    text, dialect, _, _ = job
    done, after = lengthened(job, more=hundredths / 100)
    old, new = list(feed(text, dialect)), list(feed(after, dialect))
    assert [line for line, _ in old] == [line for line, _ in new]
    assert sum(by for _, by in old) == sum(by for _, by in new)
    depth = Decimal(0)
    for (line, before), (_, now) in zip(old, new, strict=True):
        depth += before - now  # how much deeper it is pulled back at this moment
        assert 0 <= depth <= Decimal(hundredths) / 100
        if now != before:
            assert (before < 0 and now < before) or (before > 0 and now > before)
        if now > before:
            assert "X" not in line  # given back where the head stands, as before
    assert depth == 0
    for (_, _, was), (_, _, now) in zip(registered(text, dialect), registered(after, dialect), strict=True):
        assert 0 <= was - now <= Decimal(hundredths) / 100  # within a pair; the same after it
    assert was == now
    assert sum(done.pairs.values()) == sum(1 for (_, a), (_, b) in zip(old, new, strict=True) if b > a > 0)


@given(jobs(), st.integers(1, 60))
def test_each_pair_is_deeper_by_the_very_same_step(job, hundredths) -> None:
    text, dialect, _, _ = job
    _, after = lengthened(job, more=hundredths / 100)
    deeper = [
        b - a for (_, a), (_, b) in zip(feed(text, dialect), feed(after, dialect), strict=True) if b > a
    ]
    assert set(deeper) <= {Decimal(hundredths) / 100}


@given(jobs())
def test_where_nothing_is_in_the_way_every_pair_is_rewritten(job) -> None:
    text, _, _, _ = job
    done, _ = lengthened(job)
    kept = {reason for each in done.kept.values() for reason in each}
    for reason in kept:
        assert reason.startswith(
            (
                "not the retraction of",
                "filament is given back while the head moves",
                "less is",
                "a flow factor",
            )
        )
    if not done.pairs and not kept:
        assert not E.search(re.sub(r"(?m)^(?:G92|G1 X\d+ Y\d+ E|G2).*$", "", text.decode()))


@given(jobs())
def test_twice_is_once(job) -> None:
    text, dialect, layers, length = job
    _, once = lengthened(job)
    shift = {}
    # layers move with the edits before them
    done = retraction_edits(
        [text],
        dialect,
        {t: RetractionChange(float(length), float(length) + 0.25, 1.75, 1e3) for t in (0, 1)},
        layers=layers,
    )
    for offset, number in layers:
        shift[number] = offset + sum(
            len(e.replacement) - (e.stop - e.start) for e in done.edits if e.stop <= offset
        )
    again, twice = lengthened((once, dialect, [(shift[n], n) for _, n in layers], length))
    assert twice == once
    assert not again.edits


@given(jobs(), st.integers(1, 4))
def test_what_comes_before_the_layer_stays(job, layer) -> None:
    text, _, layers, _ = job
    begin = next((offset for offset, number in layers if number == layer), len(text))
    done, after = lengthened(job, from_layer=layer)
    assert after[:begin] == text[:begin]
    assert all(edit.start >= begin for edit in done.edits)


@given(jobs(scale=AREA), st.integers(2, 60))
def test_volumes_are_kept_too(job, hundredths) -> None:
    text, dialect, _, _ = job
    done, after = lengthened(job, more=hundredths / 100, volumetric=True)
    old, new = list(feed(text, dialect)), list(feed(after, dialect))
    assert sum(by for _, by in old) == sum(by for _, by in new)
    for (_, a), (_, b) in zip(old, new, strict=True):
        if b > a:
            assert abs((b - a) / AREA - Decimal(hundredths) / 100) <= Decimal("0.00002")
    assert set(done.pairs) <= {0, 1}


def test_a_flow_factor_does_not_pass_the_bound() -> None:
    text = b"M83\nM221 S110\n;LAYER_CHANGE\nG1 E-1 F2100\nG1 X9 Y9\nG1 E1\n"
    wanted = {0: RetractionChange(1.0, 2.0, 1.75, 2.0)}
    done = retraction_edits([text], Dialect.MARLIN, wanted, layers=[(15, 1)])
    assert done.edits == ()
    assert done.kept == {0: {"the flow factor takes it past the printer's bound": 1}}


@pytest.mark.parametrize(
    ("inside", "reason"),
    [
        ("T1", "a tool change"),
        ("M221 S90", "M221"),
        ("M82", "the E mode changes"),
        ("G10", "firmware retraction"),
        ("G92", "a bare G92"),
        ("G28 X", "G28"),
        ("MY_MACRO", "MY_MACRO, unknown here"),
    ],
)
def test_what_hides_e_inside_a_pair_keeps_it_as_it_is(inside, reason) -> None:
    text = f"M83\n;LAYER_CHANGE\nG1 E-1 F2100\n{inside}\nG1 X9 Y9\nG1 E1\nG1 X10 E1\n".encode()
    done = retraction_edits(
        [text], Dialect.MARLIN, {0: RetractionChange(1.0, 1.2, 1.75, 2.0)}, layers=[(4, 1)]
    )
    assert done.edits == ()
    (found,) = done.kept[0]
    assert found.startswith(reason)


def test_a_line_with_a_checksum_is_left_alone() -> None:
    text = b"M83\n;LAYER_CHANGE\nN5 G1 E-1 F2100*33\nG1 X9 Y9\nG1 E1\n"
    done = retraction_edits(
        [text], Dialect.MARLIN, {0: RetractionChange(1.0, 1.2, 1.75, 2.0)}, layers=[(4, 1)]
    )
    assert done.edits == ()


# ---------------------------------------------------------------- firmware retraction


@st.composite
def firmware_jobs(draw):
    """Return (text, dialect, layers, pairs by layer) of a job with G10 and G11."""
    dialect = draw(st.sampled_from(list(Dialect)))
    lines, marks, pairs = ["M83"], [], []
    held = draw(st.booleans())
    if held:
        lines.append("G10")
    for layer in range(1, draw(st.integers(2, 5))):
        marks.append((len(lines), layer))
        lines.append(";LAYER_CHANGE")
        for _ in range(draw(st.integers(0, 3))):
            if held:
                lines += ["G11", "G1 X1 E1"]
            lines += ["G10", "G1 X50 Y5"]
            if dialect == Dialect.REPRAPFIRMWARE and draw(st.booleans()):
                lines.append("G10 P0 S230")
            held = True
            pairs.append(layer)
    if held and draw(st.booleans()):
        lines.append("G11")
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line) + 1)
    return "".join(line + "\n" for line in lines).encode(), dialect, [(starts[a], n) for a, n in marks], pairs


@given(firmware_jobs(), st.integers(1, 4))
def test_the_firmware_is_told_once_and_told_back_and_never_while_it_holds(job, from_layer) -> None:
    text, dialect, layers, _ = job
    done = firmware_retraction_edits(
        [text],
        dialect,
        RetractionChange(1.0, 1.3, 1.75, 2.0),
        tools=[0],
        layers=layers,
        from_layer=from_layer,
    )
    if done.refused:
        assert not done.edits
        return
    after = changed(text, done).decode().splitlines()
    setting = re.compile(r"(?:M207 S|SET_RETRACTION RETRACT_LENGTH=)([\d.]+)$")
    length, held, used = 1.0, False, []
    for line in after:
        if found := setting.match(line):
            assert not held
            length = float(found[1])
        elif line == "G10":
            held = True
        elif line == "G11" and held:
            used.append(length)
            held = False
    assert length == 1.0  # the machine is as it was
    assert used.count(1.3) == done.pairs[0] > 0
    assert [line for line in after if not setting.match(line)] == text.decode().splitlines()


def test_a_job_that_sets_the_retraction_itself_is_left_alone() -> None:
    text = b";LAYER_CHANGE\nG10\nG11\nM207 S0.8\nG10\nG11\n"
    done = firmware_retraction_edits(
        [text], Dialect.MARLIN, RetractionChange(1.0, 1.3, 1.75, 2.0), tools=[0], layers=[(0, 1)]
    )
    assert done.refused == "M207 in the print itself sets the retraction anew"


# ---------------------------------------------------------------- temperatures


SPOKEN = (
    ("M104 S{}", Dialect.MARLIN),
    ("M109 T1 S{} ; note S245", Dialect.MARLIN),
    ("M109 R{}", Dialect.REPRAPFIRMWARE),
    ("G10 P1 S{} R180", Dialect.REPRAPFIRMWARE),
    ("M568 P0 S{}", Dialect.REPRAPFIRMWARE),
    ("PRINT_START BED=80 EXTRUDER={} CHAMBER=245", Dialect.KLIPPER),
    ("SET_HEATER_TEMPERATURE HEATER=extruder TARGET={}", Dialect.KLIPPER),
    ("TEMPERATURE_WAIT SENSOR=extruder MINIMUM={}", Dialect.KLIPPER),
)


def heated(lines, dialect):
    """Return the heating of *lines*, as the timeline gathers it, and their text."""
    text, found, tool = b"", [], 0
    for number, line in enumerate(lines, 1):
        raw = line.encode()
        if re.fullmatch(r"T\d", line):
            tool = int(line[1])
        found += [
            Heating(number, len(text), number - 1, each, line) for each in targets(raw, dialect, tool=tool)
        ]
        text += raw + b"\n"
    return found, text


@given(st.sampled_from(SPOKEN), st.sampled_from([0, 150, 200, 240, 245, 250]))
def test_only_words_equal_to_the_target_change(spoken, celsius) -> None:
    form, dialect = spoken
    line = form.format(celsius)
    heating, text = heated([line, "M140 S245", "G1 X245 Y245"], dialect)
    done = temperature_edits(heating, {0: {245.0: 238.0}, 1: {245.0: 238.0}}, layers=[(0, 1)])
    after = changed(text, done).decode()
    assert after == text.decode().replace(line, form.format(238 if celsius == 245 else celsius), 1)


def test_a_wait_that_would_never_end_keeps_the_tool_as_it_is() -> None:
    lines = ["M104 S245", "TEMPERATURE_WAIT SENSOR=extruder MINIMUM=242"]
    heating, _ = heated(lines, Dialect.KLIPPER)
    done = temperature_edits(heating, {0: {245.0: 238.0}}, layers=[(0, 1)])
    assert done.edits == ()
    assert done.refused == {0: "line 2 waits for at least 242 °C"}


def test_from_a_layer_on_the_target_in_force_is_set_anew() -> None:
    lines = ["M109 S245", ";1", "M104 S240", ";2", "T1", "M104 S240 T0"]
    heating, text = heated(lines, Dialect.MARLIN)
    starts = [(text.index(b";1"), 1), (text.index(b";2"), 2)]
    done = temperature_edits(heating, {0: {245.0: 238.0, 240.0: 235.0}}, layers=starts, from_layer=2)
    assert changed(text, done) == text.replace(b";2", b"M104 S235\n;2").replace(b"S240 T0", b"S235 T0")
    assert temperature_edits(heating, {0: {245.0: 238.0}}, layers=starts, from_layer=9).refused == {
        0: "there is no layer 9"
    }


@settings(max_examples=50)
@given(st.lists(st.sampled_from(SPOKEN[:2]), min_size=1, max_size=6), st.integers(0, 1))
def test_one_tools_words_are_not_anothers(spoken, tool) -> None:
    lines = [form.format(245) for form, _ in spoken]
    heating, text = heated(lines, Dialect.MARLIN)
    done = temperature_edits(heating, {tool: {245.0: 238.0}}, layers=[(0, 1)])
    for before, after in zip(lines, changed(text, done).decode().splitlines(), strict=True):
        own = ("T1" in before) == (tool == 1)
        assert (before != after) == own


# ---------------------------------------------------------------- whatever stands in a file

PIECES = st.sampled_from(
    [
        *(
            "G1 ",
            "G0",
            "G92 E",
            "G92",
            "G10",
            "G11",
            "M83",
            "M82",
            "G91",
            "G90",
            "G20",
            "T1",
            "M221 S",
            "M200 D",
            "N5 ",
        ),
        *(
            "E",
            "E-",
            "-.8",
            ".8",
            "0.80",
            "9" * 30,
            "1e5",
            "X1 ",
            "Z.2 ",
            "F2100",
            ";",
            "(x)",
            "*71",
            "\n",
            "\n",
            "\n",
        ),
        *(
            "M104 S",
            "M109 R",
            "G10 P0 S",
            "245",
            "PRINT_START EXTRUDER=",
            "SET_HEATER_TEMPERATURE HEATER=extruder TARGET=",
        ),
        *(
            "TEMPERATURE_WAIT SENSOR=extruder1 MINIMUM=",
            "SET_RETRACTION",
            "\r",
            "\x00",
            "\xe9",
            ";LAYER_CHANGE\n",
        ),
    ]
)


@settings(max_examples=300)
@given(st.lists(PIECES, max_size=60), st.sampled_from(list(Dialect)), st.booleans())
def test_nothing_that_stands_in_a_file_upsets_them(pieces, dialect, volumetric) -> None:
    text = "".join(pieces).encode("latin-1")
    wanted = {tool: RetractionChange(0.8, 1.05, 1.75, 2.0) for tool in (0, 1)}
    done = retraction_edits([text], dialect, wanted, layers=[(0, 1)], volumetric=volumetric)
    after = changed(text, done)
    assert re.sub(rb"[-\d.]", b"", after) == re.sub(rb"[-\d.]", b"", text)
    again = firmware_retraction_edits([text], dialect, wanted[0], tools=[0], layers=[(0, 1)])
    assert len(again.edits) in (0, 2)
    for line in text.split(b"\n"):
        for each in targets(line, dialect, tool=0):
            assert float(line[each.start : each.stop]) == each.celsius


def test_a_retraction_that_is_held_already_is_not_where_the_firmware_is_told() -> None:
    text = b"G10\n;LAYER_CHANGE\nG10\nG11\nG10\nG11\n"
    done = firmware_retraction_edits(
        [text], Dialect.KLIPPER, RetractionChange(1.0, 1.3, 1.75, 2.0), tools=[0], layers=[(4, 1)]
    )
    told = changed(text, done)
    assert told == text.replace(b"G11\nG10\nG11\n", b"G11\nSET_RETRACTION RETRACT_LENGTH=1.3\nG10\nG11\n") + (
        b"SET_RETRACTION RETRACT_LENGTH=1\n"
    )

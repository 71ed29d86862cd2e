"""Tables of what is taken as input, and what is refused in which words, for ``told``: numbers, moments, files, forms."""

import importlib
import inspect
import itertools
import pathlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime

from told_tables import _asked, _cell, row

from gcodetool import profiles

NOW_S = 1_795_593_600.0  # 2026-11-25 09:00 in Vienna, a Wednesday
NUMBERS = (
    -1e9,
    -300.0,
    -1.0,
    0.0,
    1e-18,
    1e-9,
    0.009,
    0.5,
    1.0,
    2.0,
    11.0,
    101.0,
    999.0,
    1001.0,
    1e5,
    1e7,
    1e12,
)
TEXTS = ("1", "-1", "1,5", "1.5", "1,200", "1.000", "1 200", "1'200.5", "+3", ".5", "1e3", "abc", "", "12 g", "1.2kg", "3 oz",
         "1 lb", "150 °F", "65C", "300 K", "55%", "0.55", "½", "6h30", "90min", "1h", "1:30", "2 l", "500ml", "1 m", "175cm",
         "3 in", "2-3", "1,5 kg", "1.234,5", "nan", "inf", "12 x", "1 kWh", "200 W", "1.5 kW", "0.1 m2", "10 cm²", "1 m3/h",
         "2 l/min", "5 g/d", "100 mg/day")  # fmt: skip
SPANS = ("2h", "90min", "1d4h", "6h30", "6h75", "1:30", "1:75", "3d", "1w", "2 weeks", "1.5h30min", "1.5h", "1h 90min", "30min 1h",
         "5", "", "-2h", "1,200h", "60y", "45s", "1h30min15s", "2std", "0h")  # fmt: skip
MOMENTS = ("now", "08:00", "9", "8am", "8:30 pm", "12am", "noon", "midnight", "24:00", "25:00", "yesterday 18:00", "tomorrow 7",
           "today 23:59", "monday 08:00", "wed 08:00", "last friday 12:00", "2026-11-04", "2026-11-04 08:00", "2026-11-04T08:00Z",
           "2026-11-04T08:00:30.25+05:30", "20261104T080000Z", "4.11.2026 8:00", "04/11/2026 08:00", "4 nov 2026 08:00",
           "4. Mai 08:00", "nov 4 08:00", "2026-02-30 08:00", "2026-10-25 02:30", "2026-03-29 02:30", "2h ago", "in 2h", "vor 2h",
           "1800000000", "2026-13-01 08:00", "1850-01-01 00:00", "2026-11-04 08:00 CET", "2026-11-04 08:00 UTC", "soon",
           "yesterday")  # fmt: skip


def quantities() -> Iterator[str]:
    """What each kind of amount makes of texts."""
    from gcodetool import quantities as rules

    kinds = {name: kind for name, kind in vars(rules).items() if isinstance(kind, rules.Kind)}
    for name, kind in kinds.items():
        for text in TEXTS:
            found = _asked(rules.amount, text, kind)
            if not (isinstance(found, str) and "is no" in found and text not in ("abc", "12 x")):
                yield row(name, repr(text), found)
    yield row(
        "bare from 2",
        [_asked(rules.amount, text, rules.MASS, bare_from=2.0) for text in ("1.5", "2", "1.5g", "0")],
    )
    yield from (row("span", text, _asked(rules.span, text)) for text in SPANS)
    yield from (row("number", text, _asked(rules.number, text)) for text in TEXTS[:16])
    yield from (row("key", *ending[:-1], ending[-1].word) for ending in rules.ENDINGS)


def moments() -> Iterator[str]:
    """What texts mean as moments: at that hour, said of the past, of what comes, or of neither."""
    from gcodetool import moments as rules

    for text, tense in itertools.product(MOMENTS, (None, "coming", "past")):
        found = _asked(rules.moment, text, now_s=NOW_S, tense=tense)
        if tense != "past" or not isinstance(found, str):
            yield row(
                text, tense, found if isinstance(found, str) else (found.at_s, rules.wall(found.at_s), found)
            )
    yield from (row("recorded", text, _asked(rules.recorded_s, text)) for text in MOMENTS[16:27])


def bounds() -> Iterator[str]:
    """Each number of each kind of profile, replaced: which are taken, and what is said of those that are not."""
    from gcodetool.app.profiles import READERS

    base = profiles.find("bench-1").parent.parent
    for kind, read in READERS.items():
        seen: set[str] = set()
        for source in sorted((base / kind).glob("*.toml")):
            text = source.read_text(encoding="utf-8")
            for found in re.finditer(r"^([\w.]+) = (?:\[\s*)?(-?[\d.]+(?:e-?\d+)?)", text, re.MULTILINE):
                if found[1] not in seen:
                    seen.add(found[1])
                    yield from _tried(kind, read, text, found)


def _tried(
    kind: str, read: Callable[[pathlib.Path], object], text: str, found: re.Match[str]
) -> Iterator[str]:
    taken, said = [], []
    path = pathlib.Path("tried.toml")
    for number in NUMBERS:
        path.write_text(text[: found.start(2)] + repr(number) + text[found.end(2) :], encoding="utf-8")
        answer = _asked(read, path)
        (taken if not isinstance(answer, str) else said).append(
            number if not isinstance(answer, str) else answer
        )
    words = dict.fromkeys(re.sub(r"-?\d[\d.]*(?:e[-+]?\d+)?(?= |;|,|$)", "#", each, count=1) for each in said)
    yield row(kind, found[1], found[2], "takes", taken)
    yield from (f"    {each}" for each in words)


def records() -> Iterator[str]:
    """Spool files with one thing changed, and what is said of them."""
    from gcodetool.ledger.spoolfile import read_spool

    text = (profiles.sample_folder() / "shelf" / "tpu-05.toml").read_text(encoding="utf-8")
    text = text.replace(
        "temperature_C = 60.0",
        "temperature_C = 60.0\nset_offset_C = 2\nswing_C = 2\nslots = 2\npower_W = 300\nmax_temperature_C = 90",
    )
    text += '\n[place.box]\nkind = "box"\ntemperature_C = 22.0\nair_L = 18\nroom = "bench"\ndesiccant = "silica gel"\ndesiccant_g = 100\nexchange_m3_h = 0.001\n'
    text += '[place.bag]\nkind = "sealed"\nfilm = "foil"\nfilm_area_m2 = 0.2\n[place.bag-2]\nkind = "sealed"\nleak_g_per_day = 0.1\n'
    for at, kind in enumerate(("weighed", "fed", "inspected", "outcome")):
        more = {
            "weighed": "gross_g = 690.0",
            "fed": "length_mm = 500.0",
            "inspected": 'bubbles = "few"',
            "outcome": 'strings = "few"',
        }
        text += f'[[event]]\nat = 2026-11-25T08:{20 + at}:00+01:00\nkind = "{kind}"\n{more[kind]}\n'
    yield row("as it is", type(_asked(read_spool, _written(text))).__name__)
    for found in re.finditer(r"^(\w+) = (-?[\d.]+)$", text, re.MULTILINE):
        yield from _tried(f"line {text.count(chr(10), 0, found.start()) + 1}", read_spool, text, found)
    for was, now in (
        ('kind = "open"', 'kind = "shed"'), ('room = "bench"', 'room = "moon"'), ('kind = "moved"', 'kind = "thrown"'),
        ('place = "oven"', 'place = "kiln"'), ("sealed = true", "sealed = 1"), ('id = "tpu-05"', 'id = "TPU 05!"'),
        ('material = "TPU"', 'material = "PTU"'), ("2026-10-19T09:00:00+02:00", "2026-12-19T09:00:00+02:00"),
        ("2026-10-19T09:00:00+02:00", "1926-10-19T09:00:00+02:00"), ("at = 2026-11-24T18:00:00+01:00\n", ""),
        ('colour = "grey"', 'color = "grey"'), ('bubbles = "few"', 'bubbles = "some"'), ('film = "foil"', 'film = "paper"'),
        ("gross_g = 690.0", ""), ("[body]", "[boddy]"),
    ):  # fmt: skip
        yield row(was, now, _asked(read_spool, _written(text.replace(was, now, 1))))


def _written(text: str) -> pathlib.Path:
    path = pathlib.Path("tried.toml")
    path.write_text(text, encoding="utf-8")
    return path


def forms() -> Iterator[str]:
    """Forms of the page, filled in well and badly."""
    from gcodetool.serve.fields import AGO, READERS, moment

    tries = {
        "place": ("bench", ""), "tool": ("", "0", "255", "256", "x"), "celsius": ("", "60", "140F", "x", "250", "-300"),
        "grams": ("", "948.2", "1.2kg", "0", "1", "-3", "2000000", "1e99"), "scale": ("", "0.1", "5", "2"), "dryer": ("", "oven"),
        "hours": ("", "6", "6h30", "0", "10000", "10001"), "bubbles": ("", "none", "lots"), "oozes": ("", "yes", "no", "so"),
        "pops": ("yes",), "winding": ("good", "bad"), "strings": ("few", "x"), "surface": ("matt",), "parts": ("scrap",),
        "because": ("water", "moon"), "amount": ("", "12", "1.5kg", "0", "3m", "2e6"), "unit": ("g", "m", "x"), "rh": ("", "0", "55", "100", "101"),
        "desiccant": ("", "clay"), "entry": ("", "7", "-7", "1234567890123456"),
    }  # fmt: skip
    good = {
        name: values[1] if len(values) > 1 and not values[0] else values[0] for name, values in tries.items()
    }
    for (what, name), read in READERS.items():
        yield row(what, name, "empty", _asked(read, {}), "full", _asked(read, good))
        for field, values in tries.items():
            answers = [(value, _asked(read, {**good, field: value})) for value in values]
            if len({str(answer) for _, answer in answers}) > 1:
                yield from ("  " + row(field, repr(value), answer) for value, answer in answers)
    for ago in ("", *AGO, "never"):
        for at in ("", "2026-11-25 08:00", "08:00", "soon"):
            yield row(ago, at, _asked(moment, {"ago": ago, "when": at, "at": at}, lambda: NOW_S))


# ---------------------------------------------------------------- G-code


def commands() -> Iterator[str]:
    """Lines of G-code taken apart, and the targets of heat in them."""
    from gcodetool.gcode import dialects, targets, values

    lines = (
        b"M104 S215", b"M109 R180 S200 T1", b"N12 G1 X1 Y-.5 E1e2*33", b"G10 P1 S240 R180", b"M568 P2 S250 R100 A2", b"g1x1y2", b"T1",
        b"M117 layer 3; of 9", b"SET_HEATER_TEMPERATURE HEATER=extruder1 TARGET=240", b"TEMPERATURE_WAIT SENSOR=extruder MINIMUM=200 MAXIMUM=260",
        b"PRINT_START EXTRUDER_TEMP=245 BED_TEMP=80", b"START_PRINT T=210", b"M201 E500:400", b"G92 E0", b"M600", b"; only a comment",
        b"", b"M1000000", b"G28 X Y", b"M563 P0 S\"left\" D0:1", b"M109S210T0", b"M104 S1234567", b"M106 S255",
    )  # fmt: skip
    for line in lines:
        said = dialects.command(line)
        yield row(line.decode(), said.name, dict(said.words), said.text)
        for dialect in (dialects.Dialect.MARLIN, dialects.Dialect.KLIPPER, dialects.Dialect.REPRAPFIRMWARE):
            if found := targets.targets(line, dialect, tool=1):
                yield "  " + row(dialect.label, *found)
    for text in ("1,2,3", "1;2", "0.4", "nil", "", "a,b", '"spool: petg-03";"x"', "0x0,200x0,200x150", "1h 2m 3s", "1d 0h 5m", "90", "12:30",
                 "spool: pa6-07", "my spool pa6", "2h", "1.5,x"):  # fmt: skip
        yield row(repr(text), values.numbers(text), values.number(text), values.strings(text), values.points(text), values.spool_id(text),
                  values.seconds(text))  # fmt: skip


def odd() -> Iterator[str]:
    """Jobs of one odd line each, as each firmware reads them."""
    lines = ("G1 X10 Y10 E1e1", "G1 X1.2.3 E1", "G1 X+5 Y--5 E1", "G1 X5,5 E1", "G1 X10E1", "G2 X20 Y20 R10 E1", "G2 X20 Y20 R1 E1",
             "G3 X20 Y20 I5 E1 P2", "G2 X20 Z3 J5 E1", "G1 X{10+5} E1", "G1 X10 ; E5", "G1 X10 (note) E1", "G1 F0 X10 E1", "G1 X10 F-5 E1",
             "G1 X E1", "G1", "G0 X10 E1 H1", "G1 X10 U5 E1", "G1 X1e999 E1", "G1 X10 X20 E1", "G5 X10 Y10 I1 J1 P1 Q1 E1", "G29", "G38.2 Z0",
             "M600", "M25", "M0", "M999", "G53 G1 X5", "G1 X10 M104 S200", "G1 X10 G1 Y5", "G20", "G91", "M82", "M200 D1.75", "M221 S0",
             "M220 S50", "M302 P1", "M851 Z-1", "T5", "G4 S1 P500", "G4 P-5", "while true", "if 1", "echo \"x\"", "SET_GCODE_OFFSET Z=0.2 MOVE=1",
             "G1 X'5' E1", "G1 X10 E1 *77", "N5 G1 X10 E1*99", "M117 G1 X5", "G92.1", "G17", "G18", "G60", "M425 F1", "M605 S2", "BED_MESH_CALIBRATE",
             "G1 X10 S1", "G1 X10 R1", "M808 L3")  # fmt: skip
    head = "G28\nM109 S215\nG21\nG90\nM83\nG1 Z0.2 F600\nG1 X5 Y5 F3000\n"
    tail = "\nG1 X30 Y5 E1 F1200\nG1 X30 Y30 E1\n"
    for line in lines:
        path = pathlib.Path("odd.gcode")
        path.write_text(head + line + tail, encoding="utf-8")
        said: dict[str, str] = {}
        for dialect in ("marlin", "klipper", "reprapfirmware"):
            told = _cell(_asked(_timed, path, dialect))
            said[told] = f"{said[told]}, {dialect}" if told in said else dialect
        yield from (row(line, dialects, told) for told, dialects in said.items())


def _timed(path: pathlib.Path, dialect: str) -> object:
    from gcodetool.gcode.program import read
    from gcodetool.motion.file_cautions import file_cautions
    from gcodetool.motion.timing import build_timeline

    program = read(path, dialect=dialect)
    made = build_timeline(program)
    return (
        made.total_moving_s, made.total_extruding_s, made.total_waiting_s, made.filament_mm(0), made.lines, made.moves,
        [(each.feature, each.lines, each.reading.words) for each in made.odd], made.unknown, made.notes[1:],
        [each.text for each in made.waits[2:]], len(file_cautions(program, made)),
    )  # fmt: skip


def guesses() -> Iterator[str]:
    """Limits that were guessed, as a slower and as a faster machine has them."""
    from gcodetool.gcode.dialects import Dialect
    from gcodetool.motion import time_uncertainty as rules
    from gcodetool.motion.limits import limits_for

    for dialect, (slower, table) in itertools.product(
        (Dialect.MARLIN, Dialect.KLIPPER, Dialect.REPRAPFIRMWARE), ((True, rules.SLOW), (False, rules.FAST))
    ):
        found = limits_for(dialect)
        before = list(found.values)
        rules.assume(found, table[dialect], slower=slower)
        yield row(dialect.label, "slower" if slower else "faster", [
            (name, was, now) for name, was, now in zip(found.names, before, found.values, strict=True) if was != now
        ])  # fmt: skip


def heaters() -> Iterator[str]:
    """How long heaters take."""
    from gcodetool.motion.heat_up import seconds_between, warmed
    from gcodetool.profiledata import Heater

    for rate, cooling in ((2.0, None), (3.5, 0.8), (0.3, 0.05)):
        heater = _asked(Heater, rate, cooling)
        if isinstance(heater, str):
            yield heater
            continue
        for start, goal in ((23.0, 215.0), (215.0, 60.0), (100.0, 100.0)):
            yield row(rate, cooling, start, goal, _asked(seconds_between, start, goal, heater),
                      [_asked(warmed, start, goal, each, heater) for each in (0.0, 30.0, 1000.0)])  # fmt: skip


def presence() -> Iterator[str]:
    """When somebody is there."""
    from gcodetool.queue.presence import presence_of

    hours = [NOW_S + 3600.0 * each for each in (0, 5, 8, 9, 20, 40, 70, 90, 120)]
    for said in (
        ["Mon-Fri 07:30-18:00"], ["Sat-Sun 10:00-12:00", "Wed 20:00-02:00"], ["Fri-Mon 08:00-24:00"], ["always"], ["Mon 18:00-18:00"],
        ["Moonday 8-9"], ["Mon 25:00-26:00"], ["Mon 8:60-9"], ["daily 8-9"], ["Mon-Fri"], ["8-9"], [],
    ):  # fmt: skip
        found = _asked(presence_of, said)
        if isinstance(found, str):
            yield row(said, found)
            continue
        for name, call in inspect.getmembers(type(found), inspect.isfunction):
            if name.startswith("_") or len(inspect.signature(call).parameters) != 2:
                continue
            told = [_asked(getattr(found, name), each) for each in hours]
            yield row(
                said,
                name,
                [list(itertools.islice(each, 3)) if isinstance(each, Iterator) else each for each in told],
            )


def environment() -> Iterator[str]:
    """What a slicer hands over in the environment."""
    from gcodetool.gcode import slicer_environment as rules

    for given in (
        {"XY_PP_HOST": "File"}, {"XY_PP_OUTPUT_NAME": "a", "ZZ_PP_HOST": "b"}, {"XY_FILAMENT_TYPE": "PETG"},
        {"XY_FILAMENT_TYPE": "PETG", "ZZ_FILAMENT_DIAMETER": "1.75"}, {"_PP_HOST": "x"}, {"HOME": "/"},
        {"XY_PP_HOST": "File", "XY_FILAMENT_TYPE": "PETG", "XY_NOZZLE_DIAMETER": "0.4", "PATH": "/bin"},
    ):  # fmt: skip
        yield row(given, rules.prefix(given), rules.handed_over(given))


def interface() -> Iterator[str]:
    """The Python interface: names, parameters, and what each is where it is left out."""
    import gcodetool
    from gcodetool import errors

    for name in sorted(gcodetool.__all__):
        if callable(call := getattr(gcodetool, name)):
            yield row(name, [(each.name, str(each.kind), "-" if each.default is each.empty else "a function" if callable(each.default) else each.default)
                             for each in inspect.signature(call).parameters.values()])  # fmt: skip
    for name, error in sorted(vars(errors).items()):
        if isinstance(error, type):
            yield row(name, [each.__name__ for each in error.__mro__[1:3]], getattr(error, "exit_code", ""))


def clock() -> Iterator[str]:
    """How moments are shown."""
    from gcodetool.report import shelf_text

    for at in (0.0, 3600.0, NOW_S):
        yield row(at, shelf_text.when(at), datetime.fromtimestamp(at).isoformat())


GUARDED = ("textfile", "cachefile", "machinenotes", "machinegcode", "profilefile", "quantities", "gcode.binary", "gcode.containers", "gcode.remarks",
           "gcode.markers", "motion.limits", "motion.heat_up", "ledger.call", "ledger.place_entries", "ledger.hygrometer", "ledger.airlogfile",
           "queue.job_list", "serve.guard", "serve.fields", "serve.run", "serve.seal", "serve.settings", "slicerfiles.shapes",
           "slicerfiles.json_preset", "slicerfiles.bundle", "report.labels", "userdefaults")  # fmt: skip
GUARDS = re.compile(
    r"(?:MOST|LARGEST|LONGEST|BIGGEST|DEEPEST|BOMB|YEARS|HOTTEST|COLDEST|LEAST|FEWEST|SMALLEST)(?:_\w+)?"
)


def guards() -> Iterator[str]:
    """What is too large or too much at the doors: two gigabytes cannot be tried cheaply, so the figures are held."""
    for name in GUARDED:
        module = importlib.import_module(f"gcodetool.{name}")
        for key, value in sorted(vars(module).items()):
            if GUARDS.fullmatch(key) and isinstance(value, int | float | tuple | dict):
                yield row(name, key, value)


INPUTS: Mapping[str, Callable[[], Iterable[str]]] = {
    each.__name__: each
    for each in (
        quantities,
        moments,
        bounds,
        records,
        forms,
        commands,
        odd,
        guesses,
        heaters,
        presence,
        environment,
        interface,
        clock,
        guards,
    )
}

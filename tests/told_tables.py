"""Tables of rules that no command reaches cheaply, for ``told``: each yields lines, figures to nine digits."""

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping

import numpy as np

from gcodetool import profiles
from gcodetool.errors import GcodetoolError
from gcodetool.serve.fields import FieldError

MATERIALS = ("ABS", "ASA", "HIPS", "PA12", "PA6", "PA6_66", "PC", "PCTG", "PEEK", "PEI", "PET_amorphous", "PETG", "PLA",
             "PP", "PVA", "TPU_95A")  # fmt: skip
HOUR = 3600.0
SECONDS = (0.0, 0.4, 7.0, 59.4, 60.0, 89.0, 119.6, 299.0, 601.0, 1500.0, 3599.0, 3600.0, 5000.0, 7201.0, 21_000.0, 35_999.0,
           36_001.0, 86_399.0, 86_400.0, 100_000.0, 172_800.0, 200_000.0, 1e6, 2.6e6, 1e7)  # fmt: skip
WT_PCT = (0.0, 0.0004, 0.00449, 0.0096, 0.05, 0.0994, 0.0996, 0.1, 0.25, 0.997, 1.0, 2.344, 9.96, 12.0, 104.0)


def row(*cells: object) -> str:
    """Return a line of a table."""
    return " | ".join(_cell(each) for each in cells)


def _cell(value: object) -> str:
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return "(" + ", ".join(_cell(each) for each in value) + ")"
    if isinstance(value, float | np.floating):
        return f"{value:.9g}" if abs(value) < 1e8 else f"{value:.15g}"
    return str(value)


def _asked(call: Callable[..., object], *words: object, **more: object) -> object:
    """Return a value, or the error that comes instead."""
    try:
        return call(*words, **more)
    except (ArithmeticError, LookupError, RuntimeError, ValueError, GcodetoolError, FieldError) as error:
        return f"{type(error).__name__}: {error}"


# ---------------------------------------------------------------- water


def materials() -> Iterator[str]:
    """Each material as the model takes it: nominal, and as four members."""
    from dataclasses import fields

    from gcodetool.moisture.polymer import polymer

    for name, fibre, members in itertools.product(MATERIALS, (0.0, 20.0), (1, 3)):
        if fibre and members > 1:
            continue
        material = profiles.material(name)
        found = polymer(material, fibre_wt_pct=fibre, members=members, seed="pa6-07")
        yield f"{name}, {fibre:g} % fibre, {members} members"
        yield from ("  " + row(each.name, getattr(found, each.name)) for each in fields(found))
        content = found.equilibrium(np.array([-0.1, 0.0, 0.01, 0.1, 0.5, 0.9, 1.0, 1.1]), 313.15)
        yield "  " + row("content at 40 °C", content)
        yield "  " + row(
            "activity back", found.activity(content[3], 313.15), found.activity(content[5], 293.15)
        )
        yield "  " + row("own", found.own_equilibrium(0.4, 300.0), found.own_diffusivity(330.0, 0.002))
        yield "  " + row("D at 60 °C", found.diffusivity(333.15), found.diffusivity(333.15, 0.003))
        yield "  " + row("room", found.room_equilibrium(), "heat", found.latent_J_kg)


def desiccants() -> Iterator[str]:
    """Each desiccant's isotherm, cold and warm."""
    from gcodetool.moisture.air import drying_agent

    for name in ("activated_alumina", "calcium_chloride", "clay", "molecular_sieve_3A_4A", "silica_gel"):
        for kelvin in (278.15, 298.15, 313.15):
            agent = drying_agent(profiles.desiccant(name), kelvin)
            yield row(
                name, kelvin, agent.fresh_rh_pct, agent.spent_rh_pct, agent.rh_pct, agent.content_wt_pct
            )
            yield "  " + row([agent.content(each) for each in (0.0, 0.03, 0.1, 0.25, 0.5, 0.8, 1.0)])


def water() -> Iterator[str]:
    """Air and vapour."""
    from dataclasses import replace

    from gcodetool.moisture import air
    from gcodetool.moisture.condensation import condensation

    kelvin = np.array([273.16, 280.0, 296.15, 323.15, 363.15, 393.15, 450.0])
    yield row("saturation, Pa", air.saturation_pressure(kelvin))
    yield row("vapour, Pa", air.vapour_pressure(kelvin, 37.0))
    yield row("density, kg/m3", air.vapour_density(kelvin, air.vapour_pressure(kelvin, 37.0)))
    yield row("dew point, K", air.dew_point(np.array([650.0, 1000.0, 1400.0, 5000.0])))
    yield row("diffusivity, m2/s", air.vapour_diffusivity(kelvin), air.vapour_diffusivity(kelvin, 9e4))
    room = air.room_air(22.0, 48.0)
    for what, found in (
        ("room", room),
        ("heated", air.heated_air(60.0, 1200.0)),
        ("heated, no fan", air.heated_air(60.0, 25_000.0, fan=False)),
        ("exchanging", air.exchanging(replace(room, closed=True, air_m3=0.02), 1e-5, 800.0)),
        ("blown", air.blown(room, 3.0)),
        ("scarcely blown", air.blown(room, 0.5)),
    ):
        yield row(what, found.temperature_K, found.vapour_Pa, found.rh_pct, found.mass_m_s, found.through, found.heat_W_m2K,
                  found.members_exchange)  # fmt: skip
    for reel_C, room_C, rh in itertools.product((-10.0, 2.0, 9.0), (18.0, 22.0, 28.0), (30.0, 50.0, 80.0)):
        found = condensation(reel_C, room_C, rh, 0.75)
        yield row("cold reel", reel_C, room_C, rh, found and (found.dew_point_C, found.grams, found.warm_s))


def bags() -> Iterator[str]:
    """What bags let through."""
    from gcodetool.moisture import bag
    from gcodetool.moisture.record import Place

    for more in (
        {},
        {"film": "foil"},
        {"film": "metallised"},
        {"film": "polyamide-polyethylene"},
        {"film": "polyethylene"},
        {"film": "polyethylene", "film_area_m2": 0.4},
        {"leak_g_per_day": 0.1},
    ):
        for kind in ("sealed", "box"):
            place = Place("bag", kind, **more)  # type: ignore[arg-type]
            stream = [1e9 * bag.stream_m3_s(place, each) for each in (275.0, 296.15, 313.15)]
            yield row(
                kind, more, bag.leak_g_day(place), bag.leak_range(place), bag.is_unstated(place), stream
            )


def bodies() -> Iterator[str]:
    """What reels themselves hold."""
    from gcodetool.moisture.record import Body
    from gcodetool.moisture.reel_body import body_water

    for name in (
        "abs",
        "cardboard",
        "metal_or_glass_filled",
        "polycarbonate",
        "polypropylene",
        "polystyrene",
        "recycled_pla",
    ):
        for mass in (None, 180.0):
            held = body_water(Body(profile=profiles.spool_body(name), mass_g=mass))
            if held is None:
                yield row(name, mass, "holds nothing")
                continue
            grams = 1000.0 * held.balance_kg(np.array([0.0, 0.07, 0.2, 0.5, 0.85, 1.0]))
            yield row(
                name, mass, grams, held.weighed_kg, held.follows_s(278.0), held.follows_s(333.0), held.assumed
            )


def hydrolysis() -> Iterator[str]:
    """Steam, and cut chains."""
    from gcodetool.moisture import hydrolysis as chains

    yield row(
        "steam, Pa",
        [chains.steam_pressure(each) for each in (20.0, 100.0, 200.0, 250.0, 373.9, 374.0, 420.0)],
    )
    yield row("steam, mm3", [chains.steam_volume(0.01, each) for each in (200.0, 300.0)])
    for name in MATERIALS:
        material, found = profiles.material(name), chains.chains_of(name)
        loss = [
            chains.loss_of(material, wt, C, s)
            for wt, C, s in ((0.02, 230.0, 30.0), (0.3, 250.0, 60.0), (1.0, 280.0, 9.0))
        ]
        borne = (
            None
            if found is None
            else [chains.borne_s(found, 0.4, 260.0, share) for share in (0.02, 0.1, 0.4)]
        )
        turns = found.turns_at_wt_pct(250.0) if isinstance(found, chains.AmideBalance) else ""
        faster = None if found is None else chains.chain_loss(found.faster(found.factor), 0.2, 245.0, 40.0)
        yield row(name, loss, borne, turns, faster, found and found.published)


def severity() -> Iterator[str]:
    """What a strand beyond its limit does."""
    from gcodetool.judge.severity import damage

    over = (None, 0.9, 1.0, 1.2, 1.24, 1.26, 1.49, 1.5, 1.51, 2.0)
    for name in MATERIALS:
        yield row(name, [damage(profiles.material(name), each) for each in over])


def signs() -> Iterator[str]:
    """What words about prints mean."""
    from gcodetool.limits import signs as rules

    ratios = np.log(np.array([0.1, 0.5, 1.0, 2.0, 4.0]))
    for question, words in rules.WORDS.items():
        for word in words:
            for each in rules.answers(((question, word),)):
                yield row(question, word, each.sign.limit, each.sign.factor, each.passed, each.line,
                          rules.log_chance(each, ratios), rules.log_chance(each, ratios, wider=2.0))  # fmt: skip
    sign = rules.SIGNS["bubbles"][1]
    yield row(rules.shown(sign, ratios, np.log(np.array([0.5, 1.0]))))


# ---------------------------------------------------------------- motion, heat


SAID = (b"M201 X500 Y600 Z70 E5000", b"M203 X12000 Y180 Z5 E30", b"M204 P800 T900 R700", b"M204 S650", b"M205 X9 Z0.5 E4 S1 T2",
        b"M205 J0.02", b"M205 J0.5", b"M92 X100 E420:400", b"M92 X0.5", b"M207 S1.5 F1800 Z0.3 T1200 R0.1", b"M208 S0.1 F600",
        b"M566 X900 Y900 Z30 E300 P1", b"M572 D0 S0.05", b"M900 K0.04", b"SET_VELOCITY_LIMIT VELOCITY=200 ACCEL=2500",
        b"SET_VELOCITY_LIMIT ACCEL_TO_DECEL=900 SQUARE_CORNER_VELOCITY=4 MINIMUM_CRUISE_RATIO=0.3", b"SET_PRESSURE_ADVANCE ADVANCE=0.05",
        b"SET_RETRACTION RETRACT_LENGTH=1.1 RETRACT_SPEED=33 UNRETRACT_EXTRA_LENGTH=0.1 UNRETRACT_SPEED=12", b"M201 X-5", b"M203 X0")  # fmt: skip


def planners() -> Iterator[str]:
    """Each dialect's limits: from nothing, from each printer's profile, and after what a file may say."""
    from gcodetool.gcode.dialects import Dialect, command
    from gcodetool.motion.limits import limits_for

    printers = [None, *(profiles.printer(name) for name in ("bench-1", "bench-2", "bench-3", "rig-4"))]
    for dialect, printer in itertools.product(
        (Dialect.MARLIN, Dialect.KLIPPER, Dialect.REPRAPFIRMWARE), printers
    ):
        found = limits_for(dialect, printer=printer, filament_mm=2.85 if printer is None else None)
        yield row(
            dialect.label, printer and printer.name, found.guessed, [each.name for each in found.uses()]
        )
        yield from ("  " + row(*each) for each in zip(found.names, found.values, found.sources, strict=True))
        for number, line in enumerate(SAID, 1):
            said = command(line)
            taken, wrong = found.apply(said, number), found.wrong_units(said.name)
            if taken or wrong:
                yield "  " + row(line.decode(), wrong, [each for each in zip(found.names, found.values, strict=True)
                                                        if found.source(each[0]) == f"the file, line {number}"])  # fmt: skip
        found.acceleration_seen(99)
        yield "  " + row(found.accelerations(), [each.source for each in found.uses() if "99" in each.source])


def _plainly(value: object, name: str = "") -> Iterator[str]:
    """Yield the figures of an object made of plain parts."""
    from dataclasses import fields, is_dataclass

    if is_dataclass(value):
        for each in fields(value):
            yield from _plainly(getattr(value, each.name), f"{name}.{each.name}" if name else each.name)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from _plainly(each, f"{name}[{key}]")
    else:
        yield row(name, value)


def heat() -> Iterator[str]:
    """What heat did, by stays."""
    from gcodetool.judge.heat_damage import limits_of_shape
    from gcodetool.moisture.record import Body, Event, Place, Spool

    places = {"bench": Place("bench", "open", 22.0, 50.0)}
    for name, body in itertools.product(MATERIALS, (None, "cardboard", "recycled_pla")):
        spool = Spool(
            "s", profiles.material(name), 1.75, 750.0, places, (Event(0.0, "received", place="bench", sealed=False),),
            body=Body(profile=body and profiles.spool_body(body)),
        )  # fmt: skip
        for each in limits_of_shape(spool):
            yield row(name, body, *_plainly(each))


def statistics() -> Iterator[str]:
    """Small samples, against tables."""
    from gcodetool.series import statistics as rules

    groups = [[41.0, 42.5, 40.2], [37.0, 38.2], [39.0, 41.0, 40.0, 38.8]]
    pooled = rules.one_way(groups)
    yield row("one way", *_plainly(pooled))
    yield row("within", rules.within_groups(groups), rules.within_groups([[1.0], [2.0]]))
    yield row("interval", [rules.mean_interval(each, pooled, 0.95) for each in groups])
    for margin in (None, (-2.0, 2.0), (-6.0, 0.5)):
        found = rules.difference(groups[0], groups[1], pooled, confidence=0.95, margin=margin)
        yield row("difference", margin, *_plainly(found))
    yield row("ratings", rules.rating_p([5, 5, 4], [3, 4, 2]), rules.rating_p([1, 2], [1, 2]))
    yield row("fewest", [rules.fewest_ratings(0.95, each) for each in (1, 2, 3, 6, 20)])
    yield row("holm", rules.holm([0.04, 0.01, 0.03, 0.5]), rules.holm([0.3]))
    yield row("log spread", [rules.log_spread(each) for each in (0.01, 0.1, 0.4)])


# ---------------------------------------------------------------- what is drawn and written


def labels() -> Iterator[str]:
    """Labels: the code's rectangles, words and sizes, on paper of several sizes."""
    from matplotlib.figure import Figure

    from gcodetool.report import labels as made

    label = made.Label(
        "pa6-07", "pa6-07", ("PA6, natural", "dried 2026-11-03, 10 h at 78 °C", "at most 80 °C (reel)")
    )
    long = made.Label("http://workshop.local:8340/s/a-spool-with-a-long-name", "a-spool-with-a-long-name-of-its-own",
                      tuple(f"a line of small words, number {each}, that goes on" for each in range(4)))  # fmt: skip
    for one, size in itertools.product((label, long), ((50.0, 30.0), (30.0, 60.0), (25.0, 12.0))):
        figure = Figure(figsize=(size[0] / 25.4, size[1] / 25.4))
        error = _asked(made._label, figure, one, 0.0, 0.0, size, size)
        yield row(one.name, size, error or "drawn")
        for axes in figure.axes if error is None else ():
            yield "  " + row(axes.get_position().bounds, axes.get_xlim(), axes.get_ylim())
            boxes = [each.get_extents().bounds for each in axes.collections[0].get_paths()]
            yield "  " + row(
                len(boxes), *boxes[:3], boxes[-1], [float(sum(each)) for each in zip(*boxes, strict=True)]
            )
            for text in axes.texts:
                yield "  " + row(text.get_position(), text.get_fontsize(), text.get_weight(), text.get_text())
    sheets = made._pages([label] * 5, (60.0, 100.0), (210.0, 297.0)) + made._pages(
        [label] * 3, (50.0, 30.0), None
    )
    yield from (row(len(page), [place for _, place in page]) for page in sheets)
    yield row([_asked(made._pages, [label], size, sheet) for size, sheet in (
        ((9.0, 30.0), None), ((50.0, 1201.0), None), ((50.0, 30.0), (40.0, 100.0)), ((10.0, 10.0), None),
    )])  # fmt: skip


def words() -> Iterator[str]:
    """How lengths of time, contents and shares are worded."""
    from gcodetool.drying import words as drying
    from gcodetool.report import as_text, drying_text, money, queue_text
    from gcodetool.report.plot import ASCII, Limit, plot

    for seconds in SECONDS:
        yield row(
            seconds,
            drying.hours(seconds),
            drying.timer_s(seconds),
            as_text.duration(seconds),
            queue_text.short(seconds),
        )
    yield row(as_text.duration(None), [drying.degrees(each) for each in (59.96, 60.0, 64.5)])
    yield row([drying.content(each) for each in (*WT_PCT, None, math.nan, math.inf)])
    yield row([as_text.percent(each) for each in (*WT_PCT, None)])
    yield row([drying_text.metres(each) for each in (0.0, 40.0, 999.0, 1500.0, 9999.0, 123_456.0)])
    yield row([money.money(each) for each in (0.0, 0.004, 0.126, 3.5, 1234.5)])
    yield row([queue_text.runs(each) for each in ((1,), (1, 2), (1, 2, 3), (1, 3, 4, 5, 9), ())])
    yield row(
        [
            queue_text.moment(1_795_593_600.0 + each, 1_795_593_600.0)
            for each in (0.0, 7200.0, 86_400.0, 6e5, 3e7)
        ]
    )
    band = [(0.02 + 0.003 * at, 0.05 + 0.004 * at, 0.1 + 0.006 * at) for at in range(90)]
    for width, values in ((80, band), (40, band[:5]), (24, band), (70, [(0.0, 0.0, 0.0)])):
        limits = [Limit(0.08, "good"), Limit(0.31, "marginal")]
        yield from plot(values, limits, ends=("layer 1", "layer 90"), width=width, signs=ASCII)


# ---------------------------------------------------------------- the command line


def options() -> Iterator[str]:
    """Every option of every command: its default and what it takes."""
    import click

    from gcodetool.cli.main import main, whole

    def below(command: click.Command, path: str) -> Iterator[str]:
        if isinstance(command, click.Group):
            for name, each in command.commands.items():
                yield from below(each, f"{path} {name}".strip())
            return
        ctx = click.Context(command)
        yield f"{path}: {command.get_short_help_str(100)}"
        for param in command.params:
            kind, default = param.type, param.get_default(ctx)
            if isinstance(kind, click.Choice):
                told = [getattr(each, "value", each) for each in kind.choices]
            else:
                told = list(_limits(kind))
            yield "  " + row("/".join(param.opts + param.secondary_opts), param.required, param.nargs,
                             getattr(param, "multiple", False), str(default).replace("Sentinel.UNSET", "None"),
                             kind.name, told)  # fmt: skip

    yield from below(whole(main), "")


def _limits(kind: object) -> Iterable[str]:
    for name in (
        "min",
        "max",
        "min_open",
        "max_open",
        "least",
        "most",
        "above",
        "below",
        "bare_from",
        "tense",
        "kinds",
        "clamp",
    ):
        value = getattr(kind, name, None)
        if value is not None and value is not False:
            yield f"{name} {value}"


TABLES: Mapping[str, Callable[[], Iterable[str]]] = {
    each.__name__: each
    for each in (
        materials,
        desiccants,
        water,
        bags,
        bodies,
        hydrolysis,
        severity,
        signs,
        planners,
        heat,
        statistics,
        labels,
        words,
        options,
    )
}

"""The tables of docs/drying.md: what ``drying plan`` says of materials, dryers and fills.

Run: ``python docs/experiments/drying_table.py`` (prints them), ``… --write`` (puts them into the page).
"""

import contextlib
import io
import json
import pathlib
import re
import sys
import tempfile
from typing import Any

from gcodetool.cli.main import outcome
from gcodetool.drying.instructions import hours

PAGE = pathlib.Path(__file__).parent.parent / "drying.md"
MARK = re.compile(r"(<!-- drying_table: (?P<name>\w+) -->\n).*?(<!-- end -->)", re.DOTALL)
FULL_G, NEARLY_EMPTY_G = 1000, 100
MEMBERS = 64
REELS = {"PC": "polycarbonate"}  # what the reel is made of; else polypropylene, which stands 85 °C

# material, dryer, net mass, more options; the room is 23 °C and 50 % RH unless they say so
CASES = (
    ("PLA", "dehydrator", FULL_G, ()),
    ("PLA", "dehydrator", NEARLY_EMPTY_G, ()),
    ("PETG", "heated-box", FULL_G, ()),
    ("PETG", "heated-box", NEARLY_EMPTY_G, ()),
    ("ABS", "oven", FULL_G, ()),
    ("ASA", "dehydrator", FULL_G, ()),
    ("PC", "oven", FULL_G, ()),
    ("PA6", "oven", FULL_G, ()),
    ("PA6", "oven", NEARLY_EMPTY_G, ()),
    ("PA6", "desiccant-dryer", FULL_G, ()),
    ("PA12", "sealed-box", FULL_G, ()),
    ("TPU", "dehydrator", FULL_G, ()),
)
NEVER = (
    ("PET_amorphous", "heated-box", FULL_G, ("--at-most", "60")),
    ("PVA", "heated-box", FULL_G, ("--at-most", "50")),
    ("PA6", "heated-box", FULL_G, ("--at-most", "60")),
    ("PLA", "heated-box", FULL_G, ("--at-most", "45", "--humidity", "60")),
    ("TPU", "heated-box", FULL_G, ("--at-most", "60", "--humidity", "70")),
)

RECORD = """\
id = "{id}"
material = "{material}"
diameter_mm = 1.75
net_mass_g = {grams}

[body]
material = "{reel}"
hub_diameter_mm = 80
width_mm = 60

[place.bench]
kind = "open"
temperature_C = 23.0
rh_pct = {rh}

[[event]]
at = 2026-11-02T08:00:00+01:00
kind = "received"
place = "bench"
sealed = false
"""


def planned(material: str, dryer: str, grams: int, more: tuple[str, ...]) -> dict[str, Any]:
    """Return the plan for a reel found open in that room."""
    options = dict(zip(more[::2], more[1::2], strict=True))
    rh = options.pop("--humidity", "50")
    reel = REELS.get(material, "polypropylene")
    with tempfile.TemporaryDirectory() as folder:
        file = pathlib.Path(folder, "reel.toml")
        name = material.lower().replace("_", "-")
        file.write_text(
            RECORD.format(id=name, material=material, grams=grams, reel=reel, rh=rh), encoding="utf-8"
        )
        words = ["drying", "plan", str(file), "--dryer", dryer, "--at", "2026-11-25T09:00:00+01:00", "--json"]
        words += ["--members", str(MEMBERS), *(word for pair in options.items() for word in pair)]
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            code = outcome(words)
    if code:
        raise SystemExit(code)
    found: dict[str, Any] = json.loads(out.getvalue())
    return found


def row(case: tuple[str, str, int, tuple[str, ...]]) -> str:
    """Return a line of the first table."""
    material, dryer, grams, _ = case
    plan = planned(*case)
    good, marginal = plan["reaches"]

    def when(reach: dict[str, Any]) -> str:
        if reach["outcome"] == "already":
            return "already"
        if reach["p50_s"] is None:
            return (
                "never in this air"
                if reach["outcome"] == "never"
                else f"longer than {hours(plan['looked_at_s'])}"
            )
        if reach["p90_s"] is None:
            return f"{hours(reach['p50_s'])} / {round(100 * reach['share'])} in 100 get there"
        return f"{hours(reach['p50_s'])} / {hours(reach['p90_s'])}"

    spent = plan["energy"]
    kwh = "" if spent is None else f"{spent['kWh']:.2g}"
    floor = f"{plan['floor_wt_pct']['p50']:.3f} of {good['limit_wt_pct']:.3f}"
    return (
        f"| {material} | {dryer} | {grams} g | {plan['temperature_C']:g} °C: {plan['binding']['whose']} | {floor} | "
        f"{when(marginal)} | {when(good)} | {kwh} |"
    )


def never_row(case: tuple[str, str, int, tuple[str, ...]]) -> str:
    """Return a line of the second table."""
    material, dryer, _, _ = case
    plan = planned(*case)
    good = plan["reaches"][0]
    verdict = "never in this air" if good["outcome"] == "never" else good["outcome"]
    looked = hours(plan["looked_at_s"])
    ways = [
        f"{one['what']}: {hours(one['p50_s']) if one['p50_s'] is not None else f'longer than {looked}'}"
        for one in plan["instead"]
        if one["outcome"] != "never"
    ]
    room = f"{plan['dryer']['room_temperature_C']:g} °C, {plan['dryer']['room_rh_pct']:.0f} % RH"
    floor = f"{plan['floor_wt_pct']['p50']:.3f} of {good['limit_wt_pct']:.3f}"
    return f"| {material} | {plan['temperature_C']:g} °C in {dryer} | {room} | {floor} | {verdict} | {'; '.join(ways)} |"


def factors() -> str:
    """Return how much longer a full reel takes than a nearly empty one, for the cases that have both."""
    told = []
    for material, dryer, grams, more in CASES:
        if grams == NEARLY_EMPTY_G:
            full, empty = (
                planned(material, dryer, each, more)["reaches"][0]["p50_s"]
                for each in (FULL_G, NEARLY_EMPTY_G)
            )
            told.append(f"{material} {full / empty:.1f}")
    return f"Hours of the full reel over those of the nearly empty one: {', '.join(told)}."


def tables() -> dict[str, str]:
    """Return the tables by name."""
    return {
        "factors": factors(),
        "cases": "\n".join(
            [
                "| material | dryer | filament left | at, and what binds | floor of good, wt % | marginal p50 / p90 | "
                "good p50 / p90 | kWh |",
                "| --- | --- | --- | --- | --- | --- | --- | --- |",
                *(row(case) for case in CASES),
            ]
        ),
        "never": "\n".join(
            [
                "| material | at | room | floor of good, wt % | good | what would do |",
                "| --- | --- | --- | --- | --- | --- |",
                *(never_row(case) for case in NEVER),
            ]
        ),
    }


def filled(text: str, made: dict[str, str]) -> str:
    """Return the page with its tables replaced."""
    return MARK.sub(lambda found: found[1] + made[found["name"]] + "\n" + found[3], text)


if __name__ == "__main__":
    made = tables()
    if "--write" in sys.argv:
        PAGE.write_text(filled(PAGE.read_text(encoding="utf-8"), made), encoding="utf-8")
    else:
        print("\n\n".join(made.values()))

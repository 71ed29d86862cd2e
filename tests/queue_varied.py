"""Workshops of every kind, drawn at random and written as files: what the laws of the queue must hold in.

A list of 1 to 12 jobs for up to four printers, a shelf, dryers and boxes, people's hours; and for some a plan that was begun
before, with what was noted since.  The files can be read, planned and shown by hand as well.
"""

import io
import random
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from plan_checker import check
from queue_world import HOUR, NOW, job, spool

from gcodetool.app.queue import listed, queue_plan, stock_of
from gcodetool.profiles import sample_folder
from gcodetool.queue.findings import QueueFindings
from gcodetool.report.html.queue import queue as page_of
from gcodetool.report.queue_json import to_json
from gcodetool.report.queue_text import print_queue

WET = {"PETG": (0.02, 0.12, 0.42), "PLA": (0.05, 0.6), "TPU": (0.02, 0.9), "PA6": (0.1, 2.4)}
HOURS = (
    (),
    ("Mon-Fri 07:30-18:00",),
    ("Mon-Fri 07:30-18:00", "Sat 09:00-12:00"),
    ("Mon-Fri 07:30-12:00", "Mon-Fri 13:00-18:00", "Wed-Sun 20:00-02:00"),
    ("Thu 09:00-10:00",),
)
NAMES = (
    "hose-clips",
    "seed-tray",
    "drip-manifold",
    "seals",
    "pump-bracket",
    "filter-cap",
    "labels",
    "gauge-box",
)
MANY = ("bench-2", "bench-3", "bench-5.toml", "bench-6.toml")


@dataclass
class VariedWorld:
    """A workshop in files.

    Attributes
    ----------
    path : of the list.
    not_started : of a plan that was begun, numbers of jobs that were not started after all.
    later_s : when it is taken up again; None: it is not.
    """

    path: Path
    later_s: float | None = None
    not_started: list[int] = field(default_factory=list)


def local(at_s: float) -> str:
    """Return a moment as files have it."""
    return datetime.fromtimestamp(at_s).astimezone().isoformat()


def places(dice: random.Random, printers: tuple[str, ...]) -> str:
    """Return the tables of all places: rooms, bags, boxes, dryers with slots and temperatures, printers."""
    own_air = f"air_L = {dice.choice((20, 45))}\nexchange_m3_h = {dice.choice((0.01, 0.3))}\n"
    charge = 'air_L = 9\ndesiccant = "silica gel"\ndesiccant_g = 200\n'
    parts = [
        '[place.bench]\nkind = "open"\ntemperature_C = 23.0\nrh_pct = '
        + dice.choice(("30.0", "55.0", "70.0")),
        '[place.bag]\nkind = "sealed"',
        '[place.box-2]\nkind = "box"\ntemperature_C = 22.0\n'
        + dice.choice(("rh_pct = 12.0\n", charge))
        + dice.choice(("", "slots = 2\n")),
        '[place.box-3]\nkind = "box"\ntemperature_C = 22.0\nrh_pct = 20.0\n'
        + dice.choice(("", "slots = 3\n")),
        '[place.oven]\nkind = "dryer"\ntemperature_C = 65.0\nmax_temperature_C = 90.0\nroom = "bench"\n'
        + dice.choice(("", "slots = 2\n"))
        + dice.choice(("", "set_offset_C = 4\nswing_C = 3\n")),
        '[place.dehydrator]\nkind = "dryer"\ntemperature_C = 60.0\nmax_temperature_C = 75.0\nslots = 3\nroom = "bench"\n'
        + dice.choice(("", own_air)),
    ]
    parts += [
        f'[place.{Path(name).stem}]\nkind = "printer"\nprinter = "{name}"\nroom = "bench"'
        for name in printers
        if not name.endswith(".toml")
    ]
    parts += [
        f'[place.{Path(name).stem}]\nkind = "printer"\nroom = "bench"'
        for name in printers
        if name.endswith(".toml")
    ]
    return "\n\n".join(parts) + "\n"


def machines(dice: random.Random, folder: Path) -> tuple[str, ...]:
    """Write profiles of printers with boxes, some of another nozzle; return the names that a list gives."""
    twin = (sample_folder().parent / "profiles" / "printers" / "bench-2.toml").read_text(encoding="utf-8")
    for name in ("bench-5", "bench-6"):
        boxes = dice.choice(("[]", '["box-2"]', '["box-2", "box-3"]'))
        text = twin.replace('"bench-2"', f'"{name}"')
        if dice.random() < 0.2:
            text = text.replace("nozzle_mm = 0.4", "nozzle_mm = 0.6")
        (folder / f"{name}.toml").write_text(f"feed_places = {boxes}\n{text}", encoding="utf-8")
    return tuple(dice.sample(MANY, dice.choice((1, 2, 2, 3, 4))))


def reel_events(dice: random.Random, at_s: float) -> str:
    """Return what may be noted of a reel at a moment: fed, moved, looked at."""
    drawn = dice.random()
    if drawn < 0.4:
        return f'[[event]]\nat = {local(at_s)}\nkind = "fed"\nlength_mm = {dice.choice((800, 9000))}\n'
    if drawn < 0.7:
        return f'[[event]]\nat = {local(at_s)}\nkind = "moved"\nplace = "{dice.choice(("bench", "bag", "oven"))}"\n'
    return f'[[event]]\nat = {local(at_s)}\nkind = "inspected"\nbubbles = "{dice.choice(("none", "few"))}"\n'


def shelf(dice: random.Random, folder: Path, printers: tuple[str, ...]) -> list[str]:
    """Write reels; return their materials."""
    known = places(dice, printers)
    used = dice.sample(sorted(WET), dice.choice((1, 2, 2, 3)))
    on_printers = [Path(name).stem for name in printers]
    for number in range(dice.randint(1, 9)):
        material = used[0] if number == 0 else dice.choice(used)
        stands = dice.choice(("bench", "bag", "bag", "box-2", "box-3", "oven", "dehydrator", *on_printers))
        if stands in on_printers:
            on_printers.remove(stands)
        spool(
            folder,
            f"{material.lower()}-{number:02}",
            material,
            water=dice.choice(WET[material]),
            place=stands,
            net_g=dice.choice((15, 60, 250, 250, 500, 1000)),
            colour=dice.choice(("natural", "natural", "smoke")),
            places=known,
            events=reel_events(dice, NOW - 2 * HOUR) if dice.random() < 0.2 else "",
        )
    return used


def job_entry(
    dice: random.Random,
    folder: Path,
    number: int,
    printers: tuple[str, ...],
    used: list[str],
    reels: list[str],
) -> str:
    """Write a job; return its entry in the list."""
    count = dice.choice((1, 1, 1, 1, 1, 2))
    named = [dice.choice((*used * 5, "")) for _ in range(count)]
    hours, metres = dice.choice(((0.3, 2), (1, 8), (2, 20), (6, 30), (11, 60)))
    own = dice.choice(printers)
    path = job(
        folder,
        f"{dice.choice(NAMES)}-{number:02}.gcode",
        hours=hours,
        metres=metres,
        layers=4,
        materials=named,
        spools=[dice.choice(reels) for _ in named] if dice.random() < 0.1 else (),
    )
    if dice.random() < 0.03:
        path.write_bytes(b"\x00nothing")
    lines = [f'[[job]]\nfile = "{path.name}"\nprinter = "{own}"']
    if dice.random() < 0.5 and len(printers) > 1:
        fits = [name for name in printers if name != own]
        lines.append(f"fits = {dice.sample(fits, dice.randint(1, len(fits)))}".replace("'", '"'))
    if dice.random() < 0.4:
        lines.append(f"due = {local(NOW + dice.choice((10, 24, 48, 48, 90)) * HOUR)}")
    if dice.random() < 0.15:
        lines.append(f"earliest = {local(NOW + dice.choice((1, 3)) * HOUR)}")
    if dice.random() < 0.2:
        lines.append(f"priority = {dice.choice((2, 3))}")
    if dice.random() < 0.1:
        lines.append("copies = 2")
    drawn = dice.random()
    if count == 1 and drawn < 0.2:
        lines.append(f'spool = "{dice.choice((*reels, *reels, *reels, "gone-01"))}"')
    elif count == 1 and drawn < 0.3:
        lines.append(f'material = "{dice.choice(used)}"\ncolour = "{dice.choice(("natural", "smoke"))}"')
    elif drawn < 0.2:
        lines.append(f'[job.tool.0]\nspool = "{dice.choice(reels)}"')
    return "\n".join(lines) + "\n"


def varied_world(dice: random.Random, folder: Path, *, most_jobs: int = 12) -> VariedWorld:
    """Write a workshop into an empty folder; few jobs more often than many."""
    printers = machines(dice, folder)
    (folder / "shelf").mkdir()
    used = shelf(dice, folder / "shelf", printers)
    reels = sorted(path.stem for path in (folder / "shelf").glob("*.toml"))
    head = ['shelf = "shelf"', f"turnaround_min = {dice.choice((0, 10, 25))}"]
    hours = dice.choice(HOURS)
    if hours:
        head.append(f"present = {list(hours)}".replace("'", '"'))
    if dice.random() < 0.4:
        head.append('order = "free"')
    entries = [
        job_entry(dice, folder, number, printers, used, reels)
        for number in range(1, min(dice.choice((1, 2, 2, 3, 3, 4, 5, 6, 8, 11)), most_jobs) + 1)
    ]
    named = {
        line.split('"')[1] for entry in entries for line in entry.splitlines() if line.startswith("printer")
    }
    if dice.random() < 0.2:
        head.append(f'[busy]\n"{dice.choice(sorted(named))}" = {local(NOW + dice.choice((1.5, 6)) * HOUR)}')
    for dryer in ("oven", "dehydrator"):
        if dice.random() < 0.7:
            head.append(
                f"[dryer.{dryer}]\n"
                + dice.choice(("", "holds = 1\n", "holds = 2\n"))
                + dice.choice(("", "unattended = true\n"))
            )
    path = folder / "list.toml"
    path.write_text("\n".join([*head, *entries]), encoding="utf-8")
    world = VariedWorld(path)
    if dice.random() < 0.3:
        world.later_s = NOW + dice.choice((0.5, 3, 15, 40)) * HOUR
    return world


def what_came_between(dice: random.Random, world: VariedWorld, started: list[int]) -> None:
    """Note what happened since the first plan: some jobs not started, some reels fed, moved or looked at."""
    assert world.later_s is not None
    world.not_started = [number for number in started if dice.random() < 0.15]
    for path in sorted((world.path.parent / "shelf").glob("*.toml")):
        if dice.random() < 0.15:
            at_s = NOW + dice.random() * (world.later_s - NOW)
            note = reel_events(dice, at_s - at_s % 1)
            path.write_text(path.read_text(encoding="utf-8") + note, encoding="utf-8")


def planned(world: VariedWorld, at_s: float, *, limit_s: float, earlier: Path | None = None) -> QueueFindings:
    """Return the plan of a world; it is checked and shown."""
    found = queue_plan(
        [world.path],
        at=datetime.fromtimestamp(at_s).astimezone(),
        members=1,
        processes=1,
        limit_s=limit_s,
        from_now=earlier,
        not_started=world.not_started if earlier else (),
    )
    job_list, _ = listed([world.path], None, None)
    shelf, _ = stock_of(job_list.shelf, None, job_list)
    check(found, job_list, shelf, went_otherwise=earlier is not None and bool(world.not_started))
    print_queue(found, io.StringIO(), width=100)
    page_of(found)
    return found


def carried_out(
    dice: random.Random, folder: Path, *, limit_s: float, most_jobs: int = 12
) -> list[QueueFindings]:
    """Plan a world, and again where its plan is taken up later; raise what is broken."""
    world = varied_world(dice, folder, most_jobs=most_jobs)
    found = [planned(world, NOW, limit_s=limit_s)]
    if world.later_s is not None:
        earlier = folder / "plan.json"
        earlier.write_text(to_json(found[0]), encoding="utf-8")
        rows = [row for row in found[0].rows if row.start_s is not None and not row.held]
        begun = [row.number for row in rows if (row.start_s or 0.0) < world.later_s]
        what_came_between(dice, world, begun)
        found.append(planned(world, world.later_s, limit_s=limit_s, earlier=earlier))
    return found

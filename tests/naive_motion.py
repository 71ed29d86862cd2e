"""Slow and obvious: a reader of plain G-code, and the planners of all three firmwares.

Lists of whole jobs, no state shared with ``gcodetool``; RepRapFirmware's ring runs on a clock of its own.  Tests compare the
compiled planner with this.
"""

import math
import re
from dataclasses import dataclass, field
from typing import Any

DIALECTS = {"marlin": 0, "klipper": 1, "reprapfirmware": 2}
START_FEED = {"marlin": 4000 / 60, "klipper": 25.0, "reprapfirmware": 50.0}


@dataclass
class Event:
    kind: str  # move arc dwell stop home acceleration set_position command layer
    line: int
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    e: float = 0.0
    f: float = 0.0
    i: float = 0.0
    j: float = 0.0
    arg: int = 0
    words: dict[str, float] = field(default_factory=dict)
    text: str = ""


def words_of(text: str) -> dict[str, float]:
    return {m[1].upper(): float(m[2]) for m in re.finditer(r"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))", text)}


def events(text: str, dialect: str, skip: "re.Pattern[str] | None" = None) -> list[Event]:
    """Read plain numbered-from-1 lines; only what the motion cases use."""
    out: list[Event] = []
    x = y = z = 0.0
    shift = {"X": 0.0, "Y": 0.0, "Z": 0.0}
    e_word = 0.0
    absolute, e_relative = True, False
    feed, speed_factor, flow = START_FEED[dialect], 1.0, 1.0
    for number, raw in enumerate(text.splitlines(), 1):
        if raw.startswith(";LAYER_CHANGE"):
            out.append(Event("layer", number))
            continue
        if skip is not None and skip.match(raw):
            continue
        line = raw.split(";")[0].strip()
        if not line:
            continue
        name = line.split()[0].upper()
        w = words_of(line)
        if name in ("G0", "G1", "G2", "G3"):
            if "F" in w:
                feed = w["F"] / 60
            place = {"X": x, "Y": y, "Z": z}
            for axis in "XYZ":
                if axis in w:
                    place[axis] = w[axis] + shift[axis] if absolute else place[axis] + w[axis]
            de = 0.0
            if "E" in w:
                if e_relative or (dialect == "klipper" and not absolute):
                    de = w["E"]
                    e_word += de
                else:
                    de = w["E"] - e_word
                    e_word = w["E"]
            named = any(axis in w for axis in "XYZ")
            fast, wide = speed_factor, flow
            if dialect == "reprapfirmware" and not named:
                fast = wide = 1.0
            event = Event("move", number, place["X"], place["Y"], place["Z"], de * wide, feed * fast)
            if name in ("G2", "G3"):
                event.kind, event.i, event.j = "arc", w.get("I", 0.0), w.get("J", 0.0)
                event.arg = 32 if name == "G2" else 0
            out.append(event)
            x, y, z = place.values()
        elif name == "G4":
            seconds = w["P"] / 1000 if "P" in w else 0.0
            if "S" in w and dialect != "klipper":
                seconds = w["S"]
            out.append(Event("dwell", number, e=seconds))
        elif name == "G28":
            axes = sum(bit for bit, axis in ((1, "X"), (2, "Y"), (4, "Z")) if axis in w) or 7
            x, y, z = (0.0 if axes & bit else at for bit, at in ((1, x), (2, y), (4, z)))
            shift = {"X": 0.0, "Y": 0.0, "Z": 0.0}
            out.append(Event("home", number, arg=axes))
        elif name in ("G90", "G91"):
            absolute = name == "G90"
            if dialect == "marlin":
                e_relative = not absolute
        elif name in ("M82", "M83"):
            e_relative = name == "M83"
        elif name == "G92":
            axes = 0
            for bit, axis, at in ((1, "X", x), (2, "Y", y), (4, "Z", z)):
                if axis in w:
                    shift[axis] = at - w[axis]
                    axes |= bit
            if "E" in w:
                e_word = w["E"]
                axes |= 8
            out.append(Event("set_position", number, arg=axes))
        elif name == "M204":
            out.append(Event("acceleration", number, words=w))
        elif name == "M220":
            speed_factor = w.get("S", 100.0) / 100
        elif name == "M221":
            flow = w.get("S", 100.0) / 100
        elif name in ("M400", "M84") or (name in ("M109", "M190") and dialect != "klipper"):
            out.append(Event("stop", number))
        else:
            out.append(Event("command", number, text=line, words=w))
    return out


def chords(event: Event, start: tuple[float, float, float], dialect: str, resolution: float) -> list[Event]:
    """Cut an arc as the firmware does; a straight move is its own only chord."""
    if event.kind == "move":
        return [event]
    x0, y0, z0 = start
    cx, cy = x0 + event.i, y0 + event.j
    radius = math.hypot(event.i, event.j)
    clockwise = event.arg == 32
    if (event.x, event.y) == (x0, y0):
        angle = math.tau
    else:
        angle = math.atan2(event.y - cy, event.x - cx) - math.atan2(y0 - cy, x0 - cx)
        angle = (-angle if clockwise else angle) % math.tau
    length = radius * angle
    if dialect == "klipper":
        count = max(1, math.floor(math.hypot(length, event.z - z0) / resolution))
    elif dialect == "reprapfirmware":
        chord = min(1.0, max(0.02, min(math.sqrt(0.04 * radius), event.f / 200)))
        count = max(1, math.floor(length / chord + 0.8))
    else:
        least = math.ceil(72 * angle / math.tau - 1e-6)
        count = max(math.floor(length), least)
        if length / count > 1:
            count = math.ceil(length - 1e-4)
        elif length / count < 0.1:
            count = math.floor(length / 0.1)
        count = max(1, count)
    out = []
    turn = -angle if clockwise else angle
    base = math.atan2(y0 - cy, x0 - cx)
    for k in range(1, count + 1):
        share = k / count
        place = (cx + radius * math.cos(base + turn * share), cy + radius * math.sin(base + turn * share))
        if k == count:
            place = (event.x, event.y)
        z = z0 + (event.z - z0) * share
        out.append(Event("move", event.line, *place, z, event.e / count, event.f))
    return out


def pass_back(starts: list[float], gains: list[float]) -> list[float]:
    """Return S of A3, one longer than the moves: the last is the standstill after them."""
    out = [0.0] * (len(starts) + 1)
    for i in range(len(starts) - 1, -1, -1):
        out[i] = min(starts[i], out[i + 1] + gains[i])
    return out


@dataclass
class Plan:
    """Seconds of each move, and what it was."""

    line: int
    de: float
    across: bool
    up: float
    cruise: float
    down: float
    start: float

    @property
    def total(self) -> float:
        return self.up + self.cruise + self.down


def trapezoid(length: float, a: float, s2: float, c2: float, e2: float) -> tuple[float, float, float]:
    vs, vc, ve = math.sqrt(s2), math.sqrt(c2), math.sqrt(e2)
    cruise = length - (c2 - s2) / (2 * a) - (c2 - e2) / (2 * a)
    return (vc - vs) / a, max(cruise, 0.0) / vc, (vc - ve) / a


class Klipper:
    """Sections A1 to A4 over whole stretches between two stops."""

    def __init__(self, limits: dict[str, float]) -> None:
        self.limits = dict(limits)
        self.moves: list[dict[str, Any]] = []
        self.plans: list[Plan] = []

    def accelerate(self, w: dict[str, float]) -> None:
        a = w.get("S") or (min(w["P"], w["T"]) if "P" in w and "T" in w else 0)
        if a:
            self.limits["max_accel"] = a

    def move(self, line: int, d: tuple[float, float, float], de: float, f: float) -> None:
        lim = self.limits
        length = math.sqrt(sum(c * c for c in d))
        a = lim["max_accel"]
        v = min(f, lim["max_velocity"])
        only = length < 1e-9
        if only:
            if de == 0:
                return
            length = abs(de)
            u, e = (0.0, 0.0, 0.0), math.copysign(1.0, de)
            v = min(f, lim["max_extrude_only_velocity"])
            a = lim["max_extrude_only_accel"]
        else:
            u, e = tuple(c / length for c in d), de / length
            if d[2]:
                v = min(v, lim["max_z_velocity"] / abs(u[2]))
                a = min(a, lim["max_z_accel"] / abs(u[2]))
            if e < 0 or (e and not d[0] and not d[1]):
                v = min(v, lim["max_extrude_only_velocity"] / abs(e))
                a = min(a, lim["max_extrude_only_accel"] / abs(e))
        m = {"line": line, "L": length, "u": u, "e": e, "v": v, "a": a, "only": only, "de": de}
        m["across"] = not only and bool(d[0] or d[1])
        m["D"] = 2 * a * length
        m["Dm"] = min(m["D"], 2 * lim["max_accel"] * (1 - lim["minimum_cruise_ratio"]) * length)
        m["jd"] = lim["square_corner_velocity"] ** 2 * (math.sqrt(2) - 1) / lim["max_accel"]
        m["J"] = m["Jm"] = 0.0
        if self.moves and not only and not self.moves[-1]["only"]:
            p = self.moves[-1]
            options = [v**2, p["v"] ** 2, p["J"] + p["D"]]
            if e != p["e"]:
                options.append((lim["instantaneous_corner_velocity"] / (e - p["e"])) ** 2)
            cosine = -sum(a_ * b_ for a_, b_ in zip(p["u"], u, strict=True))
            s = math.sqrt(max(0.0, (1 - cosine) / 2))
            c = math.sqrt(max(0.0, (1 + cosine) / 2))
            if s < 1 and c > 0:
                ratio, tangent = s / (1 - s), s / c
                options += [ratio * m["jd"] * a, ratio * p["jd"] * p["a"]]
                options += [length * a * tangent / 2, p["L"] * p["a"] * tangent / 2]
            m["J"] = min(options)
            m["Jm"] = min(m["J"], p["Jm"] + p["Dm"])
        self.moves.append(m)

    def stop(self) -> None:
        moves, self.moves = self.moves, []
        s = pass_back([m["J"] for m in moves], [m["D"] for m in moves])
        soft = pass_back([m["Jm"] for m in moves], [m["Dm"] for m in moves])
        cruise: list[float | None] = [None] * len(moves)
        peak, held = 0.0, False
        for i in range(len(moves) - 1, -1, -1):
            m = moves[i]
            reach = soft[i + 1] + m["Dm"]
            if soft[i] < reach:
                if held or soft[i] + m["Dm"] > soft[i + 1]:
                    peak = (soft[i] + reach) / 2
                held = False
                cruise[i] = min((s[i] + s[i + 1] + m["D"]) / 2, m["v"] ** 2, peak)
            else:
                held = True
        before = 0.0
        for i, m in enumerate(moves):
            own = cruise[i]
            c2 = min(before, s[i]) if own is None else own
            before = c2
            s2, e2 = min(s[i], c2), min(s[i + 1], c2)
            ramps = trapezoid(m["L"], m["a"], s2, c2, e2)
            self.plans.append(Plan(m["line"], m["de"], m["across"], *ramps, math.sqrt(s2)))


class Rrf:
    """Sections C1 to C3; limits in mm/s and mm/s2; without a *ring* look-ahead is unlimited."""

    def __init__(self, limits: dict[str, float], ring: int | None = 60) -> None:
        self.limits = dict(limits)
        self.ring = ring
        self.moves: list[dict[str, Any]] = []
        self.plans: list[Plan] = []

    def accelerate(self, w: dict[str, float]) -> None:
        self.limits["M204 P"] = w.get("P", w.get("S", self.limits["M204 P"]))
        self.limits["M204 T"] = w.get("T", w.get("S", self.limits["M204 T"]))

    def move(self, line: int, d: tuple[float, float, float], de: float, f: float) -> None:
        lim = self.limits
        length = math.sqrt(sum(c * c for c in d))
        if length < 1e-9:
            d, length = (0.0, 0.0, 0.0), abs(de)
            if de == 0:
                return
        u = [c / length for c in (*d, de)]
        v, a = max(f, lim["M203 I"]), math.inf
        for axis, c in zip("XYZE", u, strict=True):
            if c:
                v = min(v, lim[f"M203 {axis}"] / abs(c))
                a = min(a, lim[f"M201 {axis}"] / abs(c))
        across = bool(d[0] or d[1])
        if across:
            a = min(a, lim["M204 P" if de > 0 else "M204 T"])
            if de > 0 and lim["M572 S"]:
                a = min(a, lim["M566 E"] / (lim["M572 S"] * u[3]))
        prints = across and de > 0
        marks = (across, prints, de != 0 and not prints)
        m = {"line": line, "L": length, "u": u, "v": v, "a": a, "D": 2 * a * length, "J": 0.0}
        m |= {"marks": marks, "de": de, "across": across}
        if self.moves and (lim["M566 P"] or self.moves[-1]["marks"] == marks):
            p = self.moves[-1]
            join = min(v, p["v"])
            for axis, c, b in zip("XYZE", u, p["u"], strict=True):
                if c != b:
                    join = min(join, lim[f"M566 {axis}"] / abs(c - b))
            m["J"] = join**2
        self.moves.append(m)

    def stop(self) -> None:
        moves, self.moves = self.moves, []
        ring = self.ring or 3 * len(moves)
        now, done, before = 0, 0, 0.0  # before: squared speed at the end of the last frozen move
        ends = [0]  # when the frozen moves end, and when the first starts, in clocks
        while len(ends) <= len(moves):
            i = len(ends) - 1
            while done < i and ends[done + 1] <= now:
                done += 1
            if 2 * (i - done) < ring and now >= ends[-1] - 75_000:
                plan, before = self.freeze(moves[i : done + ring], before)
                self.plans.append(plan)
                ends.append(ends[-1] + math.floor(plan.total * 750_000))
            else:
                now = min(time for time in (*ends[done:], ends[-1] - 75_000) if time > now)

    @staticmethod
    def freeze(open_moves: list[dict[str, Any]], before: float) -> tuple[Plan, float]:
        """Return the plan of the first of *open_moves*, which end in a stop, and its squared speed at the end."""
        m = open_moves[0]
        s = pass_back([m["J"] for m in open_moves], [m["D"] for m in open_moves])
        after = min(s[1], before + m["D"])
        c2 = min(m["v"] ** 2, (before + after + m["D"]) / 2)
        ramps = trapezoid(m["L"], m["a"], min(before, c2), c2, min(after, c2))
        return Plan(m["line"], m["de"], m["across"], *ramps, math.sqrt(before)), after


class Marlin:
    """Sections B0 to B4, with whole steps and whole rates."""

    def __init__(self, limits: dict[str, float]) -> None:
        self.limits = dict(limits)
        self.moves: list[dict[str, Any]] = []
        self.plans: list[Plan] = []
        self.place = [0.0, 0.0, 0.0, 0.0]  # where the file is
        self.steps = [0, 0, 0, 0]  # where the last planned move ended

    def accelerate(self, w: dict[str, float]) -> None:
        self.limits["M204 P"] = w.get("P", w.get("S", self.limits["M204 P"]))
        self.limits["M204 R"] = w.get("R", self.limits["M204 R"])
        self.limits["M204 T"] = w.get("T", w.get("S", self.limits["M204 T"]))

    def move(
        self, line: int, d: tuple[float, float, float], de: float, f: float, radius: float = 0.0
    ) -> None:
        lim = self.limits
        per_mm = [lim[f"M92 {axis}"] for axis in "XYZE"]
        for k, c in enumerate((*d, de)):
            self.place[k] += c
        goal = [math.floor(c * n + 0.5) for c, n in zip(self.place, per_mm, strict=True)]
        n = [b - a for a, b in zip(self.steps, goal, strict=True)]
        mm = [c / k for c, k in zip(n, per_mm, strict=True)]
        if all(abs(c) < 6 for c in n):
            return
        self.steps = goal
        length = abs(mm[3]) if all(abs(c) < 6 for c in n[:3]) else math.sqrt(sum(c * c for c in mm[:3]))
        most = max(abs(c) for c in n)
        v = max(f, lim["M205 S"] if n[3] else lim["M205 T"])
        rate = math.ceil(most * v / length - 1e-6)
        factor = min(
            1.0,
            *(lim[f"M203 {axis}"] * length / (abs(c) * v) for axis, c in zip("XYZE", mm, strict=True) if c),
        )
        if factor < 1:
            v *= factor
            rate = math.floor(rate * factor + 1e-6)
        scale = most / length
        if not any(n[:3]):
            accel = math.ceil(lim["M204 R"] * scale - 1e-6)
        else:
            accel = math.ceil(lim["M204 P" if n[3] else "M204 T"] * scale - 1e-6)
            for axis, k, c in zip("XYZE", per_mm, n, strict=True):
                top = lim[f"M201 {axis}"] * k * most
                if c and accel * abs(c) > top:
                    accel = math.floor(top / abs(c) + 1e-6)
        accel, rate = max(accel, 1), max(rate, 1)
        a = accel / scale
        u = [c / length for c in mm]
        m = {"line": line, "n": most, "L": length, "v": v, "rate": rate, "accel": accel, "D": 2 * a * length}
        m |= {"de": de, "across": bool(n[0] or n[1]), "reaches": v * v <= 2 * a * length + 0.0025}
        if lim["M205 J"]:
            self.deviation(m, u, n[3] != 0, a, radius)
        else:
            self.jerk(m, u)
        self.moves.append(m)

    def deviation(self, m: dict[str, Any], u: list[float], filament: bool, a: float, radius: float) -> None:
        lim = self.limits
        if filament:
            norm = math.sqrt(sum(c * c for c in u))
            u = [c / norm for c in u]
        m["u"], m["J"] = u, 0.0
        if not self.moves:
            return
        p = self.moves[-1]
        cosine = -sum(c * b for c, b in zip(u, p["u"], strict=True))
        if cosine > 0.999999:
            m["J"] = 0.0025
            return
        cosine = max(cosine, -0.999999)
        w = [c - b for c, b in zip(u, p["u"], strict=True)]
        norm = math.sqrt(sum(c * c for c in w))
        for axis, c in zip("XYZE", w, strict=True):
            if c:
                a = min(a, lim[f"M201 {axis}"] * norm / abs(c))
        if radius:
            options = [a * radius]
        else:
            s = math.sqrt((1 - cosine) / 2)
            options = [a * lim["M205 J"] * s / (1 - s)]
            if m["L"] < 1 and cosine < -0.7071067812:
                options.append(m["L"] * a / math.acos(-cosine))
        m["J"] = min(*options, m["v"] ** 2, p["v"] ** 2)

    def jerk(self, m: dict[str, Any], u: list[float]) -> None:
        lim, v = self.limits, m["v"]
        c = [share * v for share in u]
        jerks = [lim[f"M205 {axis}"] for axis in "XYZE"]
        safe = v * min(1.0, *(k / abs(s) for k, s in zip(jerks, c, strict=True) if s))
        m |= {"c": c, "safe": safe, "J": safe**2}
        if not self.moves:
            return
        p = self.moves[-1]
        join = min(v, p["v"])
        out = [s * (v / p["v"] if v < p["v"] else 1) for s in p["c"]]
        factor = 1.0
        for k, o, s in zip(jerks, out, c, strict=True):
            step = max(abs(o), abs(s)) if o * s < 0 else abs(o - s)
            if step > k:
                factor = min(factor, k / step)
        join *= factor
        if safe > 0.99 * join and p["safe"] > 0.99 * join:
            join = safe
        m["J"] = join**2

    def stop(self) -> None:
        moves, self.moves = self.moves, []
        s = [0.0] * len(moves) + [0.0025]
        for i in range(len(moves) - 1, -1, -1):
            m = moves[i]
            s[i] = m["J"] if m["reaches"] else min(m["J"], s[i + 1] + m["D"])
        for i, m in enumerate(moves):
            if not m["reaches"]:
                s[i + 1] = min(s[i + 1], s[i] + m["D"])
            self.plans.append(self.ramp(m, s[i], s[i + 1]))

    @staticmethod
    def ramp(m: dict[str, Any], s2: float, e2: float) -> Plan:
        rate, n, a = m["rate"], m["n"], m["accel"]
        first = max(120, math.ceil(rate * math.sqrt(s2) / m["v"] - 1e-6))
        final = max(120, math.ceil(rate * math.sqrt(e2) / m["v"] - 1e-6))
        up = max(0, math.ceil((rate**2 - first**2) / (2 * a)))
        down = max(0, math.floor((rate**2 - final**2) / (2 * a)))
        if up + down > n:
            up = min(n, max(0, math.ceil((2 * a * n - first**2 + final**2) / (4 * a))))
            down = n - up
        top = min(float(rate), math.sqrt(first**2 + 2 * a * up))
        if top < first and (up or down == n):
            top = float(first)
        t_up = t_at = t_down = 0.0
        if up:
            t_up = (top - first) / a + (up - (top**2 - first**2) / (2 * a)) / top
        if n > up + down:
            t_at = (n - up - down) / top
        if down:
            end = min(top, max(float(final), math.sqrt(max(0.0, top**2 - 2 * a * down))))
            t_down = (top - end) / a + (down - (top**2 - end**2) / (2 * a)) / end
        return Plan(m["line"], m["de"], m["across"], t_up, t_at, t_down, first * m["L"] / n)

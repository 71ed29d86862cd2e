"""Slow and obvious twins: the same meaning as a kernel, written another way, for tests to compare with."""

import math
import re
from collections.abc import Iterator
from decimal import Decimal

from gcodetool.gcode import dialects
from gcodetool.gcode.spellings import NUMBERED, SPELLINGS

MARLIN, KLIPPER, RRF = range(3)
NOTHING = {"x": 0.0, "y": 0.0, "z": 0.0, "e": 0.0, "f": 0.0, "i": 0.0, "j": 0.0}
MARKS = {
    1: re.compile(r";LAYER_CHANGE[ \t\r]*"),
    2: re.compile(r"; CHANGE_LAYER[ \t\r]*"),
    3: re.compile(r";LAYER:-?[0-9]+[ \t\r]*"),
    **{
        4 + place: re.compile(
            re.escape(text.decode()) + (r"-?[0-9]+(?![0-9.]).*" if text in NUMBERED else r"-?[0-9].*")
        )
        for place, text in enumerate(SPELLINGS)
    },
}
WORD = re.compile(r"([A-Z]) *([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?")
COMMAND = re.compile(r"([A-Z_]) *([0-9]+)(.?)")
DIGITS = re.compile(r"[0-9]")


class NaiveScan:
    """The scanner's twin: a line at a time, words in a dict, every rule spelled out."""

    def __init__(self, dialect: int, layer_marks: int = 0) -> None:
        self.dialect, self.marks = dialect, layer_marks
        self.position = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.shift = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.e = 0.0
        self.feed = (4000 / 60, 25.0, 50.0)[dialect]
        self.speed, self.speed_aside = 1.0, 1.0
        self.flow = [1.0] * 64
        self.diameter = [1.75] * 64
        self.volumetric = False
        self.g90, self.m82 = True, True
        self.inch = False
        self.plane = 0
        self.tool = 0
        self.retracted: set[int] = set()
        self.known: set[str] = set()
        self.homed: set[str] = set()
        self.states: dict[str, dict] = {}
        self.stack: list[tuple] = []
        self.layer, self.layer_z, self.step_z, self.sloped = 0, -math.inf, 0.2, False
        self.unknown: dict[str, int] = {}
        self.refused = self.inert = self.stray = self.line = 0

    # --- what is derived ---

    def e_is_absolute(self) -> bool:
        return self.m82 and self.g90 if self.dialect == KLIPPER else self.m82

    def unit(self) -> float:
        return 25.4 if self.inch else 1.0

    def e_unit(self) -> float:
        if not self.inch:
            return 1.0
        return 25.4 * 25.4 * 25.4 if self.volumetric else 25.4

    def gain(self, flow: bool = True) -> float:
        factor = self.flow[0 if self.dialect == KLIPPER else self.tool] if flow else 1.0
        if self.volumetric:
            factor /= math.pi * self.diameter[self.tool] * self.diameter[self.tool] / 4
        return factor

    # --- lines ---

    def scan(self, data: bytes) -> Iterator[dict]:
        """Yield the rows of *data* as dicts."""
        lines = data.split(b"\n")
        if lines[-1] == b"":
            lines.pop()
        start = 0
        for raw in lines:
            self.line += 1
            place = {"line": self.line, "start": start, "length": len(raw) - raw.endswith(b"\r")}
            for row in self.read(raw.decode("latin-1")):
                if "start" in row:
                    row["start"] += start
                yield {**NOTHING, "arg": 0, **place, **row}
            start += len(raw) + 1

    def read(self, line: str) -> Iterator[dict]:
        if self.marks and MARKS[self.marks].fullmatch(line):
            self.layer += 1
            yield {"op": 9, "arg": self.layer}
            return
        text: str | None = self.peeled(line)
        shared = False
        while text is not None:
            begin = len(line) - len(text)
            one, text = self.parted(text)
            shared = shared or text is not None
            for row in self.step(one):
                if shared and row["op"] == 11:
                    one = re.sub(r"[\x00-\x20]+$", "", one)
                    yield {**row, "start": begin, "length": len(one)}
                else:
                    yield row

    def parted(self, text: str) -> tuple[str, str | None]:
        """Return the first command of *text*, and what RepRapFirmware reads as further ones."""
        found = re.match(r"([GMTgmt]) *([0-9]{1,6})(?![0-9_])", text)
        if self.dialect != RRF or not found:
            return text, None
        if found[1] in "Mm" and f"M{int(found[2])}" in dialects.TEXT_COMMANDS | {"M117", "M118"}:
            return text, None
        at, quoted, depth = found.end(), False, 0
        while at < len(text):
            sign = text[at]
            if sign == '"':
                quoted = not quoted
            elif quoted:
                pass
            elif sign == ";" or (sign == "*" and depth <= 0):
                break
            elif sign == "(":
                at = text.find(")", at)
                if at < 0:
                    break
            elif sign in "{}":
                depth += 1 if sign == "{" else -1
            elif depth <= 0 and re.match("[GMgm][0-9]", text[at : at + 2]):
                return text[:at], text[at:]
            at += 1
        return text, None

    def peeled(self, text: str) -> str:
        """Return *text* without what may stand before a command: blanks, stray bytes, a line number."""
        while text:
            if text[0] <= " " or text[0] >= "\x80" or text[0] == "/":
                text = text[1:]
            elif text[0] == "(":
                text = text.partition(")")[2]
            elif re.match(r"[Nn] *[0-9]+(?![0-9._])", text):
                text = re.sub(r"^[Nn] *[0-9]+", "", text)
            else:
                break
        return text

    def words(self, text: str) -> dict[str, float | None]:
        """Return letter to number, None for a letter without one; the last of two wins."""
        text = re.split("[;*]", re.sub(r"\([^)]*\)?", self.blanked, text))[0].upper()
        numbered: dict[str, float | None] = {}
        bare: dict[str, float | None] = {}
        for letter, number in WORD.findall(text):
            if number and math.isfinite(float(number)):
                numbered[letter] = float(number)
            else:
                bare[letter] = None
        return bare | numbered

    @staticmethod
    def blanked(found: re.Match) -> str:
        """A comment in brackets that hides a ';' still ends where its bracket does."""
        return "#" * len(found[0])

    def step(self, text: str) -> list[dict]:
        """Read one command; return its rows."""
        if not text or text[0] in ";#":
            return []
        if not (text[0].isascii() and (text[0].isalpha() or text[0] == "_")):
            self.stray += 1
            return []
        upper = text.upper() if text.isascii() else "".join(c.upper() if c.isascii() else c for c in text)
        if re.match(r"[XYZEF](?:[0-9]|-|\.)", upper):
            self.stray += 1
            return []
        found = COMMAND.match(upper)
        spaced = found and upper[1] == " " and upper[0] not in "GMTN"
        if not found or spaced or found[3] == "_":
            if self.dialect == RRF and re.match(r"T *-", upper):
                return [{"op": 11}]
            return self.extended(text)
        letter, number, behind = found[1], int(found[2]), found[3]
        if letter == "_" or len(found[2]) > 6:
            return self.extended(text)
        words = self.words(text[found.end(2) :])
        if behind == ".":
            known = letter == "G" and number in (38, 53, 59)
            return self.kept(dialects.KEPT if known else dialects.UNKNOWN, text)
        if letter == "T" and number < 64:
            self.tool = number
            return [{"op": 7, "arg": number}]
        if letter == "G" and (number <= 3 or (number == 5 and self.dialect == MARLIN)):
            return self.odd_or_plain(number, words, text[: found.end(2)], text[found.end(2) :])
        if letter == "G":
            return self.g(number, words, text)
        if letter == "M":
            return self.m(number, words, text)
        return self.kept(dialects.UNKNOWN, text)

    # --- odd lines ---

    def odd_or_plain(self, code: int, words: dict, head: str, text: str) -> list[dict]:
        """Read a move, also one that holds more than plain words."""
        text = text.upper() if text.isascii() else "".join(c.upper() if c.isascii() else "\x80" for c in text)
        if self.dialect == KLIPPER:
            read = self.klippers(code, head, text)
        elif self.dialect == RRF:
            read = self.reprapfirmwares(text)
        else:
            read = words
        if read is None:
            self.refused += 1
            return []
        refused = self.dialect == KLIPPER and (not self.g90 or "R" in read)
        if code == 5 or (code >= 2 and self.plane and not refused):
            read = {letter: value for letter, value in read.items() if letter in "XYZEF"}
            code = 1
        return self.move(code, read)

    def klippers(self, code: int, head: str, text: str) -> dict | None:
        """Klipper takes letters apart from what stands between them, which must be a number."""
        name = head.replace(" ", "").upper()
        if name != f"G{code}":
            self.unknown[name] = self.unknown.get(name, 0) + 1
            return None
        text = re.split(r"[;*]", text)[0]
        parts = re.findall(r"([A-Z_]+)([^A-Z_]*)", text)
        if re.match(r"[^A-Z_]*", text)[0].strip():
            return None
        said = {}
        for letters, value in parts:
            if letters in tuple("XYZEF" if code < 2 else "XYZEFIJRK"):
                said[letters] = value.strip()
        if not all(re.fullmatch(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)", value) for value in said.values()):
            return None
        return {letter: float(value) for letter, value in said.items()}

    def reprapfirmwares(self, text: str) -> dict | None:
        """RepRapFirmware reads E behind a digit as an exponent, the first of two words, and lists."""
        text = re.split(r"[;*]", re.sub(r"\([^)]*\)?", self.blanked, text))[0]
        text = re.sub('"[^"]*"?', "#", text)
        text = re.sub(
            r"([0-9]+\.?[0-9]*|\.[0-9]+)(?<=[0-9])E([-+]?[0-9]{1,2})",
            lambda found: f"{Decimal(found[1] + 'e' + found[2]):f}",
            text,
        )
        words: dict = {}
        number = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
        for found in re.finditer(rf"([A-Z]) *({number})?((?<=[0-9.]):[-+.:0-9]*)?(\{{[^}}]*\}}?)?", text):
            letter, first, more, _ = found.groups()
            if first is None or letter in words or not math.isfinite(float(first)):
                continue
            if letter == "E" and text[: found.start()][-1:].isdigit():
                continue
            if letter == "E" and more:
                if self.e_is_absolute():
                    return None
                parts = [part for part in (first + more).split(":") if re.fullmatch(number, part)]
                words["E"] = float(sum(Decimal(part) for part in parts))
            elif letter in "XYZEFIJR":
                words[letter] = float(first)
        return words

    def kept(self, kind: int, text: str) -> list[dict]:
        if kind == dialects.INERT:
            self.inert += 1
            return []
        if kind == dialects.ROAMING:
            self.known.clear()
        if kind == dialects.UNKNOWN:
            name = dialects.command(text.encode("latin-1")).name
            self.unknown[name] = self.unknown.get(name, 0) + 1
        return [{"op": 11}]

    # --- moves ---

    def move(self, code: int, words: dict) -> list[dict]:
        words = {letter: value for letter, value in words.items() if value is not None}
        arc = code >= 2
        refused = arc and self.dialect == KLIPPER and (not self.g90 or "R" in words)
        target = dict(self.position)
        for axis in "XYZ":
            if axis in words:
                asked = words[axis] * self.unit()
                target[axis] = asked + self.shift[axis] if self.g90 else self.position[axis] + asked
        if "F" in words and not refused:
            if words["F"] > 0:
                self.feed = words["F"] * self.unit() / 60
            elif self.dialect == RRF:
                self.feed = 0.0
        if refused or (self.dialect == KLIPPER and words.get("F", 1) <= 0):
            self.refused += 1
        centre = (words.get("I", 0.0) * self.unit(), words.get("J", 0.0) * self.unit())
        if "R" in words:
            centre = (words["R"] * self.unit(), 0.0)
        if not arc:
            centre = (0.0, 0.0)
        here = self.position
        if arc and not refused:
            if centre == (0.0, 0.0):
                return []
            if "R" in words and target["X"] == here["X"] and target["Y"] == here["Y"]:
                return []
        delta = 0.0
        if "E" in words:
            asked = words["E"] * self.e_unit()
            delta = asked - self.e if self.e_is_absolute() else asked
            if self.e_is_absolute() and not refused:
                self.e = asked
            elif self.dialect != RRF and not refused:  # that firmware counts absolute words alone
                self.e += asked
        axes = set("XYZ") & set(words)
        scaled = bool(axes) or self.dialect != RRF
        delta *= self.gain(flow=scaled)
        if self.g90 and not refused:
            self.known |= axes
        if not arc and target == here and delta == 0:
            return []
        arg = sum({"X": 1, "Y": 2, "Z": 4, "E": 8, "F": 16}.get(letter, 0) for letter in words)
        if arc:
            arg += 32 * (code == 2) + 64 * (refused or "R" in words)
        row = {
            "op": 2 if arc else 1,
            "arg": arg,
            "x": target["X"],
            "y": target["Y"],
            "z": target["Z"],
            "e": delta,
            "f": self.feed * (self.speed if scaled else 1.0),
            "i": centre[0],
            "j": centre[1],
        }
        rows = [row]
        if not refused:
            lays = delta > 0 and (arc or (target["X"], target["Y"]) != (here["X"], here["Y"]))
            if target["Z"] != here["Z"]:
                self.sloped = lays
            if self.marks == 0 and lays and self.begins_layer(target["Z"]):
                self.layer += 1
                rows.insert(0, {"op": 9, "arg": self.layer})
            self.position = target
        return rows

    def begins_layer(self, z: float) -> bool:
        # a spiral begins one each time that it has climbed the last layer's thickness
        enough = self.step_z * (1 - 1e-6) if self.sloped else 1e-6
        if abs(z - self.layer_z) <= enough:
            return False
        if z < self.layer_z:
            self.layer_z = z
            return False
        climbs = self.sloped and self.layer_z >= 0 and z - self.layer_z <= 2 * self.step_z
        if climbs:
            self.layer_z += self.step_z
        else:
            rise = z if self.layer_z < 0 else z - self.layer_z
            self.step_z = rise if 0.05 <= rise <= 1.5 else self.step_z
            self.layer_z = z
        return True

    # --- commands ---

    def g(self, code: int, words: dict, text: str) -> list[dict]:
        given = {letter: value for letter, value in words.items() if value is not None}
        if code == 92:
            named = [axis for axis in "XYZE" if axis in given]
            if not named and self.dialect == KLIPPER:
                named, given = list("XYZE"), dict.fromkeys("XYZE", 0.0)
            for axis in named:
                if axis == "E":
                    self.e = given["E"] * self.e_unit()
                else:
                    self.shift[axis] = self.position[axis] - given[axis] * self.unit()
            return (
                [{"op": 10, "arg": sum({"X": 1, "Y": 2, "Z": 4, "E": 8}[a] for a in named)}] if named else []
            )
        if code in (10, 11):
            if code == 10 and self.dialect == RRF and set("PSRLXYZ") & set(words):
                return [{"op": 11}]
            tool = 0 if self.dialect == KLIPPER else self.tool
            was = tool in self.retracted
            (self.retracted.add if code == 10 else self.retracted.discard)(tool)
            return [{"op": 4 if code == 10 else 5, "arg": int(was != (code == 10))}]
        if code in (17, 18, 19):
            self.plane = code - 17
            return []
        if code in (90, 91):
            self.g90 = code == 90
            if self.dialect == MARLIN:
                self.m82 = self.g90
            return []
        if code in (20, 21) and self.dialect != KLIPPER:
            self.inch = code == 20
            return [{"op": 11}] if self.inch else []
        if code == 4:
            seconds = given.get("P", 0.0) / 1000
            if "S" in given and self.dialect != KLIPPER:
                seconds = given["S"]
            return [{"op": 3, "e": max(0.0, seconds)}]
        if code == 28:
            named = [axis for axis in "XYZ" if axis in words]
            if not named and self.dialect == MARLIN and "O" in words and self.homed == set("XYZ"):
                return []
            for axis in named or "XYZ":
                self.position[axis] = self.shift[axis] = 0.0
                self.homed.add(axis)
                self.known.discard(axis)
            return [{"op": 6, "arg": sum({"X": 1, "Y": 2, "Z": 4}[a] for a in named) or 7}]
        table = dialects.G_TABLES[self.dialect]
        return self.kept(table[code] if code < len(table) else dialects.UNKNOWN, text)

    def m(self, code: int, words: dict, text: str) -> list[dict]:
        given = {letter: value for letter, value in words.items() if value is not None}
        if code in (82, 83):
            self.m82 = code == 82
            return []
        if code == 204:
            nan = math.nan
            return [
                {
                    "op": 8,
                    "x": given.get("S", nan),
                    "y": given.get("P", nan),
                    "z": given.get("R", nan),
                    "e": given.get("T", nan),
                }
            ]
        if code in (220, 221):
            percent = given.get("S")
            if percent is None and self.dialect == KLIPPER:
                percent = 100.0
            if percent is not None and self.dialect == MARLIN:
                percent = float(math.trunc(percent))
            if percent is not None and (percent <= 0 or (self.dialect == RRF and percent < 1)):
                percent = None
            if code == 220:
                if self.dialect == MARLIN and "R" in words:
                    self.speed = self.speed_aside
                if self.dialect == MARLIN and "B" in words:
                    self.speed_aside = self.speed
                if percent is not None:
                    self.speed = percent / 100
                return []
            letter = {MARLIN: "T", RRF: "D"}.get(self.dialect)
            tool = 0 if letter is None else self.tool
            if letter in words:
                tool = int(given[letter]) if letter in given and 0 <= given[letter] < 64 else -1
            if percent is not None and tool >= 0:
                self.flow[tool] = percent / 100
            return []
        if code == 200 and self.dialect != KLIPPER:
            if "D" in given:
                self.volumetric = given["D"] > 0
                tool = self.tool
                if "T" in words:
                    tool = int(given["T"]) if "T" in given and 0 <= given["T"] < 64 else -1
                if self.volumetric:
                    for other in range(64):
                        if other == tool or self.dialect == RRF:
                            self.diameter[other] = given["D"] * self.unit()
            if "S" in given and given.get("D", 1.0) > 0:
                self.volumetric = given["S"] != 0
            return []
        if code in (120, 121) and self.dialect == RRF:
            if code == 120:
                self.stack.append((self.g90, self.m82, self.inch, self.feed))
            elif self.stack:
                self.g90, self.m82, self.inch, self.feed = self.stack.pop()
            return []
        if self.dialect == KLIPPER and code in (226, 600, 601):
            self.known.clear()  # a user's macro, or nothing
        table = dialects.M_TABLES[self.dialect]
        return self.kept(table[code] if code < len(table) else dialects.UNKNOWN, text)

    def extended(self, text: str) -> list[dict]:
        line = text.encode("latin-1")
        said = dialects.command(line)
        kind = dialects.EXTENDED_KINDS.get(said.name, 0) if self.dialect == KLIPPER else 0
        meta = ["IF", "ELIF", "ELSE", "WHILE", "BREAK", "CONTINUE", "ABORT", "ECHO", "VAR", "GLOBAL", "SET"]
        if self.dialect == RRF and said.name in meta:
            return [{"op": 11}]
        if kind == dialects.MODAL:
            return self.klipper_state(said)
        if kind == dialects.UNKNOWN and (self.dialect == KLIPPER or dialects.is_start_macro(line)):
            self.known.clear()
        return self.kept(kind, text)

    def klipper_state(self, said: dialects.Command) -> list[dict]:
        name = str(said.words.get("NAME", "default"))
        if said.name == "SAVE_GCODE_STATE":
            keys = ("g90", "m82", "feed", "speed", "e")
            self.states[name] = {key: getattr(self, key) for key in keys} | {
                "flow": self.flow[0],
                "shift": dict(self.shift),
                "position": dict(self.position),
                "known": set(self.known),
            }
            return []
        if said.name == "RESTORE_GCODE_STATE":
            if name not in self.states:
                return []
            state = self.states[name]
            for key in ("g90", "m82", "feed", "speed", "e"):
                setattr(self, key, state[key])
            self.flow[0] = state["flow"]
            self.shift = dict(state["shift"])
            if said.words.get("MOVE") != 1:
                return []
            was, self.position = self.position, dict(state["position"])
            self.known = set(state["known"])
            speed = said.number("MOVE_SPEED") or 0.0
            if was == self.position:
                return []
            x, y, z = self.position.values()
            speed = speed if speed > 0 else self.feed * self.speed
            return [{"op": 1, "arg": 7, "x": x, "y": y, "z": z, "f": speed}]
        found = re.fullmatch(r"extruder([0-9]*)", str(said.words.get("EXTRUDER", "")))
        if not found or int(found[1] or 0) >= 64:
            return [{"op": 11}]
        if self.tool == int(found[1] or 0):
            return []
        self.tool, self.e, self.flow[0] = int(found[1] or 0), 0.0, 1.0
        return [{"op": 7, "arg": self.tool}]

"""What each firmware makes of lines that are no plain move: the table in docs/files.md.

python docs/experiments/readings_table.py            # print it
python docs/experiments/readings_table.py --write    # put it into docs/files.md
python docs/experiments/readings_table.py --check    # exit code 1 where docs/files.md is behind
"""

import pathlib
import sys

ROOT = pathlib.Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))

from gcodetool.gcode.dialects import Dialect  # noqa: E402  run from anywhere
from gcodetool.gcode.readings import FEATURES, FirmwareReading  # noqa: E402

PAGE = ROOT / "docs/files.md"
BEGIN, END = "<!-- readings: begin -->\n", "<!-- readings: end -->\n"
NAMES = {Dialect.MARLIN: "Marlin", Dialect.KLIPPER: "Klipper", Dialect.REPRAPFIRMWARE: "RepRapFirmware"}


def cell(reading: FirmwareReading) -> str:
    """Return a reading as a cell of the table."""
    marks = ("!" if reading.cautioned else "") + ("?" if not reading.sure else "")
    return f"{reading.words} **{marks}**" if marks else reading.words


def table() -> str:
    """Return the table, from the data that the reader itself goes by."""
    lines = [
        "| what | example | " + " | ".join(NAMES[dialect] for dialect in Dialect) + " |",
        "| --- | --- | --- | --- | --- |",
    ]
    for feature in FEATURES.values():
        shown = ", then ".join(f"`{line}`" for line in feature.example.split("\n"))
        cells = " | ".join(cell(feature.readings[dialect]) for dialect in Dialect)
        lines.append(f"| {feature.what} | {shown} | {cells} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print, write or check the table."""
    page = PAGE.read_text("utf-8")
    before, _, rest = page.partition(BEGIN)
    now = before + BEGIN + table() + END + rest.partition(END)[2]
    if "--write" in sys.argv:
        PAGE.write_text(now, "utf-8")
    elif "--check" in sys.argv:
        if now != page:
            sys.exit("docs/files.md is behind: run python docs/experiments/readings_table.py --write")
    else:
        print(table(), end="")


if __name__ == "__main__":
    main()

"""``spool label`` and ``place label``: what stands on a reel or a box, with a code for the phone."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.cli.options import ledger_option
from gcodetool.cli.quantity_types import Base
from gcodetool.cli.shelf import PLACE, SPOOL
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.report.labels import Label

FORMS: Final = ("pdf", "svg", "png")
SIZE: Final = re.compile(r"(\d+(?:\.\d+)?)\s*[xX×]\s*(\d+(?:\.\d+)?)")


class SizeType(Base):  # type: ignore[misc]
    """A width and a height in millimetres: 50x30."""

    name = "size"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return the two."""
        if isinstance(value, tuple):
            return value
        found = SIZE.fullmatch(str(value).strip())
        if found is None:
            raise click.BadParameter(f"'{value}' is no size; write 50x30, in millimetres", ctx, param)
        return float(found[1]), float(found[2])


def _command(
    metavar: str,
    kind: Any,
    text: str,
    example: str,
) -> click.Command:
    """Return the command of spools or of places."""

    @click.command("label", help=text, epilog=f"Example: {example}")
    @click.argument("names", metavar=f"{metavar}...", type=kind, nargs=-1, required=True)
    @click.option(
        "-o",
        "--output",
        type=click.Path(path_type=Path),
        required=True,
        metavar="FILE",
        help="A .pdf, .svg or .png.",
    )
    @click.option(
        "--size",
        type=SizeType(),
        default="50x30",
        show_default=True,
        metavar="WxH",
        help="Of one label, mm.",
    )
    @click.option(
        "--sheet",
        type=SizeType(),
        metavar="WxH",
        help="Of a sheet with many, mm: 210x297; left out: a page for each label.",
    )
    @click.option(
        "--address",
        metavar="URL",
        help="Of 'gcodetool serve': the code opens the page there; left out: it holds the name.",
    )
    @ledger_option
    def label(
        names: tuple[str, ...],
        output: Path,
        size: tuple[float, float],
        sheet: tuple[float, float] | None,
        address: str | None,
        ledger: str | None,
    ) -> int:
        from gcodetool.app.labels import place_labels, spool_labels

        labels_of = spool_labels if kind is SPOOL else place_labels
        return write(labels_of(names, address=address, ledger=ledger), output, size, sheet)

    return label


spool_label = _command(
    "ID",
    SPOOL,
    "Write labels for reels, with a code for the phone.\n\n"
    "ID, material, colour, last drying, and the highest temperature that polymer and reel allow.",
    "gcodetool spool label pa6-07 petg-03 -o labels.pdf",
)
place_label = _command(
    "NAME",
    PLACE,
    "Write labels for places, with a code for the phone.",
    "gcodetool place label box-2 -o box-2.pdf --address http://shop.local:8340",
)


def write(
    labels: "list[Label]", output: Path, size: tuple[float, float], sheet: tuple[float, float] | None
) -> int:
    """Write labels to a file, in the form that its name says."""
    form = output.suffix.lower().removeprefix(".")
    if form not in FORMS:
        raise UsageError(f"-o {output}: name a file that ends in .pdf, .svg or .png")
    from gcodetool.gcode.edits import write_atomic
    from gcodetool.report.labels import draw

    write_atomic(output, [draw(labels, form, size_mm=size, sheet_mm=sheet)])  # type: ignore[arg-type]
    click.echo(f"wrote {output}: {len(labels)} label{'' if len(labels) == 1 else 's'}")
    return 0

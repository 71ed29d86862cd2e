"""``profiles import``: a printer profile of what the machine itself says."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from gcodetool import machinefile
from gcodetool import profiles as library
from gcodetool.errors import UsageError, WriteError
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.edits import write_atomic
from gcodetool.motion.limits import STATED_DEFAULT, limits_for

if TYPE_CHECKING:
    from gcodetool.profiles import Printer


def import_printer(
    file: Path, out: Path, *, name: str | None = None, dialect: str | None = None, force: bool = False
) -> list[str]:
    """Write a printer profile of *file* to *out*; return what was taken, assumed and passed over, in lines.

    Parameters
    ----------
    file : Marlin's answer to M503, Klipper's printer.cfg, or RepRapFirmware's config.g.
    out : the profile; it ends in .toml.
    name, dialect : of the printer; None: the file's name, and what the file shows.
    force : replace a profile that is there already.

    Raises
    ------
    UsageError
        Words that cannot be.
    WriteError
        The profile is there already, or cannot be written.
    ProfileError
        The file says nothing that can be used.
    """
    if name is not None and not (name.strip() and name.isprintable()):
        raise UsageError("--name is empty or holds unprintable letters; write --name bench-5")
    if out.suffix != ".toml":
        raise UsageError(f"-o {out}: a profile's name ends in .toml; write -o my-printer.toml")
    if out.exists() and file.exists() and out.samefile(file):
        raise WriteError(f"{out}: that is the file to read; name another one after -o")
    if out.exists() and not force:
        raise WriteError(f"{out}: is there already; name another file, or add --force to replace it")
    machine = machinefile.read(file, name=name, dialect=dialect)  # type: ignore[arg-type]  # click's choice
    text = machinefile.to_toml(machine)
    printer = machinefile.printer_of(machine, text)
    write_atomic(out, [text.encode()])
    if library.printer(out) != printer:
        raise WriteError(f"{out}: what is on the disk is not what was written; check the disk")
    return [*machinefile.told(machine), *defaulted(printer), *machinefile.passed_over(machine)]


def defaulted(printer: "Printer") -> Iterator[str]:
    """Yield the limits that *printer* leaves to the stated defaults, and what else it does not say."""
    limits = limits_for(Dialect.named(printer.dialect), printer=printer)
    yield "not stated, so the default is used (mm, s):"
    uses = [use for use in limits.uses() if use.source == STATED_DEFAULT]
    yield from (f"  {use.name} = {use.value:g}" for use in uses)
    for what, known in (("bed_mm", printer.bed_mm), ("height_mm", printer.height_mm)):
        if known is None:
            yield f"  {what}: not known"
    if not uses and printer.bed_mm is not None and printer.height_mm is not None:
        yield "  nothing"

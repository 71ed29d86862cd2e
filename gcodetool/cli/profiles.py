"""``profiles``: what is known of materials, printers, dryers and reels."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

KINDS = ("materials", "printers", "dryers", "spool-bodies", "desiccants")


@click.group(epilog="Example: gcodetool profiles show PA6")
def profiles() -> None:
    """List, show and make profiles: your own win over the shipped ones."""


@profiles.command("list", epilog="Example: gcodetool profiles list materials")
@click.argument("kind", required=False, type=click.Choice(KINDS))
def list_profiles(kind: str | None) -> None:
    """List the profiles, of one KIND or of all."""
    from gcodetool import profiles as library

    for each in KINDS if kind is None else (kind,):
        names = library.names(each)
        click.echo(f"{each}: {', '.join(names) if names else 'none'}")


@profiles.command("show", epilog="Example: gcodetool profiles show bench-1")
@click.argument("name")
def show_profile(name: str) -> None:
    """Print the file of profile NAME, with its sources, and where it stands."""
    from gcodetool import profiles as library

    path = library.find(name)
    click.echo(f"# {path}", err=True)
    click.echo(path.read_text(encoding="utf-8"), nl=False)


@profiles.command(
    "import",
    epilog="Example: gcodetool profiles import printer.cfg -o my-printer.toml",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "out", required=True, type=click.Path(path_type=Path), help="The profile to write."
)
@click.option("--name", metavar="NAME", help="Of the printer; else FILE's name.")
@click.option(
    "--dialect",
    type=click.Choice(("marlin", "klipper", "reprapfirmware")),
    help="The firmware; else told by what FILE says.",
)
@click.option("--force", is_flag=True, help="Replace the profile if it is there already.")
def import_profile(file: Path, out: Path, name: str | None, dialect: str | None, force: bool) -> None:
    """Make a printer profile of what the machine itself says in FILE.

    FILE is Marlin's answer to M503 (a log of the serial line will do), Klipper's printer.cfg or
    RepRapFirmware's config.g.
    """
    from gcodetool import machinefile
    from gcodetool import profiles as library
    from gcodetool.errors import UsageError, WriteError
    from gcodetool.gcode.edits import write_atomic

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
        raise WriteError(f"{out}: reads back otherwise than it was written; check the disk")
    for line in machinefile.told(machine):
        click.echo(line)
    for line in defaulted(printer):
        click.echo(line)
    for line in machinefile.passed_over(machine):
        click.echo(line)
    click.echo(f"{out}: written; check with it: gcodetool check JOB --printer {out}", err=True)


def defaulted(printer: "Printer") -> Iterator[str]:
    """Yield the limits that *printer* leaves to the stated defaults, and what else it does not say."""
    from gcodetool.gcode.dialects import Dialect
    from gcodetool.motion.limits import STATED_DEFAULT, limits_for

    limits = limits_for(Dialect.named(printer.dialect), printer=printer)
    yield "not stated, so the default counts (mm, s):"
    uses = [use for use in limits.uses() if use.source == STATED_DEFAULT]
    yield from (f"  {use.name} = {use.value:g}" for use in uses)
    for what, known in (("bed_mm", printer.bed_mm), ("height_mm", printer.height_mm)):
        if known is None:
            yield f"  {what}: not known"
    if not uses and printer.bed_mm is not None and printer.height_mm is not None:
        yield "  nothing"

"""``profiles``: what is known of materials, printers, dryers and reels."""

from pathlib import Path

import click

from gcodetool.cli.completion import completing
from gcodetool.errors import ProfileError
from gcodetool.textfile import read_text

KINDS = ("materials", "printers", "dryers", "spool-bodies", "desiccants", "humidity")


@click.group(epilog="Example: gcodetool profiles show PA6")
def profiles() -> None:
    """List, show and make profiles.

    Your own are used before the shipped ones.
    """


@profiles.command("list", epilog="Example: gcodetool profiles list materials")
@click.argument("kind", required=False, type=click.Choice(KINDS))
def list_profiles(kind: str | None) -> None:
    """List the profiles, of one KIND or of all."""
    from gcodetool import profiles as library

    for each in KINDS if kind is None else (kind,):
        names = library.names(each)
        click.echo(f"{each}: {', '.join(names) if names else 'none'}")


@profiles.command("show", epilog="Example: gcodetool profiles show bench-1")
@click.argument("name", shell_complete=completing("profile"))
def show_profile(name: str) -> None:
    """Print the file of profile NAME, with its sources and its path."""
    from gcodetool import profiles as library

    path = library.find(name)
    text = read_text(path, ProfileError, "profile")
    if not text:
        raise ProfileError.at(path, None, "the profile is empty; fill it or take it away")
    click.echo(f"# {path}", err=True)
    click.echo(text, nl=False)


@profiles.command("check", epilog="Example: gcodetool profiles check my-printer.toml")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE…]")
def check_profiles(files: tuple[Path, ...]) -> None:
    """Say whether profiles can be read: these files, or all.

    With none named: yours, the shipped ones and your gcodetool.toml.  Exit code 1 if one cannot.
    """
    from gcodetool.app.profiles import check_profiles as look
    from gcodetool.userdefaults import user_defaults

    found = look(files)
    faults = [each.fault for each in found if each.fault is not None]
    if not files:
        try:
            user_defaults()
        except ProfileError as error:
            faults.append(str(error))
    for fault in faults:
        click.echo(f"- {fault}")
    if faults:
        more = "" if len(faults) == 1 else f" ({len(faults)} things in all)"
        raise ProfileError(f"{faults[0]}{more}")
    counts: dict[str, int] = {}
    for each in found:
        counts[each.kind] = counts.get(each.kind, 0) + 1
    click.echo(f"{', '.join(f'{kind} {count}' for kind, count in counts.items())}: all can be read")


@profiles.command(
    "import",
    epilog="Example: gcodetool profiles import printer.cfg -o my-printer.toml",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "out", required=True, type=click.Path(path_type=Path), help="The profile to write."
)
@click.option("--name", metavar="NAME", help="The printer's name; left out: FILE's name.")
@click.option(
    "--dialect",
    type=click.Choice(("marlin", "klipper", "reprapfirmware")),
    help="The firmware; left out: recognised from FILE.",
)
@click.option("--force", is_flag=True, help="Replace the profile if it is there already.")
def import_profile(file: Path, out: Path, name: str | None, dialect: str | None, force: bool) -> None:
    """Make a printer profile from what the machine itself says in FILE.

    FILE is Marlin's answer to M503 (a log of the serial line will do), Klipper's printer.cfg or
    RepRapFirmware's config.g.
    """
    from gcodetool.app.profiles import import_printer

    for line in import_printer(file, out, name=name, dialect=dialect, force=force):
        click.echo(line)
    click.echo(f"{out}: written; check with it: gcodetool check JOB --printer {out}", err=True)

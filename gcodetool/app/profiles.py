"""``profiles import``: a printer profile of what the machine itself says; ``profiles check``: are all of them whole."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gcodetool import machinefile
from gcodetool import profiles as library
from gcodetool.errors import GcodetoolError, ProfileError, UsageError, WriteError
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.edits import write_atomic
from gcodetool.motion.limits import STATED_DEFAULT, limits_for
from gcodetool.tomlfile import load

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


READERS: Final[dict[str, Callable[[Path], Any]]] = {
    "materials": library.material,
    "printers": library.printer,
    "dryers": library.dryer,
    "spool-bodies": library.spool_body,
    "desiccants": library.desiccant,
    "humidity": library.salt_solution,
}
OWN_KEYS: Final = {  # by which a file that lies in no such folder is known
    "dialect": "printers",
    "diffusivity_23C_m2_s": "materials",
    "safe_C": "spool-bodies",
    "capacity_at_rh": "desiccants",
    "equilibrium_rh_pct": "desiccants",
    "rh_at_C": "humidity",
}


@dataclass(frozen=True)
class CheckedProfile:
    """A profile's file, its kind, and what is wrong with it; None: nothing."""

    kind: str
    path: Path
    fault: str | None


def check_profiles(files: Sequence[Path] = ()) -> list[CheckedProfile]:
    """Return whether profiles can be read: these files, or (none named) all of the user's and the shipped ones.

    A name that two files of one folder answer to is a fault too: only the first of them is ever found.
    """
    if files:
        return [_checked(kind_of_file(path), path) for path in files]
    found = []
    for kind in READERS:
        for folder in library.folders(kind):
            read = [_checked(kind, path) for path in sorted(folder.glob("*.toml"))]
            found += [each if each.fault else _alone(each, read) for each in read]
    return found


def kind_of_file(path: Path) -> str:
    """Return the kind of profile that a file is meant as: by its folder, else by a key that only this kind has."""
    if path.resolve().parent.name in READERS:
        return path.resolve().parent.name
    try:
        keys = load(path, ProfileError, "profile").data
    except GcodetoolError:
        keys = {}
    return next((kind for key, kind in OWN_KEYS.items() if key in keys), "dryers")


def _checked(kind: str, path: Path) -> CheckedProfile:
    try:
        READERS[kind](path)
    except GcodetoolError as error:
        return CheckedProfile(kind, path, str(error))
    return CheckedProfile(kind, path, None)


def _alone(one: CheckedProfile, others: Sequence[CheckedProfile]) -> CheckedProfile:
    """Return *one*, with a fault where an earlier file of its folder answers to one of its names."""
    for other in others:
        if other.path == one.path:
            break
        same = library.names_in(other.path) & library.names_in(one.path)
        if same:
            name = min(same)
            return CheckedProfile(
                one.kind, one.path, f"{one.path}: {other.path.name} answers to '{name}' too; rename one"
            )
    return one

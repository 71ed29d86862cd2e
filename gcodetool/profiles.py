"""TOML profiles (the user's own, then the shipped ones) to dataclasses, by name or path.

Left out: which file a name means and what a profile holds (``profiledata``), what a file may say
(``profilefile``).
"""

from pathlib import Path

from gcodetool.profiledata import (
    DIALECTS,
    FIBRE,
    SINGULAR,
    USER_FOLDER,
    Adopted,
    Desiccant,
    DialectName,
    Dryer,
    Heater,
    HotEnd,
    Kind,
    Material,
    Pair,
    Printer,
    RetractionBounds,
    SaltSolution,
    SpoolBody,
    Waiting,
    find,
    folders,
    is_path,
    kept_word,
    lookup,
    names,
    names_file,
    names_in,
    path_of,
    sample_folder,
    shipped_folder,
    slug,
    unknown,
    user_folder,
)
from gcodetool.tomlfile import shown

__all__ = [
    "DIALECTS",
    "FIBRE",
    "SINGULAR",
    "USER_FOLDER",
    "Adopted",
    "Desiccant",
    "DialectName",
    "Dryer",
    "Heater",
    "HotEnd",
    "Kind",
    "Material",
    "Pair",
    "Printer",
    "RetractionBounds",
    "SaltSolution",
    "SpoolBody",
    "Waiting",
    "desiccant",
    "dryer",
    "find",
    "fits",
    "folders",
    "is_path",
    "kept_word",
    "lookup",
    "material",
    "most_delicate_body",
    "names",
    "names_file",
    "names_in",
    "of_slicer_type",
    "path_of",
    "printer",
    "salt_solution",
    "sample_folder",
    "shipped_folder",
    "slug",
    "spool_body",
    "unknown",
    "user_folder",
]


def material(name: str | Path) -> Material:
    """Return the material that *name*, an alias or a path means.

    >>> material("pla").density_kg_m3
    1240.0

    Raises
    ------
    ProfileError
        There is none of that name, or its file says something it cannot mean.
    """
    from gcodetool.profilefile import profile, read_material

    return profile("materials", name, read_material)


def printer(name: str | Path) -> Printer:
    """Return the printer that *name* or a path means; errors as in :func:`material`."""
    from gcodetool.profilefile import profile, read_printer

    return profile("printers", name, read_printer)


def dryer(name: str | Path) -> Dryer:
    """Return the kind of dryer that *name* or a path means; errors as in :func:`material`."""
    from gcodetool.profilefile import profile, read_dryer

    return profile("dryers", name, read_dryer)


def spool_body(name: str | Path) -> SpoolBody:
    """Return the spool body that *name*, an alias or a path means; errors as in :func:`material`."""
    from gcodetool.profilefile import profile, read_spool_body

    return profile("spool-bodies", name, read_spool_body)


def most_delicate_body() -> SpoolBody:
    """Return the spool body that stands the least heat: what a reel of unknown material is taken as."""
    return min((spool_body(name) for name in names("spool-bodies")), key=lambda body: body.safe_C)


def desiccant(name: str | Path) -> Desiccant:
    """Return the desiccant that *name*, an alias or a path means; errors as in :func:`material`."""
    from gcodetool.profilefile import profile, read_desiccant

    return profile("desiccants", name, read_desiccant)


def salt_solution(name: str | Path) -> SaltSolution:
    """Return the salt solution that *name*, an alias or a path means; errors as in :func:`material`."""
    from gcodetool.profilefile import profile, read_salt_solution

    return profile("humidity", name, read_salt_solution)


# ---------------------------------------------------------------- the words of slicers


def fits(word: str, stock: Material) -> bool:
    """Return whether a slicer's filament type can mean *stock*; a fibre tail says nothing of the polymer.

    >>> fits("PA-CF", material("PA6")), fits("PETG", material("PLA"))
    (True, False)
    """
    known = {slug(name) for name in (stock.key, *stock.aliases, *stock.slicer_types)}
    return not known.isdisjoint((slug(word), slug(FIBRE.sub("", word.strip()))))


def of_slicer_type(word: str) -> tuple[Material | None, str | None]:
    """Return the material that a slicer's filament type names, and what is unsure about it.

    >>> of_slicer_type("PA-CF")[1]
    'PA-CF: fibre share unknown, taken as unfilled PA6'

    Returns
    -------
    The material, None where no profile answers to the word; a caution, None where there is none.
    """
    if path := lookup("materials", word):
        return material(path), None
    path = lookup("materials", FIBRE.sub("", word.strip()))
    if path is None:
        return None, f"no material profile answers to the slicer's type {shown(word)}"
    stock = material(path)
    return stock, f"{word.strip()}: fibre share unknown, taken as unfilled {stock.key}"

"""The pages of the documentation that are installed with gcodetool: their names, titles and texts."""

import difflib
from dataclasses import dataclass
from pathlib import Path

from gcodetool.errors import InputError, UsageError
from gcodetool.profiledata import docs_folder
from gcodetool.textfile import from_json, read_text


@dataclass(frozen=True)
class DocsPage:
    """One page: what it is called, its first heading, and its file."""

    name: str
    title: str
    path: Path


def docs_pages() -> tuple[DocsPage, ...]:
    """Return all pages by name, the schemas of JSON answers after them."""
    folder = docs_folder()
    written = [DocsPage(path.stem, _title(path), path) for path in sorted(folder.glob("*.md"))]
    schemas = [
        DocsPage(path.stem, f"JSON Schema: {_title_of_schema(path)}", path)
        for path in sorted(folder.glob("*.schema.json"))
    ]
    return tuple(written + schemas)


def docs_page(name: str) -> DocsPage:
    """Return the page of that name.

    Raises
    ------
    UsageError
        There is none.
    """
    pages = {page.name: page for page in docs_pages()}
    wanted = name.removesuffix(".md").removesuffix(".json")
    if wanted in pages:
        return pages[wanted]
    near = difflib.get_close_matches(wanted, pages, n=1)
    hint = f"did you mean {near[0]!r}?" if near else "'gcodetool docs' lists them"
    raise UsageError(f"no page {name!r} in the documentation; {hint}")


def docs_text(page: DocsPage) -> str:
    """Return what is written on a page."""
    return read_text(page.path, InputError, "page")


def _title_of_schema(path: Path) -> str:
    text = read_text(path, InputError, "schema")
    return str(from_json(text, path, InputError, "schema")["title"])


def _title(path: Path) -> str:
    first = read_text(path, InputError, "page").partition("\n")[0]
    return first.removeprefix("# ").strip()

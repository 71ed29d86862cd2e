"""The documentation as it is installed: every page is listed, shown and in the site's index."""

import pathlib
import re
import tomllib

import pytest

from gcodetool import __version__
from gcodetool.app.docs import docs_pages
from gcodetool.cli.main import main, outcome, whole

ROOT = pathlib.Path(__file__).resolve().parent.parent


def test_docs_lists_every_page_and_shows_each(capsys):
    assert outcome(["docs"]) == 0
    listed = {line.split()[0]: line.split(maxsplit=1)[1] for line in capsys.readouterr().out.splitlines()}
    files = [*(ROOT / "docs").glob("*.md"), *(ROOT / "docs").glob("*.schema.json")]
    assert set(listed) == {path.stem for path in files}
    assert all(listed.values())
    for name in ("records", "report.schema", "records.md"):
        assert outcome(["docs", name]) == 0
        shown = capsys.readouterr().out
        assert listed[name.removesuffix(".md")].removeprefix("JSON Schema: ") in shown
        assert outcome(["docs", name, "--path"]) == 0
        assert pathlib.Path(capsys.readouterr().out.strip()).read_text(encoding="utf-8") in shown


def test_a_page_that_is_none_is_refused_with_the_nearest(capsys):
    assert outcome(["docs", "recrods"]) == 2
    assert "did you mean 'records'?" in capsys.readouterr().err


def test_the_index_of_the_site_names_every_page():
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    named = re.findall(r"^([/\w-]+)$", "".join(re.findall(r"```\{toctree\}(.*?)```", index, re.DOTALL)), re.M)
    written = {page.name for page in docs_pages() if not page.name.endswith(".schema")} - {"index"}
    assert {name for name in named if not name.startswith("/")} == written
    assert all((ROOT / f"{name[1:]}.md").is_file() for name in named if name.startswith("/"))


def test_the_version_stands_in_one_place_and_heads_the_changelog():
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    assert "version" not in project
    assert "version" in project["dynamic"]
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.M)
    cited = re.search(r"^version: (\S+)$", (ROOT / "docs" / "CITATION.cff").read_text(encoding="utf-8"), re.M)
    assert newest is not None
    assert cited is not None
    assert newest[1] in ("Unreleased", __version__)
    assert cited[1] == __version__


def test_every_command_has_a_manual_page():
    core = pytest.importorskip("click_man.core", reason="a need of the build, not of the tests")
    import click

    def pages(command: click.Command, context: click.Context) -> int:
        text = core.generate_man_page(context, version=__version__)
        assert text.startswith(".TH ")
        assert "..." not in text.split(".SH SYNOPSIS")[0], "its first sentence is cut"
        below = command.commands if isinstance(command, click.Group) else {}
        return 1 + sum(
            pages(one, click.Context(one, info_name=name, parent=context)) for name, one in below.items()
        )

    assert pages(whole(main), click.Context(main, info_name="gcodetool")) > 50

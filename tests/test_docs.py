"""The docs hold: links lead somewhere, commands exist, Python in them runs, the README has its two commands."""

import pathlib
import re
import shlex

import click
import pytest

from gcodetool.cli.main import main

ROOT = pathlib.Path(__file__).parent.parent
PAGES = sorted(
    [
        *ROOT.glob("*.md"),
        *(ROOT / "docs").glob("*.md"),
        *ROOT.glob("profiles/*.md"),
        *ROOT.glob("sample_gcode/*.md"),
    ]
)
FENCE = re.compile(r"^```(?P<kind>[^\n]*)\n(?P<body>.*?)^```", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\((?P<to>[^)#\s]+)(?:#[^)]*)?\)")


def blocks(kind: str) -> list[tuple[pathlib.Path, str]]:
    """Return every fenced block of one kind, with its page."""
    return [
        (page, found["body"])
        for page in PAGES
        for found in FENCE.finditer(page.read_text(encoding="utf-8"))
        if found["kind"].split()[:1] == [kind]
    ]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: pathlib.Path) -> None:
    for found in LINK.finditer(page.read_text(encoding="utf-8")):
        if "://" not in found["to"]:
            assert (page.parent / found["to"]).exists(), found["to"]


def command_lines() -> list[tuple[str, str]]:
    """Return every line of a shell block that calls gcodetool, with its page's name."""
    found = []
    for page, body in blocks("sh"):
        for line in body.splitlines():
            for part in line.split("&&"):
                words = part.strip()
                if words.removeprefix(".venv/bin/").startswith("gcodetool "):
                    found.append((page.name, words.removeprefix(".venv/bin/")))
    return found


@pytest.mark.parametrize(("page", "line"), command_lines())
def test_commands_in_the_docs_exist(page: str, line: str) -> None:
    """Every command is one, and every option that it names is its own."""
    words = shlex.split(line, comments=True)[1:]
    command: click.Command = main
    context = click.Context(main)
    while words and isinstance(command, click.Group) and not words[0].startswith("-"):
        inner = command.get_command(context, words.pop(0))
        assert inner is not None, line
        command = inner
    options = {name for parameter in command.params for name in parameter.opts} | {"--help", "--version"}
    for word in words:
        if word.startswith("-") and len(word) > 1:
            assert word.split("=")[0] in options, f"{page}: {word}"


@pytest.mark.parametrize(("page", "body"), blocks("python"), ids=lambda value: getattr(value, "name", ""))
def test_python_in_the_docs_runs(
    page: pathlib.Path, body: str, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.chdir(ROOT)
    exec(compile(body, str(page), "exec"), {})
    assert "print(" not in body or capsys.readouterr().out


def test_the_readme_starts_with_two_commands() -> None:
    starts = [body for page, body in blocks("sh") if page.name == "README.md"][:2]
    assert [body.count("\n") for body in starts] == [1, 1]
    assert starts[0].rstrip().endswith("gcodetool demo")
    assert starts[1].rstrip().endswith("pytest -n auto")

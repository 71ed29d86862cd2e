"""``licences`` lists what is really there: each package that is required, and nothing without a licence."""

import json
import pathlib
import re
import tomllib
from importlib import metadata

import pytest

from gcodetool.app import licences
from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError

PROJECT = tomllib.loads((pathlib.Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))[
    "project"
]


def test_each_required_package_stands_there_with_its_licence(capsys: pytest.CaptureFixture[str]) -> None:
    assert outcome(["licences", "--json"]) == 0
    rows = {row["package"]: row for row in json.loads(capsys.readouterr().out)["packages"]}
    assert rows["gcodetool"]["licence"] == PROJECT["license"]
    stated = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["farm"]]
    names = {licences.normal(re.split(r"[^A-Za-z0-9._-]", line)[0]) for line in stated}
    assert names <= set(rows)
    assert "gcodetool" in rows["numpy"]["needed_by"]
    assert "matplotlib" in rows["pillow"]["needed_by"]
    for name, row in rows.items():
        assert row["licence"], name
        assert row["version"] == metadata.version(name)
    assert "pytest" not in rows  # who only uses it gets no tests


def test_the_list_is_one_line_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert outcome(["licences"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(licences.licences())
    assert lines[0].split()[::2] == ["gcodetool", "MIT"]


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("License-Expression: MIT\nLicense: other", "MIT"),
        ("License: long\n  text\nClassifier: License :: OSI Approved :: BSD License", "BSD License"),
        ("License: MIT", "MIT"),
        ("License: " + "x" * 100, licences.UNSTATED),
        ("", licences.UNSTATED),
    ],
)
def test_what_a_package_calls_its_licence(head: str, said: str, tmp_path: pathlib.Path) -> None:
    (tmp_path / "METADATA").write_text(f"Metadata-Version: 2.4\nName: part\nVersion: 1\n{head}\n")
    assert licences.licence_of(metadata.PathDistribution(tmp_path)) == said


def test_without_an_installation_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> metadata.Distribution:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(licences.metadata, "distribution", absent)
    with pytest.raises(UsageError, match="without being installed"):
        licences.licences()

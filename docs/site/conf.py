"""How the documentation site is built: `sphinx-build -W -n -c docs/site . OUT` in a checkout with the extra `docs`.

The source folder is the checkout, so that the README and the pages of `docs/` link each other here as they do there.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent.parent))

from gcodetool import __version__

project = "gcodetool"
author = "the gcodetool maintainers"
copyright = author  # noqa: A001  # the name that Sphinx reads
version = release = __version__
extensions = ["myst_parser"]
root_doc = "docs/index"
include_patterns = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "docs/*.md",
    "profiles/README.md",
    "sample_gcode/README.md",
]
suppress_warnings = [
    "misc.highlighting_failure"
]  # lines of G-code and of a terminal are in no language that is known
myst_heading_anchors = 4
html_theme = "furo"
html_title = f"gcodetool {version}"
html_show_sourcelink = False

"""``python -m gcodetool``: the command line."""

from gcodetool.cli.main import run

run()

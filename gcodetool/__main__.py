"""The command line: ``python -m gcodetool``, and the command that is installed."""

import sys


def run() -> None:
    """Run the command line; Ctrl-C while it is being loaded ends it in one line too."""
    try:
        from gcodetool.cli.main import run as call
    except KeyboardInterrupt:
        if sys.stderr is not None:
            sys.stderr.write("gcodetool: stopped; nothing was written\n")
        sys.exit(130)
    call()


if __name__ == "__main__":
    run()

"""The command group, and the one place where errors become exit codes."""

import contextlib
import gc
import os
import sys
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import click

from gcodetool import __version__
from gcodetool.changes import collected
from gcodetool.cli.output import careful
from gcodetool.errors import GcodetoolError, LedgerError

INTERRUPTED: Final = 130
KERNELS: Final = ("gcodetool.gcode.scan", "gcodetool.motion.planner", "gcodetool.moisture.solver")
COMPLETING: Final = "_GCODETOOL_COMPLETE"  # set by the shell that asks
DEBUG: Final = "GCODETOOL_DEBUG"  # set: faults of the tool itself show their traceback


class Listed(NamedTuple):
    """Where a command is, and its first sentence, so that the list of commands need not load them."""

    module: str
    says: str


class Commands(click.Group):
    """Commands loaded when they are asked for: ``--help`` and a wrong word stay quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order in which people meet them."""
        return list(LISTED)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command and return it."""
        listed = LISTED.get(cmd_name)
        if listed is None:
            return None
        import importlib

        found: click.Command = getattr(importlib.import_module(listed.module), cmd_name)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, listed.says) for name, listed in LISTED.items()])

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """Offer the nearest command where a word is none."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            import difflib

            near = difflib.get_close_matches(args[0], LISTED, n=1) if args else []
            if near:
                raise click.UsageError(f"{error.message} Did you mean {near[0]!r}?", ctx) from error
            raise


LISTED: Final = {
    "check": Listed("gcodetool.cli.job", "Say whether JOB prints dry from first layer to last."),
    "prepare": Listed("gcodetool.cli.job", "Write JOB with its forecast and a purge-and-inspect block."),
    "adjust": Listed("gcodetool.cli.adjust", "Write a copy of PROFILE with settings for a marginal spool."),
    "review": Listed(
        "gcodetool.cli.review", "Write a page about JOB: the verdict, where in the part, and why."
    ),
    "queue": Listed("gcodetool.cli.queue", "Say which jobs can run when, on which spool, and what to dry."),
    "watch": Listed("gcodetool.cli.watch", "Check what appears in DIR, or prepare it into DIR2."),
    "spool": Listed("gcodetool.cli.spool", "Keep the record of your spools, and see how wet they are."),
    "place": Listed("gcodetool.cli.place", "Keep a record of rooms, boxes, bags, dryers and printers."),
    "ledger": Listed("gcodetool.cli.ledger", "Check, back up and restore the record of spools and places."),
    "drying": Listed("gcodetool.cli.drying", "Plan a drying, say when it is done, read its weigh-ins."),
    "limits": Listed("gcodetool.cli.limits", "Learn from your own prints how wet is too wet."),
    "due": Listed("gcodetool.cli.due", "Say what is to be done by hand, and when."),
    "serve": Listed("gcodetool.cli.serve", "Show the shelf as pages, for a phone at the machine."),
    "series": Listed("gcodetool.cli.series", "Print one job in several states of water, and compare."),
    "profiles": Listed("gcodetool.cli.profiles", "List, show and make profiles."),
    "demo": Listed("gcodetool.cli.demo", "Run the main job on sample files."),
    "docs": Listed("gcodetool.cli.docs", "Show PAGE of the documentation, or list its pages."),
    "licences": Listed("gcodetool.cli.licences", "List what gcodetool runs on, and under which licences."),
}


# what only asks: the commands, of a group those of it
READING: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys(("check", "queue", "due", "docs", "licences", "drying"), ()),
    **dict.fromkeys(("spool", "place"), ("list", "show", "size")),
    "limits": ("show",),
    "ledger": ("check",),
    "series": ("plan", "list", "show", "report"),
    "profiles": ("list", "show", "check"),
}


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: gcodetool check manifold.gcode --spool pa6-07.toml",
)
@click.version_option(__version__, prog_name="gcodetool")
def main() -> None:
    """Say whether a spool is dry enough for a sliced job, before the job starts.

    Heat, hot nozzles and unattended machines hurt people: makers' limits and local codes come
    before anything that this tool says.
    """


def whole(group: click.Group) -> click.Group:
    """Return a group with all of its commands loaded, each with its first sentence whole: for manual pages."""
    group.short_help = group.get_short_help_str(limit=200)
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        assert command is not None
        command.short_help = command.get_short_help_str(limit=200)
        group.commands[name] = whole(command) if isinstance(command, click.Group) else command
    return group


def run() -> None:
    """Run the command line; every failure is one line on stderr and an exit code."""
    # no array here is large enough for threads, and starting them is half of importing numpy
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    code = outcome(expanded(sys.argv[1:]) if os.name == "nt" else sys.argv[1:])
    gc.freeze()  # the interpreter need not look through everything once more before it ends
    sys.exit(code)


def expanded(words: list[str]) -> list[str]:
    r"""Return the words of a call with patterns of files in their place: Windows leaves ``jobs\*.gcode`` as it is.

    A pattern that no file fits stays, as do options; only ``*`` and ``?`` count, for file names hold brackets.
    """
    import glob

    found: list[str] = []
    for word in words:
        many = not word.startswith("-") and ("*" in word or "?" in word)
        found += (many and sorted(glob.glob(word.replace("[", "[[]")))) or [word]  # noqa: PTH207  as it was written
    return found


def outcome(arguments: list[str]) -> int:
    """Return the exit code of one call: 0 or a verdict's, 1 an error, 2 a misuse.

    The one place that says how a call ended: what it changed before it failed is said, and "nothing was written"
    only where nothing was.
    """
    # names that a shell completes are for the shell, and click hands them over as bytes
    streams = contextlib.nullcontext() if COMPLETING in os.environ else careful()
    with streams, collected() as changes:
        try:
            code = main.main(arguments, prog_name="gcodetool", standalone_mode=False)
            say_interpreted()
            return code if isinstance(code, int) else 0
        except BaseException as error:
            code, words, writes = ended(error)
            if changes:
                words += f"; done before that: {changes}"
            elif writes and not reads_only(arguments):
                words += "; nothing was written"
            if words:
                complain(words)
            return code


def reads_only(arguments: Sequence[str]) -> bool:
    """Return whether a call asks and writes nothing down, so that nobody wonders whether something was written.

    >>> reads_only(["spool", "show", "pa6-07"]), reads_only(["spool", "move", "pa6-07", "oven"])
    (True, False)
    >>> reads_only(["place", "fit", "box"]), reads_only(["place", "fit", "box", "--keep"])
    (True, False)
    """
    command, *more = [*arguments, ""]
    if (command, more[:1]) == ("place", ["fit"]):
        return "--keep" not in more
    known = READING.get(command)
    return known is not None and (not known or more[0] in known)


def ended(error: BaseException) -> tuple[int, str, bool]:
    """Return the exit code of a call that *error* ended, what to say, and whether people ask what was written."""
    if isinstance(error, click.UsageError):
        return 2, usage(error), False
    if isinstance(error, click.ClickException):
        return 1, error.format_message(), False
    if isinstance(error, click.Abort | KeyboardInterrupt):
        return INTERRUPTED, "stopped", True
    if isinstance(error, GcodetoolError):
        return error.exit_code, str(error), isinstance(error, LedgerError)
    if isinstance(error, BrokenPipeError):
        # the reader of our output went away; Python would complain once more at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1, "", False
    if isinstance(error, MemoryError):
        return 1, "out of memory; close other programs and try again", True
    if isinstance(error, OSError):
        named = error.filename or "output"
        return 1, f"{named}: {error.strerror or error}; check the path, its permissions and the disk", True
    if not isinstance(error, Exception) or os.environ.get(DEBUG):
        raise error
    return (
        1,
        f"a fault in gcodetool itself: {type(error).__name__}: {error}; please report it with the output of the "
        f"same call under {DEBUG}=1",
        True,
    )


def say_interpreted() -> None:
    """Say on stderr, once, that a kernel of this call is not compiled; silent where all are."""
    slow = [name for name in KERNELS if name in sys.modules and not sys.modules[name].COMPILED]
    if slow:
        complain(
            "note: its kernels are not compiled here and run interpreted: the same answers, several times slower; "
            "install a wheel for this machine, or again where there is a C compiler"
        )


NO_NUMBER: Final = {  # the parser's words, and ours
    "is not a valid integer range": "is no whole number",
    "is not a valid integer": "is no whole number",
    "is not a valid float range": "is no number",
    "is not a valid float": "is no number",
}


def usage(error: click.UsageError) -> str:
    """Return a usage error as one line that names the help to read."""
    command = error.ctx.command_path if error.ctx else "gcodetool"
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        group = error.ctx.command if error.ctx else main
        known = (
            ", ".join(group.list_commands(error.ctx or click.Context(main)))
            if isinstance(group, click.Group)
            else ""
        )
        return f"'{command}' needs a command: {known}. See '{command} --help'."
    text = error.format_message().rstrip(".")
    for theirs, ours in NO_NUMBER.items():
        text = text.replace(theirs, ours)
    return f"{text}{'' if text.endswith('?') else '.'} See '{command} --help'."


def complain(text: str) -> None:
    """Write one line to stderr."""
    with contextlib.suppress(OSError):  # nobody there to read it
        click.echo("gcodetool: " + " ".join(text.split("\n")).removeprefix("; "), err=True)

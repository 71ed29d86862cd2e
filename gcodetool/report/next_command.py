"""The one command that helps after a verdict, ready to be copied: dry it, or write the look and the tweaks into the file.

Left out: what to do by hand (advice); a clear job needs no command.
"""

from collections.abc import Mapping

from gcodetool.judge.findings import JobFindings, ToolFindings
from gcodetool.shell import command_line


def next_command(
    found: JobFindings, tool: ToolFindings, *, spools: Mapping[int, str], printer: str | None
) -> tuple[str, str] | None:
    """Return what helps, in words, and as a command line; None where nothing needs help.

    Parameters
    ----------
    found, tool : the job's findings, and the tool whose verdict is the job's.
    spools, printer : as they were asked for: an ID, a name or a file, spools by tool; None: none was named.
    """
    spool = spools.get(tool.tool)
    code = tool.verdict.code
    of_printer = [] if printer is None else ["--printer", printer]
    if code in ("runs-out", "dry-first") and spool is not None:
        of_tool = ["--tool", str(tool.tool)] if len(found.tools) > 1 else []
        words = ["drying", "plan", spool, "--for", found.path, *of_tool, *of_printer]
        return "How hot and how long it must be dried for this job", command_line(words)
    if code == "clear":
        return None
    several = len(found.tools) > 1  # then each is named: a tool that is not counts as without a spool
    named = [
        word for each, name in spools.items() for word in ("--spool", f"{each}={name}" if several else name)
    ]
    tweaks = list(dict.fromkeys(each.apply for each in tool.tweaks if each.apply and each.applied is None))
    apply = ["--apply", ",".join(tweaks)] if tweaks and code == "adjust" else []
    what = "The file with a stop to look at the strand before the part begins"
    return what + (", and with these settings" if apply else ""), command_line(
        ["prepare", found.path, *named, *of_printer, *apply]
    )

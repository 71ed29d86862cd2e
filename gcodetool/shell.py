"""Commands of the tool as they are shown: what can be copied into this system's shell and run.

Left out: which command to show.
"""

import os
from collections.abc import Sequence


def command_line(words: Sequence[str]) -> str:
    """Return a call of the tool as this system's shell takes it.

    >>> command_line(["check", "manifold.gcode"])
    'gcodetool check manifold.gcode'
    """
    return " ".join(shell_word(word) for word in ("gcodetool", *words))


def shell_word(name: str) -> str:
    """Return a name as one word of a command that is shown.

    >>> print(shell_word("box-2"), shell_word("dry box") in ("'dry box'", '"dry box"'))
    box-2 True
    """
    if os.name == "nt":
        import subprocess  # both are dear to load, and most names are asked for in a message that never comes

        return subprocess.list2cmdline([name])
    import shlex

    return shlex.quote(name)

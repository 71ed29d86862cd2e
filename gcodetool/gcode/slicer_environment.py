"""Settings that a slicer hands over in its step's environment: variables to settings as the file prints them.

Families A, A-old and C run a step with every setting in a variable of its own, ``<WORD>_<KEY>``.  The
word is the product's, so it is found by what stands behind it.  Left out: reading the environment
(the command line passes it in), and what the settings mean (``markers``).
"""

from collections.abc import Mapping
from typing import Final

SURE: Final = ("_PP_HOST", "_PP_OUTPUT_NAME", "_POST_PROCESS")  # only a step's environment holds these
LIKELY: Final = ("_FILAMENT_TYPE", "_FILAMENT_DIAMETER")


def prefix(environ: Mapping[str, str]) -> str | None:
    """Return the word before the settings; None where there is none, or more than one.

    >>> prefix({"WORD_PP_HOST": "File", "WORD_FILAMENT_TYPE": "PETG", "HOME": "/home/ada"})
    'WORD'
    """
    for suffixes in (SURE, LIKELY):
        found = {
            name.removesuffix(suffix)
            for suffix in suffixes
            for name in environ
            if name.endswith(suffix) and len(name) > len(suffix)
        }
        if found:
            return found.pop() if len(found) == 1 else None
    return None


def handed_over(environ: Mapping[str, str]) -> dict[str, str]:
    """Return the settings of a step's environment, keys as the file prints them; empty outside a step.

    >>> handed_over({"WORD_PP_HOST": "File", "WORD_FILAMENT_TYPE": "PETG", "HOME": "/home/ada"})
    {'filament_type': 'PETG'}
    """
    word = prefix(environ)
    if word is None:
        return {}
    start = word + "_"
    return {
        name.removeprefix(start).lower(): value
        for name, value in sorted(environ.items())
        if name.startswith(start) and not name.startswith(start + "PP_")
    }

"""All colours of pages and pictures by name, light and dark: the one place where they stand.

Pages use them as CSS variables; a picture that a library draws is drawn in the light ones, and ``named`` turns those
into the variables, so that it follows the page.  On paper all is light.  Left out: the scale of water (``scale``).
"""

from typing import Final

# name: (light, dark); words on paper or panel are held to a contrast of 4.5 (tests/test_review_pieces.py)
TONES: Final[dict[str, tuple[str, str]]] = {
    "paper": ("#fbf9f3", "#14191c"),
    "panel": ("#f2eee2", "#1e262a"),
    "sheet": ("#fffffe", "#1a2124"),  # behind code
    "ground": (
        "#fffefc",
        "#c3c9c6",
    ),  # behind what is drawn in the scale's colours, which dark paper would swallow
    "ground-ink": ("#20303b", "#14191d"),  # words and lines on it
    "ground-warn": ("#8f3416", "#7a2408"),
    "ink": ("#20303a", "#e8e4da"),
    "faint": ("#4e5c64", "#a3adb1"),
    "rule": ("#d5cfc0", "#38444a"),
    "sea": ("#0f4c5c", "#7cc4d4"),
    "on-sea": ("#fefefe", "#0c1a1e"),
    "warn": ("#8f3415", "#f0a184"),
    "warn-soft": ("#f7e7de", "#3a231a"),
    "dry": ("#2b6a4a", "#83cfa5"),
    "dry-soft": ("#dfeee6", "#1c3a2c"),
    "mid": ("#7a5200", "#e3bb63"),
    "reel": ("#84541a", "#d9a45a"),  # a whole reel, beside what is fed next
    "violet": ("#5b4a8a", "#b8a9ea"),
    "band": ("#9cc3c6", "#3f7480"),
    "room": ("#f1e3c4", "#39311f"),
    "closed": ("#d9e6df", "#1f3830"),
    "heated": ("#f3cdbd", "#4c2b20"),
    "drying": ("#f0d9a8", "#4b3a19"),
    "away": ("#e9e6de", "#252c2f"),  # hours without anybody
}
LIGHT: Final = {name: light for name, (light, _) in TONES.items()}
NAMES: Final = {light: name for name, light in LIGHT.items()}


def css() -> str:
    """Return the rules that define the variables, for screens light and dark, and for paper.

    >>> css()[:22], "--paper:#14191c" in css()
    (':root{--paper:#fbf9f3;', True)
    """
    light, dark = (
        "".join(f"--{name}:{pair[place]};" for name, pair in TONES.items()).rstrip(";") for place in (0, 1)
    )
    return (
        f":root{{{light}}}\n"
        f"@media screen{{:root{{color-scheme:light dark}}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )


def named(value: str) -> str:
    """Return a colour as the page's variable where it is one of ours.

    >>> named("#9CC3C6"), named("none")
    ('var(--band)', 'none')
    """
    name = NAMES.get(value.lower())
    return value if name is None else f"var(--{name})"

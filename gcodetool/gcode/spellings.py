"""How comments of many programs spell a layer mark; what ``scan`` counts, and ``remarks`` looks for."""

import itertools
from typing import Final

# ``; layer 3, Z = 0.6``, ``;LAYER:3``, ``; Layer = 3``: what stands before the number.
NUMBERED: Final = tuple(
    "".join(parts).encode()
    for parts in itertools.product(
        (";", "; "), ("layer", "Layer", "LAYER"), (" ", ":", ": ", " : ", "=", " = ", " #", "_")
    )
)
BY_HEIGHT: Final = (b"; BEGIN_LAYER_OBJECT z=", b"; BEGIN_LAYER z=", b"; LAYER Z=", b"; Z_LAYER = ")
SPELLINGS: Final = NUMBERED + BY_HEIGHT  # a height may have decimals, a number has none

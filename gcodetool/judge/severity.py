"""What too wet a strand does: it spoils the surface, or the part.

Two materials beyond the same limit are not in the same trouble.  Left out: whether the limit is passed
(``outcomes``), and the words (``reasons``).
"""

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from gcodetool.profiles import Material

Damage = Literal["surface", "part"]

# Over the marginal limit (own estimate).  ABS loses about 1 MPa of strength per 0.1 wt % (Hamrol et al. 2023), so
# under a tenth by then; PLA and the copolyesters are near saturation there, at 90 % RH and more.
SURFACE_TO: Final = 1.5


def damage(material: "Material", of_marginal: float | None) -> Damage:
    """Return what a strand beyond its marginal limit does.

    A material whose marginal limit is not below its own content at 23 °C and 50 % RH is printed from open
    shelves: somewhat beyond, it strings and its surface is rough.  All others (polyamides, TPU, PC, PVA,
    amorphous PET) are past it in any ordinary room: steam foams the strand, or the melt hydrolyses.  Whether
    a polymer hydrolyses at all does not tell them apart: PLA does, PVA does not.

    Parameters
    ----------
    of_marginal
        The wettest strand's content over its marginal limit; None where the model does not tell. [-]

    >>> from gcodetool.profiles import material
    >>> damage(material("PLA"), 1.1), damage(material("PLA"), 1.6), damage(material("PA6"), 1.1)
    ('surface', 'part', 'part')
    """
    room = material.uptake_50rh_wt_pct
    forgiving = room is not None and material.limit_marginal_wt_pct >= room
    known = of_marginal is not None and of_marginal <= SURFACE_TO
    return "surface" if forgiving and known else "part"

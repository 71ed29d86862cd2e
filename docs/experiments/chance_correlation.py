"""How far a place's doubts go along by chance with a spool's own coordinates, and whether another order were better.

Run: ``python docs/experiments/chance_correlation.py`` (about 5 s).  A place's coordinate has an order of its own, by its
name alone, so that all spools that stand there have the same air, and a snapshot says what a replay says.  With few members
two orders are alike by chance.  Against it, orders made unlike the spools' columns, whatever the reel's offset (ranked
Gram-Schmidt on the sines and cosines that ``spread_evenly`` is made of): Owen, "Controlling Correlations in Latin Hypercube
Samples" (1994).  Prints rank correlations, their deviation and the largest: of places with 60 reels' own columns, and of
places among themselves.
"""

import numpy as np

from gcodetool.moisture.doubts import stratified
from gcodetool.moisture.polymer import DIMENSIONS, spread_evenly

REELS, PLACES, KINDS = (
    60,
    ("bench", "oven", "shelf", "bag", "workshop", "dehydrator"),
    ("humidity", "warmth", "vents", "warm-up"),
)


def ranks(values):
    """Return the ranks along the first axis."""
    return np.argsort(np.argsort(values, axis=0), axis=0).astype(float)


def waves(members, orders):
    """Return an orthonormal basis of what the spools' columns are made of, first Fourier *orders*, (members, columns)."""
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (DIMENSIONS + 1))
    turn = 2.0 * np.pi * np.arange(1, members + 1)[:, np.newaxis] / root ** np.arange(1.0, DIMENSIONS + 1)
    columns = [np.ones((members, 1))]
    columns += [wave(order * turn) for order in range(1, orders + 1) for wave in (np.cos, np.sin)]
    return np.linalg.qr(np.hstack(columns))[0]


def unlike(members, name, orders):
    """Return the place's coordinate with what is like the spools' columns taken out, ranked again."""
    basis = waves(members, orders)
    values = stratified(members, name)
    return (ranks(values - basis @ (basis.T @ values)) + 0.5) / members


def show(what, members, drawn):
    """Print one line."""
    names = [f"{kind} {place}" for place in PLACES for kind in KINDS]
    places = ranks(np.column_stack([drawn(name) for name in names]))
    own = []
    for reel in range(REELS):
        both = np.column_stack([ranks(spread_evenly(members, f"pla-{reel:02d}")), places])
        own.append(np.corrcoef(both.T)[:DIMENSIONS, DIMENSIONS:].ravel())
    among = np.corrcoef(places.T)[np.triu_indices(len(names), 1)]
    cells = [f"{one.std():.3f}, at most {np.abs(one).max():.2f}" for one in (np.concatenate(own), among)]
    print(f"{members:3d} members, {what:18s} with the spool's own {cells[0]}; among places {cells[1]}")


for count in (32, 64):
    show("as it is:", count, lambda name, count=count: stratified(count, name))
    for order in (1, 2):
        show(
            f"unlike, {order} order(s):",
            count,
            lambda name, count=count, order=order: unlike(count, name, order),
        )

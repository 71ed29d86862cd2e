"""Findings as one self-contained page: ``review`` puts it together, the rest are its building blocks.

``page`` writes any page (templates, strict content policy), ``charts`` draws curves, ``part`` and ``reel``
draw what they are named after, ``shapes`` reads what the moves lay down, ``scale`` is the one colour
scale.  Heavy libraries are imported by the functions that need them.
"""

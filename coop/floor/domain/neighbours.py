"""Which spaces stand side by side on a plan: those that share an edge, not those that meet at a corner."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from coop.floor.domain.plan import Outline

_ROUNDED_IN16 = 1
"""Corners are whole sixteenths: edges of turned outlines lie a sixteenth apart, and still are one."""
_EDGE_IN16 = 16
"""A shared edge is longer than an inch; less is a corner."""


def neighbours_of(outline: Outline, others: Mapping[int, Outline]) -> set[int]:
    """Keys of the outlines that share an edge with one (corners [x, y] in sixteenths of an inch). An empty outline has none."""
    drawn = {key: corners for key, corners in others.items() if len(corners) > 2}
    if len(outline) < 3 or not drawn:
        return set()
    keys = list(drawn)
    shapes = np.array([shapely.Polygon(drawn[key]) for key in keys], dtype=object)
    own = shapely.Polygon(outline)
    edge = shapely.intersection(shapely.boundary(shapes), shapely.buffer(own, _ROUNDED_IN16, join_style="mitre"))
    return {keys[n] for n in np.flatnonzero(shapely.length(edge) > _EDGE_IN16).tolist()}

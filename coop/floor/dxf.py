"""A plan as DXF (R2010) for other drawing programs: in inches, y upwards, a layer for each kind of thing."""

from __future__ import annotations

import io
from typing import Any

from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from ezdxf.math import Vec2
from ezdxf.units import IN

from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.draft import PART_KINDS, PlanDraft
from coop.floor.domain.plan import SPACE_KINDS, Outline
from coop.floor.svg import middle_of

LAYERS = {
    "OUTLINE": 7,
    **{f"PART-{kind.upper()}": 8 for kind in PART_KINDS},
    **{f"SPACE-{kind.upper()}": 5 for kind in SPACE_KINDS},
    "LABELS": 7,
}
"""Layer and its colour by AutoCAD's index; a wall that is rented is SPACE-WALL, one that holds the roof PART-WALL."""
_TEXT_IN = 6


def plan_dxf(draft: PlanDraft) -> bytes:
    """The file. Corners are exact: a sixteenth of an inch is a binary fraction."""
    document = new("R2010", units=IN)
    for layer, colour in LAYERS.items():
        document.layers.add(layer, color=colour)
    space = document.modelspace()

    def draw(outline: Outline, layer: str) -> None:
        points = [_point(corner) for corner in outline]
        space.add_lwpolyline(points, close=len(points) > 2, dxfattribs={"layer": layer})

    def label(outline: Outline, text: str) -> None:
        middle = middle_of(outline)
        at = _point((middle.x, middle.y))
        entity = space.add_text(text, height=_TEXT_IN, dxfattribs={"layer": "LABELS"})
        entity.set_placement(at, align=TextEntityAlignment.MIDDLE_CENTER)

    draw(draft.outline, "OUTLINE")
    for part in draft.parts:
        draw(part.outline, f"PART-{part.kind.upper()}")
        if part.kind in ("aisle", "exit", "counter"):
            label(part.outline, part.code)
    for rented in draft.spaces:
        if rented.outline:
            draw(rented.outline, f"SPACE-{rented.kind.upper()}")
            label(rented.outline, rented.code)
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode(document.output_encoding, errors="dxfreplace")


def _point(corner: tuple[Any, Any]) -> Vec2:
    return Vec2(corner[0], -corner[1]) / IN16_PER_INCH

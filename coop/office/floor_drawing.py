"""A mall's plan as the shapes of a page: outlines as text, and where each label stands. Lengths in sixteenths of an inch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coop.core.geometry import IN16_PER_FOOT
from coop.floor.domain.draft import PlanDraft
from coop.floor.domain.findings import Finding
from coop.floor.domain.plan import Outline
from coop.office.floor_forms import bounds
from coop.office.floor_queries import SpaceRow

_ORDER = ("aisle", "counter", "fixture", "post", "extinguisher", "wall", "door", "exit")
"""Painted in this order: what is walked on first."""
_LARGEST_LABEL = 3 * IN16_PER_FOOT


@dataclass(frozen=True)
class Shape:
    """Corners as SVG has them, the middle of what they bound, and a label's size that fits."""

    kind: str
    code: str
    points: str
    middle_x: int
    middle_y: int
    label: int
    is_line: bool = False


@dataclass(frozen=True)
class Mark:
    """A finding's place: a polygon, a line, or a point with its place in `middle_x`, `middle_y`."""

    number: int
    sentence: str
    shape: Shape
    is_point: bool


@dataclass(frozen=True)
class Drawing:
    view_box: str
    outline: str
    parts: Sequence[Shape]
    spaces: Sequence[tuple[SpaceRow, Shape]]
    marks: Sequence[Mark]
    mark_size: int


def shape(kind: str, code: str, outline: Outline) -> Shape:
    left, top, width, depth = bounds(outline)
    # A figure is about half as wide as it is high; two lines stand in a space.
    label = min(depth * 36 // 100, width * 15 // 10 // max(len(code), 2), _LARGEST_LABEL)
    points = " ".join(f"{x},{y}" for x, y in outline)
    return Shape(kind, code, points, left + width // 2, top + depth // 2, max(label, 1), len(outline) == 2)


def drawing(draft: PlanDraft, rows: Sequence[SpaceRow], findings: Sequence[Finding]) -> Drawing:
    """What the plan's page draws: parts in the order they are painted, spaces that are drawn, findings by number."""
    left, top, width, depth = bounds(draft.outline)
    rim = max(width, depth) // 40
    parts = sorted(draft.parts, key=lambda part: _ORDER.index(part.kind))
    marks = [
        Mark(n, found.sentence, shape(found.kind, str(n), found.at), is_point=len(found.at) == 1)
        for n, found in enumerate(findings, 1)
    ]
    return Drawing(
        view_box=f"{left - rim} {top - rim} {width + 2 * rim} {depth + 2 * rim}",
        outline=" ".join(f"{x},{y}" for x, y in draft.outline),
        parts=[shape(part.kind, part.code, part.outline) for part in parts],
        spaces=[(row, shape(row.kind, row.code, row.outline)) for row in rows if row.outline],
        marks=marks,
        mark_size=max(width, depth) // 60,
    )

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
_SMALLEST_OF_TWO = IN16_PER_FOOT
"""Where two lines would be smaller, a space has its code alone, over all its depth; its pattern says the rest."""
_LABELLED = {"aisle": "aisle {}", "counter": "counter", "exit": "exit"}


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
    one_line: bool = False


@dataclass(frozen=True)
class Label:
    """What a part is called, on the plan: in its middle, turned where it is deeper than wide; an exit's beside it, inside."""

    kind: str
    words: str
    x: int
    y: int
    size: int
    is_turned: bool = False


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
    labels: Sequence[Label]
    marks: Sequence[Mark]
    mark_size: int


def shape(kind: str, code: str, outline: Outline) -> Shape:
    left, top, width, depth = bounds(outline)
    # A figure is about half as wide as it is high; two lines stand in a space that is deep enough.
    label = min(depth * 36 // 100, width * 15 // 10 // max(len(code), 2), _LARGEST_LABEL)
    one_line = depth * 36 // 100 < _SMALLEST_OF_TWO
    if one_line:
        label = min(depth, width * 17 // 10 // max(len(code), 2), _LARGEST_LABEL)
    points = " ".join(f"{x},{y}" for x, y in outline)
    return Shape(kind, code, points, left + width // 2, top + depth // 2, max(label, 1), len(outline) == 2, one_line)


def _label(kind: str, code: str, outline: Outline, hall: tuple[int, int, int, int]) -> Label:
    left, top, width, depth = bounds(outline)
    x, y = left + width // 2, top + depth // 2
    words = _LABELLED[kind].format(code)
    largest = max(hall[2], hall[3]) // 42
    if kind == "exit":
        # Beside the wall it is in, towards the middle of the hall; a letter is about half as wide as it is high.
        if width >= depth:
            y += (depth // 2 + largest * 9 // 10) * (1 if y < hall[1] + hall[3] // 2 else -1)
        else:
            x += (width // 2 + largest * (len(words) + 2) // 4) * (1 if x < hall[0] + hall[2] // 2 else -1)
        return Label(kind, words, x, y, largest)
    is_turned = depth > width
    along, across = (depth, width) if is_turned else (width, depth)
    return Label(kind, words, x, y, max(min(across, along * 17 // 10 // len(words), largest), 1), is_turned)


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
        labels=[
            _label(part.kind, part.code, part.outline, (left, top, width, depth)) for part in parts if part.kind in _LABELLED
        ],
        marks=marks,
        mark_size=max(width, depth) // 60,
    )

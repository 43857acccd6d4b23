"""Parts of a floor map as wide as a hand: windows on the plan round bays, a few bays of one aisle in each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from coop.core.geometry import IN16_PER_FOOT
from coop.floor.domain.scale import Bounds, Sheet
from coop.overflow.drawn import DrawnBay

HAND_IN = Fraction(17, 5)
"""How wide a map is on a phone, of which 96 pixels are an inch."""
_NEAR = 6 * IN16_PER_FOOT
"""What is shown round bays, so that the booths beside them say where one is."""
_NARROWEST, _WIDEST, _TALLEST = 20 * IN16_PER_FOOT, 34 * IN16_PER_FOOT, 44 * IN16_PER_FOOT
_TALL = Fraction(7, 5)
"""How much higher than wide a part is at most."""


@dataclass(frozen=True)
class Window:
    aisle: str
    bays: tuple[DrawnBay, ...]
    sheet: Sheet


def windows_round(bays: Iterable[DrawnBay], plan: Bounds) -> list[Window]:
    """Windows with all bays, aisle by aisle: one more bay is in one while the window is no larger than a hand shows well."""
    aisles: dict[str, list[list[DrawnBay]]] = {}
    for bay in bays:
        groups = aisles.setdefault(bay.bay.aisle, [])
        if groups and _fits([*groups[-1], bay]):
            groups[-1].append(bay)
        else:
            groups.append([bay])
    every = [(aisle, group) for aisle, groups in aisles.items() for group in groups]
    return [Window(aisle, tuple(group), _window(group, plan, number)) for number, (aisle, group) in enumerate(every, 1)]


def _fits(group: list[DrawnBay]) -> bool:
    box = _box(group)
    return box.width <= _WIDEST and box.height <= _TALLEST


def _box(group: list[DrawnBay]) -> Bounds:
    corners = [corner for one in group for corner in one.bay.corners]
    (left, right), (top, low) = ((min(axis), max(axis)) for axis in zip(*corners, strict=True))
    return Bounds(left - _NEAR, top - _NEAR, right - left + 2 * _NEAR, low - top + 2 * _NEAR)


def _window(group: list[DrawnBay], plan: Bounds, number: int) -> Sheet:
    """Round the middle of its bays, within the plan."""
    box = _box(group)
    height = min(box.height, plan.height)
    width = min(max(box.width, _NARROWEST, round(height / _TALL)), plan.width)
    x = min(max(box.x + (box.width - width) // 2, plan.x), plan.x + plan.width - width)
    y = min(max(box.y, plan.y), plan.y + plan.height - height)
    return Sheet(number, x, y, width, height, {})

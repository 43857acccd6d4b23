"""The floors of the demo's two malls: their spaces, and the plans they stand on, to scale.

Lengths are feet here, and whole sixteenths of an inch in what is made. x runs right and y down, from the plan's upper left. Rows
of booths stand back to back on a spine a foot wide, which holds the posts; their fronts are as uneven as their depths. North of
each mall is its back, south the door, and the zones go by that.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from coop.cli.demo_coop import DemoMall
from coop.core.geometry import IN16_PER_FOOT
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.plan import Outline

Feet = int | Fraction
_WALL = Fraction(2, 3)
_SPINE = 1
_POST = Fraction(5, 6)
_SIDE = 6
"""Of the aisles along the two side walls, and where the rows begin."""
_ROWS_WIDE = 70
_DEEPEST = 14
AISLE_CLEAR_IN16 = 54 * 16
"""4 ft 6 in., which the co-op asks of the aisles between its rows."""
_AISLE = Fraction(11, 2)
_TIGHT = Fraction(25, 6)


@dataclass(frozen=True)
class DemoSpace:
    """A space of the demo; a booth's width is its front."""

    code: str
    kind: str
    zone: str
    width: int
    depth: int

    @property
    def width_in16(self) -> int:
        return self.width * IN16_PER_FOOT

    @property
    def depth_in16(self) -> int:
        return self.depth * IN16_PER_FOOT


def space_of(position: int) -> DemoSpace:
    """The space at a position of a mall: every ninth is a case, the first eight are in front, the next in the middle."""
    if position % 9 == 8:
        return DemoSpace(f"C{position + 1}", "case", "case", 4, 2)
    width, depth = ((8, 10), (10, 12), (5, 8), (12, 14))[position % 4]
    return DemoSpace(str(position + 1), "booth", ("front", "middle", "back")[min(position // 8, 2)], width, depth)


def spaces_of(mall: DemoMall) -> list[DemoSpace]:
    """Every space of a mall: one for each of its dealers, in their order, then those that stand empty."""
    return [space_of(position) for position in range(len(mall.dealers) + mall.empty)]


@dataclass(frozen=True)
class _Row:
    """Booths side by side from the west, as wide as they are; `back` is the y of their backs."""

    codes: tuple[str, ...]
    back: Feet
    faces_south: bool


@dataclass(frozen=True)
class _Layout:
    """Of a hall: its depth within the walls, its rows, its aisles by the y of their edges, and the foot-wide spines."""

    deep: Feet
    rows: tuple[_Row, ...]
    aisles: tuple[tuple[str, Feet, Feet], ...]
    spines: tuple[Feet, ...]
    cut: tuple[Feet, Feet] | None = None
    """Width and depth of a corner in the south-west that is not the mall's."""


def _codes(first: int, last: int) -> tuple[str, ...]:
    return tuple(space.code for space in map(space_of, range(first - 1, last)) if space.kind == "booth")


def _hall(*, tight: Feet | None, backs: tuple[tuple[int, int], ...], front: Feet, cut: tuple[Feet, Feet] | None) -> _Layout:
    """Rows from the back wall down. `backs` are the first and last booths of the rows of zone back: one, or one and a pair."""
    rows, aisles, spines = [_Row(_codes(*backs[0]), 0, faces_south=True)], [], []
    y: Feet = _DEEPEST
    pairs = [*([(backs[1], backs[2])] if len(backs) > 1 else []), ((9, 16), (1, 8))]
    for n, (above, below) in enumerate(pairs):
        wide = tight if tight is not None and n == len(pairs) - 1 else _AISLE
        aisles.append(("ABC"[n], y, y + wide))
        spine = y + wide + _DEEPEST
        rows += [_Row(_codes(*above), spine, faces_south=False), _Row(_codes(*below), spine + _SPINE, faces_south=True)]
        spines.append(spine)
        y = spine + _SPINE + _DEEPEST
    aisles.append(("F", y, y + _AISLE))
    return _Layout(y + front, tuple(rows), tuple(aisles), tuple(spines), cut)


_LAYOUTS = {
    # On purpose: where two deep booths face each other across aisle B it is 4 ft 2 in., so that the plan has a finding to show.
    "FERRY": _hall(tight=_TIGHT, backs=((34, 42), (26, 33), (17, 25)), front=18, cut=None),
    "DAIRY": _hall(tight=None, backs=((17, 25),), front=18, cut=(20, 10)),
}


def aisles_of(mall: DemoMall) -> list[str]:
    """The aisles that are to keep AISLE_CLEAR_IN16."""
    return [code for code, _, _ in _LAYOUTS[mall.code].aisles]


def plan_of(mall: DemoMall) -> PlanDraft:
    """The whole plan of a mall, every space of `spaces_of` drawn on it."""
    layout = _LAYOUTS[mall.code]
    wide, deep = _ROWS_WIDE + 2 * _SIDE, layout.deep
    outline = _building(wide, deep, layout.cut)
    parts = [*_walls(outline), *_openings(wide, deep), *_side_aisles(wide, deep, layout.cut)]
    parts += [_part(code, "aisle", 0, top, wide, bottom) for code, top, bottom in layout.aisles]
    parts += [
        _part(f"P{n}{m}", "post", x, y + (_SPINE - _POST) / 2, x + _POST, y + (_SPINE + _POST) / 2)
        for n, y in enumerate(layout.spines, 1)
        for m, x in enumerate((20, 40, 60), 1)
    ]
    desk = wide / Fraction(2) + 8
    parts.append(_part("DESK", "counter", desk, deep - 8, desk + 12, deep - 8 + Fraction(5, 2), height_in16=36 * 16))
    parts.append(_part("X1", "extinguisher", desk + 14, deep - Fraction(1, 2), desk + 15, deep))
    spaces = [draft for row in layout.rows for draft in _in_a_row(row)]
    cases = [space for space in spaces_of(mall) if space.kind == "case"]
    # In one island west of the door, in sight of the desk.
    spaces += [_drawn(case, wide / Fraction(2) - 6 - 4 * (len(cases) - n), deep - 8) for n, case in enumerate(cases)]
    return PlanDraft(outline, tuple(parts), tuple(spaces))


# --- the building -----------------------------------------------------------------------------------------------------------


def _building(wide: Feet, deep: Feet, cut: tuple[Feet, Feet] | None) -> Outline:
    """The outside of its walls, from the north-west round by the east."""
    if cut is None:
        south_west: tuple[tuple[Feet, Feet], ...] = ((-_WALL, deep + _WALL),)
    else:
        across, up = cut
        south_west = ((across - _WALL, deep + _WALL), (across - _WALL, deep - up), (-_WALL, deep - up))
    corners = ((-_WALL, -_WALL), (wide + _WALL, -_WALL), (wide + _WALL, deep + _WALL), *south_west)
    return tuple(_at(x, y) for x, y in corners)


def _walls(outline: Outline) -> list[PartDraft]:
    """A wall along each side of the outline, as thick as _WALL and within it."""
    thick = _in16(_WALL)
    walls = []
    sides = list(zip(outline, (*outline[1:], outline[0]), strict=True))
    for n, (a, b) in enumerate(sides, 1):
        # Round by the east with y down, the inside is to the right: a quarter turn of the way along.
        along, after = _way(a, b), _way(*sides[n % len(sides)])
        inward = (-along[1] * thick, along[0] * thick)
        if after != (-along[1], along[0]):  # It turns to the outside there: the corner is this wall's.
            b = (b[0] + along[0] * thick, b[1] + along[1] * thick)
        corners = (a, b, (b[0] + inward[0], b[1] + inward[1]), (a[0] + inward[0], a[1] + inward[1]))
        walls.append(PartDraft(f"W{n}", "wall", corners))
    return walls


def _way(a: tuple[int, int], b: tuple[int, int]) -> tuple[int, int]:
    """The direction from one corner to the next: right, down, left or up."""
    return (b[0] > a[0]) - (b[0] < a[0]), (b[1] > a[1]) - (b[1] < a[1])


def _openings(wide: Feet, deep: Feet) -> list[PartDraft]:
    """The door in the middle of the south wall, and a second way out at the north end of the east aisle."""
    middle = wide / Fraction(2)
    return [
        _part("SOUTH", "exit", middle - 3, deep, middle + 3, deep + _WALL),
        _part("NORTH", "exit", wide - 5, -_WALL, wide - Fraction(3, 2), 0),
    ]


def _side_aisles(wide: Feet, deep: Feet, cut: tuple[Feet, Feet] | None) -> list[PartDraft]:
    return [
        _part("WEST", "aisle", 0, 0, _SIDE, deep - (cut[1] + 1 if cut else 0)),
        _part("EAST", "aisle", wide - _SIDE, 0, wide, deep),
    ]


# --- drawing ----------------------------------------------------------------------------------------------------------------


def _in_a_row(row: _Row) -> list[SpaceDraft]:
    drafts, x = [], _SIDE
    for code in row.codes:
        space = space_of(int(code) - 1)
        drafts.append(_drawn(space, x, row.back if row.faces_south else row.back - space.depth))
        x += space.width
    return drafts


def _drawn(space: DemoSpace, x: Feet, y: Feet) -> SpaceDraft:
    return SpaceDraft(space.code, space.kind, space.zone, _box(x, y, x + space.width, y + space.depth))


def _part(code: str, kind: str, x: Feet, y: Feet, right: Feet, bottom: Feet, *, height_in16: int | None = None) -> PartDraft:
    return PartDraft(code, kind, _box(x, y, right, bottom), height_in16)


def _box(x: Feet, y: Feet, right: Feet, bottom: Feet) -> Outline:
    return (_at(x, y), _at(right, y), _at(right, bottom), _at(x, bottom))


def _at(x: Feet, y: Feet) -> tuple[int, int]:
    """A place within the walls as one of the plan, whose corner is the outside of the wall."""
    return _in16(x + _WALL), _in16(y + _WALL)


def _in16(feet: Feet) -> int:
    return round(feet * IN16_PER_FOOT)

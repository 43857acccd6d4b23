"""A piece: a thing with a size that stands, hangs or lies in a booth; and where one is put.

A piece is `width` across its front, `depth` from front to back, `height` as it stands. Lengths are sixteenths of an inch,
weights ounces.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

import shapely
from shapely import affinity

Stands = Literal["floor", "wall", "table"]
STANDS: tuple[Stands, ...] = get_args(Stands)
"""On the floor; on a hook of a wall; on top of another piece (a floor piece may be put there too)."""

Carried = Literal["tilted", "on end", "parts off"]
CARRIED: tuple[Carried, ...] = get_args(Carried)
"""How a piece may be moved beside upright: laid back, stood on its end, or with legs, mirror or doors off."""


@dataclass(frozen=True)
class CarriedSize:
    """The size a piece has while it is moved in another way than upright: its footprint and height then."""

    how: Carried
    width_in16: int
    depth_in16: int
    height_in16: int


@dataclass(frozen=True)
class Piece:
    """`key` is what everything else calls it by; `name` what people do."""

    key: str
    name: str
    width_in16: int
    depth_in16: int
    height_in16: int
    weight_oz: int | None = None
    """None where nobody weighed it: then hands, tips and stacks say so and judge nothing."""
    stands: Stands = "floor"
    grouping: str = ""
    theme: str = ""
    colours: tuple[str, ...] = ()
    """`#rrggbb`, the main one first."""
    carries_oz: int | None = None
    """What may stand on its top; None: nothing may."""
    top_in16: tuple[int, int] | None = None
    """Width and depth of that top, in the middle of the piece; None: its whole footprint."""
    opens_in16: int = 0
    """Free floor its doors or drawers need before its front to open."""
    fragile: bool = False
    glass: bool = False
    leans: bool = False
    """It leans on a wall or on another piece (a window, a mirror, a headboard) and needs something to lean on."""
    carried: tuple[CarriedSize, ...] = ()
    bound: str = ""
    """Why it may not be taken home: sold, held or on layaway; empty where it may."""


@dataclass(frozen=True)
class Placed:
    """A piece put somewhere in a booth: its middle at x, y of the booth's own drawing, turned clockwise as one looks down on it.

    At a turn of 0 its front looks along +y: out of the booth, where the drawing has the back wall at the top.
    """

    piece: Piece
    x_in16: int
    y_in16: int
    turn_deg: int = 0
    on: str | None = None
    """Key of the piece it stands on; None: the floor, or a wall."""
    up_in16: int = 0
    """Height of its lowest edge above the floor, for what hangs; what stands on another is as high as that is."""
    locked: bool = False
    """Not to be moved by `arrange`."""

    @property
    def key(self) -> str:
        return self.piece.key

    @property
    def footprint(self) -> shapely.Polygon:
        """The floor it covers (of what is carried or hangs: what it covers seen from above)."""
        return turned_box(self.x_in16, self.y_in16, self.piece.width_in16, self.piece.depth_in16, self.turn_deg)


@dataclass(frozen=True)
class Arrangement:
    """The pieces of a set, each placed once."""

    placed: tuple[Placed, ...] = ()
    _by_key: dict[str, Placed] = field(init=False, repr=False, compare=False, hash=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._by_key.update({one.key: one for one in self.placed})
        if len(self._by_key) != len(self.placed):
            raise ValueError("A piece is placed twice.")

    def __getitem__(self, key: str) -> Placed:
        return self._by_key[key]

    def get(self, key: str) -> Placed | None:
        return self._by_key.get(key)

    def __contains__(self, key: object) -> bool:
        return key in self._by_key

    def standing_on(self, key: str | None) -> tuple[Placed, ...]:
        """What stands on a piece, directly."""
        return tuple(one for one in self.placed if one.on == key)

    def bottom_in16(self, key: str) -> int:
        """Height of a piece's lowest edge above the floor. Raises ValueError for stacks in a circle."""
        one, up, seen = self[key], 0, {key}
        while one.on is not None:
            if one.on in seen:
                raise ValueError("Stacks go round in a circle.")
            seen.add(one.on)
            below = self.get(one.on)
            if below is None:
                return up
            up += below.piece.height_in16
            one = below
        return up + one.up_in16


def turned_box(x_in16: float, y_in16: float, width_in16: float, depth_in16: float, turn_deg: float) -> shapely.Polygon:
    """A rectangle by its middle, its size and its turn, clockwise where y runs down the drawing."""
    half_w, half_d = width_in16 / 2, depth_in16 / 2
    box = shapely.box(x_in16 - half_w, y_in16 - half_d, x_in16 + half_w, y_in16 + half_d)
    return affinity.rotate(box, turn_deg, origin=(x_in16, y_in16)) if turn_deg % 180 else box

"""The picture of a booth to scale as SVG, empty or with what is put in it: the same on a page and on paper.

One user unit is a sixteenth of an inch. It has attributes and classes, no style of its own: it reads without a style sheet, and
colours follow the page's by `currentColor`. Its text alternative says all that a table beside it says.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping

import shapely
from markupsafe import escape

from coop.core.geometry import format_length
from coop.core.words import joined
from coop.floor.domain.plan import Outline
from coop.resets.domain.booth import Booth, outward
from coop.resets.domain.piece import Arrangement, Placed
from coop.resets.wording import booth_said, extent, side_length

_STROKES: Mapping[str, tuple[float, str]] = {
    "wall": (0.34, ""),
    "window": (0.34, "0.35 0.2"),
    "neighbour": (0.1, ""),
    "open": (0.1, "0.5 0.4"),
}
"""Width and dashes of each kind of side, in heights of a letter."""


def booth_svg(
    booth: Booth,
    arrangement: Arrangement | None = None,
    *,
    title: str,
    name: str = "booth",
    scale: int = 24,
    text_in16: float | None = None,
    numbers: Mapping[str, int] | None = None,
    marked: Collection[str] = (),
    more: Iterable[str] = (),
) -> str:
    """The booth, with its sides' lengths beside them and the pieces numbered as `numbered` says, unless `numbers` are given.

    `scale`: 24 makes its width and height, on paper, a twenty-fourth. `name` begins the ids of its title and description;
    `marked` are keys of pieces drawn with a heavy line (class `marked`); `more` is markup drawn over everything.
    """
    width, depth = extent(booth.outline)
    text = text_in16 or max(width, depth) / 26
    numbers = numbers if numbers is not None else numbered(arrangement)
    left, top, right, bottom = _bounds(booth, text)
    view = (right - left, bottom - top)
    body = [*_aisles(booth, text), f'<polygon class="booth-floor" points="{_points(booth.outline)}" fill="none"/>']
    body += [f'<polygon class="booth-post" points="{_points(post)}" fill="currentColor"/>' for post in booth.posts]
    body += _sides(booth, text)
    for x, y in booth.outlets:
        body.append(f'<circle class="booth-outlet" cx="{x}" cy="{y}" r="{_n(text * 0.35)}" fill="none" {_stroke(text * 0.12)}/>')
        body.append(f'<circle class="booth-outlet" cx="{x}" cy="{y}" r="{_n(text * 0.1)}" fill="currentColor"/>')
    below = {one.on for one in arrangement.placed} if arrangement else set()
    for one in _upwards(arrangement):
        body.append(_piece(one, text, numbers.get(one.key), is_marked=one.key in marked, is_below=one.key in below))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="booth" role="img" aria-labelledby="{name}-title {name}-desc" '
        f'viewBox="{_n(left)} {_n(top)} {_n(view[0])} {_n(view[1])}" '
        f'width="{_n(view[0] / 16 / scale)}in" height="{_n(view[1] / 16 / scale)}in">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(_said(booth, arrangement, numbers))}</desc>{"".join([*body, *more])}</svg>'
    )


def numbered(arrangement: Arrangement | None) -> dict[str, int]:
    """The number of each piece, by its key: in the order they stand in the arrangement, from one."""
    return {one.key: number for number, one in enumerate(arrangement.placed if arrangement else (), 1)}


def _bounds(booth: Booth, text: float) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of all that is drawn."""
    margin = 2.6 * text
    whole = shapely.union_all([booth.shape, *(shapely.Polygon(aisle) for _, aisle in _aisle_floor(booth))])
    left, top, right, bottom = whole.bounds
    return left - margin, top - margin, right + margin, bottom + margin


def _aisle_floor(booth: Booth) -> Iterator[tuple[int, list[tuple[float, float]]]]:
    """The floor before each open side, as deep as the aisle."""
    for n in booth.sides_of("open") if booth.aisle_in16 else ():
        (x, y), (x2, y2) = booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]
        dx, dy = (step * booth.aisle_in16 for step in outward(booth.outline, n))
        yield n, [(x, y), (x2, y2), (x2 + dx, y2 + dy), (x + dx, y + dy)]


def _aisles(booth: Booth, text: float) -> Iterator[str]:
    for n, floor in _aisle_floor(booth):
        yield f'<polygon class="booth-aisle" points="{_points(floor)}" fill="currentColor" fill-opacity="0.07"/>'
        # Near the opening: paper may cut off what lies beyond.
        (x, y), (x2, y2) = floor[0], floor[1]
        across, down = (step * min(booth.aisle_in16 / 2, 1.5 * text) for step in outward(booth.outline, n))
        said = f"aisle {format_length(booth.aisle_in16)}"
        yield _text((x + x2) / 2 + across, (y + y2) / 2 + down + 0.35 * text, said, text * 0.9)


def _sides(booth: Booth, text: float) -> Iterator[str]:
    for n, side in enumerate(booth.sides):
        (x, y), (x2, y2) = booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]
        width, dashes = _STROKES[side.kind]
        dashed = f' stroke-dasharray="{" ".join(_n(float(part) * text) for part in dashes.split())}"' if dashes else ""
        yield (
            f'<line class="booth-side booth-side-{side.kind}" x1="{x}" y1="{y}" x2="{x2}" y2="{y2}" '
            f'stroke-linecap="{"butt" if dashes else "square"}" {_stroke(width * text)}{dashed}/>'
        )
        across, down = outward(booth.outline, n)
        # What is written stands outside of walls, and inside of an open side: there the aisle is.
        away = -0.9 if side.kind == "open" and booth.aisle_in16 else 1.1
        at_x, at_y = (x + x2) / 2 + across * away * text, (y + y2) / 2 + down * away * text
        sideways = abs(across) > abs(down)
        yield _text(
            at_x + (0.35 * text if sideways else 0),
            at_y + (0 if sideways else 0.35 * text),
            format_length(side_length(booth.outline, n)),
            text,
            turn=-90 if sideways else 0,
        )


def _upwards(arrangement: Arrangement | None) -> list[Placed]:
    """The pieces from the floor up, so that what stands on another is drawn over it."""
    placed = arrangement.placed if arrangement else ()
    return sorted(placed, key=lambda one: (one.piece.stands == "wall", _height_of(arrangement, one)))


def _height_of(arrangement: Arrangement | None, one: Placed) -> int:
    try:
        return arrangement.bottom_in16(one.key) if arrangement else 0
    except ValueError:
        return 0


def _piece(one: Placed, text: float, number: int | None, *, is_marked: bool, is_below: bool) -> str:
    """Its number stands in its middle, or in its corner where something stands on it.

    What hangs flat is thinner than a number: that stands behind its wall, beyond how long the wall is.
    """
    corners = list(one.footprint.exterior.coords)[:-1]
    colour = one.piece.colours[0] if one.piece.colours else "currentColor"
    dashed = f' stroke-dasharray="{_n(text * 0.3)} {_n(text * 0.2)}"' if one.piece.stands == "wall" else ""
    classes = " ".join(["booth-piece", f"booth-piece-{one.piece.stands}", *(["marked"] if is_marked else [])])
    x, y = one.x_in16, one.y_in16
    half, deep = one.piece.width_in16 / 2, one.piece.depth_in16 / 2
    front = min(deep, 0.3 * text)
    # A line along its front says which way it looks.
    mark = (
        f'<line class="booth-front" x1="{_n(x - half * 0.8)}" y1="{_n(y + deep - front)}" x2="{_n(x + half * 0.8)}" '
        f'y2="{_n(y + deep - front)}" {_stroke(text * 0.08)} transform="rotate({one.turn_deg} {x} {y})"/>'
    )
    left, top, _, _ = one.footprint.bounds
    at_x, at_y = (left + 0.7 * text, top + 0.95 * text) if is_below else (x, y + 0.35 * text)
    if one.piece.stands == "wall" and one.piece.depth_in16 < 1.2 * text:
        turn, away = math.radians(one.turn_deg), deep + 2.1 * text
        at_x, at_y = x + math.sin(turn) * away, y - math.cos(turn) * away + 0.35 * text
    label = "" if number is None else _text(at_x, at_y, str(number), text)
    fill = f'fill="{escape(colour)}" fill-opacity="{0.3 if one.piece.colours else 0.1}"'
    outline = f"{_stroke(text * (0.25 if is_marked else 0.12))}{dashed}"
    return (
        f'<g class="{classes}" data-key="{escape(one.key)}"><polygon points="{_points(corners)}" {fill} {outline}/>'
        f"{mark}{label}</g>"
    )


def _said(booth: Booth, arrangement: Arrangement | None, numbers: Mapping[str, int]) -> str:
    if arrangement is None:
        return booth_said(booth)
    pieces = joined([f"{numbers.get(one.key, '')} {one.piece.name}".strip() for one in arrangement.placed])
    return f"{booth_said(booth)} In it: {pieces or 'nothing'}."


def _text(x: float, y: float, words: str, size: float, *, turn: int = 0) -> str:
    turned = f' transform="rotate({turn} {_n(x)} {_n(y)})"' if turn else ""
    at = f'x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}"'
    return f'<text {at} text-anchor="middle" fill="currentColor"{turned}>{escape(words)}</text>'


def _stroke(width: float) -> str:
    return f'stroke="currentColor" stroke-width="{_n(width)}"'


def _points(corners: Iterable[tuple[float, ...]] | Outline) -> str:
    return " ".join(f"{_n(corner[0])},{_n(corner[1])}" for corner in corners)


def _n(value: float) -> str:
    """A number with no more places than a picture needs."""
    return f"{value:.3f}".rstrip("0").rstrip(".")

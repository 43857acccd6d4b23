"""What stands in the aisles, drawn on the mall's plan as SVG: the same on a page and on paper.

One user unit is a sixteenth of an inch of floor. Drawings have attributes and classes and no style of their own: they read
without a style sheet, and their ink is the page's by `currentColor`. What has the class `blank` is in the colour of the paper,
white unless a style sheet says another. How a piece stands is told by pattern and words, never by colour.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from itertools import pairwise
from math import ceil, copysign, dist, floor
from typing import Any

import shapely
from markupsafe import Markup, escape

from coop.core.geometry import IN16_PER_INCH
from coop.core.words import joined, natural
from coop.floor.domain.draft import PartDraft, PlanDraft
from coop.floor.domain.plan import Outline
from coop.floor.domain.scale import Bounds, Sheet
from coop.floor.svg import Look, bounds_of, is_on, join_marks, label_in, middle_of, on_sheet, points_text
from coop.overflow.domain.bay import Bay
from coop.overflow.drawn import KEPT_FREE, DrawnBay, DrawnPiece, bay_words, drawn_bays, drawn_pieces
from coop.overflow.hand import HAND_IN, Window, windows_round
from coop.overflow.marks import LETTER, STATES, Labels, Pen, hatch, n, pattern, swatch
from coop.overflow.models import BayRow
from coop.overflow.reading import Standing

_PAGE_IN = 10
"""A page draws the plan as though on paper so wide, with letters of 8 points there."""
_SMALL = "overflow-small"
_HAND_PT = 9
"""Letters of a map as wide as a hand."""
_READABLE = 0.8
"""A space's code is set no smaller than this, of the height of letters."""
_SOLID = ("wall", "door", "exit", "post")
"""What letters are not set on: a wall blanked out looks like a way through."""
_UPRIGHT = 0.9
"""What covers so much of the box about it lies in line with the drawing."""

Link = Callable[[int], str]


@dataclass(frozen=True)
class MapPart:
    """A part of the plan round some bays, as wide as a hand."""

    words: str
    """Its aisle and bays."""
    pieces: Sequence[DrawnPiece]
    """Those with a number."""
    svg: Markup


@dataclass(frozen=True)
class MapDrawing:
    """A picture, what is on it as rows, and what its patterns mean: swatch, words, how many."""

    svg: Markup
    small: Markup
    """The same as wide as a hand: where bays are, with the numbers of the reader's own pieces alone."""
    parts: Sequence[MapPart]
    """What a phone shows larger: round all bays, or, of a dealer's map, round those where something is the dealer's own."""
    pieces: Sequence[DrawnPiece]
    bays: Sequence[tuple[DrawnBay, str]]
    """Each with what is in it, in words."""
    legend: Sequence[tuple[Markup, str, int]]


# --- the map ----------------------------------------------------------------------------------------------------------------


def map_of(
    draft: PlanDraft,
    bays: Iterable[BayRow],
    standing: Iterable[Standing],
    *,
    day: date,
    today: date | None = None,
    must_move: Collection[int] = (),
    own: Collection[int] | None = None,
    link_bay: Link | None = None,
    link_piece: Link | None = None,
    title: str = "Bays and what stands in them",
    name: str = "overflow",
) -> MapDrawing:
    """The map of a page. Pieces are numbered in their order; `must_move` and links go by ids of stays, and of rows of bays.

    `today` as `drawn_pieces` has it.
    `own`: ids of dealers, to whom no more is told of others than that floor is taken. `name`: no other map of the page has it.
    """
    rows = sorted(bays, key=lambda row: (natural(row.aisle), natural(row.code)))
    drawn, pieces = drawn_bays(rows), drawn_pieces(standing, day, must_move, own, today=today, bays=rows)
    bounds, is_own = bounds_of(draft), own is not None
    ways: dict[str, Any] = {"link_bay": link_bay, "link_piece": link_piece, "is_own": is_own}
    svg = map_svg(draft, drawn, pieces, look=_look(bounds.width, _PAGE_IN, 8), title=title, name=name, **ways)
    look = _look(bounds.width, HAND_IN, _HAND_PT)
    small = map_svg(draft, drawn, pieces, look=look, title=title, name=f"{name}-small", css_class=_SMALL, is_small=True, **ways)
    shown = [bay for bay in drawn if not is_own or any(one.number and one.bay.code == bay.bay.code for one in pieces)]
    parts = [_part_of(draft, drawn, pieces, window, name, ways) for window in windows_round(shown, bounds)]
    legend = legend_of([one.state for one in pieces], sum(not one.is_lent for one in drawn))
    said = [(one, bay_words(one, pieces)) for one in drawn]
    return MapDrawing(Markup(svg), Markup(small), parts, pieces, said, legend)


def _look(length: int, paper_in: Fraction | int, text_pt: int) -> Look:
    """Letters as they are where so much floor is as wide as some paper."""
    return Look(max(int(length / (paper_in * IN16_PER_INCH)), 1), text_pt)


def _part_of(
    draft: PlanDraft, bays: Sequence[DrawnBay], pieces: Sequence[DrawnPiece], window: Window, name: str, ways: Mapping[str, Any]
) -> MapPart:
    codes = [one.bay.code for one in window.bays]
    here = [one for one in pieces if one.number and one.bay.code in codes]
    title = f"Aisle {window.aisle}, {'bay' if len(codes) == 1 else 'bays'} {joined(codes)}"
    look = _look(window.sheet.width, HAND_IN, _HAND_PT)
    ways = {**ways, "name": f"{name}-part-{window.sheet.number}", "css_class": _SMALL, "said_of": codes}
    svg = map_svg(draft, bays, pieces, look=look, title=title, sheet=window.sheet, **ways)
    return MapPart(title, here, Markup(svg))


def map_svg(
    draft: PlanDraft,
    bays: Sequence[DrawnBay],
    pieces: Sequence[DrawnPiece],
    *,
    look: Look,
    title: str,
    sheet: Sheet | None = None,
    link_bay: Link | None = None,
    link_piece: Link | None = None,
    name: str = "overflow",
    css_class: str = "overflow-map",
    is_small: bool = False,
    is_own: bool = False,
    said_of: Collection[str] | None = None,
) -> str:
    """The plan with its bays and pieces, or what of it lies on a sheet. `name` begins the ids of its title and description.

    `is_small`: there is room for codes of bays and for numbers of the reader's own pieces alone.
    `is_own`: a piece with a number is the reader's, and is marked with its bay. `said_of`: the bays it is about, by code.
    """
    bounds = bounds_of(draft)
    view = sheet or bounds
    about = [bay for bay in bays if said_of is None or bay.bay.code in said_of]
    said = " ".join(f"Bay {bay.bay.code} in aisle {bay.bay.aisle}: {bay_words(bay, pieces)}." for bay in about) or "No bays."
    if sheet is not None:
        draft = on_sheet(draft, sheet, look)
        bays = [bay for bay in bays if is_on(sheet, bay.bay.corners, look)]
        pieces = [piece for piece in pieces if is_on(sheet, piece.outline, look)]
    codes = [_about(space.outline, space.code, look) for space in draft.spaces if space.outline]
    edges = pairwise((*draft.outline, draft.outline[0]))
    lines = [*edges, *(part.outline for part in draft.parts if part.kind in _SOLID)]
    solid = [box for line in lines for box in boxes_about(line, look)]
    labels = Labels([*(one.outline for one in pieces), *(bay.bay.corners for bay in bays), *codes, *solid], view)
    marked = {piece.bay.code for piece in pieces if is_own and piece.number}
    shapes = list(_ground(draft, look, view))
    # Letters are set in the order of what must stand nearest: numbers of pieces, codes of bays, codes of aisles.
    put = [
        _linked(
            _piece(one if is_own or not is_small else replace(one, number=0), look, labels, is_own and one.number > 0),
            link_piece and link_piece(one.stay_id),
            one.words,
        )
        for one in sorted(pieces, key=lambda one: one.state == "comes")
    ]
    shapes += [
        _linked(
            _bay(bay, look, labels, bay.bay.code in marked, is_small), link_bay and link_bay(bay.row_id), f"Bay {bay.bay.code}"
        )
        for bay in bays
    ]
    shapes += put
    shapes += [_dot(bay.bay, look) for bay in bays]
    # A piece that stands before an exit, or in it, does not hide it.
    shapes += [_seen_exit(part, look) for part in draft.parts if part.kind == "exit"]
    beside = [(part, f"Exit {part.code}", float(look.text)) for part in draft.parts if part.kind == "exit"]
    beside += [
        (part, f"Ext. {part.code}", _ring(part.outline, look) + look.text) for part in draft.parts if part.kind == "extinguisher"
    ]
    shapes += [_code_beside(part, words, away, look, labels, bounds) for part, words, away in beside if _is_seen(part, view)]
    shapes += [_aisle_code(part, look, labels, view) for part in draft.parts if part.kind == "aisle"]
    if sheet is not None:
        shapes += join_marks(sheet, look)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{css_class}" role="{"group" if link_bay or link_piece else "img"}" '
        f'aria-labelledby="{name}-title {name}-desc" viewBox="{view.x} {view.y} {view.width} {view.height}" '
        f'width="{look.inches(view.width)}" height="{look.inches(view.height)}" fill="currentColor">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(said)}</desc>{"".join(shapes)}</svg>'
    )


def _linked(shape: str, address: str | None, words: str) -> str:
    return f'<a href="{escape(address)}" aria-label="{escape(words)}">{shape}</a>' if address else shape


def _pen(look: Look) -> Pen:
    return Pen(look.text, float(look.hair))


# --- what the plan has of its own -------------------------------------------------------------------------------------------

_UNDER: Mapping[str, str] = {
    "aisle": 'fill="none" stroke="currentColor" stroke-opacity="0.25" stroke-dasharray="{dash} {dash}"',
    "counter": 'fill-opacity="0.12" stroke="currentColor" stroke-opacity="0.5"',
    "fixture": 'fill-opacity="0.12" stroke="currentColor" stroke-opacity="0.5"',
    "post": 'fill-opacity="0.65" stroke="none"',
    "wall": 'fill-opacity="0.65" stroke="currentColor" stroke-opacity="0.65"',
    "extinguisher": 'stroke="currentColor"',
    "door": 'class="blank" fill="#fff" stroke="currentColor" stroke-opacity="0.6"',
    "exit": 'class="blank" fill="#fff" stroke="currentColor"',
}
"""How each kind of part is drawn, in the order they are drawn in; all but bays and pieces is light."""


def _ground(draft: PlanDraft, look: Look, view: Bounds | Sheet) -> Iterator[str]:
    hair = n(look.hair)
    seen = shapely.box(view.x, view.y, view.x + view.width, view.y + view.height)
    yield f'<polygon points="{points_text(draft.outline)}" fill="none" stroke="currentColor" stroke-width="{hair}"/>'
    for space in filter(lambda space: space.outline, draft.spaces):
        yield (
            f'<g class="space" fill-opacity="0.65"><title>{escape(f"{space.kind.capitalize()} {space.code}")}</title>'
            f'<polygon points="{points_text(space.outline)}" fill="none" stroke="currentColor" stroke-opacity="0.4" '
            f'stroke-width="{hair}"/>{_code_in(space.code, space.outline, look, seen)}</g>'
        )
    for kind, attributes in _UNDER.items():
        yield from (_part(part, attributes.format(dash=look.text // 2), look, seen) for part in draft.parts if part.kind == kind)


def _code_in(code: str, outline: Outline, look: Look, seen: shapely.Polygon) -> str:
    """What a thing is called within what is seen of it, where it is to be read there."""
    shown = shapely.Polygon(outline).intersection(seen)
    if shown.geom_type != "Polygon" or shown.is_empty:
        return ""
    left, top, right, low = shown.bounds
    sides = sorted((right - left, low - top))
    if sides[1] < _READABLE * look.text * LETTER * len(code) or sides[0] < look.text:
        return ""
    return label_in(tuple((round(x), round(y)) for x, y in shown.exterior.coords[:-1]), [code], look)


def boxes_about(outline: Outline, look: Look) -> Iterator[Outline]:
    """What covers a thing, in upright boxes: one that lies aslant in many."""
    shape = shapely.LineString(outline) if len(outline) == 2 else shapely.Polygon(outline)
    shape = shape.buffer(3 * float(look.hair), join_style="mitre")
    left, top, right, low = shape.bounds
    is_wide = right - left > low - top
    step = max(look.text, 1) if shape.area < _UPRIGHT * (right - left) * (low - top) else max(right - left, low - top)
    begin, end = (left, right) if is_wide else (top, low)
    for number in range(ceil((end - begin) / step)):
        at, to = begin + number * step, min(begin + (number + 1) * step, end)
        part = shape.intersection(shapely.box(at, top, to, low) if is_wide else shapely.box(left, at, right, to))
        if not part.is_empty:
            a, b, c, d = part.bounds
            yield ((floor(a), floor(b)), (ceil(c), floor(b)), (ceil(c), ceil(d)), (floor(a), ceil(d)))


def _seen_exit(part: PartDraft, look: Look) -> str:
    tag = "polyline" if len(part.outline) == 2 else "polygon"
    return (
        f'<{tag} class="seen-exit" points="{points_text(part.outline)}" fill="none" stroke="currentColor" '
        f'stroke-width="{n(look.hair * (6 if len(part.outline) == 2 else 3))}"/>'
    )


def _about(outline: Outline, words: str, look: Look) -> Outline:
    """What letters in the middle of a thing cover, about."""
    at, half, tall = middle_of(outline), round(len(words) * LETTER * look.text / 2), look.text // 2
    x, y = round(at.x), round(at.y)
    return ((x - half, y - tall), (x + half, y - tall), (x + half, y + tall), (x - half, y + tall))


def _part(part: PartDraft, attributes: str, look: Look, seen: shapely.Polygon) -> str:
    words = f"{part.kind.capitalize()} {part.code}"
    width = n(look.hair * (6 if len(part.outline) == 2 else 1))
    tag = "polyline" if len(part.outline) == 2 else "polygon"
    shape = f'<{tag} points="{points_text(part.outline)}" {attributes} stroke-width="{width}"/>'
    label = ""
    if part.kind == "counter":
        label = _code_in("Counter", part.outline, look, seen)
    elif part.kind == "extinguisher":
        middle = middle_of(part.outline)
        at = f'cx="{n(middle.x)}" cy="{n(middle.y)}" r="{n(_ring(part.outline, look))}"'
        label = f'<circle {at} fill="none" stroke="currentColor" stroke-width="{n(2 * look.hair)}"/>'
    return f'<g class="{part.kind}"><title>{escape(words)}</title>{shape}{label}</g>'


# --- bays and pieces --------------------------------------------------------------------------------------------------------


def _bay(one: DrawnBay, look: Look, labels: Labels, is_marked: bool, is_small: bool) -> str:
    """Its outline, and its code on the aisle before it; heavy where something in it is the reader's own."""
    bay = one.bay
    dashes = "" if one.is_lent else f' stroke-dasharray="{look.text // 3} {look.text // 4}"'
    free = "" if one.is_lent else hatch(bay.corners, look.text * 1.2, 1, _pen(look), 0.5)
    words = bay.code if one.is_lent else f"{bay.code} {KEPT_FREE}"
    label = labels.set_beside(bay.corners, bay.code if is_small else words, look.text)
    heavy = ' font-weight="700"' if is_marked else ""
    return (
        f'<g class="bay"{heavy}><title>{escape(f"Bay {words}")}</title><polygon class="blank" '
        f'points="{points_text(bay.corners)}" fill="#fff" stroke="currentColor" '
        f'stroke-width="{n((4 if is_marked else 2) * look.hair)}"{dashes}/>{free}{label}</g>'
    )


def _dot(bay: Bay, look: Look) -> str:
    """At the end from which places along a bay are measured, whatever stands there."""
    (x, y), (across, down) = bay.corners[0], bay.corners[2]
    r = look.text * 0.2
    at = f'cx="{n(x + copysign(1.6 * r, across - x))}" cy="{n(y + copysign(1.6 * r, down - y))}" r="{n(r)}"'
    return f'<circle class="from" {at}/>'


def _piece(one: DrawnPiece, look: Look, labels: Labels, is_own: bool) -> str:
    """By its pattern with its number; of the reader's own the number stands on a filled mark."""
    number = str(one.number)
    xs, ys = zip(*one.outline, strict=True)
    size = min(look.text, (max(ys) - min(ys)) * 0.9, (max(xs) - min(xs)) * 0.9 / (len(number) * LETTER))
    # A mark is wider than its number.
    room = min(max(xs) - min(xs), max(ys) - min(ys)) if is_own else look.text * 2
    if not one.number:
        label = ""
    elif one.state == "comes" or size < look.text * 0.75 or room < size * 1.2:
        label = labels.set_beside(one.outline, number, look.text * 0.9, is_own)
    else:
        middle = middle_of(one.outline)
        label = labels.set_at((middle.x, middle.y), number, size, filled=is_own)
    shape = f"<title>{escape(one.words)}</title>{pattern(one.outline, one.state, _pen(look))}{label}"
    return f'<g class="piece{" own" if is_own else ""}">{shape}</g>'


def _aisle_code(part: PartDraft, look: Look, labels: Labels, view: Bounds | Sheet) -> str:
    """Along what is seen of an aisle, where letters are free."""
    (left, right), (top, low) = ((min(axis), max(axis)) for axis in zip(*part.outline, strict=True))
    left, right = max(left, view.x), min(right, view.x + view.width)
    top, low = max(top, view.y), min(low, view.y + view.height)
    if left >= right or top >= low:
        return ""
    x, y, turned = (left + right) / 2, (top + low) / 2, low - top > right - left
    shares = sorted((step / 24 for step in range(-11, 12)), key=abs)
    places = [(share * max(right - left, low - top), away * look.text) for away in (0, -1.2, 1.2) for share in shares]
    spots = [(x + away, y + far) if turned else (x + far, y + away) for far, away in places]
    return f'<g fill-opacity="0.65">{labels.set_first(spots, f"Aisle {part.code}", look.text, -90 if turned else 0)}</g>'


def _code_beside(part: PartDraft, words: str, away: float, look: Look, labels: Labels, hall: Bounds) -> str:
    """What a thing is called, beside it, towards the middle of the hall where letters are free."""
    at = middle_of(part.outline)
    half = len(words) * LETTER * look.text / 2
    spots: list[tuple[float, float]] = []
    for far in (away, away + 2 * look.text, away + 4 * look.text):
        near = [(at.x + x, at.y + y) for x in (0, -half, half) for y in (-far, far)]
        near += [(at.x + x, at.y + y) for x in (-far - half, far + half) for y in (0, -look.text, look.text)]
        spots += sorted(near, key=lambda spot: dist(spot, (hall.x + hall.width / 2, hall.y + hall.height / 2)))
    return f'<g fill-opacity="0.65">{labels.set_first(spots, words, look.text)}</g>'


def _is_seen(part: PartDraft, view: Bounds | Sheet) -> bool:
    at = middle_of(part.outline)
    return bool(view.x <= at.x <= view.x + view.width and view.y <= at.y <= view.y + view.height)


def _ring(outline: Outline, look: Look) -> float:
    """How far from its middle an extinguisher is ringed."""
    across: int = max(max(axis) - min(axis) for axis in zip(*outline, strict=True))
    return max(look.text * 0.6, across * 0.9)


def legend_of(states: Sequence[str], kept_free: int = 0) -> list[tuple[Markup, str, int]]:
    """Each pattern there is, by keys of STATES, with its words and how many have it; and bays kept free."""
    pen, box = Pen(96, 6), ((8, 8), (392, 8), (392, 232), (8, 232))
    made = [(swatch(pattern(box, state, pen)), words, states.count(state)) for state, words in STATES.items() if state in states]
    if kept_free:
        dashed = 'stroke="currentColor" stroke-width="12" stroke-dasharray="32 24"'
        free = f'<polygon points="{points_text(box)}" fill="none" {dashed}/>{hatch(box, pen.text * 0.8, 1, pen, 0.5)}'
        made.append((swatch(free), f"bay {KEPT_FREE}", kept_free))
    return made

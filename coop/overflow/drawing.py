"""What stands in the aisles, drawn on the mall's plan as SVG: the same on a page and on paper.

One user unit is a sixteenth of an inch of floor. Drawings have attributes and classes and no style of their own: they read
without a style sheet, and their ink is the page's by `currentColor`. What has the class `blank` is in the colour of the paper,
white unless a style sheet says another. How a piece stands is told by pattern and words, never by colour.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import copysign, dist

from markupsafe import Markup, escape

from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.draft import PartDraft, PlanDraft
from coop.floor.domain.plan import Outline
from coop.floor.domain.scale import Bounds, Sheet
from coop.floor.svg import Look, bounds_of, is_on, join_marks, label_beside, label_in, middle_of, on_sheet, points_text
from coop.overflow.domain.bay import Bay
from coop.overflow.drawn import KEPT_FREE, DrawnBay, DrawnPiece, bay_words, drawn_bays, drawn_pieces
from coop.overflow.marks import LETTER, STATES, Labels, Pen, hatch, n, pattern, swatch
from coop.overflow.models import BayRow
from coop.overflow.reading import Standing

_PAGE_IN = 10
"""A page draws the plan as though on paper so wide, with letters of 8 points there."""

Link = Callable[[int], str]


@dataclass(frozen=True)
class MapDrawing:
    """A picture, what is on it as rows, and what its patterns mean: swatch, words, how many."""

    svg: Markup
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
    must_move: Collection[int] = (),
    own: Collection[int] | None = None,
    link_bay: Link | None = None,
    link_piece: Link | None = None,
    title: str = "Bays and what stands in them",
) -> MapDrawing:
    """The map of a page. Pieces are numbered in their order; `must_move` and links go by ids of stays, and of rows of bays.

    `own`: ids of dealers, to whom no more is told of others than that floor is taken.
    """
    drawn, pieces = drawn_bays(bays), drawn_pieces(standing, day, must_move, own)
    look = Look(max(bounds_of(draft).width // (_PAGE_IN * IN16_PER_INCH), 1), 8)
    svg = map_svg(draft, drawn, pieces, look=look, title=title, link_bay=link_bay, link_piece=link_piece)
    legend = legend_of([one.state for one in pieces], sum(not one.is_lent for one in drawn))
    return MapDrawing(Markup(svg), pieces, [(one, bay_words(one, pieces)) for one in drawn], legend)


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
) -> str:
    """The plan with its bays and pieces, or what of it lies on a sheet. `name` begins the ids of its title and description."""
    bounds = bounds_of(draft)
    view = sheet or bounds
    said = " ".join(f"Bay {bay.bay.code} in aisle {bay.bay.aisle}: {bay_words(bay, pieces)}." for bay in bays) or "No bays."
    if sheet is not None:
        draft = on_sheet(draft, sheet, look)
        bays = [bay for bay in bays if is_on(sheet, bay.bay.corners, look)]
        pieces = [piece for piece in pieces if is_on(sheet, piece.outline, look)]
    labels = Labels([*(one.outline for one in pieces), *(bay.bay.corners for bay in bays)])
    shapes = list(_ground(draft, look, bounds))
    # Letters are set in the order of what must stand nearest: numbers of pieces, codes of bays, codes of aisles.
    put = [
        _linked(_piece(one, look, labels), link_piece and link_piece(one.stay_id), one.words)
        for one in sorted(pieces, key=lambda one: one.state == "comes")
    ]
    shapes += [_linked(_bay(bay, look, labels), link_bay and link_bay(bay.row_id), f"Bay {bay.bay.code}") for bay in bays]
    shapes += put
    shapes += [_dot(bay.bay, look) for bay in bays]
    shapes += [_extinguisher_code(part, look, labels, bounds) for part in draft.parts if part.kind == "extinguisher"]
    shapes += [_aisle_code(part, look, labels, view) for part in draft.parts if part.kind == "aisle"]
    if sheet is not None:
        shapes += join_marks(sheet, look)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="overflow-map" role="{"group" if link_bay or link_piece else "img"}" '
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


def _ground(draft: PlanDraft, look: Look, bounds: Bounds) -> Iterator[str]:
    hair = n(look.hair)
    yield f'<polygon points="{points_text(draft.outline)}" fill="none" stroke="currentColor" stroke-width="{hair}"/>'
    for space in filter(lambda space: space.outline, draft.spaces):
        yield (
            f'<g class="space" fill-opacity="0.65"><title>{escape(f"{space.kind.capitalize()} {space.code}")}</title>'
            f'<polygon points="{points_text(space.outline)}" fill="none" stroke="currentColor" stroke-opacity="0.4" '
            f'stroke-width="{hair}"/>{label_in(space.outline, [space.code], look)}</g>'
        )
    for kind, attributes in _UNDER.items():
        yield from (
            _part(part, attributes.format(dash=look.text // 2), bounds, look) for part in draft.parts if part.kind == kind
        )


def _part(part: PartDraft, attributes: str, bounds: Bounds, look: Look) -> str:
    words = f"{part.kind.capitalize()} {part.code}"
    width = n(look.hair * (6 if len(part.outline) == 2 else 1))
    tag = "polyline" if len(part.outline) == 2 else "polygon"
    shape = f'<{tag} points="{points_text(part.outline)}" {attributes} stroke-width="{width}"/>'
    label = ""
    if part.kind == "exit":
        label = label_beside(_middle_line(part.outline), words, bounds, look)
    elif part.kind == "counter":
        label = label_in(part.outline, ["Counter"], look)
    elif part.kind == "extinguisher":
        middle = middle_of(part.outline)
        at = f'cx="{n(middle.x)}" cy="{n(middle.y)}" r="{n(_ring(part.outline, look))}"'
        label = f'<circle {at} fill="none" stroke="currentColor" stroke-width="{n(2 * look.hair)}"/>'
    return f'<g class="{part.kind}"><title>{escape(words)}</title>{shape}{label}</g>'


def _middle_line(outline: Outline) -> Outline:
    """Of a door, from one end to the other."""
    (left, right), (top, low) = ((min(axis), max(axis)) for axis in zip(*outline, strict=True))
    x, y = (left + right) // 2, (top + low) // 2
    return ((left, y), (right, y)) if right - left >= low - top else ((x, top), (x, low))


# --- bays and pieces --------------------------------------------------------------------------------------------------------


def _bay(one: DrawnBay, look: Look, labels: Labels) -> str:
    """Its outline, and its code on the aisle before it."""
    bay = one.bay
    dashes = "" if one.is_lent else f' stroke-dasharray="{look.text // 3} {look.text // 4}"'
    free = "" if one.is_lent else hatch(bay.corners, look.text * 1.2, 1, _pen(look), 0.5)
    words = bay.code if one.is_lent else f"{bay.code} {KEPT_FREE}"
    label = labels.set_beside(bay.corners, words, look.text)
    return (
        f'<g class="bay"><title>{escape(f"Bay {words}")}</title><polygon class="blank" points="{points_text(bay.corners)}" '
        f'fill="#fff" stroke="currentColor" stroke-width="{n(2 * look.hair)}"{dashes}/>{free}{label}</g>'
    )


def _dot(bay: Bay, look: Look) -> str:
    """At the end from which places along a bay are measured, whatever stands there."""
    (x, y), (across, down) = bay.corners[0], bay.corners[2]
    r = look.text * 0.2
    at = f'cx="{n(x + copysign(1.6 * r, across - x))}" cy="{n(y + copysign(1.6 * r, down - y))}" r="{n(r)}"'
    return f'<circle class="from" {at}/>'


def _piece(one: DrawnPiece, look: Look, labels: Labels) -> str:
    number = str(one.number)
    xs, ys = zip(*one.outline, strict=True)
    size = min(look.text, (max(ys) - min(ys)) * 0.9, (max(xs) - min(xs)) * 0.9 / (len(number) * LETTER))
    if not one.number:
        label = ""
    elif one.state == "comes" or size < look.text * 0.75:
        label = labels.set_beside(one.outline, number, look.text * 0.9)
    else:
        middle = middle_of(one.outline)
        label = labels.set_at((middle.x, middle.y), number, size)
    return f'<g class="piece"><title>{escape(one.words)}</title>{pattern(one.outline, one.state, _pen(look))}{label}</g>'


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


def _extinguisher_code(part: PartDraft, look: Look, labels: Labels, hall: Bounds) -> str:
    """Beside it, towards the middle of the hall where letters are free."""
    words, at = f"Ext. {part.code}", middle_of(part.outline)
    away = _ring(part.outline, look) + look.text
    aside = away + len(words) * LETTER * look.text / 2
    spots = [(at.x + x, at.y + y) for x, y in ((0, -away), (0, away), (-aside, 0), (aside, 0))]
    spots.sort(key=lambda spot: dist(spot, (hall.x + hall.width / 2, hall.y + hall.height / 2)))
    return f'<g fill-opacity="0.65">{labels.set_first(spots, words, look.text)}</g>'


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

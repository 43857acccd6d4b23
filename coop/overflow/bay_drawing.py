"""One bay drawn larger: to scale with a ruler in feet, as it is seen from the aisle; and its weeks, who stands where and when.

As on the map (`drawing.py`) there is no style, and how a piece stands is told by pattern and words.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from markupsafe import Markup, escape

from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.periods import shown_day
from coop.floor.domain.plan import Outline
from coop.overflow.domain.bay import Bay
from coop.overflow.drawn import DrawnPiece, drawn_pieces, free_stretches, places_in
from coop.overflow.marks import LETTER, Labels, Pen, n, pattern
from coop.overflow.reading import Standing

_PAGE_PX, _LEAST_PX, _MOST_PX = 900, 44, 110
"""What a bay's drawing is to be wide on a page, and a foot of it at least and at most."""
_TEXT_PX = 13
_WEEK_PX, _FOOT_PX = 50, 26
"""A week and a foot in the drawing of a bay's weeks, at least."""


@dataclass(frozen=True)
class StripDrawing:
    """A picture, the pieces in it by their numbers, and the free stretches in words."""

    svg: Markup
    pieces: Sequence[DrawnPiece]
    free: Sequence[str]
    bay: Bay

    @property
    def beside(self) -> Sequence[str]:
        """What does not stand wholly in the bay as it is, in words."""
        return [f"{one.told}; {one.place}" for one in self.pieces if one.was_until]

    def is_right(self, stay_id: int = 0) -> bool:
        """Whether a piece, by its stay, or else the first, is in the right half of the picture."""
        one = next((piece for piece in self.pieces if piece.stay_id == stay_id), None) or next(iter(self.pieces), None)
        place = one.place_in(self.bay) if one else None
        return place is not None and (sum(place) > self.bay.length_in16) != is_flipped(self.bay)


@dataclass(frozen=True)
class Span:
    """What stands, or is to stand, in a bay over days, both included; `words` stand on it, `said` says all of it.

    The place is that in the bay which is drawn.
    """

    from_in16: int
    to_in16: int
    starts_on: date
    ends_on: date
    words: str
    said: str
    state: str = "stays"
    """A key of `marks.STATES`."""
    link: str = ""
    place: str = ""
    """Where it stands in words, unless that is its place along the bay."""


@dataclass(frozen=True)
class WeeksDrawing:
    """A picture, and its spans in words in the order of their days."""

    svg: Markup
    rows: Sequence[str]


# --- a bay on a day ---------------------------------------------------------------------------------------------------------


def bay_strip(
    bay: Bay,
    standing: Iterable[Standing],
    day: date,
    must_move: Iterable[int] = (),
    own: Collection[int] | None = None,
    today: date | None = None,
) -> StripDrawing:
    """A bay as it stands on a day. One user unit is a sixteenth of an inch. `own` and `today` as `drawn_pieces` has them."""
    there = [one for one in standing if one.bay.code == bay.code and one.stands_on(day)]
    pieces = drawn_pieces(there, day, frozenset(must_move), own, today=today)
    long, deep = bay.length_in16, bay.depth_in16
    px = min(max(_PAGE_PX * IN16_PER_FOOT / long, _LEAST_PX), _MOST_PX) / IN16_PER_FOOT
    pen, labels = Pen(_TEXT_PX / px, 0.6 / px), Labels(())
    flipped = is_flipped(bay)
    free = free_stretches(bay, places_in(bay, pieces))

    def across(from_in16: int, to_in16: int) -> tuple[int, int]:
        return (long - to_in16, long - from_in16) if flipped else (from_in16, to_in16)

    text = pen.text
    body = [
        f'<rect class="blank" width="{long}" height="{deep}" fill="#fff"/>',
        f'<path d="M0 0V{deep}H{long}V0" fill="none" stroke="currentColor" stroke-width="{n(2 * pen.hair)}"/>',
        f'<path d="M0 0H{long}" fill="none" stroke="currentColor" stroke-width="{n(8 * pen.hair)}"/>',
        _text(long / 2, -0.6 * text, _behind(bay), text),
        *(_length(*across(*stretch), deep, stretch, labels, pen) for stretch in free),
        *(_named(one, *across(*place), labels, pen) for one in pieces if (place := one.place_in(bay)) is not None),
        *_ruler(long, deep, pen, flipped),
    ]
    said = "; ".join(one.words for one in pieces) or "nothing"
    free_words = [f"{format_length(to - from_)} from {format_length(from_)} on" for from_, to in free]
    view = (-1.2 * text, -2 * text, long + 2.4 * text, deep + 5.9 * text)
    title = f"Bay {bay.code}, {format_length(long)} long and {format_length(deep)} deep"
    words = f"In it: {said}. Free: {', '.join(free_words) or 'nothing'}."
    svg = _picture("bay", f"bay-{bay.code}", view, px, title, words, body)
    return StripDrawing(Markup(svg), pieces, free_words, bay)


def is_flipped(bay: Bay) -> bool:
    """Whether its first corner is to the right of who stands before it."""
    (ax, ay), (bx, by), (cx, cy), _ = bay.corners
    return (bx - ax) * (cy - by) < (by - ay) * (cx - bx)


def _behind(bay: Bay) -> str:
    if bay.before:
        return f"before space {bay.before}"
    return "at a wall" if bay.backing == "wall" else f"along a {bay.backing}"


def _named(one: DrawnPiece, left: int, right: int, labels: Labels, pen: Pen) -> str:
    """With number, name and size where they are to be read; with its number where they are not."""
    outline, text = _box(left, right, one.depth_in16), pen.text
    side = min(text, (right - left) / 3, one.depth_in16 / 3) if one.colour else 0
    wide, middle = right - left - 1.3 * side, ((left + right + side) / 2, one.depth_in16 / 2)
    lines = [f"{one.number} {one.name}", one.size, f"{one.dealer_code}, {one.said}"] if one.number else [one.name, one.said]
    room = int(one.depth_in16 // (1.15 * text))
    kept = [line for line in lines if len(line) * LETTER * text * 0.85 <= wide][: max(room, 1)]
    if not kept or kept[0] != lines[0]:
        kept = [str(one.number)] if one.number else []
    first = middle[1] - (len(kept) - 1) * 0.55 * text
    said = [labels.set_at((middle[0], first + row * 1.1 * text), line, text * 0.85) for row, line in enumerate(kept)]
    swatch = ""
    if side:
        at = f'x="{n(left + 0.15 * side)}" y="{n(0.25 * side)}" width="{n(side)}" height="{n(side)}"'
        stroke = f'stroke="currentColor" stroke-width="{n(pen.hair)}"'
        swatch = f'<rect class="colour" {at} fill="{escape(one.colour)}" {stroke}/>'
    return f'<g class="piece"><title>{escape(one.words)}</title>{pattern(outline, one.state, pen)}{swatch}{"".join(said)}</g>'


def _length(left: int, right: int, deep: int, stretch: tuple[int, int], labels: Labels, pen: Pen) -> str:
    """An arrow along a free stretch with how long it is, where that is to be read."""
    text, y, length = pen.text, deep / 2, format_length(stretch[1] - stretch[0])
    words = next((w for w in (f"free {length}", length) if (len(w) * LETTER + 1) * text * 0.85 <= right - left), "")
    if not words:
        return ""
    tip = 0.35 * text
    tips = ((left, left + tip), (right, right - tip))
    path = "".join(f"M{n(x)} {n(y - tip / 2)}L{at} {n(y)}L{n(x)} {n(y + tip / 2)}" for at, x in tips)
    line = f'<path d="{path}M{left} {n(y)}H{right}" fill="none" stroke="currentColor" stroke-width="{n(pen.hair)}"/>'
    return f'<g class="free">{line}{labels.set_at(((left + right) / 2, y), words, text * 0.85)}</g>'


def _ruler(long: int, deep: int, pen: Pen, flipped: bool) -> Iterator[str]:
    """Feet along the front, from the bay's first corner on, with marks at half feet."""
    text, y = pen.text, deep + 0.8 * pen.text
    marks = []
    for at in range(0, long + 1, IN16_PER_FOOT // 2):
        x = long - at if flipped else at
        is_foot = at % IN16_PER_FOOT == 0
        marks.append(f"M{x} {n(y)}v{n(text * (0.5 if is_foot else 0.25))}")
        if is_foot:
            yield _text(x, y + 1.5 * text, str(at // IN16_PER_FOOT), text)
    yield f'<path d="M0 {n(y)}H{long}{"".join(marks)}" fill="none" stroke="currentColor" stroke-width="{n(pen.hair)}"/>'
    yield _text(long / 2, y + 2.6 * text, "feet along the bay", text * 0.85)


# --- a bay over weeks -------------------------------------------------------------------------------------------------------


def bay_weeks(bay: Bay, stays: Iterable[Span], first_day: date, weeks: int) -> WeeksDrawing:
    """Weeks from left to right, places along the bay from above down; what lasts longer is cut off. One user unit is a pixel."""
    last = first_day + timedelta(weeks=weeks) - timedelta(days=1)
    shown = sorted(
        (one for one in stays if one.starts_on <= last and one.ends_on >= first_day),
        key=lambda one: (one.starts_on, one.from_in16, one.to_in16),
    )
    week = max(_WEEK_PX, _PAGE_PX // weeks)
    foot = max(_FOOT_PX, 150 * IN16_PER_FOOT // bay.length_in16)
    wide, tall = week * weeks, foot * bay.length_in16 / IN16_PER_FOOT
    pen = Pen(_TEXT_PX, 0.6)
    body = list(_weeks_grid(bay, first_day, weeks, week, foot, tall, pen))
    for one in shown:
        begin = max((one.starts_on - first_day).days, 0) * week / 7
        end = min((one.ends_on - first_day).days + 1, weeks * 7) * week / 7
        top, low = (round(place * foot / IN16_PER_FOOT) for place in (one.from_in16, one.to_in16))
        body.append(_span(one, (round(begin), top, round(end), low), pen))
    rows = [
        f"{one.said}, {one.place or f'{format_length(one.from_in16)} to {format_length(one.to_in16)} along the bay'}, "
        f"{shown_day(one.starts_on)} to {shown_day(one.ends_on)}"
        for one in shown
    ]
    title = f"Bay {bay.code} from {shown_day(first_day)} to {shown_day(last)}"
    role = "group" if any(one.link for one in shown) else "img"
    view = (-3.4 * pen.text, -2.2 * pen.text, wide + 4.4 * pen.text, tall + 3 * pen.text)
    svg = _picture("bay-weeks", f"weeks-{bay.code}", view, 1, title, "; ".join(rows) or "Nothing stands in it.", body, role)
    return WeeksDrawing(Markup(svg), rows)


def _weeks_grid(bay: Bay, first_day: date, weeks: int, week: int, foot: int, tall: float, pen: Pen) -> Iterator[str]:
    text, wide = pen.text, week * weeks
    path = []
    for number in range(weeks + 1):
        path.append(f"M{number * week} 0V{n(tall)}")
        if number < weeks:
            begins = first_day + timedelta(weeks=number)
            yield _text(number * week, -0.6 * text, f"{begins:%b} {begins.day}", text * 0.85, "start")
    for feet in range(bay.length_in16 // IN16_PER_FOOT + 1):
        path.append(f"M0 {feet * foot}H{wide}")
        yield _text(-0.5 * text, feet * foot + 0.35 * text, f"{feet} ft" if feet == 0 else str(feet), text, "end")
    yield f'<path d="{"".join(path)}" fill="none" stroke="currentColor" stroke-opacity="0.3" stroke-width="1"/>'
    yield f'<rect width="{wide}" height="{n(tall)}" fill="none" stroke="currentColor" stroke-width="1.2"/>'


def _span(one: Span, box: tuple[int, int, int, int], pen: Pen) -> str:
    left, top, right, low = box
    outline = ((left, top), (right, top), (right, low), (left, low))
    size = min(pen.text, (low - top) * 0.9, (right - left - 4) / (max(len(one.words), 1) * LETTER))
    words = one.words
    if size < 0.7 * pen.text:
        # What does not fit is cut; all of it stands in the title and in the table.
        size = min(pen.text * 0.85, (low - top) * 0.9)
        words = words[: max(int((right - left - 4) / (LETTER * size)), 1)]
    label = Labels(()).set_at(((left + right) / 2, (top + low) / 2), words, size)
    shape = f'<g class="span"><title>{escape(one.said)}</title>{pattern(outline, one.state, pen)}{label}</g>'
    return f'<a href="{escape(one.link)}" aria-label="{escape(one.said)}">{shape}</a>' if one.link else shape


# --- parts of both ----------------------------------------------------------------------------------------------------------


def _box(left: int, right: int, deep: int) -> Outline:
    return ((left, 0), (right, 0), (right, deep), (left, deep))


def _text(x: float, y: float, words: str, size: float, anchor: str = "middle") -> str:
    return f'<text x="{n(x)}" y="{n(y)}" font-size="{n(size)}" text-anchor="{anchor}">{escape(words)}</text>'


def _picture(
    css_class: str, name: str, view: tuple[float, ...], px: float, title: str, words: str, body: Iterable[str], role: str = "img"
) -> str:
    """`view` is left, top, width and height in user units, `px` how many pixels one is."""
    named = escape(name)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="overflow-{css_class}" role="{role}" '
        f'aria-labelledby="{named}-title {named}-desc" viewBox="{" ".join(n(side) for side in view)}" '
        f'width="{n(view[2] * px)}" height="{n(view[3] * px)}" fill="currentColor">'
        f'<title id="{named}-title">{escape(title)}</title><desc id="{named}-desc">{escape(words)}</desc>{"".join(body)}</svg>'
    )

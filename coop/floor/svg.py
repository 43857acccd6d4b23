"""The picture of a plan as SVG: the same on a page, in a file and on paper. Its classes say what a thing is; a style sheet, how
it looks.

One user unit is a sixteenth of an inch of floor. Every space says in words what it is, and the picture says what is on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

from markupsafe import escape
from shapely.geometry import LineString, Polygon

from coop.core import paths
from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH, format_length, format_sqft
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.finding import Finding
from coop.floor.domain.plan import Outline
from coop.floor.domain.scale import Bounds, Sheet

_MARGIN_IN16 = IN16_PER_FOOT
_UNDER = ("aisle", "wall", "door", "exit", "fixture", "counter", "post", "extinguisher")
"""Parts in the order they are drawn in, one over the other; spaces lie on the aisles and under nothing."""
_LETTER = Fraction(11, 20)
"""Width of a letter, of its height."""


@dataclass(frozen=True)
class Look:
    """How large a picture is: on paper at `scale`, with letters of `text_pt` points there."""

    scale: int = 48
    text_pt: int = 9

    @property
    def text(self) -> int:
        """Height of letters in user units."""
        return round(Fraction(self.text_pt * IN16_PER_INCH * self.scale, 72))

    @property
    def hair(self) -> Fraction:
        """Width of a hairline (half a point) in user units."""
        return Fraction(IN16_PER_INCH * self.scale, 144)

    def inches(self, length: int) -> str:
        """What a length is on paper, for the attributes width and height."""
        return f"{number_text(Fraction(length, IN16_PER_INCH * self.scale))}in"


def drawing_css() -> str:
    """The style sheet of the picture on paper and in files."""
    return (paths.templates() / "pdf" / "floor_plan" / "drawing.css").read_text(encoding="utf-8")


def bounds_of(draft: PlanDraft) -> Bounds:
    """Everything drawn, and a foot round it."""
    outlines = [draft.outline, *(part.outline for part in draft.parts), *(space.outline for space in draft.spaces)]
    corners = [corner for outline in outlines for corner in outline]
    left, top = (min(axis) - _MARGIN_IN16 for axis in zip(*corners, strict=True))
    right, bottom = (max(axis) + _MARGIN_IN16 for axis in zip(*corners, strict=True))
    return Bounds(left, top, right - left, bottom - top)


def plan_svg(
    draft: PlanDraft,
    findings: Sequence[Finding] = (),
    *,
    title: str,
    look: Look | None = None,
    css: str = "",
    sheet: Sheet | None = None,
    name: str = "plan",
) -> str:
    """The whole picture with its scale bar, or a sheet's part of it without. `name` begins the ids of its title and description.

    `css` is written into the picture, for a file that stands alone; a page brings its own style sheet and gives none.
    """
    look = look or Look()
    bounds = bounds_of(draft)
    bar_height = 3 * look.text
    numbered = list(enumerate(findings, 1))
    if sheet is not None:
        draft = on_sheet(draft, sheet, look)
        numbered = [(number, finding) for number, finding in numbered if is_on(sheet, finding.at, look)]
    view = sheet or Bounds(bounds.x, bounds.y, bounds.width, bounds.height + bar_height)
    body = [
        _polygon(draft.outline, "outline", 3 * look.hair),
        *(_part(part, bounds, look) for kind in _UNDER[:1] for part in draft.parts if part.kind == kind),
        *(_space(space, look) for space in draft.spaces if space.outline),
        *(_part(part, bounds, look) for kind in _UNDER[1:] for part in draft.parts if part.kind == kind),
        *(_finding(number, finding, look) for number, finding in numbered),
    ]
    if sheet is None:
        body.append(_bar_at(bounds.x + _MARGIN_IN16, bounds.y + bounds.height + look.text, look))
    else:
        body.extend(join_marks(sheet, look))
    return _svg(view, look, title, describe(draft, [finding for _, finding in numbered]), body, css, name)


def on_sheet(draft: PlanDraft, sheet: Sheet, look: Look) -> PlanDraft:
    """What of a plan can be on a sheet."""
    return replace(
        draft,
        parts=tuple(part for part in draft.parts if is_on(sheet, part.outline, look)),
        spaces=tuple(space for space in draft.spaces if is_on(sheet, space.outline, look)),
    )


def is_on(sheet: Sheet, outline: Outline, look: Look) -> bool:
    """Whether any of a thing, or of the letters and marks beside it, can be on a sheet."""
    near = 6 * look.text
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    return bool(outline) and (
        max(xs) + near > sheet.x
        and min(xs) - near < sheet.x + sheet.width
        and max(ys) + near > sheet.y
        and min(ys) - near < sheet.y + sheet.height
    )


def scale_bar_svg(look: Look, *, title: str, css: str = "", name: str = "bar") -> str:
    """Ten feet of floor, as long as they are on this paper."""
    text = look.text
    view = Bounds(-text, -text // 2, 10 * IN16_PER_FOOT + 4 * text, 2 * text)
    return _svg(view, look, title, "A bar of 10 ft of floor with marks at 0, 5 and 10.", [_bar_at(0, 0, look)], css, name)


def describe(draft: PlanDraft, findings: Sequence[Finding] = ()) -> str:
    """The picture in words."""
    bounds = bounds_of(PlanDraft(draft.outline))
    width, depth = (size_text(side - 2 * _MARGIN_IN16) for side in (bounds.width, bounds.height))
    drawn = [space for space in draft.spaces if space.outline]
    said = [f"A floor {width} wide and {depth} deep with {_counted(len(drawn), 'space')}."]
    said.extend(f"{space_words(space)}." for space in drawn)
    if findings:
        said.append(f"{_counted(len(findings), 'finding')} marked by number.")
    return " ".join(said)


def size_text(length_in16: int) -> str:
    """A length as it stands on a drawing: even feet without inches."""
    return format_length(length_in16).removesuffix(' 0"')


def rectangle_of(outline: Outline) -> Bounds | None:
    """The rectangle an outline is, if it is one that is not turned."""
    xs, ys = sorted({x for x, _ in outline}), sorted({y for _, y in outline})
    if len(outline) != 4 or len(xs) != 2 or len(ys) != 2 or len(set(outline)) != 4:
        return None
    return Bounds(xs[0], ys[0], xs[1] - xs[0], ys[1] - ys[0])


def space_size(outline: Outline) -> str:
    """`10' × 8'` of a rectangle, else the area."""
    box = rectangle_of(outline)
    if box is None:
        return f"{format_sqft(drawn_area_sqft100(outline))} sq ft"
    return f"{size_text(box.width)} × {size_text(box.height)}"


def space_words(space: SpaceDraft) -> str:
    """`Booth 14, front, 10' × 8', 80.00 sq ft`."""
    size = space_size(space.outline)
    area = f"{format_sqft(drawn_area_sqft100(space.outline))} sq ft"
    return f"{space.kind.capitalize()} {space.code}, {space.zone}, {size}" + ("" if size == area else f", {area}")


# --- parts of the picture ---------------------------------------------------------------------------------------------------


def _part(part: PartDraft, bounds: Bounds, look: Look) -> str:
    words = f"{part.kind.capitalize()} {part.code}"
    if len(part.outline) == 2:
        (x1, y1), (x2, y2) = part.outline
        shape = f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke-width="{number_text(6 * look.hair)}"/>'
    else:
        shape = _polygon(part.outline, "", look.hair)
    label = ""
    if part.kind == "exit" and len(part.outline) == 2:
        label = label_beside(part.outline, words, bounds, look)
    elif part.kind in ("aisle", "exit", "counter"):
        label = label_in(part.outline, [part.code if part.kind == "aisle" else words], look)
    return f'<g class="part {part.kind}"><title>{escape(words)}</title>{shape}{label}</g>'


def _space(space: SpaceDraft, look: Look) -> str:
    shape = _polygon(space.outline, "", look.hair)
    label = label_in(space.outline, [space.code, space_size(space.outline)], look)
    return (
        f'<g class="space {space.kind}" data-code="{escape(space.code)}"><title>{escape(space_words(space))}</title>'
        f"{shape}{label}</g>"
    )


def _finding(number: int, finding: Finding, look: Look) -> str:
    if len(finding.at) == 1:
        (x, y), r = finding.at[0], look.text // 2
        shape = f'<circle cx="{x}" cy="{y}" r="{r}" stroke-width="{number_text(3 * look.hair)}"/>'
    elif finding.closed:
        shape = _polygon(finding.at, "", 3 * look.hair)
    else:
        shape = f'<polyline points="{points_text(finding.at)}" fill="none" stroke-width="{number_text(3 * look.hair)}"/>'
    x = sum(x for x, _ in finding.at) // len(finding.at)
    y = sum(y for _, y in finding.at) // len(finding.at)
    r, x, y = look.text * 3 // 5, x + look.text, y - look.text
    text = (
        f'<g class="number"><circle cx="{x}" cy="{y}" r="{r}" stroke-width="{number_text(look.hair)}"/>'
        f'<text x="{x}" y="{y + look.text // 4}" font-size="{look.text * 3 // 4}" text-anchor="middle">{number}</text></g>'
    )
    return f'<g class="finding {finding.kind}"><title>{number}. {escape(finding.sentence)}</title>{shape}{text}</g>'


def label_in(outline: Outline, lines: Sequence[str], look: Look) -> str:
    """Lines set in the middle of an outline, as large as fits; what would be too small to read is left to the list of spaces."""
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    width, height = max(xs) - min(xs), max(ys) - min(ys)
    middle = middle_of(outline)
    turned = height > 2 * width and len(lines) == 1
    x, y = round(middle.x), round(middle.y)
    if turned:
        width, height = height, width
    sizes = [min(look.text, int(width / (len(line) * _LETTER))) for line in lines]
    sizes = [size if height >= 2 * look.text else min(size, height * 2 // 3) for size in sizes]
    least = look.text // 2
    shown = [(line, size) for line, size in zip(lines, sizes, strict=True) if size >= least]
    if 5 * height < 12 * look.text:
        shown = shown[:1]
    made = []
    first = y - round((len(shown) - 1) * look.text * Fraction(6, 10))
    for n, (line, size) in enumerate(shown):
        at = first + round(n * look.text * Fraction(12, 10)) + round(size * Fraction(35, 100))
        kind = "code" if n == 0 else "size"
        turn = f' transform="rotate(-90 {x} {y})"' if turned else ""
        made.append(f'<text class="{kind}" x="{x}" y="{at}" font-size="{size}" text-anchor="middle"{turn}>{escape(line)}</text>')
    return "".join(made)


def label_beside(ends: Outline, text: str, bounds: Bounds, look: Look) -> str:
    """A label on the inner side of a door drawn as a line."""
    (x1, y1), (x2, y2) = ends
    x, y = (x1 + x2) // 2, (y1 + y2) // 2
    away, upright = look.text * 2 // 3, abs(x2 - x1) < abs(y2 - y1)
    right, below = x < bounds.x + bounds.width // 2, y < bounds.y + bounds.height // 2
    if upright:
        x, y, anchor = (x + away, y, "start") if right else (x - away, y, "end")
        y += look.text // 3
    else:
        y, anchor = (y + 2 * away if below else y - away), "middle"
    return f'<text class="code" x="{x}" y="{y}" font-size="{look.text}" text-anchor="{anchor}">{escape(text)}</text>'


def middle_of(outline: Outline) -> Any:
    """A point within an outline, or the middle of a line, as shapely has it."""
    return Polygon(outline).representative_point() if len(outline) > 2 else LineString(outline).centroid


def join_marks(sheet: Sheet, look: Look) -> Iterator[str]:
    """The middle of what neighbouring sheets both show: the same line of floor on each."""
    half = OVERLAP_IN16_PAPER * look.scale // 2
    right, bottom = sheet.x + sheet.width, sheet.y + sheet.height
    lines = {
        "left": (sheet.x + half, sheet.y, sheet.x + half, bottom),
        "right": (right - half, sheet.y, right - half, bottom),
        "above": (sheet.x, sheet.y + half, right, sheet.y + half),
        "below": (sheet.x, bottom - half, right, bottom - half),
    }
    size = look.text * 2 // 3
    for side, other in sheet.joins.items():
        x1, y1, x2, y2 = lines[side]
        x, y = (x1 + size, sheet.y + 3 * size) if side in ("left", "right") else (sheet.x + 3 * size, y1 - size // 2)
        anchor = "start"
        if side == "right":  # Beyond the line is no room for the words.
            x, anchor = x1 - size, "end"
        yield (
            f'<g class="join"><line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke-width="{number_text(look.hair)}" '
            f'stroke-dasharray="{look.text} {look.text}"/>'
            f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}">sheet {other}</text></g>'
        )


OVERLAP_IN16_PAPER = IN16_PER_INCH // 2
"""What neighbouring sheets both show, in sixteenths of an inch of paper."""


def _bar_at(x: int, y: int, look: Look) -> str:
    half, tall = 5 * IN16_PER_FOOT, look.text // 3
    size = look.text * 8 // 9
    marks = "".join(
        f'<text x="{x + feet * IN16_PER_FOOT}" y="{y + tall + size}" font-size="{size}" text-anchor="middle">{label}</text>'
        for feet, label in ((0, "0"), (5, "5"), (10, "10 ft"))
    )
    return (
        f'<g class="scale-bar"><rect class="filled" x="{x}" y="{y}" width="{half}" height="{tall}"/>'
        f'<rect class="open" x="{x + half}" y="{y}" width="{half}" height="{tall}" stroke-width="{number_text(look.hair)}"/>'
        f"{marks}</g>"
    )


def _svg(view: Bounds | Sheet, look: Look, title: str, desc: str, body: Iterable[str], css: str, name: str) -> str:
    style = f"<style>{css}</style>" if css else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="floor-plan" role="img" aria-labelledby="{name}-title {name}-desc" '
        f'viewBox="{view.x} {view.y} {view.width} {view.height}" '
        f'width="{look.inches(view.width)}" height="{look.inches(view.height)}">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(desc)}</desc>'
        f"{style}{''.join(body)}</svg>"
    )


def _polygon(outline: Outline, css_class: str, stroke: Fraction) -> str:
    named = f'class="{css_class}" ' if css_class else ""
    return f'<polygon {named}points="{points_text(outline)}" stroke-width="{number_text(stroke)}"/>'


def points_text(outline: Outline) -> str:
    return " ".join(f"{x},{y}" for x, y in outline)


def number_text(value: Fraction) -> str:
    text = f"{Decimal(value.numerator) / value.denominator:.6f}"
    return text.rstrip("0").rstrip(".")


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"

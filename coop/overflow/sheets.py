"""The sheet to walk the aisles with: the map to a true scale; then, aisle by aisle, what is to stand where, to be ticked.

Of a plan that takes more sheets than one only those with bays are printed, each with a key of where on the plan it lies.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import Any

from markupsafe import Markup

from coop.core import paths
from coop.core.geometry import format_length
from coop.core.pdf import render_pdf
from coop.core.templating import day, render
from coop.core.words import joined
from coop.floor.domain.draft import PlanDraft
from coop.floor.domain.plan import Outline
from coop.floor.domain.scale import PAPERS_IN, SCALES, Bounds, Sheet, scale_words
from coop.floor.sheets import lay_plan, paper_inches
from coop.floor.svg import OVERLAP_IN16_PAPER, Look, bounds_of, drawing_css, points_text, scale_bar_svg
from coop.overflow.domain.fitting import CAUTION
from coop.overflow.drawing import legend_of, map_svg
from coop.overflow.drawn import KEPT_FREE, DrawnBay, DrawnPiece
from coop.overflow.marks import n

PAPER = "letter"
_LARGE, _USUAL, _MOST_SHEETS = 48, 96, 4
"""The map's scale: the large one where the whole plan is one sheet then; the usual one where no more sheets have bays; else the
smallest there is."""
_TEXT_PT = 7
_UNLISTED_ROWS = 2
_KEY_IN = Fraction(3, 5)
"""How high the key of the sheets is on paper."""


@dataclass(frozen=True)
class WalkPaper:
    """What the sheet of a day is made from; bays, pieces and aisles in walking order."""

    mall: str
    on: date
    draft: PlanDraft
    bays: tuple[DrawnBay, ...]
    pieces: tuple[DrawnPiece, ...]
    aisles: tuple[tuple[str, int | None], ...]
    """Code and required clear width in sixteenths of an inch; none of an aisle that is on the plan no more."""


def walk_pdf(paper: WalkPaper) -> bytes:
    """The PDF. Raises Refusal for a plan too large for any scale, and PdfError."""
    scale, (width, height, sheets) = _laid(paper)
    short, long = PAPERS_IN[PAPER]
    css = (paths.templates() / "pdf" / "overflow" / "style.css").read_text(encoding="utf-8")
    pages = (
        f"@page {{ size: {paper_inches(long)} {paper_inches(short)} }} "
        f"@page map {{ size: {paper_inches(width)} {paper_inches(height)} }}"
    )
    title = f"Overflow floor of {paper.mall}, {day(paper.on)}"
    return render_pdf(_html(paper, scale, sheets, title), (css, pages), title=title, created=paper.on)


def _laid(paper: WalkPaper) -> tuple[int, tuple[Fraction, Fraction, list[Sheet]]]:
    """The scale, and the map's paper and sheets at it."""
    things = [*(bay.bay.corners for bay in paper.bays), *(piece.outline for piece in paper.pieces)]
    for scale in (_LARGE, _USUAL, SCALES[-1]):
        width, height, every = lay_plan(paper.draft, scale, PAPER)
        sheets = _with_things(every, scale, things)
        if len(every) == 1 or (scale == _USUAL and len(sheets) <= _MOST_SHEETS):
            break
    return scale, (width, height, sheets)


def _with_things(sheets: Sequence[Sheet], scale: int, things: Sequence[Outline]) -> list[Sheet]:
    """Those on which any of some outlines lies, numbered anew; each joins those alone that are printed."""
    kept = [sheet for sheet in sheets if any(_meet(_own_part(sheet, scale), outline) for outline in things)]
    numbers = {sheet.number: number for number, sheet in enumerate(kept, 1)}
    return [
        replace(
            sheet,
            number=numbers[sheet.number],
            joins={side: numbers[other] for side, other in sheet.joins.items() if other in numbers},
        )
        for sheet in kept
    ]


def _own_part(sheet: Sheet, scale: int) -> Bounds:
    """What a sheet shows up to the lines at which it joins its neighbours: no floor is in two of these."""
    half = OVERLAP_IN16_PAPER * scale // 2
    left, right, above, below = (half * (side in sheet.joins) for side in ("left", "right", "above", "below"))
    return Bounds(sheet.x + left, sheet.y + above, sheet.width - left - right, sheet.height - above - below)


def _meet(box: Bounds, outline: Outline) -> bool:
    (left, right), (top, low) = ((min(axis), max(axis)) for axis in zip(*outline, strict=True))
    return bool(left < box.x + box.width and right > box.x and top < box.y + box.height and low > box.y)


def _key(paper: WalkPaper, sheets: Iterable[Sheet], this: Sheet) -> str:
    """Where on the plan the sheets lie, this one grey, with the bays in black."""
    bounds = bounds_of(paper.draft)
    text = bounds.height // 6
    wide = n(Fraction(bounds.width, bounds.height) * _KEY_IN)
    body = [f'<polygon points="{points_text(paper.draft.outline)}" fill="none" stroke="#111" stroke-width="{text // 14}"/>']
    for sheet in sheets:
        # The last of a row or column goes on beyond the plan.
        width = min(sheet.width, bounds.x + bounds.width - sheet.x)
        height = min(sheet.height, bounds.y + bounds.height - sheet.y)
        box = f'x="{sheet.x}" y="{sheet.y}" width="{width}" height="{height}"'
        at = f'x="{sheet.x + width // 2}" y="{sheet.y + height // 2 + text // 3}"'
        body.append(f'<rect {box} fill="{"#ccc" if sheet == this else "none"}" stroke="#111" stroke-width="{text // 20}"/>')
        body.append(f'<text {at} font-size="{text}" text-anchor="middle">{sheet.number}</text>')
    body += [f'<polygon points="{points_text(bay.bay.corners)}" fill="#111"/>' for bay in paper.bays]
    name = f"key-{this.number}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{name}" '
        f'viewBox="{bounds.x} {bounds.y} {bounds.width} {bounds.height}" width="{wide}in" height="{n(_KEY_IN)}in">'
        f'<title id="{name}">Where on the plan sheet {this.number} lies</title>{"".join(body)}</svg>'
    )


def _aisles_on(paper: WalkPaper, sheet: Sheet, scale: int) -> list[str]:
    """The aisles of which bays are on a sheet, in walking order."""
    found = {bay.bay.aisle for bay in paper.bays if _meet(_own_part(sheet, scale), bay.bay.corners)}
    return [code for code, _ in paper.aisles if code in found]


def _html(paper: WalkPaper, scale: int, sheets: list[Sheet], title: str) -> str:
    look, css = Look(scale, _TEXT_PT), drawing_css()
    bounds = bounds_of(paper.draft)
    is_cut = any(sheet.width < bounds.width or sheet.height < bounds.height for sheet in sheets)
    pictures = [
        {
            "number": sheet.number,
            "svg": Markup(
                map_svg(
                    paper.draft,
                    paper.bays,
                    paper.pieces,
                    look=look,
                    title=f"{title}, sheet {sheet.number} of {len(sheets)}",
                    sheet=sheet,
                    name=f"map-{sheet.number}",
                )
            ),
            "key": Markup(_key(paper, sheets, sheet)) if is_cut else "",
            "aisles": joined(_aisles_on(paper, sheet, scale)),
            "bar": Markup(scale_bar_svg(look, title="Scale bar of 10 ft", css=css, name=f"bar-{sheet.number}")),
        }
        for sheet in sheets
    ]
    return render(
        "pdf/overflow/body.html",
        paper=paper,
        title=title,
        weekday=f"{paper.on:%A}",
        foot=title,
        scale=scale_words(scale),
        sheets=pictures,
        is_cut=is_cut,
        joins=any(sheet.joins for sheet in sheets),
        legend=legend_of([one.state for one in paper.pieces], sum(not one.is_lent for one in paper.bays)),
        aisles=list(_aisles(paper, {sheet.number: _aisles_on(paper, sheet, scale) for sheet in sheets} if is_cut else {})),
        unlisted=_UNLISTED_ROWS,
        caution=CAUTION,
    )


def _aisles(paper: WalkPaper, on_sheets: Mapping[int, Sequence[str]]) -> Iterator[dict[str, Any]]:
    """Each aisle with its pieces, its bays in which nothing is to stand, and the sheets of the map it is on."""
    used = {one.bay.code for one in paper.pieces}
    for code, required in paper.aisles:
        numbers = [str(number) for number, codes in on_sheets.items() if code in codes]
        empty = [one for one in paper.bays if one.bay.aisle == code and one.bay.code not in used]
        yield {
            "name": f"Aisle {code}",
            "sheets": f"{'sheet' if len(numbers) == 1 else 'sheets'} {joined(numbers)}" if numbers else "",
            "required": "" if required is None else format_length(required),
            "pieces": [one for one in paper.pieces if one.bay.aisle == code],
            "empty": joined([one.bay.code if one.is_lent else f"{one.bay.code} ({KEPT_FREE})" for one in empty]),
        }

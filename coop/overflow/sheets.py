"""The sheet to walk the aisles with: the map to a true scale; then, aisle by aisle, what is to stand where, to be ticked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
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
from coop.floor.domain.scale import PAPERS_IN, SCALES, Sheet, scale_words
from coop.floor.sheets import lay_plan, paper_inches
from coop.floor.svg import Look, drawing_css, scale_bar_svg
from coop.overflow.domain.fitting import CAUTION
from coop.overflow.drawing import legend_of, map_svg
from coop.overflow.drawn import KEPT_FREE, DrawnBay, DrawnPiece

PAPER = "letter"
_MOST_SHEETS = {48: 1, 96: 4}
"""The largest scale at which the map is no more sheets than these; else it is the smallest there is."""
_TEXT_PT = 7
_UNLISTED_ROWS = 2


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
    scale, (width, height, sheets) = _laid(paper.draft)
    short, long = PAPERS_IN[PAPER]
    css = (paths.templates() / "pdf" / "overflow" / "style.css").read_text(encoding="utf-8")
    pages = (
        f"@page {{ size: {paper_inches(long)} {paper_inches(short)} }} "
        f"@page map {{ size: {paper_inches(width)} {paper_inches(height)} }}"
    )
    title = f"Overflow floor of {paper.mall}, {day(paper.on)}"
    return render_pdf(_html(paper, scale, sheets, title), (css, pages), title=title, created=paper.on)


def _laid(draft: PlanDraft) -> tuple[int, tuple[Fraction, Fraction, list[Sheet]]]:
    """The scale, and the map's paper and sheets at it."""
    for scale, most in _MOST_SHEETS.items():
        laid = lay_plan(draft, scale, PAPER)
        if len(laid[2]) <= most:
            return scale, laid
    return SCALES[-1], lay_plan(draft, SCALES[-1], PAPER)


def _html(paper: WalkPaper, scale: int, sheets: list[Sheet], title: str) -> str:
    look, css = Look(scale, _TEXT_PT), drawing_css()
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
        legend=legend_of([one.state for one in paper.pieces], sum(not one.is_lent for one in paper.bays)),
        aisles=list(_aisles(paper)),
        unlisted=_UNLISTED_ROWS,
        caution=CAUTION,
    )


def _aisles(paper: WalkPaper) -> Iterator[dict[str, Any]]:
    """Each aisle with its pieces, and its bays in which nothing is to stand."""
    used = {one.bay.code for one in paper.pieces}
    for code, required in paper.aisles:
        empty = [one for one in paper.bays if one.bay.aisle == code and one.bay.code not in used]
        yield {
            "name": f"Aisle {code}",
            "required": "" if required is None else format_length(required),
            "pieces": [one for one in paper.pieces if one.bay.aisle == code],
            "empty": joined([one.bay.code if one.is_lent else f"{one.bay.code} ({KEPT_FREE})" for one in empty]),
        }

"""A plan on paper at a true scale: sheets that join, then its spaces, its findings and the caution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from markupsafe import Markup

from coop.core import paths
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH, format_sqft
from coop.core.pdf import render_pdf
from coop.core.templating import day, render
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import PlanDraft
from coop.floor.domain.finding import CAUTION, Finding
from coop.floor.domain.scale import PAPERS_IN, Sheet, lay_sheets, scale_words
from coop.floor.svg import OVERLAP_IN16_PAPER, Look, bounds_of, drawing_css, plan_svg, scale_bar_svg, space_size

MARGIN_IN = Fraction(1, 2)
_HEAD_IN, _FOOT_IN = Fraction(2, 5), Fraction(4, 5)


@dataclass(frozen=True)
class PlanPaper:
    """What a plan's paper is made from: a plan as it is on a day, and what was found on it."""

    mall: str
    version: int
    on: date
    draft: PlanDraft
    findings: tuple[Finding, ...]


def plan_pdf(value: PlanPaper, *, scale: int = 48, paper: str = "letter") -> bytes:
    """The PDF. Raises Refusal for a paper not known or too small, and PdfError."""
    width, height, sheets = lay_plan(value.draft, scale, paper)
    css = (paths.templates() / "pdf" / "floor_plan" / "style.css").read_text(encoding="utf-8")
    size = f"@page {{ size: {paper_inches(width)} {paper_inches(height)} }}"
    title = f"Floor plan of {value.mall}"
    return render_pdf(_html(value, scale, sheets, title), (size, css), title=title, created=value.on)


def lay_plan(draft: PlanDraft, scale: int, paper: str) -> tuple[Fraction, Fraction, list[Sheet]]:
    """The paper's sides as it is used, upright or across, whichever takes fewer sheets; and the sheets."""
    if paper not in PAPERS_IN:
        raise Refusal(f"Paper {paper!r} is not known; there is {', '.join(PAPERS_IN)}.")
    bounds = bounds_of(draft)
    short, long = PAPERS_IN[paper]
    ways = [(long, short), (short, long)] if bounds.width >= bounds.height else [(short, long), (long, short)]
    laid = []
    fault = ""
    for width, height in ways:
        room = (width - 2 * MARGIN_IN, height - 2 * MARGIN_IN - _HEAD_IN - _FOOT_IN)
        try:
            laid.append((width, height, lay_sheets(bounds, scale, room, Fraction(OVERLAP_IN16_PAPER, IN16_PER_INCH))))
        except ValueError as error:
            fault = str(error)
    if not laid:
        raise Refusal(f"The plan at {scale_words(scale)} on {paper} paper {fault}.")
    return min(laid, key=lambda way: len(way[2]))


def _html(value: PlanPaper, scale: int, sheets: Sequence[Sheet], title: str) -> str:
    look, css = Look(scale), drawing_css()
    pictures = [
        {
            "number": sheet.number,
            "svg": Markup(
                plan_svg(
                    value.draft,
                    value.findings,
                    title=f"{title}, sheet {sheet.number} of {len(sheets)}",
                    look=look,
                    css=css,
                    sheet=sheet,
                    name=f"sheet-{sheet.number}",
                )
            ),
            "bar": Markup(scale_bar_svg(look, title="Scale bar of 10 ft", css=css, name=f"bar-{sheet.number}")),
        }
        for sheet in sheets
    ]
    spaces = [
        {
            "code": space.code,
            "kind": space.kind,
            "zone": space.zone,
            "size": space_size(space.outline) if space.outline else "not drawn yet",
            "area": format_sqft(drawn_area_sqft100(space.outline)) if space.outline else "",
        }
        for space in value.draft.spaces
    ]
    return render(
        "pdf/floor_plan/body.html",
        mall=value.mall,
        title=title,
        version=value.version,
        on=day(value.on),
        scale=scale_words(scale),
        sheets=pictures,
        spaces=spaces,
        findings=value.findings,
        caution=CAUTION,
    )


def paper_inches(side: Fraction) -> str:
    """A side of paper for a style sheet: in hundredths of a millimetre, a whole number for every paper there is."""
    return f"{round(side * 2540)}e-2mm"

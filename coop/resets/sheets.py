"""A reset on paper: plans and elevations to a true scale, the moves step by step, hours, what to bring, labels to cut out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import Any

from markupsafe import Markup

from coop.core import paths
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH, format_size
from coop.core.pdf import render_pdf
from coop.core.templating import day, render
from coop.floor.domain.scale import PAPERS_IN, Bounds, Sheet, scale_words
from coop.floor.svg import Look, drawing_css, scale_bar_svg
from coop.resets.comparing import compare_sets
from coop.resets.composing import FOR_BUYERS
from coop.resets.domain.booth import Booth
from coop.resets.domain.caution import CAUTION, LIFT_CAUTION
from coop.resets.domain.elevation import elevation
from coop.resets.domain.order.plan import OUTSIDE
from coop.resets.domain.piece import Arrangement, Piece, turned_box
from coop.resets.domain.weight import format_weight
from coop.resets.drawing import booth_svg
from coop.resets.elevation_drawing import elevation_svg
from coop.resets.move_drawing import move_numbers, move_svg, pieces_of_plan, states_of
from coop.resets.paper_drawing import Drawing, booth_drawing, is_cut, lay_drawing, on_paper, on_sheet
from coop.resets.plain import arrangement_from, booth_from
from coop.shifts.domain.hours import clock, clock_span

SCALES = (24, 48)
PAPERS = ("letter", "a4")
MARGIN_IN, TOP_IN, BOTTOM_IN = Fraction(1, 2), Fraction(1, 2), Fraction(9, 10)
"""Of a page: left and right, above, and below with what stands at the foot of each."""
_HEAD_IN, _BAR_IN = Fraction(2, 5), Fraction(4, 5)
"""Above and below a drawing: its name; its scale bar and what stands beside that."""
_LEGEND_IN = Fraction(3, 2)
"""What is left beside a drawing holds the pieces' names from so many inches on."""
_STEP_IN = (Fraction(195, 100), Fraction(26, 10))
"""Width and height, at most, of a move's small drawing."""
_STEP_MARGIN = 3 * IN16_PER_INCH
_STEP_PT = 6


@dataclass(frozen=True)
class ResetPaper:
    """What the paper of a reset is made from: its day, and its plan as it is frozen (`composing.py`)."""

    mall: str
    booth: str
    """As people call it: `Booth 12`."""
    on: date
    begins_minute: int
    ends_minute: int
    people: int
    helpers: tuple[tuple[int, int, int], ...]
    """From minute, to minute, how many more."""
    before: str
    after: str
    """Names of the sets."""
    number: int
    """Of the plan among its reset's."""
    value: Mapping[str, Any]

    @property
    def more(self) -> str:
        """Of helpers: `, 2 more 10 am to 3 pm`."""
        return "".join(f", {people} more {clock_span(begin, end)}" for begin, end, people in self.helpers)


def reset_pdf(paper: ResetPaper, *, scale: int = 24, size: str = "letter") -> bytes:
    """The PDF. Raises Refusal for a scale or a paper not known or too small and for a plan without an order, and PdfError."""
    require_paper(paper.number, paper.value, scale, size)
    plain = replace(paper, value=_without_colours(paper.value))
    short, long = PAPERS_IN[size]
    css = (paths.templates() / "pdf" / "reset" / "style.css").read_text(encoding="utf-8")
    pages = f"@page {{ size: {_mm(short)} {_mm(long)} }} @page across {{ size: {_mm(long)} {_mm(short)} }}"
    title = f"Reset of {paper.booth}, {day(paper.on)}"
    return render_pdf(_html(plain, scale, size, title), (pages, css), title=title, created=paper.on)


def fits_one_sheet(value: Mapping[str, Any], scale: int, size: str) -> bool:
    """Whether the plan of the booth is one sheet at a scale."""
    look = _look(scale)
    booth = booth_from(value["booth"])
    drawing = _plan_drawing(booth, Arrangement(), {}, "", "plan", look)
    return any(len(lay_drawing(drawing, scale, _room(size, is_across=across), size)) == 1 for across in (False, True))


def require_paper(number: int, value: Mapping[str, Any], scale: int, size: str) -> None:
    """Refuse a scale or a paper not known, and a plan without an order."""
    if size not in PAPERS:
        raise Refusal(f"Paper {size!r} is not known; there is {' and '.join(PAPERS)}.")
    if scale not in SCALES:
        raise Refusal(f"A reset is drawn at 1:24 or 1:48, and not at 1:{scale}: choose one of them.")
    if value["stopped"]:
        raise Refusal(f"Plan {number} has no order to print. {value['stopped']}")


def _without_colours(value: Mapping[str, Any]) -> dict[str, Any]:
    """Black on white: what a piece's colour is says nothing on the day, and prints as one grey or another."""
    return {**value, "pieces": {key: {**piece, "colours": []} for key, piece in value["pieces"].items()}}


def _mm(side: Fraction) -> str:
    # In hundredths of a millimetre: a whole number for every paper there is.
    return f"{round(side * 2540)}e-2mm"


# --- drawings to scale --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drawn:
    """A drawing, or a part of one, as a page has it."""

    head: str
    svg: Markup
    bar: Markup
    is_alone: bool
    """It has a page of its own: it is one of several that join."""
    legend: Sequence[tuple[int, str]] = ()
    legend_width: str = ""
    note: str = ""


def _look(scale: int) -> Look:
    return Look(scale, 8 if scale == SCALES[0] else 7)


def _room(size: str, *, is_across: bool) -> tuple[Fraction, Fraction]:
    """What a page has for one drawing."""
    short, long = PAPERS_IN[size]
    width, height = (long, short) if is_across else (short, long)
    return width - 2 * MARGIN_IN, height - TOP_IN - BOTTOM_IN - _HEAD_IN - _BAR_IN


def _plan_drawing(booth: Booth, standing: Arrangement, numbers: Mapping[str, int], title: str, name: str, look: Look) -> Drawing:
    text = look.text
    svg = booth_svg(booth, standing, title=title, name=name, scale=look.scale, text_in16=text, numbers=numbers)
    return booth_drawing(svg, booth, text)


def _plans(paper: ResetPaper, look: Look) -> Iterator[tuple[str, Drawing, list[tuple[int, str]]]]:
    """The set that is to stand and what stands now, each with its legend."""
    value = paper.value
    pieces, numbers, booth = pieces_of_plan(value), move_numbers(value), booth_from(value["booth"])
    for name, head in (
        ("after", f"Plan of what is to stand: {paper.after}"),
        ("before", f"Plan of what stands now: {paper.before}"),
    ):
        standing = arrangement_from(value[name], pieces)
        legend = sorted((numbers[one.key], one.piece.name) for one in standing.placed)
        yield head, _plan_drawing(booth, standing, numbers, head, f"plan-{name}", look), legend


def _elevations(paper: ResetPaper, look: Look) -> Iterator[tuple[str, Drawing, list[tuple[int, str]]]]:
    """Every side that is not open, as the set that is to stand looks before it."""
    value = paper.value
    numbers, booth = move_numbers(value), booth_from(value["booth"])
    standing = arrangement_from(value["after"], pieces_of_plan(value))
    if not standing.placed:
        return
    for side, of in enumerate(booth.sides):
        if of.kind == "open":
            continue
        seen = elevation(booth, standing, side)
        svg = elevation_svg(seen, name=f"side-{side}", numbers=numbers, scale=look.scale, text_in16=look.text)
        legend = sorted((numbers[one.key], one.name) for one in seen.standing)
        yield f"{seen.name[:1].upper()}{seen.name[1:]}, seen from inside: {paper.after}", Drawing(svg), legend


def _drawn(
    drawings: Sequence[tuple[str, Drawing, list[tuple[int, str]]]], look: Look, size: str, name: str
) -> tuple[bool, list[Drawn]]:
    """Whether the page lies across, and what is on it: upright unless fewer sheets lie across."""
    ways = []
    for is_across in (False, True):
        room = _room(size, is_across=is_across)
        ways.append((is_across, room, [lay_drawing(drawing, look.scale, room, size) for _, drawing, _ in drawings]))
    is_across, room, laid = min(ways, key=lambda way: sum(len(sheets) for sheets in way[2]))
    made = []
    for n, ((head, drawing, legend), sheets) in enumerate(zip(drawings, laid, strict=True)):
        for sheet in sheets:
            made.append(_sheet(head, drawing, legend, sheets, sheet, look, room, f"{name}-{n}-{sheet.number}"))
    return is_across, made


def _sheet(
    head: str,
    drawing: Drawing,
    legend: list[tuple[int, str]],
    sheets: Sequence[Sheet],
    sheet: Sheet,
    look: Look,
    room: tuple[Fraction, Fraction],
    name: str,
) -> Drawn:
    beside = room[0] - Fraction(sheet.width, IN16_PER_INCH * look.scale) - Fraction(1, 5)
    is_part = len(sheets) > 1
    said = f"{head}, sheet {sheet.number} of {len(sheets)}" if is_part else head
    bar = scale_bar_svg(look, title=f"Scale bar of 10 ft under: {said}", css=drawing_css(), name=f"bar-{name}")
    return Drawn(
        said,
        Markup(on_sheet(drawing.svg, sheet, look)),
        Markup(bar),
        is_part,
        legend if beside >= _LEGEND_IN else (),
        f"{round(beside * 100)}e-2in",
        "The aisle goes on beyond the drawing." if is_cut(drawing, sheets) else "",
    )


# --- moves ----------------------------------------------------------------------------------------------------------------------


def _steps(value: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Each move with its small drawing, all of one part of the floor at one scale: to be looked at, not measured."""
    view = _steps_view(value)
    scale = math.ceil(max(side / IN16_PER_INCH / most for side, most in zip((view.width, view.height), _STEP_IN, strict=True)))
    look = Look(scale, _STEP_PT)
    for move, standing in states_of(value):
        svg = move_svg(value, move, standing, scale=scale, text_in16=look.text)
        # A figure and its unit stay in one line.
        weight = move["weight"].replace(" lb", "\N{NO-BREAK SPACE}lb").replace(" oz", "\N{NO-BREAK SPACE}oz")
        yield {**move, "weight": weight, "svg": Markup(on_paper(svg, view=view, look=look))}


def _steps_view(value: Mapping[str, Any]) -> Bounds:
    """The booth and all the floor that pieces cross, with a margin less than what is written beside the walls begins at."""
    corners = list(booth_from(value["booth"]).outline)
    pieces = pieces_of_plan(value)
    for move in value["moves"]:
        piece = pieces[move["key"]]
        for x, y, turn, _ in move["path"]:
            left, top, right, bottom = turned_box(x, y, piece.width_in16, piece.depth_in16, turn).bounds
            corners += [(math.floor(left), math.floor(top)), (math.ceil(right), math.ceil(bottom))]
    left, top, right, bottom = (choose(axis) for choose in (min, max) for axis in zip(*corners, strict=True))
    return Bounds(left - _STEP_MARGIN, top - _STEP_MARGIN, right - left + 2 * _STEP_MARGIN, bottom - top + 2 * _STEP_MARGIN)


# --- lists ----------------------------------------------------------------------------------------------------------------------


def _pieces_rows(value: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every piece by its number: size, weight, where its box begins now and then."""
    pieces, numbers, booth = pieces_of_plan(value), move_numbers(value), booth_from(value["booth"])
    before, after = (arrangement_from(value[name], pieces) for name in ("before", "after"))
    going = {move["key"]: move for move in value["moves"] if move["kind"] == "out"}
    waiting = {one["key"]: f"waits on {one['area']}" for one in value["waiting"]}
    differences = sorted(compare_sets(booth, before, after), key=lambda one: numbers[one.key])
    rows = [
        {
            "number": numbers[one.key],
            "name": one.name,
            "size": _sized(pieces[one.key]),
            "before": one.before or waiting.get(one.key, "not in the booth"),
            "after": "stays" if one.what == "stays" else one.after or _leaves(going.get(one.key)),
        }
        for one in differences
    ]
    apart = [key for key in waiting if key not in numbers]
    return rows + [
        {
            "number": "",
            "name": pieces[key].name,
            "size": _sized(pieces[key]),
            "before": waiting[key],
            "after": _leaves(going.get(key)),
        }
        for key in apart
    ]


def _sized(piece: Piece) -> str:
    return f"{format_size(piece)}, {'not weighed' if piece.weight_oz is None else format_weight(piece.weight_oz)}"


def _leaves(move: Mapping[str, Any] | None) -> str:
    return "leaves" if move is None or move["to"] == OUTSIDE else f"waits on {move['to']}"


def _home_rows(value: Mapping[str, Any]) -> list[dict[str, str]]:
    """What leaves and where it goes: home, by which trip, or to the floor where buyers' pieces wait."""
    trips = {
        key: f"home, van trip {trip['number']} out"
        for load in value["loads"]
        if load["direction"] == "out"
        for trip in load["trips"]
        for key in trip["keys"]
    }
    home = [{"name": one["name"], "where": trips.get(one["key"], "home")} for one in value["home"]]
    waiting = [move for move in value["moves"] if move["kind"] == "out" and move["to"] == FOR_BUYERS]
    return home + [{"name": move["name"], "where": f"{FOR_BUYERS}: it waits for its buyer"} for move in waiting]


def _hands_rows(value: Mapping[str, Any]) -> list[dict[str, str]]:
    """Each way a piece is lifted, once, with its moves."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for move in value["moves"]:
        at = (move["key"], move["hands"]["why"])
        row = rows.setdefault(at, {"name": move["name"], "weight": move["weight"], **move["hands"], "moves": []})
        row["moves"].append(str(move["number"]))
    return [{**row, "moves": ", ".join(row["moves"])} for row in rows.values()]


def _days(value: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            **one,
            "day": f"{date.fromisoformat(one['on']):%a}, {day(date.fromisoformat(one['on']))}",
            "tasks": [
                {**task, "when": clock_span(task["from"], task["to"]), "who": ", ".join(task["who"])} for task in one["tasks"]
            ],
        }
        for one in value["hours"]["days"]
    ]


def _html(paper: ResetPaper, scale: int, size: str, title: str) -> str:
    value, look = paper.value, _look(scale)
    plans_across, plans = _drawn(list(_plans(paper, look)), look, size, "plan")
    sides_across, sides = _drawn(list(_elevations(paper, look)), look, size, "side")
    return render(
        "pdf/reset/body.html",
        paper=paper,
        value=value,
        title=title,
        weekday=f"{paper.on:%A}",
        foot=f"{paper.booth}, {paper.mall}. Reset of {day(paper.on)}. Plan {paper.number}.",
        span=clock_span(paper.begins_minute, paper.ends_minute),
        ends=clock(paper.ends_minute),
        scale=scale_words(scale),
        plans=plans,
        plans_across=plans_across,
        sides=sides,
        sides_across=sides_across,
        steps=list(_steps(value)),
        pieces=_pieces_rows(value),
        hands=_hands_rows(value),
        home=_home_rows(value),
        days=_days(value),
        caution=CAUTION,
        lift_caution=LIFT_CAUTION,
    )

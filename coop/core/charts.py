"""Charts as inline SVG: bars of money by day or month, or of another unit, each with all its figures in words.

A view makes a `Chart` from cents, or from hundredths of its unit; the macro of `templates/chart.html` puts it on the page with
its table. Colours are `currentColor` and looks are attributes, for the pages' policy knows no style in markup. Cents become
lengths only in here.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import leather
from leather import theme
from markupsafe import Markup

from coop.core.money import format_decimal
from coop.core.periods import Month
from coop.core.templating import MINUS, dollars, money

_HAIR, _BASE = "hair", "base"
"""What leather takes for the colours of lines, told apart again when the drawing is dressed."""
_INK = "currentColor"
_EMPTY = "none"

theme.margin = 0.0
theme.background_color = _EMPTY
theme.legend_color = theme.label_color = _INK
theme.legend_font_family = theme.tick_font_family = "inherit"
theme.legend_font_char_width = theme.tick_font_char_width = 8
theme.tick_color, theme.zero_color = _HAIR, _BASE
theme.default_line_width = 2

_CHAR = theme.tick_font_char_width
_TEXT = theme.tick_font_size


@dataclass(frozen=True)
class _Size:
    """The box of a drawing in its own units: as it stands in its column, fourteen of them are about fourteen pixels."""

    width: int
    height: int


_WIDE, _NARROW = _Size(720, 230), _Size(340, 210)
_MOST_STEPS = 4
"""Of the axis of figures."""


@dataclass(frozen=True)
class Unit:
    """What the figures of a chart are hundredths of, and how they are written."""

    heading: str
    """Over the table's figures: `Dollars`."""
    caption: str
    """`in dollars`"""
    said: Callable[[int], str]
    """In a sentence: `$12.50`."""
    shown: Callable[[int], str]
    """In a column."""
    on_axis: Callable[[int], str]


def _on_axis(cents: int) -> str:
    return f"{MINUS if cents < 0 else ''}${abs(cents) // 100:,}"


DOLLARS = Unit("Dollars", "in dollars", dollars, money, _on_axis)


@dataclass(frozen=True)
class Point:
    """A figure: a day or a month, and its cents (hundredths of the chart's unit); None is not known, or a day to come."""

    label: str
    """Short: it stands beside the bar."""
    cents: int | None
    said: str = ""
    """The same in words, where the label is too short to be read out: `Nov 3`. Empty: the label."""

    @property
    def name(self) -> str:
        return self.said or self.label


@dataclass(frozen=True)
class Chart:
    """What is drawn: a bar a figure."""

    title: str
    points: Sequence[Point]
    heading: str = ""
    """What the points are, over the table: `Day`."""
    small: bool = False
    """For a narrow place on a wide page: drawn once, as on a phone."""
    unit: Unit = DOLLARS

    def __bool__(self) -> bool:
        """Whether there is anything to draw: a figure that is not nothing."""
        return any(point.cents for point in self.points)

    @property
    def known(self) -> list[Point]:
        """The points whose figure is known."""
        return [point for point in self.points if point.cents is not None]

    @property
    def said(self) -> str:
        """Every figure in words: those of nothing together, at the end."""
        told = [f"{point.name} {self.unit.said(point.cents)}" for point in self.known if point.cents]
        nothing = "" if len(told) == len(self.known) else " All others: nothing."
        return f"{'; '.join(told)}.{nothing}"

    @property
    def svg(self) -> Markup:
        """The drawing, for a wide page and for a phone, of which a page shows one; nothing of nothing."""
        if not self:
            return Markup("")
        if self.small:
            return Markup(_text(self, _NARROW, ""))
        return Markup(_text(self, _WIDE, "wide-only") + _text(self, _NARROW, "narrow-only"))


def chart_of_months(title: str, months: Iterable[tuple[Month, int | None]]) -> Chart:
    """A bar a month, of cents; None is not known."""
    return Chart(title, [Point(f"{one.first_day:%b}", cents, one.name) for one, cents in months], heading="Month")


# --- scales -------------------------------------------------------------------------------------------------------------


class _Whole(leather.Scale):  # type: ignore[misc]
    """From hundredths to lengths, with steps of whole dollars, or of another unit: 1, 2 or 5 and noughts."""

    def __init__(self, amounts: Iterable[int]) -> None:
        known = [*amounts, 0]
        self._step = next(step for step in _steps() if _spanned(known, step) <= _MOST_STEPS)
        self._least = min(known) // self._step * self._step
        self._most = -(-max(known) // self._step) * self._step

    def contains(self, v: int) -> bool:
        return self._least <= v <= self._most

    def project(self, value: int, range_min: Any, range_max: Any) -> Decimal:
        part = Decimal(value - self._least) / Decimal(self._most - self._least)
        return Decimal(range_min) + (Decimal(range_max) - Decimal(range_min)) * part

    def ticks(self) -> list[int]:
        return list(range(self._least, self._most + 1, self._step))


def _steps() -> Iterable[int]:
    step = 100
    while True:
        yield from (step, 2 * step, 5 * step)
        step *= 10


def _spanned(amounts: Sequence[int], step: int) -> int:
    return -(-max(amounts) // step) - min(amounts) // step


# --- drawing ------------------------------------------------------------------------------------------------------------


def _text(chart: Chart, size: _Size, shown: str) -> str:
    """The whole drawing as markup."""
    body = _bars(chart, size).to_svg_group(size.width, size.height)
    _dress(body)
    # Room for half of the topmost figure, and of the last label.
    box = f"0 {-_TEXT} {size.width + _CHAR} {size.height + _TEXT + 4}"
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "viewBox": box})
    if shown:
        root.set("class", shown)
    ET.SubElement(root, "title").text = chart.title
    ET.SubElement(root, "desc").text = chart.said
    root.append(body)
    return ET.tostring(root, encoding="unicode")


def _bars(chart: Chart, size: _Size) -> leather.Chart:
    """Bars over the points' labels."""
    made = leather.Chart()
    scale = _Whole([point.cents for point in chart.known if point.cents is not None])
    # Keyed by place: two points may have one label.
    keys = [str(n) for n in range(len(chart.points))]
    amounts = [point.cents for point in chart.points]
    made.add_series(leather.Series(list(zip(keys, amounts, strict=True)), name=chart.title), leather.Columns(_INK))
    made.set_x_scale(leather.Ordinal(keys))
    made.set_y_scale(scale)
    left = max(len(chart.unit.on_axis(tick)) for tick in scale.ticks()) * _CHAR
    every = _every([point.label for point in chart.points], size.width - left)
    made.add_x_axis(ticks=keys[::every], tick_formatter=lambda key, *_: chart.points[int(key)].label)
    made.add_y_axis(tick_formatter=lambda tick, *_: chart.unit.on_axis(tick))
    return made


def _every(labels: Sequence[str], room: int) -> int:
    """Of how many labels one is written, so that none touches the next."""
    longest = max(len(label) for label in labels)
    needed: int = (longest + 1) * _CHAR * len(labels)
    return max(1, -(-needed // room))


# --- dressing -----------------------------------------------------------------------------------------------------------

_PLACES = ("x", "y", "x1", "x2", "y1", "y2", "width", "height")


def _dress(body: ET.Element) -> None:
    """Take the ground and the lines between labels away, make hairlines of the others, round every length to hundredths."""
    body.remove(body[0])
    for group in body.iter("g"):
        kind = group.attrib.pop("class", "")
        if kind == "axis bottom":
            for tick in group:
                tick.remove(tick[0])
        elif kind == "axis left":
            group.set("class", "axis")
        elif kind.startswith("series"):
            group.set("class", "series")
    for line in body.iter("line"):
        is_base = line.get("stroke") == _BASE
        line.set("stroke", _INK)
        if not is_base:
            line.set("stroke-opacity", "0.25")
    for part in body.iter():
        # The face of where it stands: a renderer of paper may know no face called inherit.
        part.attrib.pop("font-family", None)
        for key in _PLACES:
            if key in part.attrib:
                part.set(key, format_decimal(round(Decimal(part.attrib[key]), 2)))

"""Charts of money as inline SVG: bars by day, month or name, and this year beside last, each with all its figures in words.

A view makes a `Chart` from cents; the macro of `templates/chart.html` puts it on the page with its table. Colours are
`currentColor` and looks are attributes, for the pages' policy knows no style in markup. Cents become lengths only in here.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

import leather
from leather import theme
from markupsafe import Markup

from coop.core.templating import MINUS, dollars

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
_ROW = 26
"""Height of one name's row."""
_LONGEST = 18
"""Letters of a name beside its bar; the table has it whole."""


@dataclass(frozen=True)
class _Size:
    """The box of a drawing in its own units: as it stands in its column, fourteen of them are about fourteen pixels."""

    width: int
    height: int
    steps: int
    """Of an axis that runs across, at most: each has its figure below it."""


_WIDE, _NARROW = _Size(720, 230, 6), _Size(340, 210, 3)


@dataclass(frozen=True)
class Point:
    """A figure: a day, a month or a name, and its cents; None is not known, or a day to come."""

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
    """What is drawn: figures, and others to compare them with."""

    title: str
    points: Sequence[Point]
    then: Sequence[int | None] = ()
    """The cents to compare with, one a point: last year's."""
    names: tuple[str, str] = ("This year", "Last year")
    """How the figures and those compared with are called."""
    heading: str = ""
    """What the points are, over the table: `Day`."""
    drawn: Literal["bars", "line", "rows"] = "bars"
    """Bars upright; a line, for sums that run; a row for each name, the bars lying."""
    small: bool = False
    """For a narrow place on a wide page: drawn once, as on a phone."""

    def __post_init__(self) -> None:
        if self.then and len(self.then) != len(self.points):
            raise ValueError("there must be as many figures to compare with as figures")
        if self.then and self.drawn == "rows":
            raise ValueError("rows of names are not compared")

    def __bool__(self) -> bool:
        """Whether there is anything to draw: a figure that is not nothing."""
        return any(point.cents for point in self.points) or any(self.then)

    @property
    def pairs(self) -> list[tuple[Point, int | None]]:
        """Each point with what it is compared with; not those of which neither is known."""
        both = zip(self.points, self.then or (None,) * len(self.points), strict=True)
        return [(point, then) for point, then in both if point.cents is not None or then is not None]

    @property
    def said(self) -> str:
        """Every figure in words: those of nothing together, at the end."""
        told = [self._said(point, then) for point, then in self.pairs if point.cents or then]
        nothing = "" if len(told) == len(self.pairs) else " All others: nothing."
        return f"{'; '.join(told)}.{nothing}"

    def _said(self, point: Point, then: int | None) -> str:
        now = f"{point.name} {'not known' if point.cents is None else dollars(point.cents)}"
        if not self.then:
            return now
        return f"{now}, {_lowered(self.names[1])} {'not known' if then is None else dollars(then)}"

    @property
    def svg(self) -> Markup:
        """The drawing, for a wide page and for a phone, of which a page shows one; nothing of nothing."""
        if not self:
            return Markup("")
        if self.small:
            return Markup(_text(self, _NARROW, ""))
        return Markup(_text(self, _WIDE, "wide-only") + _text(self, _NARROW, "narrow-only"))


def _lowered(words: str) -> str:
    return words[:1].lower() + words[1:]


# --- scales -------------------------------------------------------------------------------------------------------------


class _Dollars(leather.Scale):  # type: ignore[misc]
    """From cents to lengths, with steps of whole dollars: 1, 2 or 5 and noughts."""

    def __init__(self, amounts: Iterable[int], most_steps: int) -> None:
        known = [*amounts, 0]
        self._step = next(step for step in _steps() if _spanned(known, step) <= most_steps)
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


class _Half(leather.Scale):  # type: ignore[misc]
    """Of each place on a scale one half: so two bars stand side by side."""

    def __init__(self, whole: leather.Ordinal, second: bool) -> None:
        self._whole, self._second = whole, second

    def project_interval(self, value: str, range_min: Any, range_max: Any) -> tuple[Decimal, Decimal]:
        start, end = self._whole.project_interval(value, range_min, range_max)
        middle = (start + end) / 2
        return (middle, end) if self._second else (start, middle)


class _Beside(leather.Columns):  # type: ignore[misc]
    """Bars that leave room for those they are compared with."""

    def __init__(self, fill_color: str, second: bool) -> None:
        super().__init__(fill_color)
        self._second = second

    def to_svg(self, width: Any, height: Any, x_scale: Any, y_scale: Any, series: Any, palette: Any) -> ET.Element:
        return super().to_svg(width, height, _Half(x_scale, self._second), y_scale, series, palette)  # type: ignore[no-any-return]


# --- drawing ------------------------------------------------------------------------------------------------------------


def _on_axis(cents: int, *_: Any) -> str:
    return f"{MINUS if cents < 0 else ''}${abs(cents) // 100:,}"


def _text(chart: Chart, size: _Size, shown: str) -> str:
    """The whole drawing as markup."""
    across = chart.drawn == "rows"
    height = len(chart.points) * _ROW + _TEXT + 2 * theme.tick_size if across else size.height
    body = (_rows(chart, size) if across else _upright(chart, size)).to_svg_group(size.width, height)
    _dress(body, chart)
    # Room for half of the topmost figure, or the line of the legend; and for half of the last figure of an axis that runs across.
    above, beside = _TEXT, _CHAR * 4 if across else _CHAR
    box = f"0 {-above} {size.width + beside} {height + above + 4}"
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "viewBox": box})
    if shown:
        root.set("class", shown)
    ET.SubElement(root, "title").text = chart.title
    ET.SubElement(root, "desc").text = chart.said
    root.append(body)
    return ET.tostring(root, encoding="unicode")


def _upright(chart: Chart, size: _Size) -> leather.Chart:
    """Bars or lines over the points' labels."""
    made = leather.Chart()
    layers: list[tuple[Sequence[int | None], str, str]] = [([point.cents for point in chart.points], chart.names[0], _INK)]
    if chart.then:
        layers.append((chart.then, chart.names[1], _EMPTY))
    known = [cents for amounts, _, _ in layers for cents in amounts if cents is not None]
    scale = _Dollars(known, 4)
    # Keyed by place, as bars (texts) or lines (numbers) need it: two points may have one label.
    keys: list[Any] = [n if chart.drawn == "line" else str(n) for n in range(len(chart.points))]
    for amounts, name, fill in layers:
        if all(cents is None for cents in amounts):
            continue
        if chart.drawn == "line":
            shape = leather.Line(_INK, stroke_dasharray="2 5" if fill == _EMPTY else None)
        else:
            shape = _Beside(fill, fill == _EMPTY) if chart.then else leather.Columns(fill)
        made.add_series(leather.Series(list(zip(keys, amounts, strict=True)), name=name), shape)
    made.set_x_scale(leather.Ordinal(keys))
    made.set_y_scale(scale)
    left = max(len(_on_axis(tick)) for tick in scale.ticks()) * _CHAR
    every = _every([point.label for point in chart.points], size.width - left)
    made.add_x_axis(ticks=keys[::every], tick_formatter=lambda key, *_: chart.points[int(key)].label)
    made.add_y_axis(tick_formatter=_on_axis)
    return made


def _every(labels: Sequence[str], room: int) -> int:
    """Of how many labels one is written, so that none touches the next."""
    longest = max(len(label) for label in labels)
    needed: int = (longest + 1) * _CHAR * len(labels)
    return max(1, -(-needed // room))


def _rows(chart: Chart, size: _Size) -> leather.Chart:
    """A row a name, the first on top."""
    made = leather.Chart()
    keys = [str(n) for n in range(len(chart.points))][::-1]
    amounts = [point.cents for point in chart.points][::-1]
    made.add_series(leather.Series(list(zip(amounts, keys, strict=True)), name=chart.title), leather.Bars(_INK))
    made.set_x_scale(_Dollars([cents for cents in amounts if cents is not None], size.steps))
    made.set_y_scale(leather.Ordinal(keys))
    made.add_x_axis(tick_formatter=_on_axis)
    made.add_y_axis(ticks=keys, tick_formatter=lambda key, *_: _cut(chart.points[int(key)].label))
    return made


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1].rstrip()}…"


# --- dressing -----------------------------------------------------------------------------------------------------------

_PLACES = ("x", "y", "x1", "x2", "y1", "y2", "width", "height")


def _dress(body: ET.Element, chart: Chart) -> None:
    """Take the ground and the lines between names away, make hairlines of the others, round every length to hundredths."""
    body.remove(body[0])
    named, figured = ("left", "bottom") if chart.drawn == "rows" else ("bottom", "left")
    for group in body.iter("g"):
        kind = group.attrib.pop("class", "")
        if kind == f"axis {named}":
            for tick in group:
                tick.remove(tick[0])
        elif kind == f"axis {figured}":
            group.set("class", "axis")
        elif kind.startswith("series"):
            group.set("class", "series")
    for line in body.iter("line"):
        is_base = line.get("stroke") == _BASE
        line.set("stroke", _INK)
        if not is_base:
            line.set("stroke-opacity", "0.25")
    for box in body.iter("rect"):
        if box.get("fill") == _EMPTY:
            box.set("stroke", _INK)
    if chart.drawn == "line" and len(body.findall(".//path")) > 1:
        _line_legend(body)
    for path in body.iter("path"):
        path.set("d", _path(path.get("d", "")))
        path.set("stroke-linecap", "round")
        path.set("stroke-linejoin", "round")
    for part in body.iter():
        # The face of where it stands: a renderer of paper may know no face called inherit.
        part.attrib.pop("font-family", None)
        for key in _PLACES:
            if key in part.attrib:
                part.set(key, _rounded(part.attrib[key]))


def _line_legend(body: ET.Element) -> None:
    """What stands beside the names of lines is a piece of each: else both would have the same box."""
    solid, dotted = list(body.iter("rect"))
    for box, dashes in ((solid, ""), (dotted, "2 5")):
        y = str(Decimal(box.get("y", "0")) + Decimal(box.get("height", "0")) / 2)
        piece = {"x1": "-6", "x2": box.get("width", "0"), "y1": y, "y2": y, "stroke": _INK, "stroke-width": "2"}
        box.tag, box.attrib = "line", {**piece, **({"stroke-dasharray": dashes} if dashes else {})}


def _path(places: str) -> str:
    """The path with its lengths rounded; a figure alone, between two that are not known, is a dot."""
    parts = [part if part in "ML" else _rounded(part) for part in places.split()]
    return " ".join([*parts, "L", *parts[1:]] if len(parts) == 3 else parts)


def _rounded(length: str) -> str:
    text = f"{Decimal(length):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text

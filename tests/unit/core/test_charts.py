"""Charts: what is drawn is read back from the markup and held against the cents it came from."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from decimal import Decimal

import pytest

from coop.core.charts import Chart, Point, Unit
from coop.core.templating import dollars, environment

SVG = "{http://www.w3.org/2000/svg}"
LOOKS = {"style", "onload", "onclick", "href", "id"}


def days(*amounts: int | None) -> list[Point]:
    return [Point(str(n), cents, f"Nov {n}") for n, cents in enumerate(amounts, 1)]


def drawings(chart: Chart) -> list[ET.Element]:
    """The drawings of a chart, as XML."""
    return list(ET.fromstring(f"<p>{chart.svg}</p>"))


def bars(drawing: ET.Element) -> list[list[ET.Element]]:
    """The bars of each series."""
    return [group.findall(f"{SVG}rect") for group in drawing.iter(f"{SVG}g") if group.get("class") == "series"]


def length(element: ET.Element, key: str) -> Decimal:
    return Decimal(element.attrib[key])


def figures(drawing: ET.Element) -> list[str]:
    """What is written at the axis of dollars."""
    axis = next(group for group in drawing.iter(f"{SVG}g") if group.get("class") == "axis")
    return [text.text or "" for text in axis.iter(f"{SVG}text")]


def labels(drawing: ET.Element) -> list[str]:
    return [text.text or "" for text in drawing.iter(f"{SVG}text")]


EVERY = [
    Chart("By day", days(100, -250, 0, 99_999)),
    Chart("So far", days(100, 200, None)),
    Chart("Small", days(5), small=True),
]


@pytest.mark.parametrize("chart", EVERY, ids=lambda chart: chart.title)
def test_markup_is_xml_that_the_policy_of_pages_allows(chart: Chart) -> None:
    for drawing in drawings(chart):
        assert drawing.tag == f"{SVG}svg"
        assert not {element.tag for element in drawing.iter()} & {f"{SVG}style", f"{SVG}script"}
        assert not [element for element in drawing.iter() if LOOKS & set(element.attrib)]


@pytest.mark.parametrize("chart", EVERY, ids=lambda chart: chart.title)
def test_a_drawing_takes_the_size_the_colour_and_the_face_of_where_it_stands(chart: Chart) -> None:
    for drawing in drawings(chart):
        assert "width" not in drawing.attrib
        assert "height" not in drawing.attrib
        assert re.fullmatch(r"0 -?\d+ \d+ \d+", drawing.attrib["viewBox"])
        colours = {element.get(key, "none") for element in drawing.iter() for key in ("fill", "stroke")}
        assert colours <= {"none", "currentColor"}
        assert not [element for element in drawing.iter() if "font-family" in element.attrib]


@pytest.mark.parametrize("chart", EVERY, ids=lambda chart: chart.title)
def test_every_length_is_inside_the_box(chart: Chart) -> None:
    for drawing in drawings(chart):
        _, top, width, height = (Decimal(part) for part in drawing.attrib["viewBox"].split())
        for group in bars(drawing):
            for bar in group:
                assert 0 <= length(bar, "x") <= length(bar, "x") + length(bar, "width") <= width
                assert top <= length(bar, "y") <= length(bar, "y") + length(bar, "height") <= top + height


def test_a_picture_is_named_and_tells_all_its_figures() -> None:
    amounts = [123_456, 5, 0, -7_89]
    for drawing in drawings(Chart("Sales by day", days(*amounts))):
        assert drawing.get("role") == "img"
        assert drawing.findtext(f"{SVG}title") == "Sales by day"
        said = drawing.findtext(f"{SVG}desc") or ""
        assert said == "Nov 1 $1,234.56; Nov 2 $0.05; Nov 4 −$7.89. All others: nothing."
        assert all(dollars(cents) in said for cents in amounts if cents)


def test_days_to_come_keep_their_place_and_are_not_told() -> None:
    chart = Chart("Sales", days(100, 0, None, None))
    assert chart.said == "Nov 1 $1.00. All others: nothing."
    assert {"1", "2", "3", "4"} <= set(labels(drawings(chart)[0]))
    assert "Nov 3" not in shown(chart)
    assert "Nov 2" in shown(chart)


@pytest.mark.parametrize("size", [0, 1])
def test_bars_are_as_high_as_their_cents(size: int) -> None:
    amounts = [50_000, 25_000, 12_345, 1, -10_000]
    (group,) = bars(drawings(Chart("Sales", days(*amounts)))[size])
    unit = length(group[0], "height") / 50_000
    for bar, cents in zip(group, amounts, strict=True):
        assert abs(length(bar, "height") - abs(cents) * unit) <= Decimal("0.02")


def test_what_is_below_nothing_hangs_from_the_base_line() -> None:
    (group,) = bars(drawings(Chart("Sales", days(10_000, -10_000)))[0])
    above, below = group
    assert length(above, "y") + length(above, "height") == length(below, "y")
    assert length(above, "height") == length(below, "height") > 0


def test_what_is_not_known_has_no_bar() -> None:
    (group,) = bars(drawings(Chart("By month", days(20_000, None, 5)))[0])
    assert len(group) == 2


@pytest.mark.parametrize(
    ("amounts", "written"),
    [
        ([1], ["$0", "$1"]),
        ([40_000], ["$0", "$100", "$200", "$300", "$400"]),
        ([40_001], ["$0", "$200", "$400", "$600"]),
        ([-150_000, 480_000], ["−$2,000", "$0", "$2,000", "$4,000", "$6,000"]),
        ([-5], ["−$1", "$0"]),
    ],
)
def test_the_axis_is_in_whole_dollars(amounts: list[int], written: list[str]) -> None:
    assert sorted(figures(drawings(Chart("Sales", days(*amounts)))[0])) == sorted(written)


def test_a_phone_gets_fewer_labels_and_a_smaller_box() -> None:
    wide, narrow = drawings(Chart("Sales", days(*range(1, 32))))
    assert (wide.get("class"), narrow.get("class")) == ("wide-only", "narrow-only")
    assert "31" in labels(wide)
    assert 5 <= len([text for text in labels(narrow) if text.isdigit()]) <= 12
    (small,) = drawings(Chart("Sales", days(1), small=True))
    assert small.get("class") is None
    assert small.attrib["viewBox"].split()[2] == narrow.attrib["viewBox"].split()[2]


def test_names_are_text_and_never_markup() -> None:
    chart = Chart("<b>Sales</b>", [Point("<script>", 100)])
    assert "<script>" not in chart.svg
    assert drawings(chart)[0].findtext(f"{SVG}title") == "<b>Sales</b>"


@pytest.mark.parametrize("chart", [Chart("None", []), Chart("Zero", days(0, 0)), Chart("Unknown", days(None))])
def test_nothing_is_drawn_of_nothing(chart: Chart) -> None:
    assert not chart
    assert chart.svg == ""
    assert shown(chart) == ""


def test_the_same_figures_are_the_same_drawing() -> None:
    assert Chart("Sales", days(1, 2, 3)).svg == Chart("Sales", days(1, 2, 3)).svg


def shown(chart: Chart) -> str:
    template = environment().from_string("{% from 'chart.html' import chart %}{{ chart(it) }}")
    return template.render(it=chart).strip()


def test_the_table_under_a_chart_has_every_figure() -> None:
    page = shown(Chart("By month", days(100, None, -250, 0), heading="Day"))
    cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", page)
    assert cells == ["Day", "Dollars", "Nov 1", "1.00", "Nov 3", "−2.50", "Nov 4", "0.00"]
    assert "style" not in page


def test_a_chart_of_another_unit_says_it_everywhere() -> None:
    turns = Unit("Turns", "in turns", lambda n: f"{n // 100} turns", lambda n: str(n // 100), lambda n: str(n // 100))
    chart = Chart("Turns of a month", days(300, 100), heading="Day", unit=turns)
    assert chart.said == "Nov 1 3 turns; Nov 2 1 turns."
    assert "$" not in chart.svg
    cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", shown(chart))
    assert cells == ["Day", "Turns", "Nov 1", "3", "Nov 2", "1"]

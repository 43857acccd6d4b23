"""How figures read, and that a template cannot hide a mistake."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import jinja2.filters
import pytest
from jinja2 import UndefinedError
from jinja2.exceptions import TemplateNotFound

from coop.core import templating
from coop.core.periods import Month


@pytest.mark.parametrize(
    ("cents", "column", "plain", "sentence", "plain_sentence"),
    [
        (123456, "1,234.56", "1,234.56", "$1,234.56", "$1,234.56"),
        (0, "0.00", "0.00", "$0.00", "$0.00"),
        (-5, "\u22120.05", "-0.05", "\u2212$0.05", "-$0.05"),
        (-100000000, "\u22121,000,000.00", "-1,000,000.00", "\u2212$1,000,000.00", "-$1,000,000.00"),
    ],
)
def test_money(cents: int, column: str, plain: str, sentence: str, plain_sentence: str) -> None:
    assert templating.money(cents) == column
    assert templating.money_plain(cents) == plain
    assert templating.dollars(cents) == sentence
    assert templating.dollars_plain(cents) == plain_sentence


def test_dates_and_months() -> None:
    assert templating.day(date(2026, 11, 3)) == "Nov 3, 2026"
    assert templating.short_day(date(2026, 5, 31)) == "May 31"
    assert templating.month(date(2010, 12, 9)) == templating.month(Month(2010, 12)) == "December 2010"
    assert [templating.short_day(date(2026, n, 1))[:3] for n in range(1, 13)] == [
        date(2026, n, 1).strftime("%b") for n in range(1, 13)
    ]


def test_a_moment_is_not_a_date() -> None:
    with pytest.raises(TypeError, match="moment"):
        templating.day(datetime(2026, 11, 3, 23, tzinfo=UTC))


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        (Decimal("7.900000"), "7.9%"),
        (Decimal("10.000000"), "10%"),
        (Decimal("0.000000"), "0%"),
        (Decimal("-0.0"), "0%"),
        (Decimal("1E+1"), "10%"),
        (Decimal("-2.50"), "\u22122.5%"),
        (100, "100%"),
    ],
)
def test_percent(rate: Decimal | int, text: str) -> None:
    assert templating.percent(rate) == text


def test_percent_refuses_a_float() -> None:
    with pytest.raises(TypeError, match="float"):
        templating.percent(7.9)  # type: ignore[arg-type]


def test_sizes() -> None:
    assert templating.sqft(1234567) == "12,345.67 sq ft"
    assert templating.length(1448) == "7' 6 1/2\""
    assert templating.length(-16) == '\u22121"'


def test_no_line_breaks_a_length_in_running_text():
    assert templating.environment().from_string("{{ it | feet }} wide").render(it=1448) == "7&#39;\u00a06\u00a01/2&#34; wide"


def test_a_list_reads_as_people_write_it() -> None:
    found = [templating.joined(["a", "b", "c"][:n]) for n in range(4)]
    assert found == ["", "a", "a and b", "a, b and c"]
    assert templating.joined(["a", "b"], "or") == "a or b"


def test_every_filter_is_there_for_a_template() -> None:
    environment = templating.environment()
    assert environment.from_string("{{ -5|money }} {{ d|date }}").render(d=date(2026, 1, 2)) == "\u22120.05 Jan 2, 2026"
    assert templating.FILTERS.items() <= environment.filters.items()


def test_no_filter_hides_one_of_the_template_language() -> None:
    assert not templating.FILTERS.keys() & jinja2.filters.FILTERS.keys()


def test_an_undefined_name_is_an_error() -> None:
    with pytest.raises(UndefinedError):
        templating.environment().from_string("{{ nobody }}").render()
    with pytest.raises(TemplateNotFound):
        templating.render("no/such/template.html")


def test_html_is_escaped_and_plain_text_is_not() -> None:
    environment = templating.environment()
    assert environment.from_string("{{ x }}").render(x="<b>&'") == "&lt;b&gt;&amp;&#39;"
    assert callable(environment.autoescape)
    assert environment.autoescape("email/any/body.html")
    assert environment.autoescape("pdf/any/body.xml")
    assert not environment.autoescape("email/any/body.txt")

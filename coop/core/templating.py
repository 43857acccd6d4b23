"""How figures, dates, sizes and lists read on pages, in PDFs and in mail, and the environment of the last two."""

from __future__ import annotations

import functools
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from coop.core import paths
from coop.core.geometry import format_length, format_size, format_sqft
from coop.core.money import format_cents, format_decimal, format_price
from coop.core.periods import Month, shown_day
from coop.core.words import joined as joined

MINUS = "\N{MINUS SIGN}"
"""As wide as a tabular figure, which a hyphen is not."""
NO_BREAK = "\N{NO-BREAK SPACE}"


def money(amount_cents: int) -> str:
    """Cents without a currency, for columns: 123456 -> `1,234.56`, -5 -> `−0.05` (a true minus)."""
    return format_cents(amount_cents).replace("-", MINUS)


def money_plain(amount_cents: int) -> str:
    """Cents for plain text, where a true minus may not survive: -123456 -> `-1,234.56`."""
    return format_cents(amount_cents)


def dollars(amount_cents: int) -> str:
    """Cents for a sentence: 123456 -> `$1,234.56`, -5 -> `−$0.05`."""
    return (MINUS if amount_cents < 0 else "") + "$" + format_cents(abs(amount_cents))


def dollars_plain(amount_cents: int) -> str:
    """Like dollars, with a hyphen for the minus."""
    return ("-" if amount_cents < 0 else "") + "$" + format_cents(abs(amount_cents))


day = shown_day
"""A calendar date for a sentence: `Nov 3, 2026`."""


def short_day(value: date) -> str:
    """A date whose year is plain from what stands around it: `Nov 3`."""
    return day(value).partition(",")[0]


def month(value: date | Month) -> str:
    """`November 2026`, of a month or of any day in it."""
    return (value if isinstance(value, Month) else Month.of(value)).name


def sqft(area_sqft100: int) -> str:
    """Hundredths of a square foot: 12000 -> `120.00 sq ft`."""
    return f"{format_sqft(area_sqft100)} sq ft"


def percent(rate: Decimal | int) -> str:
    """A rate in percent without idle zeros: Decimal("7.900000") -> `7.9%`. Refuses a float."""
    if not isinstance(rate, int | Decimal):
        raise TypeError(f"a rate is a Decimal, not {type(rate).__name__}")
    return format_decimal(Decimal(rate)).replace("-", MINUS) + "%"


def length(length_in16: int) -> str:
    """Sixteenths of an inch: 1448 -> `7' 6 1/2"`."""
    return format_length(length_in16).replace("-", MINUS)


def feet(length_in16: int) -> str:
    """A length in running text, which no line breaks between feet and inches: its spaces are no-break ones."""
    return length(length_in16).replace(" ", NO_BREAK)


FILTERS: dict[str, Callable[..., str]] = {
    "money": money,
    "money_plain": money_plain,
    "dollars": dollars,
    "dollars_plain": dollars_plain,
    "date": day,
    "short_date": short_day,
    "month": month,
    "sqft": sqft,
    "percent": percent,
    "price": format_price,
    "feet": feet,
    "size": format_size,
}
"""By the name a template calls them (`length` is Jinja's own, and counts)."""


def _escapes(name: str | None) -> bool:
    """Everything is escaped but a file that is plain text and says so."""
    return name is None or not name.endswith(".txt")


@functools.cache
def environment() -> Environment:
    """The templates of PDFs and mail. Undefined names are errors; all is escaped but `.txt`."""
    made = Environment(
        loader=FileSystemLoader(paths.templates()),
        autoescape=_escapes,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
    )
    made.filters.update(FILTERS)
    return made


def render(template: str, **values: Any) -> str:
    """A template of templates/ with its values, as text."""
    return environment().get_template(template).render(**values)

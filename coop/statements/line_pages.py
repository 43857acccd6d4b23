"""One line of a statement and what it is made of: found by its place, for its dealer's page and the office's."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sized

from sqlalchemy.orm import Session

from coop.core.templating import day, money
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.statements.domain import StatementValue, from_json
from coop.statements.line_charges import charge_page, next_rent_page
from coop.statements.line_money import (
    closing_page,
    layaway_page,
    opening_page,
    payment_page,
    tax_owed_page,
    tax_page,
    turn_page,
    year_page,
)
from coop.statements.line_parts import SINGLE, WHOLE, LinePage, Of
from coop.statements.line_sales import sale_page
from coop.statements.models import Statement
from coop.statements.wording import YEAR_LABELS, charge_label

_PAGES: Mapping[str, Callable[[Of, int], LinePage]] = {
    "opening": lambda of, _n: opening_page(of),
    "sales": lambda of, n: sale_page(of, "sales", n),
    "returns": lambda of, n: sale_page(of, "returns", n),
    "charges": charge_page,
    "payments": payment_page,
    "tax-owed": tax_owed_page,
    "closing": lambda of, _n: closing_page(of),
    "next-rent": next_rent_page,
    "turns": turn_page,
    "layaways": layaway_page,
    "year": year_page,
    "tax": tax_page,
}


def lines_of(value: StatementValue, section: str) -> Sized:
    """The lines of a part of a statement; nothing for a part there is not."""
    if section in SINGLE:
        return (section,)
    parts: Mapping[str, Sized] = {
        "sales": value.sales,
        "returns": value.returns,
        "charges": value.charges,
        "payments": value.payments,
        "tax-owed": value.tax_owed,
        "next-rent": value.next_rent,
        "turns": value.turns,
        "layaways": value.layaways,
        "year": value.year,
        "tax": value.tax_collected,
    }
    return parts.get(section, ())


def line_page(session: Session, statement: Statement, section: str, n: int) -> LinePage | None:
    """The page of a line; None where the statement has none there."""
    value = from_json(statement.value_json)
    if not 0 <= n < len(lines_of(value, section)):
        return None
    mall, dealer = session.get_one(Mall, statement.mall_id), session.get_one(Dealer, statement.dealer_id)
    return _PAGES[section](Of(session, statement, value, mall, dealer), n)


def place_of_key(value: StatementValue, key: str) -> tuple[str, int] | None:
    """The part and number of a line by its key (`sales/3`, `opening`); None where there is no such line."""
    section, _, number = key.partition("/")
    if (section in SINGLE) == bool(number) or not (number or "0").isdecimal() or len(number) > 6:
        return None
    n = int(number or 0)
    return (section, n) if str(n) == (number or "0") and n < len(lines_of(value, section)) else None


def line_said(value: StatementValue, key: str) -> str:
    """A line in words, as it stood, in 200 characters. Raises LookupError for a line there is not."""
    if key == WHOLE:
        return f"The statement as a whole, closing with {money(value.closing_cents)}"
    place = place_of_key(value, key)
    if place is None:
        raise LookupError(f"statement {value.number} has no line {key}")
    what, cents = _SAID[place[0]](value, place[1])
    amount = "" if cents is None else f": {money(cents)}"
    return what[: 200 - len(amount)] + amount


def _sale(value: StatementValue, n: int, *, returns: bool) -> tuple[str, int | None]:
    line = (value.returns if returns else value.sales)[n]
    what = "Return" if returns else "Sale"
    return f"{what} on {day(line.sold_on)}, ticket {line.ticket}, {line.description or 'item'}", line.price_cents


def _labelled(section: str) -> Callable[[StatementValue, int], tuple[str, int | None]]:
    def words(value: StatementValue, n: int) -> tuple[str, int | None]:
        line = (value.charges if section == "charges" else value.next_rent)[n]
        label = charge_label(line)
        return (label if section == "charges" else f"{label}, {value.month.next.name}"), line.amount_cents

    return words


_SAID: Mapping[str, Callable[[StatementValue, int], tuple[str, int | None]]] = {
    "opening": lambda value, _n: ("Opening balance", value.opening_cents),
    "closing": lambda value, _n: ("Closing balance", value.closing_cents),
    "sales": lambda value, n: _sale(value, n, returns=False),
    "returns": lambda value, n: _sale(value, n, returns=True),
    "charges": _labelled("charges"),
    "next-rent": _labelled("next-rent"),
    "payments": lambda value, n: (f"{day(value.payments[n].paid_on)}, {value.payments[n].label}", value.payments[n].amount_cents),
    "tax-owed": lambda value, n: (f"Tax to file for {value.tax_owed[n].jurisdiction}", value.tax_owed[n].amount_cents),
    "tax": lambda value, n: (f"Tax collected for {value.tax_collected[n].jurisdiction}", value.tax_collected[n].amount_cents),
    "turns": lambda value, n: (f"Turns, {value.turns[n].label}: {value.turns[n].count}", None),
    "layaways": lambda value, n: (f"Layaway {value.layaways[n].number}, {value.layaways[n].item}", value.layaways[n].price_cents),
    "year": lambda value, n: (f"Year to date, {YEAR_LABELS[value.year[n].what][0].lower()}", value.year[n].total_cents),
}

"""That a statement adds up: from its opening balance, line by line, to what is paid and what is carried forward."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from coop.core.money import format_cents, round_half_up
from coop.statements.domain.lines import FOOT_FIGURES, YEAR_FIGURES
from coop.statements.domain.value import StatementValue

_Compare = Callable[[str, int, int], None]


class StatementError(Exception):
    """A statement does not prove itself; the message says by how much."""


def prove(value: StatementValue) -> None:
    """Check that the opening balance plus every line is the closing balance, and what is told beside it follows from the lines.

    Raises StatementError with the difference.
    """
    faults = []

    def compare(what: str, stated: int, added: int) -> None:
        if stated != added:
            faults.append(f"{what} is stated as {format_cents(stated)} but its lines add up to {format_cents(added)}")

    compare("gross", value.gross_cents, sum(line.tag_cents for line in value.sales))
    compare("discounts", value.discounts_cents, sum(line.discount_cents for line in value.sales))
    compare("returns", value.returns_cents, -sum(line.price_cents for line in value.returns))
    compare("net", value.net_cents, value.gross_cents - value.discounts_cents - value.returns_cents)
    for line in (*value.sales, *value.returns):
        compare(f"line {line.ticket}/{line.position}", line.price_cents, line.tag_cents - line.discount_cents)
    compare(
        "the closing balance",
        value.closing_cents,
        value.opening_cents + value.net_cents + value.tax_owed_cents + value.charged_cents + value.paid_cents,
    )
    _prove_paid(value, compare)
    _prove_year(value, compare)
    _prove_floor(value, compare)
    if value.held and value.pay_on:
        faults.append("it is held, and has a day on which it is paid")
    if value.late_after and value.closing_cents >= 0:
        faults.append("nothing is owed, and a late fee is to be charged on it")
    if faults:
        raise StatementError(f"statement {value.number} does not add up: " + "; ".join(faults))


def _prove_paid(value: StatementValue, compare: _Compare) -> None:
    """What is paid and what is carried are the balance, and rent that is kept back is in what is carried."""
    compare("the closing balance", value.closing_cents, value.to_be_paid_cents + value.carried_cents)
    if value.pay_on and value.closing_cents > 0:
        compare("what is carried forward", value.carried_cents, value.kept_for_rent_cents)


def _prove_year(value: StatementValue, compare: _Compare) -> None:
    """The month's part of each figure is that of its lines; before January there is only what came from paper."""
    if not value.year:
        return
    month = value.month_figures | value.foot_figures
    stated = {figure.what: figure for figure in value.year}
    foots = len(stated) > len(YEAR_FIGURES)
    figures = YEAR_FIGURES + (FOOT_FIGURES if foots else ())
    if tuple(stated) != figures:
        compare("the number of figures of the year", len(stated), len(figures))
        return
    if foots:
        # Gross is in net, and fees are the sum of three.
        parts = [stated[what] for what in figures if what not in ("gross", "fees")]
        compare("the year's closing balance", value.closing_cents, sum(figure.total_cents for figure in parts))
        for which, cents in (("before", "before_cents"), ("this month", "month_cents")):
            fees = sum(getattr(stated[what], cents) for what in ("card", "turns", "other"))
            compare(f"the year's fees, {which},", getattr(stated["fees"], cents), fees)
    for what, figure in stated.items():
        compare(f"the year's {what} of this month", figure.month_cents, month[what])
        if value.first_day.month == 1 and what != "opening":
            compare(f"the year's {what} before January", figure.before_cents, figure.paper_cents)


def _prove_floor(value: StatementValue, compare: _Compare) -> None:
    if value.floor is None:
        return
    area = value.floor.area_sqft100
    rent = -value.month_figures["rent"]
    compare("sales a square foot", value.floor.sales_cents, by_area(value.net_cents, area))
    compare("rent a square foot", value.floor.rent_cents, by_area(max(0, rent), area))


def by_area(amount_cents: int, area_sqft100: int) -> int:
    """Cents a square foot."""
    return round_half_up(Fraction(amount_cents * 100, area_sqft100))

"""The demo's days of selling: the same from the same seed, with the seasons of the trade and what re-laid booths did."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from statistics import mean

import pytest

from coop.cli.demo_coop import MALLS, DemoMall, Months, dealers
from coop.cli.demo_sales import DRIPPED, RESETS, Desk, is_shut
from coop.core.periods import Month
from coop.sales.domain import TicketIn

MONTHS = Months(Month(2025, 11), Month(2026, 11))
FERRY, DAIRY = MALLS


def desk_of(mall: DemoMall, seed: int, spans: dict[int, tuple[date, date]] | None = None) -> Desk:
    return Desk(mall, MONTHS, seed, [d for d in dealers(seed) if d.number in mall.dealers], spans or {})


def sold(desk: Desk, first: date, last: date) -> Iterator[TicketIn]:
    """Tickets of some days; a dealer's id is her number."""
    people = {dealer.number: dealer.number for dealer in desk.dealers}
    while first <= last:
        yield from desk.sold_on(first, people)
        first += timedelta(days=1)


def net(tickets: Iterator[TicketIn]) -> int:
    return sum(line.price_cents for ticket in tickets for line in ticket.lines)


def test_the_same_seed_sells_the_same_and_a_later_day_changes_nothing_of_the_earlier() -> None:
    first, last = date(2026, 2, 1), date(2026, 2, 14)
    shorter = list(sold(desk_of(DAIRY, 1), first, last))
    longer = list(sold(desk_of(DAIRY, 1), first, last + timedelta(days=3)))
    assert longer[: len(shorter)] == shorter
    assert list(sold(desk_of(DAIRY, 2), first, last)) != shorter
    assert len({ticket.key for ticket in longer}) == len(longer)


def test_december_is_high_february_low_and_a_fair_fills_the_mall() -> None:
    desk = desk_of(FERRY, 1)
    whole = [net(sold(desk, month.first_day, month.last_day)) for month in (Month(2025, 12), Month(2026, 2), Month(2026, 4))]
    december, february, april = whole
    assert december > 1.3 * april
    assert february < 0.85 * april
    fair, week_after = date(2026, 5, 9), date(2026, 5, 16)
    day = timedelta(days=1)
    rung = [len(list(sold(desk_of(FERRY, 1), saturday, saturday + day))) for saturday in (fair, week_after)]
    assert rung[0] > 1.25 * rung[1]


@pytest.mark.parametrize("day", [date(2026, 4, 6), date(2025, 12, 25), date(2026, 1, 1), date(2025, 11, 27)])
def test_the_mall_is_shut_on_mondays_and_holidays(day: date) -> None:
    assert is_shut(day)
    assert list(sold(desk_of(FERRY, 1), day, day)) == []
    assert not is_shut(day + timedelta(days=1))


def test_what_is_brought_back_was_sold_and_nobody_sells_outside_of_her_days() -> None:
    spans = {36: (date(2026, 3, 10), date(2026, 3, 20))}
    tickets = list(sold(desk_of(DAIRY, 1, spans), date(2026, 3, 1), date(2026, 4, 10)))
    sales = {ticket.buyer_key: ticket for ticket in tickets if ticket.kind == "sale" and ticket.buyer_key}
    returns = [ticket for ticket in tickets if ticket.kind == "return"]
    assert len(returns) > 5
    for back in returns:
        sale = sales[back.buyer_key]
        assert back.sold_at > sale.sold_at
        assert back.lines[0].price_cents == -sale.lines[0].price_cents
        assert back.lines[0].tag == sale.lines[0].tag
    days = [ticket.sold_at.date() for ticket in tickets for line in ticket.lines if line.dealer_id == 36]
    assert date(2026, 3, 10) <= min(days)
    assert max(days) <= date(2026, 3, 21)  # the evening of the 20th, in UTC


def test_unclaimed_lines_bear_no_tag_and_the_demo_knows_whose_they_were() -> None:
    desk = desk_of(FERRY, 1)
    tickets = list(sold(desk, date(2026, 3, 1), date(2026, 4, 30)))
    unclaimed = {(ticket.key, line.position): line for ticket in tickets for line in ticket.lines if line.dealer_id is None}
    assert 5 < len(unclaimed) < 40
    assert {line.tag for line in unclaimed.values()} == {""}
    assert unclaimed.keys() == desk.whose.keys()


def test_each_change_is_seen_in_its_dealers_sales_from_its_day_on() -> None:
    """Many seeds together, for one alone is as uncertain as a year of a booth is; items, not dollars, for few items are dear."""
    seen: dict[int, list[float]] = {change.dealer: [] for change in (*RESETS, DRIPPED)}
    span = timedelta(days=28)
    for seed in range(4):
        for change in (*RESETS, DRIPPED):
            day = change.day_in(MONTHS)
            before, after = (_share(desk_of(FERRY, seed), change.dealer, first) for first in (day - span, day))
            seen[change.dealer].append(after / before)
    told = {change.dealer: mean(seen[change.dealer]) * 100 for change in (*RESETS, DRIPPED)}
    for change in (*RESETS, DRIPPED):
        assert told[change.dealer] == pytest.approx(change.percent, rel=0.22, abs=6), told


def _share(desk: Desk, dealer: int, first: date) -> float:
    """A dealer's part of all items sold in four weeks."""
    lines = [line.dealer_id for ticket in sold(desk, first, first + timedelta(days=27)) for line in ticket.lines]
    return lines.count(dealer) / len(lines)


def test_a_demo_of_few_months_has_its_changes_from_its_first_day() -> None:
    short = Months(Month(2026, 10), Month(2026, 11))
    assert {change.day_in(short) for change in RESETS} == {date(2026, 10, 1)}
    assert [change.day_in(MONTHS) for change in RESETS] == [
        date(2026, 5, 14),
        date(2026, 6, 6),
        date(2026, 7, 11),
        date(2026, 5, 21),
    ]


def test_months_are_told_from_the_running_one() -> None:
    assert (MONTHS.closed[0], MONTHS.closed[-1], len(MONTHS.closed)) == (Month(2025, 11), Month(2026, 10), 12)
    assert [MONTHS.back(n) for n in (0, 1, 12, 13)] == [Month(2026, 11), Month(2026, 10), Month(2025, 11), Month(2025, 11)]

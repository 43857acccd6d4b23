"""Days of selling at the demo's malls: the seasons of the trade, and what re-laying a booth did to its dealer's sales."""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

from coop.cli.demo_coop import WARES, DemoDealer, DemoMall, Months, at
from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.sales.domain import LineIn, TenderIn, TicketIn

_SEASON = {1: 0.7, 2: 0.72, 3: 0.9, 5: 1.05, 7: 0.95, 8: 0.95, 9: 1.05, 10: 1.1, 11: 1.2, 12: 1.6}
"""How much is sold in a month, against one that is neither busy nor quiet."""
_FAIRS = ((5, 2), (9, 3))
"""Months and which of their weekends the antiques fair is in town."""
_FAIR, _WEEKEND = 2.6, 1.7
_RETURNED_PERCENT = 3
_UNCLAIMED_PERCENT = Decimal("0.5")


@dataclass(frozen=True)
class Change:
    """From a day on a dealer sells so many percent of what she sold before, when all else is the same."""

    dealer: int
    months_back: int
    """The month of it, told from the running one."""
    day: int
    percent: int
    words: str

    def day_in(self, months: Months) -> date:
        """The day of it; the first day of a demo that does not go back so far."""
        month = months.back(self.months_back)
        there = len(months.closed) >= self.months_back
        return month.first_day.replace(day=self.day) if there else months.first.first_day


RESETS = (
    Change(7, 6, 14, 160, "sells far more since"),
    Change(16, 5, 6, 108, "sells a little more, no more than chance makes from month to month"),
    Change(22, 4, 11, 100, "sells as before"),
    Change(26, 6, 21, 65, "sells less since"),
)
"""Booths re-laid during the year, and what that did to sales. Of one of them the sets are laid out too (`demo_resets`)."""
DRIPPED = Change(28, 3, 9, 6, "the roof drips into the booth")
"""Why one dealer owes rent."""


@dataclass
class Desk:
    """A mall's desk through the year: what is rung up on each day, told from the seed, the mall and the day alone."""

    mall: DemoMall
    months: Months
    seed: int
    dealers: Sequence[DemoDealer]
    spans: Mapping[int, tuple[date, date]]
    """A dealer's first and last day of selling, by number, where they are not the whole year."""

    def __post_init__(self) -> None:
        self._tagged: Counter[tuple[int, Month]] = Counter()
        self._number: Counter[Month] = Counter()
        self._to_come: dict[date, list[TicketIn]] = defaultdict(list)
        self._changes = [(change, change.day_in(self.months)) for change in (*RESETS, DRIPPED)]
        self.whose: dict[tuple[str, int], DemoDealer] = {}
        """Whose a line is that was sold without a readable tag, by the ticket's key and position."""

    def sold_on(self, day: date, people: Mapping[int, int]) -> Iterator[TicketIn]:
        """A day's tickets in order of time, and what is brought back on it. `people` has the dealers' ids by their numbers."""
        here = [dealer for dealer in self.dealers if dealer.number in people and self.sells(dealer, day)]
        if is_shut(day) or not here:
            return
        chance = random.Random(f"{self.seed}:{self.mall.code}:{day}")
        pulls = [dealer.pull * self._level(dealer, day) for dealer in here]
        rung = _Rung(self, chance, day, here, pulls, people)
        count = round(chance.uniform(1.2, 2.0) * len(self.dealers) / 2.7 * _busy(day))
        for minutes in sorted(chance.randrange(0, 450) for _ in range(count)):
            yield rung.checkout(at(day, 10) + timedelta(minutes=minutes))
        for back in self._to_come.pop(day, ()):
            yield replace(back, sold_at=at(day, 17, 20))

    def sells(self, dealer: DemoDealer, day: date) -> bool:
        """Whether a dealer's things are in the mall."""
        first, last = self.spans.get(dealer.number, (date.min, date.max))
        return first <= day <= last

    def _level(self, dealer: DemoDealer, day: date) -> float:
        level = 1.0
        for change, since in self._changes:
            if change.dealer == dealer.number and day >= since:
                level *= change.percent / 100
        return level

    def next_number(self, day: date) -> str:
        """The number of a day's next ticket."""
        month = Month.of(day)
        self._number[month] += 1
        return f"{self.mall.code[0]}{month.year % 100:02d}{month.month:02d}-{self._number[month]:04d}"

    def next_tag(self, dealer: DemoDealer, day: date) -> str:
        """The tag of a dealer's next item."""
        key = (dealer.number, Month.of(day))
        self._tagged[key] += 1
        return f"{dealer.code}-{self.mall.code[0]}{day.month:02d}{self._tagged[key]:03d}"

    def comes_back(self, ticket: TicketIn, dealer: DemoDealer, day: date) -> None:
        """The first item of a ticket is brought back on a day, or the next the mall is open and its dealer still there."""
        while is_shut(day):
            day += timedelta(days=1)
        if not self.sells(dealer, day):
            return
        sold = ticket.lines[0]
        line = replace(sold, quantity=-1, tag_cents=-sold.tag_cents, discount_cents=-sold.discount_cents)
        key, number = f"{ticket.key}/R", f"{ticket.number}R"
        self._to_come[day].append(replace(ticket, key=key, number=number, kind="return", lines=(line,)))


@dataclass
class _Rung:
    """A day at the desk."""

    desk: Desk
    chance: random.Random
    day: date
    here: list[DemoDealer]
    pulls: list[float]
    people: Mapping[int, int]

    def checkout(self, sold_at: datetime) -> TicketIn:
        chance, desk = self.chance, self.desk
        dealers = chance.choices(self.here, self.pulls, k=chance.choice((1, 1, 1, 2, 2, 3, 4)))
        number = desk.next_number(self.day)
        key = f"{desk.mall.code}/desk/{number}"
        lines = tuple(self.line(dealer, key, position) for position, dealer in enumerate(dealers, 1))
        tender = TenderIn(chance.choices(("card", "cash", "check"), (6, 3, 1))[0])
        comes_back = chance.randrange(100) < _RETURNED_PERCENT
        days = chance.randrange(1, 10)
        buyer = key if comes_back else ""
        ticket = TicketIn(key, number, f"{desk.mall.code}/desk", "sale", sold_at, lines, (tender,), buyer_key=buyer)
        if comes_back and lines[0].dealer_id is not None and lines[0].quantity == 1:
            desk.comes_back(ticket, dealers[0], self.day + timedelta(days=days))
        return ticket

    def line(self, dealer: DemoDealer, key: str, position: int) -> LineIn:
        chance = self.chance
        words, (low, high) = WARES[dealer.wares]
        dollars = low + (high - low) * chance.randrange(100) * chance.randrange(100) // 10000
        unit = dollars + chance.choice((Decimal(0), Decimal("0.50"), Decimal("0.95")))
        quantity = chance.choice((1, 1, 1, 1, 1, 2)) if unit < 20 else 1
        cents = round_half_up(unit * quantity * 100)
        discount, reason, authority = 0, "", ""
        if self._on_sale(dealer):
            discount, reason, authority = round_half_up(Decimal(cents) / 5), "booth", f"20% off, by {dealer.code}"
        elif unit > 20 and chance.random() < 0.25:
            discount, reason, authority = round_half_up(Decimal(cents) / 10), "standing", "10% over $20, on request"
        tag = self.desk.next_tag(dealer, self.day)
        unclaimed = chance.random() * 100 < _UNCLAIMED_PERCENT
        if unclaimed:
            self.desk.whose[key, position] = dealer
        return LineIn(
            position=position,
            dealer_id=None if unclaimed else self.people[dealer.number],
            tag="" if unclaimed else tag,
            description=chance.choice(words),
            quantity=quantity,
            unit_price=unit,
            tag_cents=cents,
            discount_cents=discount,
            discount_reason=reason,
            discount_authority=authority,
        )

    def _on_sale(self, dealer: DemoDealer) -> bool:
        """A dealer's own sale: ten days in one month of each quarter, hers by her number."""
        return self.day.month % 3 == dealer.number % 3 and dealer.number % 4 != 1 and 10 <= self.day.day < 20


def is_shut(day: date) -> bool:
    """Mondays, Christmas Day, New Year's Day, Thanksgiving."""
    thanksgiving = day.month == 11 and day.weekday() == 3 and 22 <= day.day <= 28
    return day.weekday() == 0 or (day.month, day.day) in ((12, 25), (1, 1)) or thanksgiving


def _busy(day: date) -> float:
    season = _SEASON.get(day.month, 1.0)
    if day.weekday() < 5:
        return season
    saturday = day - timedelta(days=day.weekday() - 5)
    fair = (saturday.month, (saturday.day + 6) // 7) in _FAIRS
    return season * (_FAIR if fair else _WEEKEND)

"""Which line of the bank is which entry of the books: proposals over values, each with its reason in a sentence.

Surest first: amount and reference; an amount only one entry and one line have within some days; a sum of entries; a batch of
cards, which is some days' card sales less a fee; two lines of the bank that cancel each other. What fits twice is never chosen:
the sentence names two it fits, and a person decides.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import combinations
from typing import Protocol

from coop.core.money import format_cents, format_dollars, round_half_up
from coop.core.periods import shown_day, shown_days

DAYS_OUT = 180
"""A check may be cashed so long after it was written. Common practice, no source: banks need not pay an older one."""
DAYS_IN = 10
"""A deposit reaches the bank within so many days."""
DAYS_AHEAD = 5
"""An entry may be dated so many days after the bank's line: the books were later."""
MOST_TOGETHER = 6
"""Entries in a sum that is searched for; those of one day and kind are always tried together, however many."""
MOST_SEARCHED = 12
MOST_CARD_DAYS = 5
CARD_LAG_DAYS = 6
"""Days of card sales in one batch, and days from the last of them to the bank: a long weekend. Common practice, no source."""
MOST_FEE_PERCENT = 5
"""Of a card batch's gross. Common practice, no source: card processing costs some 1.5 to 4 percent."""
CANCEL_DAYS = 14
"""Within so many days a bank takes back what it posted wrongly. Common practice, no source."""


@dataclass(frozen=True)
class OpenLine:
    """What of a bank line is not matched yet."""

    id: int
    on: date
    cents: int
    reference: str
    words: str

    @property
    def check(self) -> str:
        """The check's number, of a line that is a check paid."""
        plain_number = self.reference.lstrip("0")
        return plain_number if self.cents < 0 and plain_number.isdigit() and len(plain_number) <= 8 else ""


@dataclass(frozen=True)
class OpenItem:
    """What of an entry's bank posting (or of an outstanding item from paper) the bank has not shown yet."""

    entry_id: int
    item_id: int | None
    on: date
    cents: int
    kind: str
    label: str
    """As a person knows it: `Payout 1042`."""
    references: frozenset[str] = frozenset()

    @property
    def key(self) -> str:
        return f"{self.entry_id}" if self.item_id is None else f"{self.entry_id}.{self.item_id}"

    @property
    def said(self) -> str:
        return f"“{self.label}” of {shown_day(self.on)}"

    @property
    def checks(self) -> frozenset[str]:
        """What may be its check's number: the one its label calls so, else every number among its references."""
        named = check_in(self.label)
        return frozenset({named} if named else (one for one in self.references if one.isdigit() and len(one) <= 8))


@dataclass(frozen=True)
class CardDay:
    """Card sales of a mall's day that no batch has brought to the bank yet, refunds taken off."""

    mall: str
    on: date
    gross_cents: int


@dataclass(frozen=True)
class CardBatch:
    mall: str
    first: date
    last: date
    gross_cents: int
    fee_cents: int

    @property
    def days(self) -> str:
        return shown_days(self.first, self.last)

    @property
    def said(self) -> str:
        return f"the card sales of {self.mall} of {self.days}, {format_dollars(self.gross_cents)}"


@dataclass(frozen=True)
class Proposal:
    """What a line may be. `kind` is sure, likely, sums, cards, cancels, ambiguous or unknown."""

    line_id: int
    kind: str
    sentence: str
    items: tuple[OpenItem, ...] = ()
    batch: CardBatch | None = None
    other_line_id: int | None = None
    """The line that cancels it."""

    @property
    def matches(self) -> bool:
        """Whether it can be taken as it stands, without an entry to be made."""
        return self.kind in ("sure", "likely", "sums")


_CHECK = re.compile(r"\bcheck 0*(\d+)\b", re.ASCII | re.IGNORECASE)
_REFERENCE = re.compile(r"[A-Za-z0-9]*\d[A-Za-z0-9]*", re.ASCII)
_DAY_OR_MONTH = re.compile(r"\b\d{4}-\d{2}(-\d{2})?\b", re.ASCII)


def check_in(label: str) -> str:
    """The number of the check an entry's label speaks of; empty where it speaks of none."""
    found = _CHECK.search(label)
    return found[1] if found else ""


def references_in(*texts: str) -> frozenset[str]:
    """What in an entry's texts may be a reference: three characters or more with a digit, no dates, no leading zeros."""
    found = set()
    for text in texts:
        for word in _REFERENCE.findall(_DAY_OR_MONTH.sub(" ", text)):
            plain = word.upper().lstrip("0")
            if len(plain) >= 3:
                found.add(plain)
    return frozenset(found)


def propose(lines: Iterable[OpenLine], items: Iterable[OpenItem], card_days: Iterable[CardDay] = ()) -> list[Proposal]:
    """A proposal for each line, in the order of their days. No entry is proposed for two lines."""
    work = _Work(sorted(lines, key=lambda line: (line.on, line.id)), list(items), sorted(card_days, key=lambda day: day.on))
    for step in (work.by_reference, work.by_check, work.by_amount, work.by_sum, work.by_cards, work.by_cancelling):
        step()
    return work.answer()


class _Work:
    """Lines and items that are still free, and what was found."""

    def __init__(self, lines: list[OpenLine], items: list[OpenItem], card_days: list[CardDay]) -> None:
        self.all_lines = lines
        self.of_check = _by_check(items)
        self.items = {item.key: item for item in items}
        self.card_days = card_days
        self.found: dict[int, Proposal] = {}
        self.contested: set[str] = set()
        """Keys of items some line may be and is not said to be."""

    @property
    def lines(self) -> list[OpenLine]:
        return [line for line in self.all_lines if line.id not in self.found]

    def answer(self) -> list[Proposal]:
        for line in self.lines:
            self.found[line.id] = Proposal(line.id, "unknown", f"Nothing in the books fits it{self._its_check(line)}.")
        return [self.found[line.id] for line in self.all_lines]

    def _its_check(self, line: OpenLine) -> str:
        """What the books have the line's check at, of a check the bank paid at another amount."""
        parts = self.of_check.get(line.check, []) if line.check else []
        if not parts:
            return ""
        return f": check {line.check} is in the books at {format_dollars(-sum(item.cents for item in parts))}"

    def take(self, line: OpenLine, kind: str, sentence: str, items: Sequence[OpenItem]) -> None:
        self.found[line.id] = Proposal(line.id, kind, sentence, tuple(items))
        for item in items:
            del self.items[item.key]

    def contest(self, line: OpenLine, sentence: str, items: Sequence[OpenItem]) -> None:
        self.found[line.id] = Proposal(line.id, "ambiguous", sentence, tuple(items))
        self.contested.update(item.key for item in items)

    # --- one line, one entry ---

    def by_reference(self) -> None:
        self._pair("sure", lambda line, item: bool(item.references & _references(line)) and abs((line.on - item.on).days) <= 400)

    def by_check(self) -> None:
        """A check of several parts, one a mall; a part may be below zero, for what was owed there."""
        of_check: dict[str, list[OpenItem]] = {}
        for item in self.items.values():
            of_check.setdefault(check_in(item.label), []).append(item)
        for line in self.lines:
            parts = of_check.get(line.check, []) if line.check else []
            if len(parts) > 1 and sum(item.cents for item in parts) == line.cents:
                self.take(line, "sure", f"It is the {len(parts)} parts of check {line.check}: {_all(parts)}.", parts)
                del of_check[line.check]

    def by_amount(self) -> None:
        self._pair("likely", lambda line, item: _near(line, item) and not _other_check(line, item))

    def _pair(self, kind: str, fits: _Fits) -> None:
        """Pairs in which neither fits anything else. The rest is told, and kept from the steps that come after."""
        by_amount: dict[int, list[OpenItem]] = {}
        for item in self.items.values():
            if item.key not in self.contested:
                by_amount.setdefault(item.cents, []).append(item)
        of_line = {line.id: [i for i in by_amount.get(line.cents, ()) if fits(line, i)] for line in self.lines}
        of_item: dict[str, list[OpenLine]] = {}
        for line in self.lines:
            for item in of_line[line.id]:
                of_item.setdefault(item.key, []).append(line)
        for line in self.lines:
            fitting = of_line[line.id]
            if len(fitting) > 1:
                self.contest(line, f"It fits two entries, {_two(fitting)}: choose by hand which of them it is.", fitting)
            elif fitting and len(of_item[fitting[0].key]) > 1:
                days = " and ".join(shown_day(one.on) for one in of_item[fitting[0].key][:2])
                said = f"Two lines of the bank, of {days}, fit {fitting[0].said}: choose by hand which of them it is."
                self.contest(line, said, fitting)
            elif fitting:
                why = "the amount and the reference are the same" if kind == "sure" else "no other entry has this amount"
                self.take(line, kind, f"It is {fitting[0].said}: {why}.", fitting)

    # --- one line, several entries ---

    def by_sum(self) -> None:
        for line in self.lines:
            near = [item for item in self.items.values() if item.key not in self.contested and _near(line, item)]
            sums = list(_sums(line.cents, near))
            if len(sums) > 1:
                said = f"It is a sum in two ways, {_all(sums[0])}, or {_all(sums[1])}: choose by hand."
                self.contest(line, said, [*sums[0], *sums[1]])
            elif sums:
                count = len(sums[0])
                said = f"It is {count} entries together: {_all(sums[0])}." if count <= MOST_TOGETHER else _many_said(sums[0])
                self.take(line, "sums", said, sums[0])

    def by_cards(self) -> None:
        for line in self.lines:
            batches = self._batches(line) if line.cents > 0 else []
            if len(batches) > 1:
                said = f"It may be {batches[0].said}, or {batches[1].said}: choose by hand."
                self.found[line.id] = Proposal(line.id, "ambiguous", said)
            elif batches:
                batch = batches[0]
                fee = Fraction(batch.fee_cents * 100, batch.gross_cents)
                cost = (
                    f"less a fee of {format_dollars(batch.fee_cents)} ({_percent(fee)}%)" if batch.fee_cents else "without a fee"
                )
                self.found[line.id] = Proposal(line.id, "cards", f"It is {batch.said}, {cost}.", batch=batch)
                self.card_days = [
                    day for day in self.card_days if day.mall != batch.mall or not batch.first <= day.on <= batch.last
                ]

    def _batches(self, line: OpenLine) -> list[CardBatch]:
        """Spans of days it may be: the exact gross, else those that begin with a mall's first open day, else any that fits."""
        fitting: list[tuple[bool, CardBatch]] = []
        for mall in dict.fromkeys(day.mall for day in self.card_days):
            days = [day for day in self.card_days if day.mall == mall]
            for start, end in _spans(len(days)):
                span = days[start:end]
                lag = (line.on - span[-1].on).days
                gross = sum(day.gross_cents for day in span)
                fee = gross - line.cents
                if 0 <= lag <= CARD_LAG_DAYS and gross > 0 and fee >= 0 and fee * 100 <= gross * MOST_FEE_PERCENT:
                    fitting.append((start == 0, CardBatch(mall, span[0].on, span[-1].on, gross, fee)))
        exact = [batch for _, batch in fitting if not batch.fee_cents]
        first = [batch for is_first, batch in fitting if is_first]
        return exact or first or [batch for _, batch in fitting]

    # --- one line against another ---

    def by_cancelling(self) -> None:
        free = self.lines
        for line in free:
            if line.id in self.found:
                continue
            others = [
                other
                for other in free
                if other.id not in self.found and other.cents == -line.cents and abs((other.on - line.on).days) <= CANCEL_DAYS
            ]
            if len(others) == 1 and sum(one.cents == line.cents for one in free if one.id not in self.found) == 1:
                for one, other in ((line, others[0]), (others[0], line)):
                    said = f"The bank took it back: the line of {shown_day(other.on)} has the opposite amount."
                    self.found[one.id] = Proposal(one.id, "cancels", said, other_line_id=other.id)


def _by_check(items: Iterable[OpenItem]) -> dict[str, list[OpenItem]]:
    """Items by the number of the check they are of, or are a part of."""
    found: dict[str, list[OpenItem]] = {}
    for item in items:
        for number in item.checks if item.cents < 0 or check_in(item.label) else ():
            found.setdefault(number, []).append(item)
    return found


class _Fits(Protocol):
    def __call__(self, line: OpenLine, item: OpenItem, /) -> bool: ...


def _references(line: OpenLine) -> frozenset[str]:
    return references_in(line.reference, line.words)


def _near(line: OpenLine, item: OpenItem) -> bool:
    back = timedelta(DAYS_IN if line.cents > 0 else DAYS_OUT)
    return line.on - back <= item.on <= line.on + timedelta(DAYS_AHEAD)


def _other_check(line: OpenLine, item: OpenItem) -> bool:
    """Whether the bank paid a check of another number."""
    return bool(line.check and item.checks and line.check not in item.checks)


def _sums(cents: int, near: Sequence[OpenItem]) -> Iterator[tuple[OpenItem, ...]]:
    """Up to two different sets of items that add up: all that belong together first, then few of the nearest.

    Together belong the entries of one kind and day, and those whose label begins alike: `Payout, run 3, bank transfer`. Some of
    them may be of the other direction, for what was taken off. Of many checks some always add up to anything: money out is
    searched for among the entries of a kind and day only.
    """
    days: dict[object, list[OpenItem]] = {}
    labels: dict[object, list[OpenItem]] = {}
    for item in near:
        days.setdefault((item.kind, item.on), []).append(item)
        labels.setdefault((item.kind, item.label.partition(":")[0]), []).append(item)
    given: list[frozenset[str]] = []
    for group in (*labels.values(), *days.values()):
        keys = frozenset(item.key for item in group)
        if len(group) > 1 and sum(item.cents for item in group) == cents and keys not in given:
            given.append(keys)
            yield tuple(group)
    same_way = [item for item in near if (item.cents > 0) == (cents > 0)]
    if cents > 0:
        pools = [sorted(same_way, key=lambda item: item.on)[-MOST_SEARCHED:]]
    else:
        pools = [[item for item in same_way if (item.kind, item.on) == day] for day in days]
    for pool in pools:
        for size in range(2, min(MOST_TOGETHER, len(pool)) + 1) if len(pool) <= MOST_SEARCHED else ():
            for some in combinations(pool, size):
                if sum(item.cents for item in some) == cents and frozenset(item.key for item in some) not in given:
                    given.append(frozenset(item.key for item in some))
                    yield some
                    if len(given) > 1:
                        return


def _spans(count: int) -> Iterator[tuple[int, int]]:
    for start in range(count):
        for end in range(start + 1, min(start + MOST_CARD_DAYS, count) + 1):
            yield start, end


def _percent(value: Fraction) -> str:
    """With two decimals."""
    return format_cents(round_half_up(value * 100))


def _two(items: Sequence[OpenItem]) -> str:
    return f"{items[0].said} and {items[1].said}"


def _all(items: Sequence[OpenItem]) -> str:
    shown = [f"{item.said} ({format_dollars(item.cents)})" for item in items[:MOST_TOGETHER]]
    return " with ".join(shown)


def _many_said(items: Sequence[OpenItem]) -> str:
    stems = {item.label.partition(":")[0] for item in items}
    what = f"“{stems.pop()}”" if len(stems) == 1 else f"the kind {items[0].kind}"
    return f"It is all {len(items)} entries of {what} of {shown_day(items[0].on)} together."


def open_card_days(days: Iterable[CardDay], brought_cents: dict[str, int]) -> list[CardDay]:
    """The days whose card sales no batch has brought yet: what came counts for the oldest first, by mall."""
    left = dict(brought_cents)
    found = []
    for day in sorted(days, key=lambda one: (one.mall, one.on)):
        came = left.get(day.mall, 0)
        used = min(came, day.gross_cents) if day.gross_cents > 0 else day.gross_cents
        left[day.mall] = came - used
        rest = day.gross_cents - used
        if rest:
            found.append(replace(day, gross_cents=rest))
    return found

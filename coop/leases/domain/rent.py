"""Rent of a space for a month from dated facts: measure x rate in force x raises x share x days, with its working.

The month is cut where any of these changes, each piece is computed exactly, and the sum is rounded once: for the space, and for
those who share it by largest remainder, so that their rents add up to the space's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from coop.core.geometry import IN16_PER_FOOT, format_length, format_sqft
from coop.core.money import Exact, exact, format_dollars, round_half_up, round_to_sum
from coop.core.periods import Month
from coop.leases.domain.escalation import Raise
from coop.leases.domain.figures import Rent, TermsError, plain, plain_percent
from coop.leases.domain.proration import ACTUAL, part_in_words, part_of_month
from coop.leases.domain.rates import DatedRate, rate_on, rates_of_zone

NO_DAYS = "no days in this month"
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Held:
    """What is held from a day through another (None: no end): so much area, so much length, or just the space at a flat price.

    A booth that grows or shrinks is held in one span before and another after.
    """

    starts_on: date
    ends_on: date | None
    area_sqft100: int | None = None
    length_in16: int | None = None


@dataclass(frozen=True)
class Share:
    """One sharer's percent of a shared space over a span; the percents of every day add up to 100."""

    who: str
    percent: Exact
    starts_on: date = date.min
    ends_on: date | None = None


@dataclass(frozen=True)
class SpaceTerms:
    """What the rent of one space is computed from, apart from the zones' rates. `name` is how errors call it: Booth 12.

    `rate_kept_from` names the day whose rate is kept for the lease's life (usually its first, when the lease has raises of
    its own); None follows the zone's rates as they change. Raises TermsError for dates that run backwards or overlap, a zero or
    negative measure, and a space without a zone.
    """

    name: str
    zone: str
    held: tuple[Held, ...]
    proration: str = ACTUAL
    raises: tuple[Raise, ...] = ()
    shares: tuple[Share, ...] = ()
    rate_kept_from: date | None = None

    def __post_init__(self) -> None:
        rates_of_zone({}, self.zone, self.name)
        for held in self.held:
            _check_forward(self.name, held.starts_on, held.ends_on)
            for value, what in ((held.area_sqft100, "area"), (held.length_in16, "width")):
                if value is not None and value <= 0:
                    raise TermsError(
                        f"The {what} of {self.name} from {held.starts_on} is {value}: measure it and write one above zero."
                    )
        for share in self.shares:
            _check_forward(f"{share.who}'s share of {self.name}", share.starts_on, share.ends_on)
            if exact(share.percent) <= 0:
                raise TermsError(f"{share.who}'s share of {self.name} is {plain_percent(share.percent)}%: write one above zero.")
        spans = sorted(self.held, key=lambda h: h.starts_on)
        for one, other in pairwise(spans):
            if one.ends_on is None or one.ends_on >= other.starts_on:
                raise TermsError(
                    f"{self.name} is held twice on {other.starts_on}: end the span from {one.starts_on} the day before."
                )


@dataclass(frozen=True)
class Piece:
    """Days of one month on which nothing changes: what a whole month of them would cost in dollars, exactly."""

    month: Month
    starts_on: date
    ends_on: date
    monthly: Fraction
    method: str
    words: str

    def dollars(self, starts_on: date | None = None, ends_on: date | None = None) -> Fraction:
        """The rent of the piece, or of those of its days that lie in a span."""
        first, last = max(self.starts_on, starts_on or date.min), min(self.ends_on, ends_on or date.max)
        return Fraction(0) if first > last else self.monthly * part_of_month(self.month, first, last, self.method)

    @property
    def working(self) -> str:
        part = part_in_words(self.month, self.starts_on, self.ends_on, self.method)
        return f"{self.words} × {part}" if part else self.words


def space_rent(month: Month, terms: SpaceTerms, rates: Mapping[str, Sequence[DatedRate]]) -> Rent:
    """The rent of a whole space for a month, rounded once. `rates` are every zone's dated rates.

    Raises NoRateError naming the first day without a rate and the zone; TermsError for a measure the rate needs and the terms
    have not.
    """
    return rent_of(space_pieces(month, terms, rates))


def shared_rents(month: Month, terms: SpaceTerms, rates: Mapping[str, Sequence[DatedRate]]) -> dict[str, Rent]:
    """Each sharer's rent of a space, adding up to `space_rent`; errors as there.

    Raises TermsError naming the day on which the shares are not 100% together.
    """
    return rents_by_share(terms, space_pieces(month, terms, rates))


def rents_by_share(terms: SpaceTerms, pieces: Sequence[Piece]) -> dict[str, Rent]:
    """Each sharer's rent of the pieces of a space's month; errors as in `shared_rents`."""
    names = list(dict.fromkeys(share.who for share in terms.shares))
    of_each = {who: sharer_pieces(terms, pieces, who) for who in names}
    if not names:
        raise TermsError(f"{terms.name} has no shares: say who shares it and by how many percent.")
    if len(names) == 1:
        return {who: rent_of(own) for who, own in of_each.items()}
    whole = rent_of(pieces)
    exactly = [sum((piece.dollars() for piece in of_each[who]), Fraction(0)) * 100 for who in names]
    rents = {}
    for who, cents, owed in zip(names, round_to_sum(exactly), exactly, strict=True):
        working = rent_of(of_each[who]).working
        if cents != round_half_up(owed):
            working += f", rounded so that the shares add up to {format_dollars(whole.amount_cents)}"
        rents[who] = Rent(cents, working)
    return rents


def sharer_pieces(terms: SpaceTerms, pieces: Iterable[Piece], who: str) -> list[Piece]:
    """One sharer's part of a space's pieces, exactly. Raises TermsError naming the day on which the shares are not 100%."""
    pieces = list(pieces)
    if _is_all_of(terms.shares, pieces, who):
        return joined_pieces(pieces)
    found = []
    for piece in pieces:
        cuts = [share.starts_on for share in terms.shares] + [s.ends_on + _DAY for s in terms.shares if s.ends_on]
        for first, last in _cut(piece.starts_on, piece.ends_on, cuts):
            there = [
                share for share in terms.shares if share.starts_on <= first and (share.ends_on is None or first <= share.ends_on)
            ]
            total = sum((exact(share.percent) for share in there), Fraction(0))
            if total != 100:
                said = f"The shares of {terms.name} on {first} add up to {plain_percent(total)}%, not 100%"
                raise TermsError(f"{said}: change them so that they do.")
            percent = sum((exact(share.percent) for share in there if share.who == who), Fraction(0))
            if percent:
                words = piece.words if percent == 100 else f"{piece.words} × {plain_percent(percent)}%"
                monthly = piece.monthly * percent / 100
                found.append(Piece(piece.month, first, last, monthly, piece.method, words))
    return joined_pieces(found)


def _is_all_of(shares: Sequence[Share], pieces: Iterable[Piece], who: str) -> bool:
    """Whether one alone holds all of it on every day, as nearly every space is held."""
    if len(shares) != 1 or shares[0].who != who or shares[0].percent != 100:
        return False
    first, last = shares[0].starts_on, shares[0].ends_on or date.max
    return all(first <= piece.starts_on and piece.ends_on <= last for piece in pieces)


def space_pieces(month: Month, terms: SpaceTerms, rates: Mapping[str, Sequence[DatedRate]]) -> list[Piece]:
    """The pieces of a month in which one measure, one rate and one raise hold; errors as in `space_rent`."""
    zone_rates = rates_of_zone(rates, terms.zone, terms.name)
    if terms.rate_kept_from is not None:
        kept = rate_on(zone_rates, terms.rate_kept_from, terms.zone)
        zone_rates = [DatedRate(kept.per, kept.price, date.min)]
    return _pieces(month, terms.name, terms.zone, terms.held, zone_rates, terms.raises, terms.proration)


def rent_of(pieces: Sequence[Piece]) -> Rent:
    """The pieces added up and rounded once, half-up."""
    if not pieces:
        return Rent(0, NO_DAYS)
    total = sum((piece.dollars() for piece in pieces), Fraction(0))
    return Rent(round_half_up(total * 100), " + ".join(piece.working for piece in pieces))


def month_rent(month: Month, *, area_sqft100: int, rates: Sequence[DatedRate], starts_on: date, ends_on: date | None) -> Rent:
    """Rent of one space of one area under one zone's rates, by actual days, rounded once; `space_rent` for every other term."""
    return rent_of(_pieces(month, "The space", "", (Held(starts_on, ends_on, area_sqft100),), rates, (), ACTUAL))


def _pieces(
    month: Month,
    name: str,
    zone: str,
    spans: Sequence[Held],
    rates: Sequence[DatedRate],
    raises: Sequence[Raise],
    method: str,
) -> list[Piece]:
    pieces = []
    cuts = [rate.starts_on for rate in rates] + [step.starts_on for step in raises]
    for held in sorted(spans, key=lambda h: h.starts_on):
        begin, end = max(month.first_day, held.starts_on), min(month.last_day, held.ends_on or month.last_day)
        for first, last in _cut(begin, end, cuts):
            rate = rate_on(rates, first, zone)
            units, words = _measured(name, held, rate)
            monthly = units * Fraction(rate.price)
            begun = [step for step in raises if step.starts_on <= first]
            if begun:
                raised = max(begun, key=lambda step: step.starts_on)
                monthly, words = monthly * raised.factor, f"{words} × {raised.words}"
            pieces.append(Piece(month, first, last, monthly, method, words))
    return joined_pieces(pieces)


def _measured(name: str, held: Held, rate: DatedRate) -> tuple[Fraction, str]:
    price = f"${plain(rate.price)} a month"
    if rate.per == "flat":
        return Fraction(1), price
    if rate.per == "sqft":
        if held.area_sqft100 is None:
            raise TermsError(f"{name} is priced by the square foot but has no area: measure it, or give its zone a flat rate.")
        return Fraction(held.area_sqft100, 100), f"{format_sqft(held.area_sqft100)} sq ft × {price}"
    if held.length_in16 is None:
        raise TermsError(f"{name} is priced by the foot but has no width: measure it, or give its zone a flat rate.")
    feet = Fraction(held.length_in16, IN16_PER_FOOT)
    return feet, f"{format_length(held.length_in16)} long × ${plain(rate.price)} a foot a month"


def _cut(first: date, last: date, cuts: Iterable[date]) -> list[tuple[date, date]]:
    """[first, last] cut before each of the days that lie within it; nothing when it is empty."""
    if first > last:
        return []
    begins = sorted({first, *(day for day in cuts if first < day <= last)})
    return list(zip(begins, [*(day - _DAY for day in begins[1:]), last], strict=True))


def joined_pieces(pieces: Sequence[Piece]) -> list[Piece]:
    """Pieces of one price that follow on each other as one, so that the working shows no cut that changed nothing."""
    joined: list[Piece] = []
    for piece in pieces:
        before = joined[-1] if joined else None
        if before and (before.monthly, before.words, before.ends_on + _DAY) == (piece.monthly, piece.words, piece.starts_on):
            joined[-1] = Piece(piece.month, before.starts_on, piece.ends_on, piece.monthly, piece.method, piece.words)
        else:
            joined.append(piece)
    return joined


def _check_forward(what: str, starts_on: date, ends_on: date | None) -> None:
    if ends_on is not None and ends_on < starts_on:
        raise TermsError(f"{what} ends on {ends_on}, before it starts on {starts_on}: turn the dates round.")

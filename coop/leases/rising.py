"""Rents that rise in the days ahead: by a zone's next rate, a raise agreed beforehand, a price agreed for later."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.leases.domain.rent import Piece
from coop.leases.models import Lease, LeaseSpace, Letter
from coop.leases.rents import RentBook

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Rise:
    """A whole month's rent of a lease the day before and from a day on, in cents, and whether its letter is written."""

    lease: Lease
    begins_on: date
    before_cents: int
    after_cents: int
    words: str
    """How the rent from that day is worked out."""
    told: bool


def rises(session: Session, mall: Mall, today: date, until: date) -> tuple[list[Rise], list[str]]:
    """Every rise of a running lease's rent after today through a day, by day; and why some could not be computed.

    What a dealer agreed to herself is none: a space that is added or grows, a share that is taken over. The number of queries
    grows with neither months nor leases.
    """
    month = Month.of(today)
    book = RentBook(session, mall, month, through=Month.of(until))
    pieces: dict[int, list[Piece]] = {}
    while month.first_day <= until:
        for lease_id, of_lease in book.pieces(month).items():
            pieces.setdefault(lease_id, []).extend(of_lease)
        month = month.next
    told = set(session.scalars(select(Letter.key).where(Letter.mall_id == mall.id, Letter.kind == "increase")))
    own = _agreed_days(book.leases[lease_id] for lease_id in pieces)
    found = []
    for lease_id, held in pieces.items():
        lease = book.leases[lease_id]
        for day in sorted({piece.starts_on for piece in held if today < piece.starts_on <= until}):
            before, after = _rent(held, day - _DAY), _rent(held, day)
            if 0 < before < after and (lease_id, day) not in own:
                words = " + ".join(piece.words for piece in held if piece.starts_on <= day <= piece.ends_on)
                key = increase_key(lease_id, day)
                found.append(Rise(lease, day, before, after, words, f"increase/{key}" in told))
    return sorted(found, key=lambda rise: (rise.begins_on, rise.lease.id)), list(dict.fromkeys(book.faults))


def increase_key(lease_id: int, begins_on: date) -> str:
    """What the key of an increase's letter says after its kind."""
    return f"lease:{lease_id}/{begins_on}"


def _rent(pieces: Sequence[Piece], on: date) -> int:
    whole = sum((piece.monthly for piece in pieces if piece.starts_on <= on <= piece.ends_on), Fraction(0))
    return round_half_up(whole * 100)


def _agreed_days(leases: Iterable[Lease]) -> set[tuple[int, date]]:
    """Lease and day of each span that is more than the one before it at another price: its sharers agreed to it."""
    days: set[tuple[int, date]] = set()
    for lease in leases:
        ended = {(span.space_id, span.ends_on): span for span in lease.spaces}
        for span in lease.spaces:
            before = ended.get((span.space_id, span.starts_on - _DAY))
            if before is None or _what(before) != _what(span):
                days |= {(payer, span.starts_on) for payer in (lease.id, *(share.lease_id for share in span.shares))}
    return days


def _what(span: LeaseSpace) -> tuple[object, ...]:
    shares = sorted((share.lease_id, share.share_percent) for share in span.shares)
    return span.leased_area_sqft100, span.leased_length_in16, shares

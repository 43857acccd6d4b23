"""What the pieces of a set are to cost once it stands: repriced in one go, each a tag to write."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import format_cents, round_half_up
from coop.resets.models import BoothSet, PieceRow, SetPrice
from coop.resets.pieces import BOUND_WORDS
from coop.resets.reading import bound_by_sales, set_rows
from coop.resets.sets import hold_set, log_change

DOLLAR = 100
MOST_CENTS = 1_000_000 * DOLLAR


@dataclass(frozen=True)
class PriceRow:
    """A piece of a set, what it costs, and what it is to cost; `then_cents` None: as now."""

    piece: PieceRow
    then_cents: int | None
    bound: str
    """Why its tag stays: sold, held, layaway; empty where it may be repriced."""

    @property
    def now_cents(self) -> int | None:
        return self.piece.price_cents

    @property
    def is_to_write(self) -> bool:
        return self.then_cents is not None and self.then_cents != self.now_cents and not self.bound

    @property
    def bound_words(self) -> str:
        return BOUND_WORDS[self.bound]


def prices_of(session: Session, row: BoothSet) -> list[PriceRow]:
    """The pieces of a set by name, with their prices."""
    pieces = [piece for _, piece in set_rows(session, row.id)]
    bound = bound_by_sales(session, pieces)
    then = {one.piece_id: one.price_cents for one in session.scalars(select(SetPrice).where(SetPrice.set_id == row.id))}
    made = [PriceRow(piece, then.get(piece.id), bound.get(piece.id, "") or piece.bound) for piece in pieces]
    return sorted(made, key=lambda one: (one.piece.name_key, one.piece.id))


def by_percent(cents: int, percent: Decimal) -> int:
    """A price so many percent higher or lower, to the whole dollar, a half up; a dollar at least."""
    dollars = cents * (100 + Fraction(percent)) * Fraction(1, 100 * DOLLAR)
    return max(round_half_up(dollars), 1) * DOLLAR


def price_set(
    session: Session, now: datetime, row: BoothSet, wanted: Mapping[int, int | None], *, version: int, user_id: int | None = None
) -> int:
    """Keep what pieces are to cost once the set stands, by id; None: as now. How many tags there are to write.

    Refuses a price of nothing, a piece that is not of the set, and another price for what is sold, held or on layaway. What is
    to cost what it costs is not kept. A piece that is not named stays as it was.
    """
    hold_set(session, row, version)
    rows = {one.piece.id: one for one in prices_of(session, row)}
    for piece_id, cents in wanted.items():
        one = rows.get(piece_id)
        if one is None:
            raise Refusal(f"A piece that is priced is not in {row.name} any more: open its prices again.")
        if cents is None or cents == one.now_cents:
            continue
        if one.bound:
            raise Refusal(f"{one.piece.name} is {one.bound_words}: its tag stays as it is.")
        if not 0 < cents <= MOST_CENTS:
            raise Refusal(f"{one.piece.name} is to cost ${format_cents(cents)}: write more than nothing, and at most a million.")
    session.execute(delete(SetPrice).where(SetPrice.set_id == row.id, SetPrice.piece_id.in_(wanted)))
    kept = {one: cents for one, cents in wanted.items() if cents is not None and cents != rows[one].now_cents}
    for piece_id, cents in kept.items():
        session.add(SetPrice(set_id=row.id, piece_id=piece_id, price_cents=cents))
    session.flush()
    left = sum(one.is_to_write for one in prices_of(session, row))
    log_change(session, now, row, "set priced", user_id, detail=f"{left} {'tag' if left == 1 else 'tags'} to write")
    return left

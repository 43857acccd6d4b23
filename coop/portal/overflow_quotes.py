"""What floor for some pieces would cost, by how they can stand, and what their dealer has of the limits on the days asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta

from sqlalchemy.orm import Session

from coop.core.geometry import format_length
from coop.core.money import format_dollars
from coop.core.periods import shown_day, shown_days
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.asking import PieceAsked, held_codes
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.fees import expected_fee
from coop.overflow.domain.fitting import Stand, cautions, may_stand
from coop.overflow.domain.taking import most_at_once
from coop.overflow.judging import taken_of
from coop.overflow.models import OverflowPiece
from coop.overflow.reading import bay_of, bays_on, piece_of, standing_between
from coop.overflow.rules import OverflowRules

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Ground:
    """Where a dealer's pieces could stand: the bays that are lent, or the one wished for; the spaces held, by code."""

    bays: Sequence[Bay] = ()
    held: frozenset[str] = frozenset()

    def lengths(self, row: OverflowPiece, rules: OverflowRules) -> tuple[int, int]:
        """The least and the greatest length a piece takes of a bay that it may stand in; its width where it may in none."""
        piece = piece_of(row)
        stands = (may_stand(piece, bay, rules.pieces, holds_before=bay.before in self.held) for bay in self.bays)
        found = {stand.length_in16 for stand in stands if isinstance(stand, Stand)} or {row.width_in16}
        return min(found), max(found)


def ground_of(session: Session, mall: Mall, dealer: Dealer | None, day: date, bay_code: str = "") -> Ground:
    """As it is on a day. `bay_code`: the bay wished for; empty for any."""
    bays = [bay_of(row) for row in bays_on(session, mall.id, day) if row.is_lent]
    wished = [bay for bay in bays if bay.code == bay_code]
    held = held_codes(session, dealer.id, mall.id, day) if dealer else ()
    return Ground(wished or bays, frozenset(held))


# --- what it would cost -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PieceReckoned:
    name: str
    least_in16: int
    """How much of a bay it takes, without the gap beside it, where that is least."""
    cents: int
    most_cents: int
    """As it stands in the bay in which it takes most."""
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Reckoned:
    """What floor for some pieces and weeks would cost by rules, and the cautions of each piece."""

    weeks: int
    pieces: tuple[PieceReckoned, ...]

    @property
    def cents(self) -> int:
        return sum(one.cents for one in self.pieces)

    @property
    def most_cents(self) -> int:
        return sum(one.most_cents for one in self.pieces)

    @property
    def words(self) -> str:
        """`$42.00`, or `from $30.00 to $42.00` where that depends on the bay."""
        if self.cents == self.most_cents:
            return format_dollars(self.cents)
        return f"from {format_dollars(self.cents)} to {format_dollars(self.most_cents)}"


def reckon(rules: OverflowRules, pieces: Iterable[PieceAsked | OverflowPiece], weeks: int, ground: Ground) -> Reckoned:
    """By how much of a bay each piece takes as it can stand there. A piece without its sizes is left out."""
    rows = [one if isinstance(one, OverflowPiece) else OverflowPiece(**asdict(one) | {"id": 0}) for one in pieces]
    return Reckoned(
        weeks,
        tuple(_reckoned(rules, row, weeks, ground) for row in rows if min(row.width_in16, row.depth_in16, row.height_in16) > 0),
    )


def _reckoned(rules: OverflowRules, row: OverflowPiece, weeks: int, ground: Ground) -> PieceReckoned:
    least, most = ground.lengths(row, rules)
    cents, most_cents = (expected_fee(rules.fee, length, weeks) for length in (least, most))
    return PieceReckoned(row.name, least, cents, most_cents, cautions(piece_of(row), rules.pieces))


# --- what is had of the limits ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class HadThen:
    """How much floor a dealer has at most on any of the days asked for, and would have with all that is asked."""

    days: tuple[date, date]
    until: date
    """The last day of what is had."""
    had: tuple[int, int]
    """Length, the gaps beside pieces counted, and pieces."""
    would: tuple[int, int]
    rules: OverflowRules

    @property
    def is_too_much(self) -> bool:
        limits = self.rules.most_in16, self.rules.most_pieces
        return any(most is not None and has > most for has, most in zip(self.would, limits, strict=True))

    @property
    def words(self) -> str:
        had, would = (f"{format_length(length)} with {_pieces(count)}" for length, count in (self.had, self.would))
        said = f"On {shown_days(*self.days)} you have {had} in the aisles already, until {shown_day(self.until)}"
        limit = limit_words(self.rules)
        if not self.is_too_much:
            return f"{said}; with all of this it would be {would}{limit and f', of {limit} at a time'}."
        return (
            f"{said}: with all of this it would be {would}, and a dealer has at most {limit} at a time. So not all of it can "
            "stand there with what you have: it waits, or begins when that has gone."
        )


def _pieces(count: int) -> str:
    return "one piece" if count == 1 else f"{count} pieces"


def had_then(
    session: Session, mall: Mall, dealer: Dealer, rules: OverflowRules, first: date, reckoned: Reckoned
) -> HadThen | None:
    """What a dealer has on the days that floor is asked for, if it begins on the first; None for nothing."""
    days = first, first + timedelta(weeks=max(1, reckoned.weeks)) - _DAY
    own = [one for one in standing_between(session, mall.id, *days) if one.dealer.id == dealer.id]
    if not own:
        return None
    length, pieces = most_at_once([taken_of(one, rules) for one in own], *days)
    more = sum(one.least_in16 + rules.gap_in16 for one in reckoned.pieces)
    would = length + more, pieces + len(reckoned.pieces)
    return HadThen(days, max(one.stay.ends_on for one in own), (length, pieces), would, rules)


def limit_words(rules: OverflowRules) -> str:
    """`8' 0" along the bays and 4 pieces`; empty where there is no limit."""
    length = f"{format_length(rules.most_in16)} along the bays" if rules.most_in16 is not None else ""
    pieces = f"{rules.most_pieces} {'piece' if rules.most_pieces == 1 else 'pieces'}" if rules.most_pieces is not None else ""
    return " and ".join(filter(None, (length, pieces)))

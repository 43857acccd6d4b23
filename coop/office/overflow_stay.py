"""A piece that has floor, as its page in the office shows it: its place, its days, what it costs, where else it may stand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.geometry import format_length
from coop.core.periods import shown_days
from coop.floor.models import Mall
from coop.office.floor_forms import natural
from coop.office.overflow_list import behind_words
from coop.overflow.asking import held_codes
from coop.overflow.charging import charged_so_far, expected
from coop.overflow.domain.fitting import Stand, cautions, may_stand, nowhere
from coop.overflow.domain.taking import first_free
from coop.overflow.judging import stand_of, taken_of
from coop.overflow.models import BayRow, WalkMark
from coop.overflow.queries import STAY, last_walk, marks_of, must_move, overdue_sold
from coop.overflow.reading import Standing, bay_of, bays_on, piece_of, standing_between
from coop.overflow.rules import OverflowRules, rules_on
from coop.overflow.staying import is_longer


@dataclass(frozen=True)
class StayPage:
    standing: Standing
    today: date
    rules: OverflowRules
    charged_cents: int
    costs_cents: int
    cautions: tuple[str, ...]
    must_move: str
    """Why it may not stand there any more."""
    mark: WalkMark | None
    """How the mall's last walk found it."""
    is_overdue: bool
    """It is sold and was not fetched in time."""
    log: Sequence[AuditLog]
    """What was done to it, the last first."""

    @property
    def stands(self) -> bool:
        """Today, or on a day to come."""
        stay = self.standing.stay
        return stay.state == "stands" and stay.ends_on >= self.today and not self.is_gone

    @property
    def is_gone(self) -> bool:
        """Somebody said that it was taken away today or before."""
        return self.standing.stay.is_gone(self.today)

    @property
    def has_begun(self) -> bool:
        return self.standing.stay.starts_on < self.today or self.standing.stay.moved_in_on is not None

    @property
    def may_stay_after_all(self) -> bool:
        """Somebody said that it is gone; what was asked back is kept by taking that back."""
        stay = self.standing.stay
        return stay.state == "stands" and stay.recalled_at is None and stay.gone_said_at is not None

    @property
    def may_stay_longer(self) -> bool:
        return self.standing.stay.recalled_at is None and (self.stands or self.is_overdue)

    @property
    def was_lengthened(self) -> bool:
        """And that may be undone."""
        return self.stands and self.may_stay_longer and is_longer(self.standing.stay, self.today)

    @property
    def days(self) -> str:
        return shown_days(self.standing.stay.starts_on, self.standing.stay.ends_on)


def stay_page_of(session: Session, mall: Mall, one: Standing, today: date) -> StayPage:
    rules = rules_on(session, mall.id, max(today, one.stay.starts_on))
    walk = last_walk(session, mall.id)
    log = select(AuditLog).where(AuditLog.subject_kind == STAY, AuditLog.subject_id == str(one.stay.id))
    return StayPage(
        standing=one,
        today=today,
        rules=rules,
        charged_cents=charged_so_far(session, [one.stay])[one.stay.id],
        costs_cents=expected(session, mall, [one.stay])[one.stay.id],
        cautions=cautions(piece_of(one.piece), rules.pieces),
        must_move={moving.stay.id: why for moving, why in must_move(session, mall.id, today)}.get(one.stay.id, ""),
        mark=marks_of(session, walk).get(one.stay.id) if walk else None,
        is_overdue=_is_overdue(session, mall, one, today),
        log=session.scalars(log.order_by(AuditLog.id.desc())).all(),
    )


def _is_overdue(session: Session, mall: Mall, one: Standing, today: date) -> bool:
    may_be = one.stay.kind == "sold" and one.stay.ends_on < today
    return may_be and one.stay.id in {late.stay.id for late in overdue_sold(session, mall.id, today)}


# --- where else it may stand ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Elsewhere:
    """Bays a piece may be moved to: code, and words with the first place that is free."""

    bays: Sequence[tuple[str, str]]
    why_none: str


def elsewhere(session: Session, mall: Mall, one: Standing, today: date) -> Elsewhere:
    """Every bay that is lent and large enough, with what of it is free until the piece's last day."""
    stay, on = one.stay, max(today, one.stay.starts_on)
    rules = rules_on(session, mall.id, on)
    held = held_codes(session, one.dealer.id, mall.id, on)
    there = standing_between(session, mall.id, on, stay.ends_on)
    rows = [row for row in bays_on(session, mall.id, on) if row.is_lent]
    piece = piece_of(one.piece)

    def found() -> Iterator[tuple[str, str]]:
        for row in sorted(rows, key=lambda row: natural(row.code)):
            stand = may_stand(piece, bay_of(row), rules.pieces, holds_before=row.before in held)
            if isinstance(stand, Stand):
                free = _first_free(there, one, row, stand, rules)
                place = "no room then" if free is None else f"free from {format_length(free)} on"
                yield row.code, f"{row.code}, {behind_words(row)}: {place}"

    bays = list(found())
    why = nowhere(piece, [bay_of(row) for row in rows], rules.pieces, held) if not bays else None
    return Elsewhere(bays, f"{one.piece.name} {why}" if why else "")


def first_place(session: Session, mall: Mall, one: Standing, row: BayRow, on: date, *, turned: bool) -> int | None:
    """The leftmost free place of a bay for a piece from a day on, its own left out of account; None where there is none."""
    rules = rules_on(session, mall.id, on)
    there = standing_between(session, mall.id, on, max(on, one.stay.ends_on))
    return _first_free(there, one, row, stand_of(one.piece, turned=turned), rules)


def _first_free(there: Sequence[Standing], one: Standing, row: BayRow, stand: Stand, rules: OverflowRules) -> int | None:
    taken = [taken_of(other, rules) for other in there if other.bay.id == row.id and other.stay.id != one.stay.id]
    return first_free(taken, stand.length_in16 + rules.gap_in16, row.length_in16)

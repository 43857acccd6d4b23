"""A piece that has floor, as its page in the office shows it: its place, its days, what it costs, where else it may stand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.geometry import format_length
from coop.core.periods import shown_day, shown_days
from coop.core.words import natural
from coop.floor.models import Mall
from coop.office.overflow_list import behind_words
from coop.overflow.asking import held_codes
from coop.overflow.charging import charged_so_far, expected
from coop.overflow.domain.fitting import Stand, cautions, may_stand, nowhere
from coop.overflow.domain.taking import first_free
from coop.overflow.judging import stand_of, taken_along
from coop.overflow.models import BayRow, Stay
from coop.overflow.queries import STAY, Found, in_the_way, is_unfetched, last_found
from coop.overflow.reading import Standing, bay_of, bays_on, piece_of, there_between
from coop.overflow.recalling import last_day_unrecalled
from coop.overflow.rules import OverflowRules, rules_on
from coop.overflow.staying import is_longer, last_day_after_all, last_day_before, may_stand_after_all


@dataclass(frozen=True)
class StayPage:
    standing: Standing
    today: date
    rules: OverflowRules
    charged_cents: int
    costs_cents: int
    cautions: tuple[str, ...]
    must_move: str
    """Why it may not stand there any more, asked back or not."""
    found: Found | None
    """How it was found when somebody looked at it last."""
    is_overdue: bool
    """It is sold and was not fetched in time."""
    before: date | None
    """Its last day before it was let stand longer."""
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
    def may_be_asked_back(self) -> bool:
        """What is asked back already, sooner."""
        stay = self.standing.stay
        return self.stands and (stay.recalled_at is None or stay.starts_on <= self.today < stay.ends_on)

    @property
    def may_stay_after_all(self) -> bool:
        """Somebody said that it is gone, and it may stand there if it is not."""
        stay = self.standing.stay
        return stay.state == "stands" and stay.gone_said_at is not None and may_stand_after_all(stay, self.today)

    @property
    def after_all(self) -> str:
        """What is pressed if it is not."""
        stay = self.standing.stay
        last = last_day_after_all(stay)
        if stay.kind == "sold" and last < self.today:
            return f"It is there still, to be fetched since {shown_day(last)}"
        return f"Let it stand until {shown_day(last)} after all"

    @property
    def unrecalled(self) -> date:
        """Its last day, if it is not asked back."""
        return last_day_unrecalled(self.standing.stay)

    @property
    def may_stay_longer(self) -> bool:
        stay = self.standing.stay
        return stay.recalled_at is None and stay.gone_said_at is None and (self.stands or self.is_overdue)

    @property
    def was_lengthened(self) -> bool:
        """And that may be undone."""
        return (
            self.stands
            and self.may_stay_longer
            and self.before is not None
            and is_longer(self.standing.stay, self.before, self.today)
        )

    @property
    def days(self) -> str:
        return shown_days(self.standing.stay.starts_on, self.standing.stay.ends_on)


def stay_page_of(session: Session, mall: Mall, one: Standing, today: date) -> StayPage:
    rules = rules_on(session, mall.id, max(today, one.stay.starts_on))
    log = select(AuditLog).where(AuditLog.subject_kind == STAY, AuditLog.subject_id == str(one.stay.id))
    return StayPage(
        standing=one,
        today=today,
        rules=rules,
        charged_cents=charged_so_far(session, [one.stay])[one.stay.id],
        costs_cents=expected(session, mall, [one.stay])[one.stay.id],
        cautions=cautions(piece_of(one.piece), rules.pieces),
        must_move={moving.stay.id: why for moving, why in in_the_way(session, mall.id, today)}.get(one.stay.id, ""),
        found=last_found(session, [one], today).get(one.stay.id),
        is_overdue=is_unfetched(session, one.stay, today),
        before=last_day_before(session, one.stay),
        log=session.scalars(log.order_by(AuditLog.id.desc())).all(),
    )


def after_all_words(one: Standing, had: Stay, today: date) -> str:
    """What is so now of a piece that is not gone after all."""
    if had.ends_on < today:
        to_be = "fetched" if had.kind == "sold" else "gone"
        return f"{one.piece.name} is there still, and was to be {to_be} by {shown_day(had.ends_on)}."
    until = f"{one.piece.name} is there after all, until {shown_day(had.ends_on)}"
    if had.ends_on < last_day_after_all(had) and one.bay.ended_on is not None:
        return f"{until}: bay {one.bay.code} is no bay any more from {shown_day(one.bay.ended_on)} on, so find it another place."
    return f"{until}."


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
    there = there_between(session, mall.id, on, stay.ends_on, today)
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


def first_place(session: Session, mall: Mall, one: Standing, row: BayRow, on: date, today: date, *, turned: bool) -> int | None:
    """The leftmost free place of a bay for a piece from a day on, its own left out of account; None where there is none."""
    rules = rules_on(session, mall.id, on)
    there = there_between(session, mall.id, on, max(on, one.stay.ends_on), today)
    return _first_free(there, one, row, stand_of(one.piece, turned=turned), rules)


def _first_free(there: Sequence[Standing], one: Standing, row: BayRow, stand: Stand, rules: OverflowRules) -> int | None:
    taken = taken_along([other for other in there if other.stay.id != one.stay.id], row, rules)
    return first_free(taken, stand.length_in16 + rules.gap_in16, row.length_in16)

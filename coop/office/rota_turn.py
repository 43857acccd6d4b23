"""A turn as its own page shows it: who has it, what happened to it, and who could have it, with what that would break."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.core.templating import joined
from coop.floor.models import Mall
from coop.office.rota_month import TurnCell, cells_of
from coop.shifts.domain.posing import EXEMPT, LEFT, MonthFacts, Seat, Someone
from coop.shifts.drafting import is_drafted_now
from coop.shifts.judging import Judge
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.queries import names_of
from coop.shifts.turn_models import TurnChange
from coop.shifts.wording import turns_shown

_HOW = {
    "published": "published, {to}",
    "moved": "moved by the manager from {had} to {to}",
    "swapped": "swapped: {to} instead of {had}",
    "given": "given by {had} to {to}",
    "left": "given up by {had}, uncovered since",
    "helper": "the helper of {to} was changed",
    "closed": "the mall did not open, {had} need not come",
}


@dataclass(frozen=True)
class Happened:
    at: datetime
    words: str


@dataclass(frozen=True)
class TurnPage:
    cell: TurnCell
    history: Sequence[Happened]
    choices: Sequence[tuple[int, str]]
    """Members by id, whom nothing keeps from it first, each with what does."""
    drafting: bool


def turn_page(session: Session, mall: Mall, rota: Rota, turn: Turn) -> TurnPage:
    """Everything the page of a turn shows."""
    workers = workers_of(session, mall, Month.of(rota.first_day))
    judge = Judge(session, rota)
    cell = cells_of(session, mall, workers, [turn], judge.broken())[turn.id]
    choices = _choices(judge.facts, turn, {one.member_id: one.dealer_code for one in workers})
    return TurnPage(cell, _history(session, turn), choices, is_drafted_now(session, rota))


def _choices(facts: MonthFacts, turn: Turn, codes: Mapping[int, str]) -> list[tuple[int, str]]:
    """Who could have a turn, whom nothing keeps from it first, and of those who have fewest for what they owe."""
    has = Counter(seat.member_id for seat in facts.seats if seat.member_id is not None)
    seat = next((one for one in facts.seats if one.id == turn.id), None)
    found = []
    for person in facts.people:
        against = _against(facts, seat, person) if seat is not None and person.id != turn.member_id else []
        turns = Decimal(has[person.id])
        beyond = turns - Decimal(person.owed) / 100
        likes = seat is not None and person.says.get((seat.day, seat.kind)) == "like"
        words = joined(against) or f"{turns_shown(turns)} of {turns_shown(Decimal(person.owed) / 100)} turns due"
        said = f"{person.name} {codes[person.id]}: {'would like it, ' if likes and not against else ''}{words}"
        found.append((len(against), not likes, beyond, said, person.id))
    return [(member_id, said) for *_, said, member_id in sorted(found)]


def _against(facts: MonthFacts, seat: Seat, person: Someone) -> list[str]:
    """What keeps a member from a seat, or speaks against it, as far as the member's own month shows it."""
    says = person.says.get((seat.day, seat.kind), "")
    on_day = any(one.member_id == person.id and one.day == seat.day and one.id != seat.id for one in facts.seats)
    elsewhere = any(one.member_id == person.id and one.day == seat.day for one in facts.elsewhere)
    reasons = {
        "no lease on that day": person.away.get(seat.day) == LEFT,
        "exempt": person.away.get(seat.day) == EXEMPT,
        "said never": says == "never",
        "has not answered": person.silent and says != "like",
        "a turn that day": on_day,
        "a turn at another mall that day": elsewhere,
        "no key": seat.needs_keys and not person.holds_keys(seat.day),
        "not trained": not person.is_trained(seat.day),
        "would rather not": says == "rather not",
    }
    return [words for words, holds in reasons.items() if holds]


def _history(session: Session, turn: Turn) -> list[Happened]:
    """What happened to a published turn, the latest first."""
    changes = session.scalars(
        select(TurnChange).where(TurnChange.turn_id == turn.id).order_by(TurnChange.at.desc(), TurnChange.id.desc())
    ).all()
    names = names_of(session, [member for one in changes for member in (one.from_member_id, one.to_member_id)])
    return [
        Happened(
            one.at,
            _HOW[one.how].format(
                had=names.get(one.from_member_id or 0, "nobody"),
                to=names.get(one.to_member_id or 0, "nobody"),
            ),
        )
        for one in changes
    ]

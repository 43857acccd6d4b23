"""Lent floor asked back: with the notice of the house's rules, sooner for safety only; taken back while nobody else has it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.overflow import telling
from coop.overflow.models import Stay
from coop.overflow.placing import log_stay
from coop.overflow.rules import rules_on
from coop.overflow.staying import hold_stay, is_there, restore
from coop.overflow.survey_asking import ask_survey

LONGEST_WHY = 200
MOST_DAYS = 90


class GoesAnyway(Refusal):
    """A stay that ends before the notice of a recall is over."""


def recall(
    session: Session, now: datetime, stay: Stay, *, why: str, by: By, days: int | None = None, for_safety: bool = False
) -> None:
    """Ask a dealer for floor back after some days, those of the house's rules unless said; the dealer is told by mail.

    Refuses it without a reason, with fewer days than the rules give unless `for_safety`, and a stay that ends by then anyway.
    """
    mall, piece = hold_stay(session, stay)
    why = " ".join(why.split())
    today = today_at(session, now, mall.id)
    notice = rules_on(session, mall.id, today).recall_days
    days = notice if days is None else days
    if not why:
        raise Refusal(f"Say why {piece.name} must go: its dealer is told.")
    if len(why) > LONGEST_WHY:
        raise Refusal(f"The reason has {len(why)} characters: {LONGEST_WHY} are the most.")
    if not 0 <= days <= MOST_DAYS:
        raise Refusal(f"The notice is {days} days: write 0 to {MOST_DAYS}.")
    if days < notice and not for_safety:
        raise Refusal(f"Floor is asked back with {notice} days of notice, and {days} are given: fewer are for safety only.")
    last = today + timedelta(days=days)
    if stay.state != "stands":
        raise Refusal(f"{piece.name} has no floor there any more: it was taken back.")
    if stay.ends_on <= last:
        raise GoesAnyway(f"{piece.name} goes by {shown_day(stay.ends_on)} as it is, before the {days} days of notice are over.")
    if last < stay.starts_on:
        raise Refusal(f"{piece.name} comes on {shown_day(stay.starts_on)} only: take that floor back instead.")
    if stay.recalled_at is None:
        stay.recalled_from = stay.ends_on
    stay.ends_on, stay.recalled_at, stay.recall_why = last, now, why
    # That it would be gone on a later day is said no more: it may still be there until then.
    is_there(stay)
    session.flush()
    log_stay(session, now, stay, "floor asked back", by, f"last day {last}{', for safety' if days < notice else ''}")
    ask_survey(session, now, mall)
    telling.tell_recalled(session, now, stay)


def recall_many(
    session: Session,
    now: datetime,
    stays: Iterable[Stay],
    *,
    why: str | Mapping[int, str],
    by: By,
    days: int | None = None,
    for_safety: bool = False,
) -> int:
    """Ask all of these back as `recall` does, or none; how many. What goes by then anyway is left as it is.

    `why` is one reason for all, or each stay's own by its id.
    """
    count = 0
    with session.begin_nested():
        for stay in sorted(stays, key=lambda stay: stay.id):
            try:
                own = why if isinstance(why, str) else why[stay.id]
                recall(session, now, stay, why=own, by=by, days=days, for_safety=for_safety)
            except GoesAnyway:
                continue
            count += 1
    return count


def take_back_recall(session: Session, now: datetime, stay: Stay, *, by: By) -> None:
    """A piece may stay as long as before it was asked back; its dealer is told. Refuses where another has that floor by now."""
    mall, piece = hold_stay(session, stay)
    if stay.recalled_at is None:
        raise Refusal(f"{piece.name} was not asked back.")
    if stay.ends_on < today_at(session, now, mall.id):
        raise Refusal(f"{piece.name} went on {shown_day(stay.ends_on)}: give it floor anew.")
    until = last_day_unrecalled(stay)
    if stay.lengthened_from is not None and until <= stay.lengthened_from:
        stay.lengthened_from = None  # it is not longer: its dealer said that it goes before
    restore(session, now, mall, piece, stay, until, by=by)
    stay.recalled_at, stay.recalled_from, stay.recall_why = None, None, ""
    session.flush()
    log_stay(session, now, stay, "recall taken back", by, f"until {stay.ends_on}")
    ask_survey(session, now, mall)
    telling.tell_recall_taken_back(session, now, stay)


def last_day_unrecalled(stay: Stay) -> date:
    """The last day of what was asked back, if it is not: the one it had, which its dealer may have brought forward."""
    return stay.recalled_from or stay.granted_until

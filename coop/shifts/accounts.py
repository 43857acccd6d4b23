"""What is written in an account of turns outside of the month-end: turns bought out, and what a person sets right."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.service import posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars, round_half_up
from coop.core.periods import Month
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.shifts.charging import charge_to, require_open_month
from coop.shifts.domain.owed import turns_words
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import balances, owed_of_month
from coop.shifts.rules import NOBODY, rules_on
from coop.shifts.turn_models import TurnAccount

NONE = Decimal(0)


def left_to_buy(session: Session, mall: Mall, member_id: int, month: Month) -> Decimal:
    """Turns that a member owes for a month with all that is carried, less those bought out and those on a published rota."""
    owed = owed_of_month(session, mall, month).get(member_id)
    balance = balances(session, [mall.id], before=month).get((mall.id, member_id), NONE)
    lines = select(TurnAccount.kind, TurnAccount.turns).where(
        TurnAccount.mall_id == mall.id, TurnAccount.member_id == member_id, TurnAccount.first_day == month.first_day
    )
    # The month-end may have written what is owed already.
    bought = sum((turns for kind, turns in session.execute(lines) if kind == "bought out"), NONE)
    has = session.scalar(
        select(func.count(Turn.id))
        .join(Rota, Rota.id == Turn.rota_id)
        .where(
            Turn.mall_id == mall.id,
            Turn.on_date.between(month.first_day, month.last_day),
            Turn.state == "standing",
            func.coalesce(Turn.for_member_id, Turn.member_id) == member_id,
            Rota.state == "published",
        )
    )
    return max(NONE, (owed.turns if owed else NONE) - balance - bought - (has or 0))


def buy_out(
    session: Session, now: datetime, mall: Mall, member_id: int, month: Month, turns: Decimal, *, by: By = NOBODY
) -> TurnAccount:
    """A member pays for turns instead of working them: charged today, and owed no more.

    Refuses where the rules sell none, a month that is closed, and more than the member owes beside the turns on the rota.
    """
    hold_mall(session, mall.id)
    require_open_month(session, mall, month)
    rules = rules_on(session, mall.id, month.first_day)
    if not rules.are_set or rules.buy_out_cents is None:
        raise Refusal(f"Turns at {mall.name} are worked, not bought out: the house rules have no price for them.")
    left = left_to_buy(session, mall, member_id, month)
    if not 0 < turns <= left or turns != round(turns, 2):
        beside = "owes none beside those on the rota" if not left else f"owes {turns_words(left)} beside those on the rota"
        name = session.get_one(Member, member_id).name
        raise Refusal(f"{name} {beside} in {month.name}: {turns_words(turns)} cannot be bought out.")
    number = _lines(session, mall, member_id, f"bought:{month}") + 1
    cents = round_half_up(turns * rules.buy_out_cents)
    working = f"{turns_words(turns)} at {format_dollars(rules.buy_out_cents)} each"
    charge_to(
        session,
        now,
        mall,
        member_id,
        cents,
        key=f"buyout:{month}:{member_id}:{number}",
        label=f"Turns bought out, {month.name}",
        working=working,
        on=today_at(session, now, mall.id),
        user_id=by.user_id,
    )
    row = _write(session, now, mall, member_id, month, "bought out", f"bought:{month}:{number}", turns, working)
    _log(session, now, by, "turns bought out", row, mall)
    return row


def set_right(
    session: Session, now: datetime, mall: Mall, member_id: int, turns: Decimal, why: str, *, by: By = NOBODY
) -> TurnAccount:
    """Add to a member's account, or take off it below zero, with the reason; in the month that is open.

    Refuses no turns, no reason, and a manager who lets that manager's own turns off.
    """
    why = " ".join(why.split())
    if not turns or turns != round(turns, 2) or abs(turns) > 100:
        raise Refusal("Write how many turns the account is off by, such as 1 or -0.5; at most 100.")
    if not 0 < len(why) <= 200:
        raise Refusal("Say in at most 200 letters why the account is set right.")
    own = select(UserAccount.id).where(UserAccount.id == by.user_id, UserAccount.member_id == member_id)
    if turns > 0 and by.user_id is not None and session.scalar(own) is not None:
        raise Refusal("You cannot let turns of your own off: a second person has to.")
    hold_mall(session, mall.id)
    month = Month.of(posting_date(session, mall.id, today_at(session, now, mall.id)))
    number = _lines(session, mall, member_id, "right") + 1
    row = _write(session, now, mall, member_id, month, "set right", f"right:{number}", turns, why)
    _log(session, now, by, "turns set right", row, mall)
    return row


def _lines(session: Session, mall: Mall, member_id: int, key: str) -> int:
    """How many lines a member's account has under keys that begin so."""
    lines = select(func.count(TurnAccount.id)).where(
        TurnAccount.mall_id == mall.id, TurnAccount.member_id == member_id, TurnAccount.key.startswith(f"{key}:", autoescape=True)
    )
    return session.scalar(lines) or 0


def _write(
    session: Session,
    now: datetime,
    mall: Mall,
    member_id: int,
    month: Month,
    kind: str,
    key: str,
    turns: Decimal,
    working: str,
) -> TurnAccount:
    row = TurnAccount(
        mall_id=mall.id,
        member_id=member_id,
        first_day=month.first_day,
        kind=kind,
        key=key,
        turns=turns,
        working=working,
        turn_id=None,
        at=now,
    )
    session.add(row)
    session.flush()
    return row


def _log(session: Session, now: datetime, by: By, action: str, row: TurnAccount, mall: Mall) -> None:
    detail = f"{mall.code} {Month.of(row.first_day)}, {row.turns} turns: {row.working}"
    audit.record(session, now, action, "member", row.member_id, user_id=by.user_id, request_id=by.request_id, detail=detail)

"""Drawers: counted against the books, over or short said in an entry of its own; cash put in, and paid out for something."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, Select, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from coop.books.accounts import bank_account, expense_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Entry, Posting
from coop.books.rules import rules_on
from coop.books.service import post_entry, require_open
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.core.templating import joined
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.sales.models import DrawerCount

COUNT, DRAWER = "drawer count", "drawer"
"""Source kinds of entries: over or short; cash put in and paid out."""
OVER_SHORT, FLOAT, PAID_OUT = "over or short", "float", "paid out"
"""Kinds of entries."""
PAID_FOR = {
    "Supplies": "supplies",
    "Postage": "postage",
    "Repairs": "repairs",
    "Refreshments": "refreshments",
    "Other-expenses": "something else",
}
"""What cash is paid out of a drawer for: the expense, and how it is asked for."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,11}", re.ASCII)
DRAWERS = "Assets:Drawer:"
"""Where every drawer's account stands in the books."""


class CountRefused(Refusal):
    """The cash that was counted, or paid out, cannot be so much."""


class SecondRefused(Refusal):
    """The second person cannot be that one, or there is none and has to be."""


# --- reads --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drawer:
    """A drawer of a mall: what the books say is in it at a day's end, and its last count."""

    name: str
    account_id: int | None
    """None: nothing was ever in it."""
    balance_cents: int
    last: DrawerCount | None

    @property
    def title(self) -> str:
        return titled(self.name)


def titled(name: str) -> str:
    """A drawer as a sentence calls it."""
    return f"drawer {name}" if name else "drawer"


def drawers_of(session: Session, mall: Mall, on: date) -> list[Drawer]:
    """A mall's drawers, the one without a name first, as they stand when a day ends. Two queries."""
    through = Entry.business_date <= on
    rows = session.execute(
        select(Account.path, Account.id, func.coalesce(func.sum(Posting.amount_cents).filter(through), 0))
        .outerjoin(Posting, Posting.account_id == Account.id)
        .outerjoin(Entry, Entry.id == Posting.entry_id)
        .where(_is_drawer(mall))
        .group_by(Account.path, Account.id)
    )
    found = {name_in(path): (account_id, int(amount)) for path, account_id, amount in rows}
    last = {name: count for (_mall, name), count in last_counts(session, [mall.id]).items()}
    rows_of = [(name, *found.get(name, (None, 0))) for name in sorted(found.keys() | last.keys()) or [""]]
    return [Drawer(name, account_id, amount, last.get(name)) for name, account_id, amount in rows_of]


def checks_waiting(session: Session, mall: Mall) -> int:
    """Cents of checks that are not at the bank yet."""
    rows = select(func.sum(Posting.amount_cents)).join(Account, Account.id == Posting.account_id)
    return int(session.scalar(rows.where(Account.path == f"Assets:Checks-to-deposit:{mall.code}")) or 0)


def _is_drawer(mall: Mall) -> ColumnElement[bool]:
    own = f"{DRAWERS}{mall.code}"
    return (Account.mall_id == mall.id) & or_(Account.path == own, Account.path.like(f"{own}:%"))


def name_in(path: str) -> str:
    """A drawer's name, which stands after the mall's code."""
    return path.removeprefix(DRAWERS).partition(":")[2]


def last_counts(session: Session, mall_ids: Collection[int]) -> dict[tuple[int, str], DrawerCount]:
    """Each drawer's last count, by mall and name: of the last day it was counted for, the last."""
    later = aliased(DrawerCount)
    newer = or_(later.on > DrawerCount.on, (later.on == DrawerCount.on) & (later.id > DrawerCount.id))
    same = (later.mall_id == DrawerCount.mall_id) & (later.drawer == DrawerCount.drawer)
    rows = session.scalars(select(DrawerCount).where(DrawerCount.mall_id.in_(mall_ids), ~exists().where(same, newer)))
    return {(row.mall_id, row.drawer): row for row in rows}


@dataclass(frozen=True)
class CountRow:
    """A count of a list, with who counted."""

    count: DrawerCount
    counted_by: str
    seconded_by: str

    @property
    def over_cents(self) -> int:
        """Below zero: short."""
        return self.count.counted_cents - self.count.expected_cents


def counts_of(session: Session, mall: Mall, month: Month) -> list[CountRow]:
    """The counts made for a month's days, the newest first."""
    one, other, first, second = aliased(UserAccount), aliased(UserAccount), aliased(Member), aliased(Member)
    rows = session.execute(
        select(DrawerCount, func.coalesce(first.name, one.email, "command line"), func.coalesce(second.name, other.email, ""))
        .outerjoin(one, one.id == DrawerCount.counted_by)
        .outerjoin(first, first.id == one.member_id)
        .outerjoin(other, other.id == DrawerCount.seconded_by)
        .outerjoin(second, second.id == other.member_id)
        .where(DrawerCount.mall_id == mall.id, DrawerCount.on.between(month.first_day, month.last_day))
        .order_by(DrawerCount.on.desc(), DrawerCount.id.desc())
    )
    return [CountRow(count, by, with_) for count, by, with_ in rows]


def over_short(rows: Iterable[CountRow]) -> tuple[dict[str, int], dict[str, int]]:
    """What the counts came to together, in cents, by drawer and by who counted."""
    by_drawer: dict[str, int] = {}
    by_person: dict[str, int] = {}
    for row in rows:
        by_drawer[row.count.drawer] = by_drawer.get(row.count.drawer, 0) + row.over_cents
        by_person[row.counted_by] = by_person.get(row.counted_by, 0) + row.over_cents
    return by_drawer, by_person


# --- counting -----------------------------------------------------------------------------------------------------------


def count_drawer(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    key: str,
    drawer: str,
    on: date,
    counted_cents: int,
    counted_by: int | None = None,
    seconded_by: int | None = None,
    note: str = "",
) -> DrawerCount:
    """Write down what was in a drawer when a day ended, and post what it is over or short. The same key answers the first count.

    Counted again for the same day it posts only what it differs from then. Refuses an amount below zero, a second person who is
    the first, a drawer that is not there, a day to come, one of a closed month, one before the drawer's last count, and by one
    person alone what is over or short by more than `count_limit`.
    """
    _hold(session, mall)
    done = session.scalar(select(DrawerCount).where(DrawerCount.key == key))
    if done is not None:
        return done
    if counted_cents < 0:
        raise CountRefused(f"The count of the {titled(drawer)} is {format_dollars(counted_cents)}: it cannot be below zero.")
    if seconded_by is not None and seconded_by == counted_by:
        raise SecondRefused("Whoever counted cannot be the second person too: choose another, or nobody.")
    there = {row.name: row for row in drawers_of(session, mall, on)}
    if drawer not in there:
        raise Refusal(_unknown(mall, drawer, there))
    _require_day(now, mall, on)
    last = there[drawer].last
    if last is not None and on < last.on:
        raise Refusal(f"The {titled(drawer)} was counted for {written(last.on)} already: count it for that day or a later one.")
    require_open(session, mall.id, Month.of(on))
    expected = there[drawer].balance_cents
    over = counted_cents - expected
    if seconded_by is None:
        _require_near(session, mall, drawer, on, over)
    entry_id = None
    if over:
        account = tender_account(session, mall, "cash", drawer=drawer)
        postings = ((account, over), (expense_account(session, mall, "Over-short"), -over))
        memo = f"{titled(drawer).capitalize()}, {'over' if over > 0 else 'short'}"
        entry_id = _post(session, now, mall, OVER_SHORT, COUNT, key, on, postings, memo)
    row = DrawerCount(
        key=key,
        mall_id=mall.id,
        drawer=drawer,
        on=on,
        expected_cents=expected,
        counted_cents=counted_cents,
        counted_by=counted_by,
        seconded_by=seconded_by,
        note=note.strip()[:200],
        counted_at=now,
        entry_id=entry_id,
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "drawer counted", "drawer", f"{mall.code}/{drawer}", user_id=counted_by, detail=on.isoformat())
    return row


def count_limit(session: Session, on: date) -> int:
    """Cents by which one person alone may say that a drawer is off: as much as she may post by hand."""
    return rules_on(session, on).journal_limit_cents


def _require_near(session: Session, mall: Mall, drawer: str, on: date, over: int) -> None:
    """Together with what was counted alone for that day before: no sum goes through in small steps.

    The sentence names no difference: at the desk the drawer is counted without knowing what should be in it.
    """
    alone = select(func.sum(DrawerCount.counted_cents - DrawerCount.expected_cents)).where(
        DrawerCount.mall_id == mall.id,
        DrawerCount.drawer == drawer,
        DrawerCount.on == on,
        DrawerCount.seconded_by.is_(None),
    )
    limit = count_limit(session, on)
    if over and abs(int(session.scalar(alone) or 0) + over) > limit:
        raise SecondRefused(
            f"The {titled(drawer)} is more than {format_dollars(limit)} off what the books say: check the amount that is "
            "written; if it is right, a second person counts it too, and is named here."
        )


def _hold(session: Session, mall: Mall) -> None:
    """Of two who count at once, the second waits and counts against what the first posted."""
    hold_mall(session, mall.id)


def _unknown(mall: Mall, drawer: str, there: Iterable[str]) -> str:
    names = [titled(name) for name in sorted(there)]
    return f"There is no {titled(drawer)} at {mall.code}. There is: {joined(names)}; a new one begins with its float."


def _require_day(now: datetime, mall: Mall, on: date) -> None:
    if on > local_date(now, mall.timezone):
        raise Refusal(f"The day {written(on)} is still to come: write today, or a day before.")


def _post(
    session: Session,
    now: datetime,
    mall: Mall,
    kind: str,
    source_kind: str,
    key: str,
    on: date,
    postings: Sequence[tuple[int, int]],
    memo: str,
) -> int:
    draft = EntryDraft(
        mall_id=mall.id,
        business_date=on,
        kind=kind,
        source_kind=source_kind,
        source_id=key,
        purpose=kind,
        postings=tuple(postings),
        memo=memo[:200],
    )
    return post_entry(session, now, draft)


# --- cash put in and paid out -------------------------------------------------------------------------------------------


def put_float(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    key: str,
    drawer: str,
    amount_cents: int,
    on: date,
    reason: str = "",
    user_id: int | None = None,
) -> int:
    """Put cash from the bank into a drawer, a new one too; the entry's id, and the same one for the same key.

    Refuses an amount that is not above zero, a name that is none, a day to come and a closed month.
    """
    _hold(session, mall)
    done = _posted(session, key, FLOAT)
    if done is not None:
        return done
    if drawer and not _NAME.fullmatch(drawer):
        raise Refusal(f"The drawer's name {drawer!r} is none: write letters, figures and hyphens, twelve at most, such as front.")
    if amount_cents <= 0:
        raise CountRefused(f"The amount put in must be above zero, not {format_dollars(amount_cents)}.")
    _require_day(now, mall, on)
    account = tender_account(session, mall, "cash", drawer=drawer)
    memo = f"Cash for the {titled(drawer)}" + (f": {reason.strip()}" if reason.strip() else "")
    postings = ((account, amount_cents), (bank_account(session), -amount_cents))
    entry_id = _post(session, now, mall, FLOAT, DRAWER, key, on, postings, memo)
    _record(session, now, mall, drawer, "cash put in the drawer", user_id)
    return entry_id


def pay_out(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    key: str,
    drawer: str,
    amount_cents: int,
    on: date,
    what_for: str,
    reason: str,
    user_id: int | None = None,
) -> int:
    """Pay an expense of the mall out of a drawer; the entry's id, and the same one for the same key.

    Refuses an amount that is not above zero or more than the books say is there, no reason, an expense that is not listed, a
    drawer that is not there, a day to come and a closed month.
    """
    _hold(session, mall)
    done = _posted(session, key, PAID_OUT)
    if done is not None:
        return done
    if what_for not in PAID_FOR:
        raise Refusal(f"Cash is paid out for {joined(list(PAID_FOR.values()), 'or')}, not for {what_for!r}.")
    if not reason.strip():
        raise Refusal("The reason is empty: write what was bought.")
    _require_day(now, mall, on)
    require_cash(session, mall, drawer, amount_cents, on)
    account = tender_account(session, mall, "cash", drawer=drawer)
    memo = f"Paid out of the {titled(drawer)}: {reason.strip()}"
    postings = ((expense_account(session, mall, what_for), amount_cents), (account, -amount_cents))
    entry_id = _post(session, now, mall, PAID_OUT, DRAWER, key, on, postings, memo)
    _record(session, now, mall, drawer, "cash paid out of the drawer", user_id)
    return entry_id


def require_cash(session: Session, mall: Mall, drawer: str, amount_cents: int, on: date) -> None:
    """Refuse to take out nothing, or more than the books say is in a drawer when a day ends."""
    there = {row.name: row for row in drawers_of(session, mall, on)}
    if drawer not in there:
        raise Refusal(_unknown(mall, drawer, there))
    if amount_cents <= 0:
        raise CountRefused(f"The amount taken out must be above zero, not {format_dollars(amount_cents)}.")
    if amount_cents > there[drawer].balance_cents:
        held = format_dollars(there[drawer].balance_cents)
        raise CountRefused(
            f"By the books {held} was in the {titled(drawer)} on {written(on)}: write at most that, or count the drawer first."
        )


def _posted(session: Session, key: str, kind: str) -> int | None:
    made = select(Entry.id).where(Entry.source_kind == DRAWER, Entry.source_id == key, Entry.purpose == kind)
    return session.scalar(made)


def _record(session: Session, now: datetime, mall: Mall, drawer: str, deed: str, user_id: int | None) -> None:
    audit.record(session, now, deed, "drawer", f"{mall.code}/{drawer}", user_id=user_id)


# --- proof --------------------------------------------------------------------------------------------------------------


def check_counts(session: Session) -> list[str]:
    """Hold every count against the ledger: what it was over or short is what its entry moved; a sentence for what differs."""
    over = DrawerCount.counted_cents - DrawerCount.expected_cents
    rows = session.execute(
        select(DrawerCount.id, DrawerCount.on, over, func.coalesce(func.sum(Posting.amount_cents), 0))
        .outerjoin(Posting, (Posting.entry_id == DrawerCount.entry_id) & Posting.account_id.in_(_drawer_accounts()))
        .group_by(DrawerCount.id, DrawerCount.on, over)
        .having(over != func.coalesce(func.sum(Posting.amount_cents), 0))
        .order_by(DrawerCount.id)
        .limit(20)
    )
    found = [
        f"Count {count_id} of {written(on)} is {format_dollars(int(cents))} over; its entry moves {format_dollars(int(moved))}."
        for count_id, on, cents, moved in rows
    ]
    counted = select(DrawerCount.entry_id).where(DrawerCount.entry_id.is_not(None))
    astray = session.scalars(
        select(Entry.id).where(Entry.source_kind == COUNT, Entry.id.not_in(counted)).order_by(Entry.id).limit(20)
    )
    return found + [f"Entry {entry_id} is of a count of a drawer, and there is none." for entry_id in astray]


def _drawer_accounts() -> Select[int]:
    return select(Account.id).where(Account.path.like(f"{DRAWERS}%"))

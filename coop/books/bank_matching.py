"""Which line of the bank is which entry: what is open on both sides, what is proposed, matched, and taken back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import Session

from coop.books.bank_lines import BANK, lines_of, take_turn
from coop.books.domain.matching import CardDay, OpenItem, OpenLine, Proposal, check_in, open_card_days, propose, references_in
from coop.books.models import Account, BankItem, BankLine, BankMatch, BankMonth, Entry, Period, Posting
from coop.books.service import reverse_entry
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, shown_day
from coop.floor.models import Mall

OPENING = "opening"
"""Kind of the entry that brings balances from paper: of its bank posting only the outstanding items were not at the bank yet."""
FROM_LINE = "bank line"
"""Source kind of entries made from a line of the bank."""
CANCELLED = "bank took back"
"""Kind of an entry whose two bank postings are lines the bank posted and took back: it moves nothing."""
_PUT_RIGHT = ("correction", "journal")
"""Kinds of entry that take another back in the books alone: where the bank saw neither, nothing is left to see."""
_BACK, _STALE = "returned", "stale"
"""Kinds of entry of a payout that came back, and of a check never cashed: of a check, the bank saw neither payout nor this."""


# --- what is open -------------------------------------------------------------------------------------------------------


def open_items(session: Session, *, through: date | None = None, pairs: bool = False) -> list[OpenItem]:
    """What the books posted to the bank and the bank has not shown, by day; of an opening entry its outstanding items alone.

    `through`: as it stood after that day, by entries and lines of days up to it. An entry and the one that takes it back are both
    left out where the bank saw neither, unless `pairs` are wanted.
    """
    found = [*_open_entries(session, through), *_open_from_paper(session, through)]
    if not pairs:
        found = _without_taken_back(session, found)
    return sorted(found, key=lambda item: (item.on, item.entry_id, item.item_id or 0))


def _matched(through: date | None, *, by_item: bool) -> Select[int | None, int]:
    by = BankMatch.item_id if by_item else BankMatch.entry_id
    rows = select(by.label("what"), func.sum(BankMatch.amount_cents).label("cents")).where(
        BankMatch.undone_at.is_(None), BankMatch.item_id.is_not(None) if by_item else BankMatch.item_id.is_(None)
    )
    if through is not None:
        rows = rows.join(BankLine, BankLine.id == BankMatch.line_id).where(BankLine.on <= through)
    return rows.group_by(by)


def _open_entries(session: Session, through: date | None) -> list[OpenItem]:
    posted = (
        select(Posting.entry_id, func.sum(Posting.amount_cents).label("cents"))
        .where(Posting.account_id == BANK)
        .group_by(Posting.entry_id)
        .subquery()
    )
    matched = _matched(through, by_item=False).subquery()
    seen = func.coalesce(matched.c.cents, 0)
    rows = (
        select(Entry.id, Entry.business_date, Entry.kind, Entry.source_id, Entry.memo, posted.c.cents - seen)
        .join(posted, posted.c.entry_id == Entry.id)
        .outerjoin(matched, matched.c.what == Entry.id)
        .where(Entry.kind != OPENING, posted.c.cents != seen)
    )
    if through is not None:
        rows = rows.where(Entry.business_date <= through)
    return [
        OpenItem(entry_id, None, on, int(cents), kind, memo or f"The {kind}", references_in(source, memo))
        for entry_id, on, kind, source, memo, cents in session.execute(rows)
    ]


def _open_from_paper(session: Session, through: date | None) -> list[OpenItem]:
    matched = _matched(through, by_item=True).subquery()
    seen = func.coalesce(matched.c.cents, 0)
    rows = (
        select(BankItem, BankItem.amount_cents - seen)
        .join(Entry, Entry.id == BankItem.entry_id)
        .outerjoin(matched, matched.c.what == BankItem.id)
        .where(BankItem.amount_cents != seen)
    )
    if through is not None:
        rows = rows.where(Entry.business_date <= through)
    return [
        OpenItem(
            item.entry_id,
            item.id,
            item.on,
            int(cents),
            OPENING,
            f"From paper: {item.words or item.reference or 'an outstanding item'}",
            references_in(item.reference, item.words),
        )
        for item, cents in session.execute(rows)
    ]


def _without_taken_back(session: Session, found: Sequence[OpenItem]) -> list[OpenItem]:
    there = {item.entry_id: item for item in found if item.item_id is None}
    if not there:
        return list(found)
    gone: set[int] = set()
    reversals = select(Entry.id, Entry.reverses_id, Entry.kind).where(
        Entry.reverses_id.is_not(None), Entry.kind.in_((*_PUT_RIGHT, _BACK))
    )
    for entry_id, reverses_id, kind in session.execute(reversals):
        taken_back, reversal = there.get(reverses_id or 0), there.get(entry_id)
        if taken_back is None or reversal is None or taken_back.cents != -reversal.cents:
            continue
        # A transfer that came back was seen twice; a check that did was never seen.
        if kind in _PUT_RIGHT or check_in(taken_back.label):
            gone |= {taken_back.entry_id, reversal.entry_id}
    for stale in [item for item in there.values() if item.kind == _STALE and check_in(item.label)]:
        parts = [item for item in there.values() if item.kind == "payout" and check_in(item.label) == check_in(stale.label)]
        if sum(item.cents for item in parts) == -stale.cents:
            gone |= {stale.entry_id, *(item.entry_id for item in parts)}
    return [item for item in found if item.item_id is not None or item.entry_id not in gone]


def card_days(session: Session) -> list[CardDay]:
    """The days of card sales no batch has brought to the bank, by mall: what left the clearing account counts for the oldest."""
    came = select(Posting.entry_id).where(Posting.account_id == BANK)
    rows = session.execute(
        select(Mall.code, Entry.business_date, Entry.id.in_(came), func.sum(Posting.amount_cents))
        .join(Account, Account.id == Posting.account_id)
        .join(Entry, Entry.id == Posting.entry_id)
        .join(Mall, Mall.id == Account.mall_id)
        .where(Account.kind == "tender", Account.path.like("Assets:Card-clearing:%"))
        .group_by(Mall.code, Entry.business_date, Entry.id.in_(came))
    )
    days, brought = [], dict[str, int]()
    for code, on, is_batch, cents in rows:
        if is_batch:
            brought[code] = brought.get(code, 0) - int(cents)
        else:
            days.append(CardDay(code, on, int(cents)))
    return open_card_days(days, brought)


def proposals(session: Session) -> dict[int, Proposal]:
    """For every line not wholly matched, what it may be: line id -> proposal. No entry is proposed for two lines."""
    lines = [
        OpenLine(row.line.id, row.line.on, row.open_cents, row.line.reference, row.line.words)
        for row in lines_of(session, unmatched=True)
    ]
    if not lines:
        return {}
    return {one.line_id: one for one in propose(lines, open_items(session), card_days(session))}


# --- matching -----------------------------------------------------------------------------------------------------------


def hold_line(session: Session, line_id: int) -> tuple[BankLine, int]:
    """A line, with what of it is open in cents, while nobody else matches. Refuses one that is not there or wholly matched."""
    take_turn(session)
    line = session.get(BankLine, line_id)
    if line is None:
        raise Refusal(f"The bank has no line {line_id}.")
    matched = select(func.coalesce(func.sum(BankMatch.amount_cents), 0)).where(
        BankMatch.line_id == line_id, BankMatch.undone_at.is_(None)
    )
    left = line.amount_cents - int(session.scalar(matched) or 0)
    if not left:
        raise Refusal(f"The bank's line of {shown_day(line.on)}, {format_dollars(line.amount_cents)}, is matched already.")
    return line, left


def add_match(
    session: Session,
    now: datetime,
    line: BankLine,
    entry_id: int,
    amount_cents: int,
    how: str,
    *,
    item_id: int | None = None,
    user_id: int | None = None,
) -> None:
    """Write a match down. The caller holds the line and has judged the amount."""
    session.add(
        BankMatch(
            line_id=line.id,
            entry_id=entry_id,
            item_id=item_id,
            amount_cents=amount_cents,
            how=how,
            made_by=user_id,
            made_at=now,
        )
    )
    session.flush()


def match_by_hand(session: Session, now: datetime, line_id: int, keys: Iterable[str], *, user_id: int | None = None) -> int:
    """Match a line with entries a person chose (`OpenItem.key`); the cents of the line that stay open.

    Entries of the line's own direction fill it in their order, the last of them in part where it is more. Entries of both
    directions must come to the line exactly. Refuses an entry with nothing open, and one of the other direction alone.
    """
    line, left = hold_line(session, line_id)
    wanted = list(dict.fromkeys(keys))
    there = {item.key: item for item in open_items(session, pairs=True)}
    if not wanted:
        raise Refusal("No entry is chosen: mark those the line is.")
    for key in wanted:
        if key not in there:
            raise Refusal(f"Entry {key.partition('.')[0]} has nothing open at the bank: it was matched meanwhile.")
    items = [there[key] for key in wanted]
    together = sum(item.cents for item in items)
    if any((item.cents > 0) != (left > 0) for item in items):
        if together != left:
            raise Refusal(
                f"The entries chosen come to {format_dollars(together)} and the line to {format_dollars(left)}: where money in "
                "and money out are chosen together they must be the same."
            )
        parts = [item.cents for item in items]
    else:
        parts = []
        for item in items:
            rest = left - sum(parts)
            if not rest:
                raise Refusal(f"The line is filled before {item.said}: leave that one out.")
            parts.append(min(item.cents, rest) if rest > 0 else max(item.cents, rest))
    for item, part in zip(items, parts, strict=True):
        add_match(session, now, line, item.entry_id, part, "hand", item_id=item.item_id, user_id=user_id)
    audit.record(session, now, "bank line matched", "bank line", line.id, user_id=user_id, detail=", ".join(wanted)[:200])
    return left - sum(parts)


def accept(session: Session, now: datetime, line_id: int, *, user_id: int | None = None) -> Proposal:
    """Match a line as it is proposed just now. Refuses one for which no entry is proposed, with the reason."""
    hold_line(session, line_id)
    proposal = proposals(session)[line_id]
    if not proposal.matches:
        raise Refusal(f"There is nothing to accept for this line. {proposal.sentence}")
    _match(session, now, [proposal], user_id)
    audit.record(session, now, "bank line matched", "bank line", line_id, user_id=user_id, detail=proposal.kind)
    return proposal


def match_proposed(session: Session, now: datetime, *, month: Month | None = None, user_id: int | None = None) -> int:
    """Match every line (of a month) that is surely, likely or in sum one thing; how many. What fits twice is left to a person."""
    take_turn(session)
    found = proposals(session)
    if month is not None:
        within = {row.line.id for row in lines_of(session, month=month, unmatched=True)}
        found = {line_id: one for line_id, one in found.items() if line_id in within}
    taken = [one for one in found.values() if one.matches]
    _match(session, now, taken, user_id)
    if taken:
        subject = "all months" if month is None else str(month)
        audit.record(session, now, "bank lines matched", "bank", subject, user_id=user_id, detail=f"{len(taken)} lines")
    return len(taken)


def _match(session: Session, now: datetime, taken: Sequence[Proposal], user_id: int | None) -> None:
    for proposal in taken:
        line = session.get_one(BankLine, proposal.line_id)
        how = "reference" if proposal.kind == "sure" else "amount"
        for item in proposal.items:
            add_match(session, now, line, item.entry_id, item.cents, how, item_id=item.item_id, user_id=user_id)


def undo_match(session: Session, now: datetime, match_id: int, *, user_id: int | None = None) -> None:
    """Take a match back by marking it. Of an entry that was made from lines, all its matches, and the entry is reversed.

    Refuses where the line's month is reconciled and closed at every mall: what was shown there stays.
    """
    take_turn(session)
    match = session.scalar(select(BankMatch).where(BankMatch.id == match_id).with_for_update())
    if match is None:
        raise Refusal(f"There is no match {match_id}.")
    if match.undone_at is not None:
        raise Refusal("This match was taken back already.")
    undone = [match]
    made = match.how == "made"
    if made:
        undone = list(
            session.scalars(
                select(BankMatch).where(BankMatch.entry_id == match.entry_id, BankMatch.undone_at.is_(None)).with_for_update()
            )
        )
    for one in undone:
        line = session.get_one(BankLine, one.line_id)
        if is_settled(session, Month.of(line.on)):
            raise Refusal(
                f"{Month.of(line.on).name} is reconciled and closed at every mall: this match stays. "
                "Put right what is wrong by an entry in the open month."
            )
        one.undone_at, one.undone_by = now, user_id
    session.flush()
    if made and session.scalar(select(Entry.id).where(Entry.reverses_id == match.entry_id)) is None:
        line = session.get_one(BankLine, match.line_id)
        reverse_entry(session, now, match.entry_id, on=line.on, memo=f"Taken back: entry {match.entry_id}, made from a bank line")
    audit.record(session, now, "bank match taken back", "bank line", match.line_id, user_id=user_id, detail=str(match.entry_id))


def is_settled(session: Session, month: Month) -> bool:
    """Whether a month's bank account is reconciled and the month closed at every mall that has it."""
    reconciled = session.scalar(select(BankMonth.id).where(BankMonth.first_day == month.first_day).limit(1))
    states = set(
        session.scalars(select(Period.state).where(Period.first_day == month.first_day, Period.mall_id.is_not(None)).distinct())
    )
    return reconciled is not None and states == {"closed"}


# --- reads and checks ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MatchRow:
    """A match with the entry it names."""

    match: BankMatch
    entry: Entry
    item: BankItem | None

    @property
    def label(self) -> str:
        if self.item is not None:
            return f"From paper: {self.item.words or self.item.reference or 'an outstanding item'}"
        return self.entry.memo or f"The {self.entry.kind}"


def matches_of(session: Session, line_ids: Sequence[int]) -> dict[int, list[MatchRow]]:
    """The matches of lines that stand."""
    rows = session.execute(
        select(BankMatch, Entry, BankItem)
        .join(Entry, Entry.id == BankMatch.entry_id)
        .outerjoin(BankItem, BankItem.id == BankMatch.item_id)
        .where(BankMatch.line_id.in_(line_ids), BankMatch.undone_at.is_(None))
        .order_by(BankMatch.id)
    )
    found: dict[int, list[MatchRow]] = {}
    for match, entry, item in rows:
        found.setdefault(match.line_id, []).append(MatchRow(match, entry, item))
    return found


def check_matches(session: Session) -> list[str]:
    """Hold the matches against lines, entries and items from paper: none may come to more than what it is matched with."""
    found = []
    total = func.sum(BankMatch.amount_cents)
    stands = BankMatch.undone_at.is_(None)
    by_line = session.execute(
        select(BankLine.id, BankLine.amount_cents, total)
        .join(BankMatch, and_(BankMatch.line_id == BankLine.id, stands))
        .group_by(BankLine.id, BankLine.amount_cents)
    )
    found += [
        _too_much(f"The bank's line {line}", posted, matched) for line, posted, matched in by_line if _beyond(posted, matched)
    ]
    of_bank = Posting.account_id == BANK
    posted = select(Posting.entry_id, func.sum(Posting.amount_cents).label("cents")).where(of_bank).group_by(Posting.entry_id)
    there = posted.subquery()
    by_entry = session.execute(
        select(BankMatch.entry_id, func.coalesce(there.c.cents, 0), total)
        .outerjoin(there, there.c.entry_id == BankMatch.entry_id)
        .where(stands, BankMatch.item_id.is_(None))
        .group_by(BankMatch.entry_id, there.c.cents)
    )
    found += [_too_much(f"Entry {entry}", there, matched) for entry, there, matched in by_entry if _beyond(there, matched)]
    by_item = session.execute(
        select(BankItem.id, BankItem.amount_cents, total)
        .join(BankMatch, and_(BankMatch.item_id == BankItem.id, stands))
        .group_by(BankItem.id, BankItem.amount_cents)
    )
    found += [
        _too_much(f"The item {item} from paper", there, matched) for item, there, matched in by_item if _beyond(there, matched)
    ]
    astray = session.scalars(
        select(BankMatch.id).join(BankItem, BankItem.id == BankMatch.item_id).where(BankItem.entry_id != BankMatch.entry_id)
    )
    return found + [f"Match {match_id} names an item from paper of another entry." for match_id in astray]


def _beyond(there: int, matched: int) -> bool:
    return not (min(0, there) <= matched <= max(0, there))


def _too_much(what: str, there: int, matched: int) -> str:
    return f"{what} is {format_dollars(int(there))} and matched with {format_dollars(int(matched))}."

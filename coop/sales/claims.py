"""Unclaimed sales: whose they were is asked, granted or refused; what nobody claims is a liability until a rule releases it.

Granting moves the price from the mall's unclaimed account to the dealer's on the day of the claim: the month it was sold in may
be closed, and its commission falls in the month of the claim. Its tax was due at the sale and stays where it is.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, String, cast, func, literal, select
from sqlalchemy.orm import Session, aliased

from coop.books.accounts import dealer_account, unclaimed_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Entry, Posting
from coop.books.releasing import RELEASE, post_release
from coop.books.service import post_entry, posting_date
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.mail import queue_mail
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.core.templating import render
from coop.dealers.models import Cooperative, Dealer
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.sales.models import Claim, Ticket, TicketLine

CLAIM = "claim"
"""Kinds of entry: of a claim that was granted, of money let go."""
_BACK = aliased(TicketLine)
BACK: ColumnElement[int] = (
    select(func.coalesce(func.sum(_BACK.price_cents), 0))
    .where(_BACK.returns_line_id == TicketLine.id, _BACK.dealer_id.is_(None))
    .correlate(TicketLine)
    .scalar_subquery()
)
"""What came back of a line while it was nobody's; zero or negative."""
RELEASED: ColumnElement[bool] = (
    select(Entry.id)
    .where(
        Entry.source_kind == RELEASE,
        Entry.source_id == literal("line/") + cast(TicketLine.id, String),
        Entry.purpose == RELEASE,
    )
    .correlate(TicketLine)
    .exists()
)
LEFT: ColumnElement[int] = TicketLine.price_cents + BACK
UNCLAIMED = (TicketLine.credited_on.is_(None), TicketLine.returns_line_id.is_(None), LEFT != 0, ~RELEASED)
"""A line that somebody can still claim. What a return brings back of another goes with that one."""


# --- reads --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AskedClaim:
    """A claim with the dealer who makes it."""

    claim: Claim
    dealer: Dealer


@dataclass(frozen=True)
class UnclaimedLine:
    """A line that is nobody's yet."""

    line: TicketLine
    ticket: Ticket
    left_cents: int
    """Its price, less what was brought back of it; negative for a return that is tied to nothing."""
    age_days: int
    old: bool
    """Whether it has waited longer than the house rule says."""
    asked: Sequence[AskedClaim] = ()
    """Open claims, in the order they were made."""


IS_ASKED: ColumnElement[bool] = (
    select(Claim.id).where(Claim.line_id == TicketLine.id, Claim.state == "asked").correlate(TicketLine).exists()
)
"""Whether somebody asks for a line."""


def unclaimed_query(mall: Mall) -> Select[TicketLine, Ticket, int]:
    """A mall's unclaimed lines with their tickets and what of each can still be claimed."""
    lines = select(TicketLine, Ticket, LEFT).join(Ticket, Ticket.id == TicketLine.ticket_id)
    return lines.where(TicketLine.mall_id == mall.id, *UNCLAIMED)


def unclaimed_line(row: Any, today: date, old_after_days: int) -> UnclaimedLine:
    """A row of `unclaimed_query`, without its claims."""
    line, ticket, left = row
    age = (today - ticket.sold_on).days
    return UnclaimedLine(line, ticket, int(left), age, age > old_after_days)


def claimed(session: Session, lines: Sequence[UnclaimedLine]) -> list[UnclaimedLine]:
    """The same lines with their open claims."""
    claims = open_claims(session, [row.line.id for row in lines])
    return [replace(row, asked=claims.get(row.line.id, ())) for row in lines]


def unclaimed_lines(
    session: Session,
    mall: Mall,
    *,
    today: date,
    old_after_days: int,
    asked: bool | None = None,
    after_id: int = 0,
    most: int = 50,
) -> list[UnclaimedLine]:
    """A mall's unclaimed lines beyond `after_id`, the oldest first: all, or those that somebody (or nobody) asks for."""
    rows = unclaimed_query(mall).where(TicketLine.id > after_id).order_by(TicketLine.id).limit(most)
    if asked is not None:
        rows = rows.where(IS_ASKED if asked else ~IS_ASKED)
    return claimed(session, [unclaimed_line(row, today, old_after_days) for row in session.execute(rows)])


def left_of(session: Session, line: TicketLine) -> int:
    """What of a line's price can still be claimed, if it is nobody's, in cents."""
    return int(session.scalar(select(LEFT).where(TicketLine.id == line.id)) or 0)


def open_claims(session: Session, line_ids: Iterable[int]) -> dict[int, list[AskedClaim]]:
    """The open claims on lines, by line id, in the order they were made."""
    rows = session.execute(
        select(Claim, Dealer)
        .join(Dealer, Dealer.id == Claim.dealer_id)
        .where(Claim.line_id.in_(list(line_ids)), Claim.state == "asked")
        .order_by(Claim.id)
    )
    claims: dict[int, list[AskedClaim]] = defaultdict(list)
    for claim, dealer in rows:
        claims[claim.line_id].append(AskedClaim(claim, dealer))
    return claims


def claims_of_line(session: Session, line_id: int) -> list[AskedClaim]:
    """Every claim on a line, decided or not, in the order they were made."""
    rows = session.execute(
        select(Claim, Dealer).join(Dealer, Dealer.id == Claim.dealer_id).where(Claim.line_id == line_id).order_by(Claim.id)
    )
    return [AskedClaim(claim, dealer) for claim, dealer in rows]


@dataclass(frozen=True)
class UnclaimedSum:
    """What of a mall is nobody's."""

    lines: int
    cents: int
    old: int
    """Lines that have waited longer than the house rule says."""
    asked: int
    """Lines that somebody asks for."""


def unclaimed_sum(session: Session, mall: Mall, *, old_before: date) -> UnclaimedSum:
    """How much of a mall is unclaimed, and how many of its lines were sold before a day."""
    is_asked = select(Claim.id).where(Claim.line_id == TicketLine.id, Claim.state == "asked").exists()
    count, cents, old, asked = session.execute(
        select(
            func.count(TicketLine.id),
            func.coalesce(func.sum(LEFT), 0),
            func.count(TicketLine.id).filter(Ticket.sold_on < old_before),
            func.count(TicketLine.id).filter(is_asked),
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.mall_id == mall.id, *UNCLAIMED)
    ).one()
    return UnclaimedSum(int(count), int(cents), int(old), int(asked))


def check_unclaimed(session: Session) -> list[str]:
    """Hold each mall's unclaimed account against its unclaimed lines, and granted claims against theirs; the faults as sentences.

    What came from paper has lines too, of tickets that the opening made; what was released has left the account.
    """
    rows = session.execute(
        select(TicketLine.mall_id, func.sum(TicketLine.price_cents))
        .where(TicketLine.credited_on.is_(None))
        .group_by(TicketLine.mall_id)
    )
    lines = {mall_id: int(cents) for mall_id, cents in rows}
    ledger: dict[int, int] = defaultdict(int)
    moved = session.execute(
        select(Account.mall_id, Entry.kind, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "unclaimed")
        .group_by(Account.mall_id, Entry.kind)
    )
    for mall_id, kind, cents in moved:
        if mall_id is not None and kind == RELEASE:
            lines[mall_id] = lines.get(mall_id, 0) - int(cents)
        if mall_id is not None:
            ledger[mall_id] -= int(cents)
    found = []
    for mall_id in sorted(lines.keys() | ledger.keys()):
        mine, books = lines.get(mall_id, 0), ledger.get(mall_id, 0)
        if mine != books:
            code = session.get_one(Mall, mall_id).code
            found.append(
                f"At {code} unclaimed sales are {format_dollars(mine)} by their lines and {format_dollars(books)} in the ledger."
            )
    astray = session.execute(
        select(Claim.id, Ticket.number)
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(Claim.state == "granted", TicketLine.dealer_id.is_distinct_from(Claim.dealer_id))
        .order_by(Claim.id)
        .limit(20)
    )
    return found + [
        f"Claim {claim_id} on ticket {number} is granted, but the sale is not its dealer's." for claim_id, number in astray
    ]


# --- asked, granted, refused --------------------------------------------------------------------------------------------


def ask_claim(
    session: Session, now: datetime, line: TicketLine, dealer: Dealer, *, words: str, user_id: int | None = None
) -> Claim:
    """Say for a dealer that an unclaimed sale was hers. Several dealers may ask for one.

    Refuses a line that is somebody's, was brought back, or whose money was released, and a second open claim of one dealer.
    """
    _hold(session, line)
    _require_unclaimed(session, line)
    open_one = select(Claim.id).where(Claim.line_id == line.id, Claim.dealer_id == dealer.id, Claim.state == "asked")
    if session.scalar(open_one) is not None:
        raise Refusal(f"{dealer.code} has asked for this sale already: the manager decides on it.")
    claim = Claim(line_id=line.id, dealer_id=dealer.id, words=words.strip()[:200], asked_by=user_id, asked_at=now, state="asked")
    session.add(claim)
    session.flush()
    audit.record(
        session, now, "claim asked", "claim", claim.id, user_id=user_id, detail=f"{dealer.code}, {_named(session, line)}"
    )
    return claim


def grant_claim(session: Session, now: datetime, claim: Claim, *, user_id: int | None = None) -> int:
    """Grant a claim: the sale is the dealer's from today on, and the others who asked for it are refused. The entry's id.

    Refuses a claim that is decided, and a manager who is that dealer.
    """
    line = session.get_one(TicketLine, claim.line_id)
    _hold(session, line)
    _require_asked(session, claim)
    require_not_own(session, user_id, claim.dealer_id, "your own claim")
    back = _require_unclaimed(session, line)
    mall, dealer = session.get_one(Mall, line.mall_id), session.get_one(Dealer, claim.dealer_id)
    amount = line.price_cents + sum(one.price_cents for one in back)
    on = posting_date(session, mall.id, local_date(now, mall.timezone))
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=on,
            kind=CLAIM,
            source_kind=CLAIM,
            source_id=f"line/{line.id}",
            purpose=CLAIM,
            postings=netted([(unclaimed_account(session, mall), amount), (dealer_account(session, mall, dealer), -amount)]),
            memo=f"Claimed: {_named(session, line)}",
        ),
    )
    # What was brought back of it while it was nobody's is hers with it.
    for one in (line, *back):
        one.dealer_id, one.credited_on = dealer.id, on
    for other in open_claims(session, [line.id]).get(line.id, ()):
        if other.claim.id != claim.id:
            _decide(other.claim, "refused", now, "Another dealer's claim was granted.", user_id)
    claim.entry_id = entry_id
    _decide(claim, "granted", now, "", user_id)
    session.flush()
    said = f"{dealer.code}, {_named(session, line)}"
    audit.record(session, now, "claim granted", "claim", claim.id, user_id=user_id, detail=said)
    return entry_id


def refuse_claim(session: Session, now: datetime, claim: Claim, *, decision: str, user_id: int | None = None) -> None:
    """Refuse a claim, with the reason its dealer reads. The sale stays nobody's.

    Refuses a claim that is decided, no reason, and a manager who asks for the same sale.
    """
    line = session.get_one(TicketLine, claim.line_id)
    _hold(session, line)
    _require_asked(session, claim)
    if not decision.strip():
        raise Refusal("The reason is empty: write why the claim is refused; its dealer reads it.")
    for other in open_claims(session, [line.id]).get(line.id, ()):
        require_not_own(session, user_id, other.claim.dealer_id, "a sale that you ask for yourself")
    _decide(claim, "refused", now, decision.strip()[:200], user_id)
    session.flush()
    audit.record(session, now, "claim refused", "claim", claim.id, user_id=user_id, detail=_named(session, line))


def tell_claimants(session: Session, now: datetime, line: TicketLine, *, mail_domain: str) -> None:
    """Write to everybody whose claim on a line is decided, once each, where there is a mail address."""
    coop, ticket = session.get_one(Cooperative, 1), session.get_one(Ticket, line.ticket_id)
    mall = session.get_one(Mall, line.mall_id)
    for asked in claims_of_line(session, line.id):
        if asked.claim.state == "asked" or not asked.dealer.member.email:
            continue
        values = {
            "claim": asked.claim,
            "item": line.description,
            "cents": line.price_cents,
            "sold_on": ticket.sold_on,
            "credited_on": line.credited_on,
            "coop_name": coop.name,
            "mall_name": mall.name,
        }
        # An address that no mail can bear stops no decision: the portal says it too.
        with suppress(Refusal):
            queue_mail(
                session,
                now,
                key=f"claim/{asked.claim.id}",
                kind=CLAIM,
                recipient=asked.dealer.member.email,
                subject=" ".join(render("email/claim/subject.txt", **values).split())[:200],
                text_body=re.sub(r"\n{3,}", "\n\n", render("email/claim/body.txt", **values)).strip() + "\n",
                html_body=render("email/claim/body.html", **values),
                mail_domain=mail_domain,
            )


# --- released -----------------------------------------------------------------------------------------------------------


def released_on(session: Session, line: TicketLine) -> date | None:
    """The day on which the money of a line was let go; None: it was not."""
    release = (Entry.source_kind == RELEASE, Entry.source_id == f"line/{line.id}", Entry.purpose == RELEASE)
    return session.scalar(select(Entry.business_date).where(*release))


def require_unreleased(session: Session, line: TicketLine) -> None:
    """Refuse a line whose money was released by a state's rule: it is not there any more."""
    on = released_on(session, line)
    if on is not None:
        raise Refusal(f"The money of this sale was released on {written(on)}, for nobody had claimed it: ask the bookkeeper.")


def release_line(session: Session, now: datetime, line: TicketLine, *, goes_to: str, on: date, user_id: int | None = None) -> int:
    """Let the money of an unclaimed line out of the liabilities by a state's rule: to the state, or to the co-op as income.

    Whether the rule lets it go is the caller's to judge, and a second person's to approve. The entry's id. Refuses a line that is
    somebody's or released, a return without its sale, and one that somebody asks for.
    """
    _hold(session, line)
    back = _require_unclaimed(session, line)
    asked = open_claims(session, [line.id]).get(line.id)
    if asked:
        raise Refusal(f"{asked[0].dealer.code} asks for this sale: decide on the claim first.")
    amount = line.price_cents + sum(one.price_cents for one in back)
    if amount < 0:
        raise Refusal("This is a return whose sale is not known: there is nothing to release.")
    mall = session.get_one(Mall, line.mall_id)
    entry_id = post_release(
        session,
        now,
        mall,
        unclaimed_account(session, mall),
        amount,
        goes_to=goes_to,
        on=on,
        source=f"line/{line.id}",
        memo=f"Unclaimed sale released to the {goes_to}: {_named(session, line)}",
    )
    audit.record(session, now, "unclaimed sale released", "ticket line", line.id, user_id=user_id, detail=goes_to)
    return entry_id


# --- how ----------------------------------------------------------------------------------------------------------------


def _hold(session: Session, line: TicketLine) -> None:
    """Hold the line: of two who claim, return or release it at once, the second sees what the first did."""
    session.refresh(line, with_for_update=True)


def _require_unclaimed(session: Session, line: TicketLine) -> Sequence[TicketLine]:
    """Refuse a line that cannot be claimed; the lines that brought some of it back."""
    if line.credited_on is not None:
        claimed = select(Claim.id).where(Claim.line_id == line.id, Claim.state == "granted")
        raise Refusal(
            "This sale is a dealer's already: only an unclaimed one can be claimed."
            if session.scalar(claimed) is None
            else f"This sale was claimed on {written(line.credited_on)}: nobody else can claim it."
        )
    if line.returns_line_id is not None:
        raise Refusal("This return belongs to a sale: it goes to whoever claims that one.")
    require_unreleased(session, line)
    back = session.scalars(
        select(TicketLine).where(TicketLine.returns_line_id == line.id, TicketLine.dealer_id.is_(None)).order_by(TicketLine.id)
    ).all()
    if not line.price_cents + sum(one.price_cents for one in back):
        raise Refusal("This item was brought back: nothing of its price is left to claim.")
    return back


def _require_asked(session: Session, claim: Claim) -> None:
    session.refresh(claim, with_for_update=True)
    if claim.state != "asked":
        raise Refusal(f"This claim was {claim.state} before: it is decided once.")


def _decide(claim: Claim, state: str, now: datetime, decision: str, user_id: int | None) -> None:
    claim.state, claim.decided_by, claim.decided_at, claim.decision = state, user_id, now, decision


def _named(session: Session, line: TicketLine) -> str:
    """`ticket 1004, item 1, of Oct 5, 2026`: no names."""
    ticket = session.get_one(Ticket, line.ticket_id)
    return f"ticket {ticket.number}, item {line.position}, of {written(ticket.sold_on)}"

"""Patronage: a year's surplus shared among members by the business they did, proposed by one person and approved by another.

Business is the commission and rent of the year, at every mall, on paper too. Posted, each share takes from Equity:Patronage: a
part goes to the dealer's account, to be paid out with the rest of it, and what is left is her equity, Equity:Retained:CODE.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import case, func, literal, select
from sqlalchemy.orm import Session

from coop.books.accounts import dealer_account, equity_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Entry, Opening, OpeningMemo, Posting
from coop.books.service import post_entries, posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.core.templating import percent
from coop.dealers.membership import hold_coop
from coop.dealers.models import Dealer
from coop.dealers.second_person import require_second
from coop.floor.models import Mall
from coop.payouts.domain.shares import shares
from coop.payouts.models import Patronage, PatronageShare
from coop.payouts.queries import codes_of, coop_today
from coop.payouts.year import PATRONAGE, RENT_KINDS, unfinished

CAUTION = (
    "How a surplus may be shared, how much of it in cash and by when, bylaws and tax law say: let an accountant look at this "
    "before it is approved."
)


def business_of(session: Session, year: int) -> dict[tuple[int, int], int]:
    """Commission and rent of a year, on paper too: (dealer id, mall id) -> cents above zero."""
    rows = session.execute(
        select(Account.dealer_id, Account.mall_id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(
            Account.kind == "dealer",
            Entry.business_date.between(date(year, 1, 1), date(year, 12, 31)),
            Entry.kind.in_(("commission", *RENT_KINDS)),
        )
        .group_by(Account.dealer_id, Account.mall_id)
    )
    found: dict[tuple[int, int], int] = defaultdict(int)
    for dealer, mall, cents in rows:
        if dealer is not None and mall is not None:
            found[dealer, mall] += int(cents)
    memos = session.execute(
        select(OpeningMemo.dealer_id, OpeningMemo.mall_id, func.sum(OpeningMemo.amount_cents))
        .join(Opening, Opening.id == OpeningMemo.opening_id)
        .where(OpeningMemo.year == year, OpeningMemo.what.in_(("commission", "rent")), Opening.state == "signed")
        .group_by(OpeningMemo.dealer_id, OpeningMemo.mall_id)
    )
    for memo_dealer, memo_mall, memo_cents in memos:
        found[memo_dealer, memo_mall] += int(memo_cents or 0)
    return {key: cents for key, cents in found.items() if cents > 0}


def propose_patronage(
    session: Session,
    now: datetime,
    year: int,
    *,
    surplus_cents: int,
    cash_percent: Decimal,
    on: date,
    user_id: int | None = None,
) -> Patronage:
    """Work out every dealer's share of a year's surplus. Posts nothing: a second person approves it.

    Refuses, naming the field, a surplus not above zero, a percent over a hundred, a day within the year, a year that a mall has
    not closed, one in which there was no business, and one that was shared already.
    """
    if surplus_cents <= 0:
        raise Refusal(f"The surplus is {format_dollars(surplus_cents)}: write an amount above zero.")
    if not 0 <= cash_percent <= 100:
        raise Refusal(f"The part in cash is {cash_percent}%: write a percent from 0 to 100.")
    if on <= date(year, 12, 31):
        raise Refusal(f"The day {written(on)} is not after {year}: a year is shared when it is over.")
    # One at a time: of two who share the same year the second sees what the first did.
    hold_coop(session)
    there = patronage_of(session, year)
    if there is not None:
        stands = "shared already" if there.state == "posted" else "proposed already: approve it, or drop it first"
        raise Refusal(f"The surplus of {year} is {stands}.")
    open_yet = unfinished(session, year)
    if open_yet:
        raise Refusal(f"{' '.join(open_yet)} Close the year's months first.")
    business = business_of(session, year)
    if not business:
        raise Refusal(f"Nobody was charged commission or rent in {year}: there is nothing to share by.")
    codes = codes_of(session)
    malls = dict(session.execute(select(Mall.id, Mall.code)).all())
    order = sorted(business, key=lambda key: (codes[key[0]], malls[key[1]]))
    patronage = Patronage(
        year=year,
        surplus_cents=surplus_cents,
        cash_percent=cash_percent,
        on=on,
        made_by=user_id,
        made_at=now,
        totals={
            "business_cents": sum(business.values()),
            "dealers": len({dealer for dealer, _ in business}),
            "shares": len(order),
        },
    )
    session.add(patronage)
    session.flush()
    parts = shares(surplus_cents, [business[key] for key in order], cash_percent)
    for (dealer, mall), part in zip(order, parts, strict=True):
        session.add(
            PatronageShare(
                patronage_id=patronage.id,
                dealer_id=dealer,
                mall_id=mall,
                business_cents=business[dealer, mall],
                share_cents=part.share_cents,
                cash_cents=part.cash_cents,
                retained_cents=part.retained_cents,
            )
        )
    session.flush()
    audit.record(session, now, "patronage proposed", "patronage", year, user_id=user_id, detail=format_dollars(surplus_cents))
    return patronage


def approve_patronage(session: Session, now: datetime, patronage: Patronage, *, user_id: int | None) -> int:
    """Post a proposal as a second person, whose own share is no bar; how many entries.

    Where a mall has closed the proposal's month, its shares are dated on its first open day. Refuses whoever proposed it, one
    that is decided, one whose day is to come, and one whose business is not what it was worked out from.
    """
    hold_coop(session)
    session.refresh(patronage, with_for_update=True)
    _require_proposed(patronage)
    require_second(patronage.made_by, user_id, f"the sharing of {patronage.year}'s surplus")
    if patronage.on > coop_today(session, now):
        raise Refusal(f"It is dated on {written(patronage.on)}: approve it from that day on.")
    standing = {(share.dealer_id, share.mall_id): share.business_cents for share in patronage.shares}
    if standing != business_of(session, patronage.year):
        raise Refusal(f"The commission or rent of {patronage.year} is not as it was: drop this proposal and make it anew.")
    dealers = {dealer.id: dealer for dealer in session.scalars(select(Dealer))}
    malls = {mall.id: mall for mall in session.scalars(select(Mall))}
    posted = [share for share in patronage.shares if share.share_cents]
    drafts = [_draft(session, patronage, share, dealers[share.dealer_id], malls[share.mall_id]) for share in posted]
    for share, entry_id in zip(posted, post_entries(session, now, drafts), strict=True):
        share.entry_id = entry_id
    patronage.state, patronage.approved_by, patronage.approved_at = "posted", user_id, now
    session.flush()
    audit.record(session, now, "patronage approved", "patronage", patronage.year, user_id=user_id)
    return len(drafts)


def _draft(session: Session, patronage: Patronage, share: PatronageShare, dealer: Dealer, mall: Mall) -> EntryDraft:
    source = f"{patronage.year}/{dealer.code}/{mall.code}"
    return EntryDraft(
        mall_id=mall.id,
        business_date=posting_date(session, mall.id, patronage.on),
        kind=PATRONAGE,
        source_kind=PATRONAGE,
        source_id=source,
        purpose=PATRONAGE,
        postings=netted(
            [
                (equity_account(session, "Patronage"), share.share_cents),
                (dealer_account(session, mall, dealer), -share.cash_cents),
                (equity_account(session, f"Retained:{dealer.code}"), -share.retained_cents),
            ]
        ),
        memo=f"Patronage of {patronage.year}: {format_dollars(share.share_cents)}, {percent(patronage.cash_percent)} in cash",
    )


def drop_patronage(session: Session, now: datetime, patronage: Patronage, *, user_id: int | None = None) -> None:
    """Take a proposal back. Refuses one that is decided."""
    session.refresh(patronage, with_for_update=True)
    _require_proposed(patronage)
    patronage.state = "dropped"
    session.flush()
    audit.record(session, now, "patronage dropped", "patronage", patronage.year, user_id=user_id)


def _require_proposed(patronage: Patronage) -> None:
    if patronage.state != "proposed":
        raise Refusal(f"The sharing of {patronage.year}'s surplus is {patronage.state} already.")


def patronage_of(session: Session, year: int) -> Patronage | None:
    """A year's sharing that was not dropped."""
    return session.scalar(select(Patronage).where(Patronage.year == year, Patronage.state != "dropped"))


def newest_patronage(session: Session, year: int) -> Patronage | None:
    """A year's sharing, dropped or not, the last that was proposed."""
    return session.scalar(select(Patronage).where(Patronage.year == year).order_by(Patronage.id.desc()).limit(1))


def patronages(session: Session) -> Sequence[Patronage]:
    """All of them that were not dropped, the newest year first."""
    return session.scalars(select(Patronage).where(Patronage.state != "dropped").order_by(Patronage.year.desc())).all()


def check_patronage(session: Session) -> list[str]:
    """Each sharing against its shares and the ledger; a sentence for each that does not hold."""
    rows = session.execute(
        select(Patronage.year, Patronage.surplus_cents, Patronage.state, func.coalesce(func.sum(PatronageShare.share_cents), 0))
        .outerjoin(PatronageShare, PatronageShare.patronage_id == Patronage.id)
        .group_by(Patronage.id)
        .order_by(Patronage.id)
    )
    said = [
        f"The surplus of {year} is {format_dollars(whole)}, and its shares are {format_dollars(int(parts))}."
        for year, whole, _state, parts in rows
        if whole != parts
    ]
    cash = func.coalesce(func.sum(case((Account.kind == "dealer", Posting.amount_cents))), 0)
    kept = func.coalesce(func.sum(case((Account.path == literal("Equity:Retained:") + Dealer.code, Posting.amount_cents))), 0)
    astray = session.execute(
        select(Patronage.year, Dealer.code, PatronageShare.cash_cents, PatronageShare.retained_cents, cash, kept)
        .join(PatronageShare, PatronageShare.patronage_id == Patronage.id)
        .join(Dealer, Dealer.id == PatronageShare.dealer_id)
        .outerjoin(Posting, Posting.entry_id == PatronageShare.entry_id)
        .outerjoin(Account, Account.id == Posting.account_id)
        .where(Patronage.state == "posted")
        .group_by(Patronage.year, Dealer.code, PatronageShare.id)
        .order_by(Patronage.year, Dealer.code)
    )
    for year, code, cash_cents, kept_cents, paid, retained in astray:
        for how, mine, books in (("in cash", cash_cents, -int(paid)), ("kept as equity", kept_cents, -int(retained))):
            if mine != books:
                in_books = f"{format_dollars(books)} is in the ledger"
                said.append(f"{code}'s share of {year} is {format_dollars(mine)} {how}, and {in_books}.")
    return said

"""Gift certificates: sold, used at any mall, given back to, released; what is left of one is its moves' sum, and the ledger's."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, select
from sqlalchemy.orm import Session

from coop.books.accounts import gift_account, tender_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Posting
from coop.books.releasing import RELEASE, post_release
from coop.books.service import post_entry, posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import add_months
from coop.core.templating import day as written
from coop.dealers.membership import hold_coop
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import GiftCertificate, GiftMove, Ticket

GIFT = "gift"
"""Kind of the tender, and of the entry of a sale."""
TENDERS = {"cash": "cash", "card": "card", "check": "check"}
"""How a certificate is paid for."""
STATES = ("open", "used", "expired")
CAUTION = (
    "Federal law keeps the money of a gift certificate good for five years at least (12 CFR 1005.20), and some states allow no "
    "end at all or ask for small rests in cash: leave the day it ends empty unless somebody who knows has said otherwise."
)
GOOD_MONTHS = 60
"""The law of CAUTION: the money stays good for five years at least after it was paid in."""
_FIRST_NUMBER = 1001
_TAKEN_BACK = "taken back"
_ADDS = ("sold", "brought over", "given back")
SIGNED: ColumnElement[int] = case((GiftMove.kind.in_(_ADDS), GiftMove.amount_cents), else_=-GiftMove.amount_cents)
LEFT: ColumnElement[int] = func.coalesce(func.sum(SIGNED), 0)


class NumberRefused(Refusal):
    """The number is not one that a certificate can have."""


class EndRefused(Refusal):
    """The certificate cannot end on that day."""


# --- reads --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ListedCertificate:
    """A certificate of a list, with what is left of it in cents."""

    certificate: GiftCertificate
    left_cents: int
    state: str
    """open, used, or expired with something left."""


def certificate_left(session: Session, certificate: GiftCertificate) -> int:
    """Cents that its bearer can still buy for."""
    return int(session.scalar(select(LEFT).where(GiftMove.certificate_id == certificate.id)) or 0)


def state_of(certificate: GiftCertificate, left_cents: int, today: date) -> str:
    if not left_cents:
        return "used"
    return "expired" if certificate.expires_on is not None and certificate.expires_on < today else "open"


LEFT_OF: ColumnElement[int] = (
    select(LEFT).where(GiftMove.certificate_id == GiftCertificate.id).correlate(GiftCertificate).scalar_subquery()
)
"""What is left of a certificate, in cents."""


def certificates_query() -> Select[GiftCertificate, int]:
    """The co-op's certificates, each with what is left of it."""
    return select(GiftCertificate, LEFT_OF)


def is_in_state(state: str, today: date) -> ColumnElement[bool]:
    """Whether a certificate is in one of STATES."""
    over = func.coalesce(GiftCertificate.expires_on < today, False)
    return {"open": and_(LEFT_OF != 0, ~over), "used": LEFT_OF == 0, "expired": and_(LEFT_OF != 0, over)}[state]


def listed(row: Any, today: date) -> ListedCertificate:
    """A row of `certificates_query` with its state."""
    one, cents = row
    return ListedCertificate(one, int(cents), state_of(one, int(cents), today))


def certificates_held(session: Session) -> int:
    """What the co-op owes the bearers of all of them together, in cents."""
    return int(session.scalar(select(LEFT)) or 0)


@dataclass(frozen=True)
class ShownMove:
    """Money of a certificate that came or went, with where, and the number of the ticket it paid or that gave it back."""

    move: GiftMove
    mall: Mall
    ticket: str

    @property
    def adds(self) -> bool:
        return self.move.kind in _ADDS

    @property
    def words(self) -> str:
        """What it was: a certificate taken back is let go to its buyer."""
        return _TAKEN_BACK if self.move.key.startswith(f"{_TAKEN_BACK}:") else self.move.kind


def moves_of(session: Session, certificate: GiftCertificate) -> list[ShownMove]:
    rows = session.execute(
        select(GiftMove, Mall, func.coalesce(Ticket.number, ""))
        .join(Mall, Mall.id == GiftMove.mall_id)
        .outerjoin(Ticket, Ticket.id == GiftMove.ticket_id)
        .where(GiftMove.certificate_id == certificate.id)
        .order_by(GiftMove.id)
    )
    return [ShownMove(move, mall, number) for move, mall, number in rows]


def check_gifts(session: Session) -> list[str]:
    """Hold the certificates' moves against the ledger, entry by entry, and each to what it had; a sentence for what differs."""
    ledger = (
        select(Posting.entry_id, -func.sum(Posting.amount_cents))
        .join(Account, Account.id == Posting.account_id)
        .where(Account.kind == "gift certificates")
        .group_by(Posting.entry_id)
    )
    books = {entry_id: int(cents) for entry_id, cents in session.execute(ledger)}
    moves = select(GiftMove.entry_id, func.sum(SIGNED)).group_by(GiftMove.entry_id)
    moved = {entry_id: int(cents) for entry_id, cents in session.execute(moves)}
    found = [
        f"Entry {entry_id} moves the gift certificates by {format_dollars(books.get(entry_id, 0))} in the ledger and by "
        f"{format_dollars(moved.get(entry_id, 0))} by their own rows."
        for entry_id in sorted(books.keys() | moved.keys())
        if books.get(entry_id, 0) != moved.get(entry_id, 0)
    ]
    below = session.execute(
        select(GiftCertificate.number, LEFT)
        .join(GiftMove)
        .group_by(GiftCertificate.id, GiftCertificate.number)
        .having(LEFT < 0)
        .order_by(GiftCertificate.id)
    )
    return found + [
        f"Gift certificate {number} has paid {format_dollars(-int(cents))} more than it had." for number, cents in below
    ]


# --- sold and released --------------------------------------------------------------------------------------------------


def sell_certificate(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    amount_cents: int,
    tender: str,
    on: date,
    key: str,
    number: str | None = None,
    expires_on: date | None = None,
    user_id: int | None = None,
) -> GiftCertificate:
    """Sell a certificate: what was paid for it is owed to its bearer. It is no sale yet, so no tax is due.

    Without a number it takes the next free one. The same key again answers the first certificate. Refuses a number that is taken,
    nothing, an unknown way to pay, and an end before it begins or less than five years after. Sold in a closed month, it is dated
    in the open one.
    """
    # The co-op's row is held, so that two at once count on, and the second press of one form finds the first.
    hold_coop(session)
    found = session.scalar(select(GiftCertificate).join(GiftMove).where(GiftMove.key == key))
    if found is not None:
        return found
    if amount_cents <= 0:
        raise Refusal(f"The certificate is for {format_dollars(amount_cents)}: write an amount above nothing.")
    if tender not in TENDERS:
        raise Refusal(f"{tender or 'Nothing'} is no way to pay for a certificate: choose cash, card or check.")
    _require_end(on, expires_on)
    wanted = _wanted_number(session, number) if number and number.strip() else _next_number(session)
    certificate = GiftCertificate(
        number=wanted, mall_id=mall.id, sold_on=on, amount_cents=amount_cents, expires_on=expires_on, sold_by=user_id
    )
    session.add(certificate)
    session.flush()
    day = posting_date(session, mall.id, on)
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=day,
            kind=GIFT,
            source_kind=GIFT,
            source_id=wanted,
            purpose="sold",
            postings=netted([(tender_account(session, mall, tender), amount_cents), (gift_account(session), -amount_cents)]),
            memo=f"Gift certificate {wanted} sold",
        ),
    )
    session.add(
        GiftMove(
            certificate_id=certificate.id,
            key=key,
            kind="sold",
            amount_cents=amount_cents,
            on=day,
            mall_id=mall.id,
            entry_id=entry_id,
            made_by=user_id,
        )
    )
    session.flush()
    audit.record(session, now, "gift certificate sold", "gift certificate", wanted, user_id=user_id, detail=mall.code)
    return certificate


def _require_end(on: date, expires_on: date | None) -> None:
    if expires_on is None:
        return
    if expires_on < on:
        raise EndRefused(f"The certificate would end on {written(expires_on)}, before it is sold on {written(on)}.")
    # A day that the last year has not is the next one, so that it is five years at least.
    earliest = add_months(on, GOOD_MONTHS)
    earliest += timedelta(days=earliest.day < on.day)
    if expires_on < earliest:
        raise EndRefused(
            f"The certificate would end on {written(expires_on)}, less than five years after it is sold: its money stays good "
            f"for five years at least (12 CFR 1005.20). Leave the day empty, or write {written(earliest)} or later. Certificates "
            "given away without payment, which may end earlier, are not kept here."
        )


def _wanted_number(session: Session, number: str) -> str:
    wanted = number.strip()
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]{0,19}", wanted):
        raise NumberRefused(f"{wanted[:40]!r} is no number of a certificate: write up to 20 letters, digits and hyphens.")
    if _find(session, [wanted]):
        raise NumberRefused(
            f"There is a gift certificate {wanted} already: write another number, or leave it empty for the next."
        )
    return wanted


def _next_number(session: Session) -> str:
    counted = (int(number) for number in session.scalars(select(GiftCertificate.number)) if number.isascii() and number.isdigit())
    return str(max(counted, default=_FIRST_NUMBER - 1) + 1)


def is_fresh(session: Session, certificate: GiftCertificate, on: date) -> bool:
    """Whether it was sold on that day and nothing moved on it since."""
    kinds = session.scalars(select(GiftMove.kind).where(GiftMove.certificate_id == certificate.id)).all()
    return certificate.sold_on == on and list(kinds) == ["sold"]


def take_back_certificate(
    session: Session, now: datetime, certificate: GiftCertificate, *, on: date, user_id: int | None = None
) -> int:
    """Take back a certificate that was sold by mistake: what was paid goes back the way it came. The entry's id.

    The paper is to be destroyed: its number is never used again. Refuses one that was sold on another day, or moved since.
    """
    session.refresh(certificate, with_for_update=True)
    if not is_fresh(session, certificate, on):
        raise Refusal(
            f"Gift certificate {certificate.number} cannot be taken back: only on the day it was sold, "
            f"{written(certificate.sold_on)}, and as long as nothing was bought for it."
        )
    sold = session.scalars(select(GiftMove).where(GiftMove.certificate_id == certificate.id)).one()
    postings = session.execute(
        select(Posting.account_id, Posting.amount_cents).where(Posting.entry_id == sold.entry_id).order_by(Posting.id)
    )
    day = posting_date(session, certificate.mall_id, on)
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=certificate.mall_id,
            business_date=day,
            kind=GIFT,
            source_kind=GIFT,
            source_id=certificate.number,
            purpose=_TAKEN_BACK,
            postings=tuple((account_id, -cents) for account_id, cents in postings),
            memo=f"Gift certificate {certificate.number} taken back",
        ),
    )
    session.add(
        GiftMove(
            certificate_id=certificate.id,
            key=f"{_TAKEN_BACK}:{certificate.id}",
            kind="released",
            amount_cents=sold.amount_cents,
            on=day,
            mall_id=certificate.mall_id,
            entry_id=entry_id,
            made_by=user_id,
        )
    )
    session.flush()
    audit.record(session, now, "gift certificate taken back", "gift certificate", certificate.number, user_id=user_id)
    return entry_id


def release_certificate(
    session: Session, now: datetime, certificate: GiftCertificate, *, goes_to: str, on: date, user_id: int | None = None
) -> int:
    """Let what is left of a certificate out of the liabilities, by a state's rule: to the state, or to the co-op as income.

    Whether the rule lets it go is the caller's to judge, and a second person's to approve. The entry's id. Refuses one with
    nothing left.
    """
    session.refresh(certificate, with_for_update=True)
    left = certificate_left(session, certificate)
    if left <= 0:
        raise Refusal(f"Nothing is left on gift certificate {certificate.number}: there is nothing to release.")
    mall = session.get_one(Mall, certificate.mall_id)
    # What a return gives back to it later may be released too.
    before = session.scalar(select(func.count()).where(GiftMove.certificate_id == certificate.id, GiftMove.kind == "released"))
    source = f"gift/{certificate.number}" + (f"/{before + 1}" if before else "")
    day = posting_date(session, mall.id, on)
    entry_id = post_release(
        session,
        now,
        mall,
        gift_account(session),
        left,
        goes_to=goes_to,
        on=day,
        source=source,
        memo=f"Gift certificate {certificate.number} released to the {goes_to}",
    )
    session.add(
        GiftMove(
            certificate_id=certificate.id,
            key=f"{RELEASE}:{source}",
            kind="released",
            amount_cents=left,
            on=day,
            mall_id=mall.id,
            entry_id=entry_id,
            made_by=user_id,
        )
    )
    session.flush()
    audit.record(
        session, now, "gift certificate released", "gift certificate", certificate.number, user_id=user_id, detail=goes_to
    )
    return entry_id


# --- on tickets ---------------------------------------------------------------------------------------------------------


def _find(session: Session, numbers: Iterable[str]) -> Sequence[GiftCertificate]:
    """Those of these numbers, however their letters are written, in one order."""
    spelled = {way for number in numbers for way in (number, number.upper(), number.lower())}
    return session.scalars(select(GiftCertificate).where(GiftCertificate.number.in_(spelled)).order_by(GiftCertificate.id)).all()


class HeldCertificates:
    """The certificates that a batch of tickets names, held until its transaction ends, and what is left of each as it is used."""

    def __init__(self, session: Session, tickets: Sequence[TicketIn]) -> None:
        named = {tender.gift.strip() for ticket in tickets for tender in ticket.tenders if tender.kind == GIFT}
        found = _find(session, named) if named else ()
        ids = [certificate.id for certificate in found]
        if ids:
            # In one order, so that no two batches wait for each other; and before what is left is read.
            session.execute(
                select(GiftCertificate.id).where(GiftCertificate.id.in_(ids)).order_by(GiftCertificate.id).with_for_update()
            ).all()
        self._certificates = {certificate.number.upper(): certificate for certificate in found}
        self._left = dict.fromkeys(ids, 0)
        self._redeemed = dict.fromkeys(ids, 0)
        net = func.coalesce(func.sum(case((GiftMove.kind.in_(("redeemed", "given back")), -SIGNED), else_=0)), 0)
        rows = (
            select(GiftMove.certificate_id, LEFT, net).where(GiftMove.certificate_id.in_(ids)).group_by(GiftMove.certificate_id)
        )
        for certificate_id, left, redeemed in session.execute(rows) if ids else ():
            self._left[certificate_id], self._redeemed[certificate_id] = int(left), int(redeemed)

    def use(self, ticket: TicketIn, used: Sequence[tuple[str, int]], on: date) -> list[tuple[int, int]]:
        """Take from certificates by number, or (negative) give back to them: (certificate id, cents) of each.

        Refuses, naming the ticket, one that there is not, named twice, ended, with too little left, or that never paid so much.
        """
        moved: list[tuple[int, int]] = []
        for number, cents in used:
            certificate = self._certificates.get(number.strip().upper())
            if not number.strip():
                raise Refusal(f"Ticket {ticket.number}: it is paid by gift certificate: write the certificate's number.")
            if certificate is None:
                raise Refusal(f"Ticket {ticket.number}: there is no gift certificate {number}: check the number.")
            if any(certificate.id == other for other, _ in moved):
                raise Refusal(f"Ticket {ticket.number} names gift certificate {number} twice: name it once, for both together.")
            self._judge(ticket, certificate, cents, on)
            self._left[certificate.id] -= cents
            self._redeemed[certificate.id] += cents
            moved.append((certificate.id, cents))
        return [(certificate_id, cents) for certificate_id, cents in moved if cents]

    def _judge(self, ticket: TicketIn, certificate: GiftCertificate, cents: int, on: date) -> None:
        said = f"Ticket {ticket.number}: gift certificate {certificate.number}"
        if cents and (cents < 0) != (ticket.kind == "return"):
            raise Refusal(f"{said} pays on a sale and is given back to on a return; mend its sign.")
        if certificate.expires_on is not None and certificate.expires_on < on:
            raise Refusal(f"{said} ended on {written(certificate.expires_on)}: take or give the money in another way.")
        left, redeemed = self._left[certificate.id], self._redeemed[certificate.id]
        if cents > left:
            raise Refusal(
                f"{said} has {format_dollars(left)} left, not {format_dollars(cents)}: take at most that from it."
                if left > 0
                else f"{said} has nothing left: take another one, or the money in another way."
            )
        if -cents > redeemed:
            raise Refusal(
                f"{said} has paid {format_dollars(redeemed)} of what was bought: no more than that can be given back to it."
            )


def moves_to_write(
    moved: Sequence[tuple[int, int]], *, ticket_id: int, on: date, mall_id: int, entry_id: int | None, made_by: int | None
) -> list[dict[str, object]]:
    """The rows of what a ticket moved."""
    return [
        {
            "certificate_id": certificate_id,
            "key": f"ticket:{ticket_id}:{certificate_id}",
            "kind": "redeemed" if cents > 0 else "given back",
            "amount_cents": abs(cents),
            "on": on,
            "mall_id": mall_id,
            "ticket_id": ticket_id,
            "entry_id": entry_id,
            "made_by": made_by,
        }
        for certificate_id, cents in moved
    ]

"""Money nobody asked for, let out of the liabilities by a state's dated rule: asked by one person, approved by another.

Gift certificates with no move, unclaimed sales, and checks that were never cashed stay liabilities until then, and for good where
there is no rule. By the rule the money goes to the state, out of the bank, or becomes income of the mall.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, String, cast, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from coop.books.accounts import stale_account
from coop.books.models import Account, Entry, Posting, ReleaseRule
from coop.books.releasing import post_release
from coop.books.rules import release_rule_on
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.dealers.membership import hold_coop
from coop.dealers.models import Dealer, RoleGrant
from coop.dealers.second_person import require_second
from coop.floor.models import Mall
from coop.payouts.came_back import STALE
from coop.payouts.models import PayoutLine, PayoutPart, PayoutRun, Release
from coop.payouts.paying_out import OWED_AGAIN
from coop.payouts.queries import PAYOUT, coop_today
from coop.sales import claims, gifts
from coop.sales.models import Claim, GiftCertificate, GiftMove, Ticket, TicketLine

CERTIFICATES, UNCLAIMED, PAYOUTS = KINDS = ("gift certificates", "unclaimed sales", "stale payouts")
"""Kind of entry, and source, of what is let go."""
MOST = 200
"""Things of a kind that are listed at once."""


@dataclass(frozen=True)
class Due:
    """One thing whose money a rule lets go."""

    what: str
    thing_id: int
    words: str
    """`gift certificate 1004`: no names."""
    mall_id: int
    amount_cents: int
    since: date
    """The last that was heard of it."""

    @property
    def key(self) -> str:
        return f"{self.what}:{self.thing_id}"


def due_on(session: Session, day: date, what: str, *, only: int | None = None, most: int = MOST) -> list[Due]:
    """Things of a kind that may go on a day by the rule of that day, and that nobody has asked for yet, the oldest first.

    Nothing where there is no rule. `only` is the id of one thing.
    """
    rule = release_rule_on(session, what, day)
    if rule is None:
        return []
    asked = set(session.scalars(select(_COLUMNS[what]).where(_COLUMNS[what].is_not(None), Release.state == "asked")))
    # What is asked for comes out again, and must leave room for as many others.
    found = _FOUND[what](session, day - timedelta(days=rule.after_days), only, most + len(asked))
    return [one for one in found if one.thing_id not in asked][:most]


def _certificates(session: Session, until: date, only: int | None, most: int) -> list[Due]:
    last = func.max(GiftMove.on)
    rows = session.execute(
        select(GiftCertificate, gifts.LEFT, last)
        .join(GiftMove, GiftMove.certificate_id == GiftCertificate.id)
        .where(*_one(GiftCertificate.id, only))
        .group_by(GiftCertificate.id)
        .having(gifts.LEFT > 0, last <= until)
        .order_by(last, GiftCertificate.id)
        .limit(most)
    )
    return [
        Due(CERTIFICATES, one.id, f"gift certificate {one.number}", one.mall_id, int(left), since) for one, left, since in rows
    ]


def _lines(session: Session, until: date, only: int | None, most: int) -> list[Due]:
    claimed = select(Claim.id).where(Claim.line_id == TicketLine.id, Claim.state == "asked").exists()
    rows = session.execute(
        select(TicketLine, Ticket, claims.LEFT)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(*claims.UNCLAIMED, claims.LEFT > 0, ~claimed, Ticket.sold_on <= until, *_one(TicketLine.id, only))
        .order_by(Ticket.sold_on, TicketLine.id)
        .limit(most)
    )
    return [
        Due(UNCLAIMED, line.id, f"ticket {ticket.number}, item {line.position}", line.mall_id, int(left), ticket.sold_on)
        for line, ticket, left in rows
    ]


def _payouts(session: Session, until: date, only: int | None, most: int) -> list[Due]:
    rows = session.execute(
        select(PayoutLine, PayoutRun, Dealer.code, PayoutPart.mall_id)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .join(PayoutPart, (PayoutPart.line_id == PayoutLine.id) & PayoutPart.back_entry_id.is_not(None))
        .join(Mall, Mall.id == PayoutPart.mall_id)
        .where(*_never_cashed(), PayoutRun.paid_on <= until, *_one(PayoutLine.id, only))
        .order_by(PayoutRun.paid_on, PayoutLine.id)
        .limit(most)
    )
    return [
        Due(PAYOUTS, line.id, _check(line, run, code), mall_id, line.amount_cents, run.paid_on or until)
        for line, run, code, mall_id in rows
    ]


def _never_cashed() -> tuple[ColumnElement[bool], ...]:
    """Of a line with its run, dealer and mall: a stale check that is neither owed again nor let go."""
    released = select(Release.id).where(Release.payout_line_id == PayoutLine.id, Release.state == "released").exists()
    source = cast(PayoutRun.number, String) + "/" + Dealer.code + "/" + Mall.code
    again = (
        select(Entry.id)
        .where(Entry.source_kind == PAYOUT, Entry.source_id == source, Entry.purpose == OWED_AGAIN)
        .correlate(PayoutRun, Dealer, Mall)
        .exists()
    )
    return (PayoutLine.return_reason == STALE, ~released, ~again)


def _check(line: PayoutLine, run: PayoutRun, code: str) -> str:
    return f"check {line.reference} of {code}, run {run.number}"


def _one(column: InstrumentedAttribute[int], only: int | None) -> tuple[ColumnElement[bool], ...]:
    return () if only is None else (column == only,)


_FOUND = {CERTIFICATES: _certificates, UNCLAIMED: _lines, PAYOUTS: _payouts}
_COLUMNS = {
    CERTIFICATES: Release.certificate_id,
    UNCLAIMED: Release.ticket_line_id,
    PAYOUTS: Release.payout_line_id,
}
_HELD: Mapping[str, type[GiftCertificate | TicketLine | PayoutLine]] = {
    CERTIFICATES: GiftCertificate,
    UNCLAIMED: TicketLine,
    PAYOUTS: PayoutLine,
}


# --- asked and approved -------------------------------------------------------------------------------------------------


def ask_releases(
    session: Session, now: datetime, things: Iterable[tuple[str, int]], *, user_id: int | None = None
) -> list[Release]:
    """Ask that things (kind and id) be let go, by the rules of today. Posts nothing: a second person approves it.

    Refuses all of them, naming the kind, where one is not due any more.
    """
    # One at a time: of two who ask for the same thing the second sees what the first did.
    hold_coop(session)
    today = coop_today(session, now)
    made = []
    for what, thing_id in dict.fromkeys(things):
        if what not in KINDS:
            raise Refusal(f"{what!r} is nothing that can be released: it is one of {', '.join(KINDS)}.")
        rule = release_rule_on(session, what, today)
        if rule is None:
            raise Refusal(f"There is no rule for {what} on {written(today)}: what nobody asks for stays a liability.")
        due = due_on(session, today, what, only=thing_id)
        if not due:
            raise Refusal(f"One of the {what} is not to be released any more, or is asked for already: look at the page again.")
        release = Release(
            rule_id=rule.id,
            mall_id=due[0].mall_id,
            amount_cents=due[0].amount_cents,
            asked_by=user_id,
            asked_at=now,
            state="asked",
        )
        setattr(release, _COLUMNS[what].key, thing_id)
        session.add(release)
        session.flush()
        audit.record(session, now, "release asked", "release", release.id, user_id=user_id, detail=due[0].words)
        made.append(release)
    if not made:
        raise Refusal("Nothing is chosen: tick what is to be released.")
    return made


def approve_release(session: Session, now: datetime, release: Release, *, user_id: int | None) -> int:
    """Let a thing go as a second person; the entry's id.

    Refuses whoever asked, two who are not manager and bookkeeper between them, what is decided, what no rule lets go today, and
    what is not any more as it was asked: used, claimed, owed again, or of another amount.
    """
    hold_coop(session)
    session.refresh(release, with_for_update=True)
    _require_asked(release)
    what, thing_id = thing_of(release)
    require_second(release.asked_by, user_id, f"the release of one of the {what}")
    _require_both_roles(session, release.asked_by, user_id)
    # Held before it is looked at: what is used, claimed or asked for at this moment is seen.
    session.get_one(_HELD[what], thing_id, with_for_update=True, populate_existing=True)
    today = coop_today(session, now)
    rule = release_rule_on(session, what, today)
    if rule is None or rule.id != release.rule_id:
        raise Refusal(f"The rule for {what} it was asked by does not hold on {written(today)}: refuse it, and ask anew.")
    standing = _FOUND[what](session, today - timedelta(days=rule.after_days), thing_id, 1)
    if not standing or standing[0].amount_cents != release.amount_cents:
        raise Refusal(
            f"One of the {what}, {format_dollars(release.amount_cents)}, is not as it was asked: somebody has used, claimed or "
            "asked for it since. Refuse the release."
        )
    entry_id = _post(session, now, what, thing_id, rule, today, user_id)
    release.state, release.approved_by, release.approved_at, release.entry_id = "released", user_id, now, entry_id
    session.flush()
    audit.record(session, now, "release approved", "release", release.id, user_id=user_id, detail=standing[0].words)
    return entry_id


def _post(session: Session, now: datetime, what: str, thing_id: int, rule: ReleaseRule, on: date, user_id: int | None) -> int:
    if what == CERTIFICATES:
        certificate = session.get_one(GiftCertificate, thing_id)
        return gifts.release_certificate(session, now, certificate, goes_to=rule.goes_to, on=on, user_id=user_id)
    if what == UNCLAIMED:
        line = session.get_one(TicketLine, thing_id)
        return claims.release_line(session, now, line, goes_to=rule.goes_to, on=on, user_id=user_id)
    return _release_check(session, now, thing_id, rule.goes_to, on)


def _release_check(session: Session, now: datetime, line_id: int, goes_to: str, on: date) -> int:
    """A stale payout's money to the state, or to the co-op as income of the mall it stands with."""
    line = session.get_one(PayoutLine, line_id, with_for_update=True)
    run, dealer = session.get_one(PayoutRun, line.run_id), session.get_one(Dealer, line.dealer_id)
    stands = select(Mall).join(PayoutPart, PayoutPart.mall_id == Mall.id)
    mall = session.scalars(stands.where(PayoutPart.line_id == line.id, PayoutPart.back_entry_id.is_not(None))).one()
    return post_release(
        session,
        now,
        mall,
        stale_account(session, mall),
        line.amount_cents,
        goes_to=goes_to,
        on=on,
        source=f"payout/{run.number}/{dealer.code}",
        memo=f"Released to the {goes_to}: {_check(line, run, dealer.code)}",
    )


def refuse_release(session: Session, now: datetime, release: Release, *, user_id: int | None = None) -> None:
    """Say no to what was asked: it stays a liability, and may be asked again. Refuses what is decided."""
    session.refresh(release, with_for_update=True)
    _require_asked(release)
    release.state = "refused"
    session.flush()
    audit.record(session, now, "release refused", "release", release.id, user_id=user_id)


def _require_both_roles(session: Session, *users: int | None) -> None:
    """Two people are not enough: between them they are the manager and the bookkeeper."""
    roles = set(session.scalars(select(RoleGrant.role).where(RoleGrant.user_id.in_([one for one in users if one is not None]))))
    missing = [role for role in ("manager", "bookkeeper") if role not in roles]
    if missing:
        raise Refusal(f"A manager and a bookkeeper release it together: neither of you two is the {missing[0]}.")


def _require_asked(release: Release) -> None:
    if release.state != "asked":
        raise Refusal(f"This release is {release.state} already: it is decided once.")


# --- reads --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Listed:
    """A release as a list shows it."""

    release: Release
    rule: ReleaseRule
    words: str
    what: str


def thing_of(release: Release) -> tuple[str, int]:
    """The kind of thing and its id."""
    for what, column in _COLUMNS.items():
        thing_id: int | None = getattr(release, column.key)
        if thing_id is not None:
            return what, thing_id
    raise LookupError(f"release {release.id} is of nothing")


def releases(session: Session, *states: str, most: int = MOST) -> list[Listed]:
    """Releases in these states, the newest first, with what each is of."""
    rows = session.execute(
        select(Release, ReleaseRule)
        .join(ReleaseRule, ReleaseRule.id == Release.rule_id)
        .where(Release.state.in_(states))
        .order_by(Release.id.desc())
        .limit(most)
    ).all()
    things = [(release, rule, *thing_of(release)) for release, rule in rows]
    words = {
        CERTIFICATES: _certificate_words(session, [thing for _, _, what, thing in things if what == CERTIFICATES]),
        UNCLAIMED: _line_words(session, [thing for _, _, what, thing in things if what == UNCLAIMED]),
        PAYOUTS: _payout_words(session, [thing for _, _, what, thing in things if what == PAYOUTS]),
    }
    return [Listed(release, rule, words[what][thing], what) for release, rule, what, thing in things]


def _certificate_words(session: Session, ids: Sequence[int]) -> Mapping[int, str]:
    rows = session.execute(select(GiftCertificate.id, GiftCertificate.number).where(GiftCertificate.id.in_(ids)))
    return {thing: f"gift certificate {number}" for thing, number in rows}


def _line_words(session: Session, ids: Sequence[int]) -> Mapping[int, str]:
    rows = session.execute(
        select(TicketLine.id, TicketLine.position, Ticket.number)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.id.in_(ids))
    )
    return {thing: f"ticket {number}, item {position}" for thing, position, number in rows}


def _payout_words(session: Session, ids: Sequence[int]) -> Mapping[int, str]:
    rows = session.execute(
        select(PayoutLine, PayoutRun, Dealer.code)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .where(PayoutLine.id.in_(ids))
    )
    return {line.id: _check(line, run, code) for line, run, code in rows}


# --- proof --------------------------------------------------------------------------------------------------------------


def check_stale(session: Session) -> list[str]:
    """Hold each mall's stale payouts against the checks that were never cashed; a sentence for what differs."""
    rows = session.execute(
        select(PayoutPart.mall_id, func.sum(PayoutLine.amount_cents))
        .join(PayoutLine, PayoutLine.id == PayoutPart.line_id)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .join(Mall, Mall.id == PayoutPart.mall_id)
        .where(PayoutPart.back_entry_id.is_not(None), *_never_cashed())
        .group_by(PayoutPart.mall_id)
    )
    checks = {mall_id: int(cents) for mall_id, cents in rows}
    moved = session.execute(
        select(Account.mall_id, -func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .where(Account.kind == "stale payouts")
        .group_by(Account.mall_id)
    )
    ledger = {mall_id: int(cents) for mall_id, cents in moved if mall_id is not None}
    found = []
    for mall_id in sorted(checks.keys() | ledger.keys()):
        mine, books = checks.get(mall_id, 0), ledger.get(mall_id, 0)
        if mine != books:
            code = session.get_one(Mall, mall_id).code
            found.append(f"At {code} checks never cashed are {format_dollars(mine)}, and {format_dollars(books)} in the ledger.")
    return found

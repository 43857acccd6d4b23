"""What a dealer's pages read: always through dealer, member and user, so that what is not theirs is not found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, exists, or_, select
from sqlalchemy.orm import Session, aliased

from coop.core.clock import local_date
from coop.core.documents import Document
from coop.core.periods import Month
from coop.core.web import Visitor
from coop.dealers.models import Dealer, PayoutDetail, TaxForm, UserAccount
from coop.dealers.paying import details_of, forms_of
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.statements.models import Statement


def own_dealers_query(user: Visitor) -> Select[int]:
    """Ids of the dealers this user is: what every read of her own things goes through."""
    return select(Dealer.id).join(UserAccount, UserAccount.member_id == Dealer.member_id).where(UserAccount.id == user.user_id)


def own_dealers(session: Session, user: Visitor) -> Sequence[Dealer]:
    """The dealers this user is, by code."""
    return session.scalars(select(Dealer).where(Dealer.id.in_(own_dealers_query(user))).order_by(Dealer.code)).all()


def own_paying(session: Session, user: Visitor) -> list[tuple[Dealer, PayoutDetail | None, TaxForm | None]]:
    """The dealers this user is, by code, each with how she is paid and her tax form on file."""
    dealers = own_dealers(session, user)
    ids = [dealer.id for dealer in dealers]
    details, forms = details_of(session, ids), forms_of(session, ids)
    return [(dealer, details.get(dealer.id), forms.get(dealer.id)) for dealer in dealers]


def own_statement(session: Session, user: Visitor, number: str) -> Statement | None:
    """A statement, if it is one of this user's; None alike when it is another's and when there is none."""
    return session.scalar(select(Statement).where(Statement.number == number, Statement.dealer_id.in_(own_dealers_query(user))))


@dataclass(frozen=True)
class StatementRow:
    statement: Statement
    dealer: Dealer
    mall: Mall

    @property
    def month(self) -> Month:
        return Month.of(self.statement.first_day)


def own_statements_query(user: Visitor) -> Select[Statement, Dealer, Mall]:
    """This user's statements, each with its dealer and mall."""
    return (
        select(Statement, Dealer, Mall)
        .join(Dealer, Dealer.id == Statement.dealer_id)
        .join(Mall, Mall.id == Statement.mall_id)
        .where(Statement.dealer_id.in_(own_dealers_query(user)))
    )


def own_latest_statements(session: Session, user: Visitor) -> Sequence[StatementRow]:
    """The latest statement of each of the user's dealers at each mall, unless it is older than the month before the newest.

    A mall may close its month later than another; a mall left long ago is no news, and its balance is long paid.
    """
    later = aliased(Statement)
    is_latest = ~exists().where(
        later.dealer_id == Statement.dealer_id, later.mall_id == Statement.mall_id, later.first_day > Statement.first_day
    )
    newest_first = (Statement.first_day.desc(), Dealer.code, Mall.code)
    rows = session.execute(own_statements_query(user).where(is_latest).order_by(*newest_first))
    found = [StatementRow(statement, dealer, mall) for statement, dealer, mall in rows]
    return [row for row in found if row.month >= found[0].month.previous]


def own_document(session: Session, user: Visitor, number: str) -> Document | None:
    """The PDF of one of this user's statements, or None."""
    return session.scalar(
        select(Document)
        .join(Statement, Statement.document_id == Document.id)
        .where(Statement.number == number, Statement.dealer_id.in_(own_dealers_query(user)))
    )


@dataclass(frozen=True)
class HeldSpace:
    """A space a dealer holds today."""

    dealer_code: str
    mall_name: str
    kind: str
    code: str
    leased_area_sqft100: int


def own_spaces(session: Session, user: Visitor, now: datetime) -> Sequence[HeldSpace]:
    """The spaces this user's dealers hold or share today, on each mall's own date."""
    shares = select(LeaseShare.id).where(LeaseShare.lease_space_id == LeaseSpace.id, LeaseShare.lease_id == Lease.id)
    rows = session.execute(
        select(Dealer.code, Mall, Space.kind, Space.code, LeaseSpace)
        .select_from(LeaseSpace)
        .join(Lease, or_(Lease.id == LeaseSpace.lease_id, shares.exists()))
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Space, Space.id == LeaseSpace.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .where(Dealer.id.in_(own_dealers_query(user)))
        .order_by(Mall.code, Dealer.code, Space.code)
    )
    held = []
    for dealer_code, mall, kind, code, span in rows:
        today = local_date(now, mall.timezone)
        if span.starts_on <= today and (span.ends_on is None or today <= span.ends_on):
            held.append(HeldSpace(dealer_code, mall.name, kind, code, span.leased_area_sqft100))
    return held

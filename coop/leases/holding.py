"""Spaces taken under leases. The database refuses dates that overlap; spaces are locked first, so the second of two is told."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.exc import IntegrityError, InvalidRequestError
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from coop.books.service import posting_date
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.templating import day
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseSpace, Offer
from coop.leases.pricing import Asked, named
from coop.leases.rules import agree_price

_DAY = timedelta(days=1)


def today_at(session: Session, now: datetime, mall_id: int) -> date:
    """The calendar date at a mall."""
    return local_date(now, session.get_one(Mall, mall_id).timezone)


def code_of(session: Session, lease: Lease) -> str:
    """The code of a lease's dealer."""
    return session.get_one(Dealer, lease.dealer_id).code


def require_open_day(session: Session, mall_id: int, on: date, what: str, *, many: bool = False) -> None:
    """Refuses a change whose first day lies in a month that is closed: its rent is posted and stated. `many`: of what is so."""
    first_open = posting_date(session, mall_id, on)
    if first_open != on:
        lies, it = ("lie", "them") if many else ("lies", "it")
        raise Refusal(f"{what} from {day(on)} {lies} in a closed month: begin {it} on {day(first_open)} or later.")


def lock(session: Session, *rows: object) -> None:
    """Hold rows and read them anew: of two at once the second sees what the first did.

    Rows that only name them may still be written: whoever posts charges holds the mall, and must not wait here for one who
    waits for the mall. Raises StaleDataError for a row that the first took away.
    """
    for row in rows:
        try:
            session.refresh(row, with_for_update={"key_share": True})
        except InvalidRequestError as error:
            if row not in session:
                raise
            raise StaleDataError(str(error)) from error


# --- taking -------------------------------------------------------------------------------------------------------------


def lock_spaces(session: Session, spaces: Sequence[Space]) -> None:
    """Hold spaces, in one order whoever asks, before what stands on them is looked at."""
    wanted = select(Space).where(Space.id.in_([space.id for space in spaces])).order_by(Space.id)
    session.scalars(wanted.with_for_update(key_share=True).execution_options(populate_existing=True)).all()


def first_free_day(session: Session, space: Space, since: date) -> date | None:
    """The first day from `since` on which nobody holds a space, then or ever after; None while somebody holds it without end."""
    last = session.execute(
        select(LeaseSpace.ends_on)
        .where(LeaseSpace.space_id == space.id, or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= since))
        .order_by(LeaseSpace.starts_on.desc())
        .limit(1)
    ).first()
    if last is None:
        return since
    return last.ends_on + _DAY if last.ends_on else None


def hold(session: Session, lease: Lease, asked: Asked, *, starts_on: date, ends_on: date | None) -> LeaseSpace:
    """A span of a space under a lease; the space is locked by the caller. Refuses what cannot be held, naming it."""
    space = asked.space
    name = named(space)
    if space.mall_id != lease.mall_id:
        mall = session.get_one(Mall, lease.mall_id)
        raise Refusal(f"Space {space.code} is not in {mall.name}: a lease is of one mall.")
    if space.retired_on is not None and (ends_on is None or ends_on >= space.retired_on):
        raise Refusal(f"{name} is not rented from {day(space.retired_on)} on: lease another space.")
    area = space.measured_area_sqft100 if asked.area_sqft100 is None else asked.area_sqft100
    length = space.length_in16 if asked.length_in16 is None else asked.length_in16
    if area < 0 or (length is not None and length <= 0):
        raise Refusal(f"The measure of {name} is below zero: write what is leased, or leave it empty for what was measured.")
    if (asked.agreed_per is None) != (asked.agreed_price is None):
        raise Refusal(f"The price agreed for {name} needs an amount and what it is for: sqft, foot or flat.")
    _require_free(session, lease, space, starts_on, ends_on)
    held = LeaseSpace(
        lease_id=lease.id,
        space_id=space.id,
        starts_on=starts_on,
        ends_on=ends_on,
        leased_area_sqft100=area,
        leased_length_in16=length,
    )
    insert_span(session, held, space)
    if asked.agreed_price is not None and asked.agreed_per is not None:
        agree_price(session, held, asked.agreed_price, per=asked.agreed_per)
    return held


def _require_free(session: Session, lease: Lease, space: Space, starts_on: date, ends_on: date | None) -> None:
    taken = session.execute(
        select(LeaseSpace.starts_on, LeaseSpace.ends_on, Dealer.code)
        .join(Lease, Lease.id == LeaseSpace.lease_id)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .where(
            LeaseSpace.space_id == space.id,
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= starts_on),
            LeaseSpace.starts_on <= (ends_on or date.max),
        )
        .order_by(LeaseSpace.starts_on)
        .limit(1)
    ).first()
    if taken is not None:
        through = f" through {day(taken.ends_on)}" if taken.ends_on else ""
        raise Refusal(
            f"Space {space.code} is leased already in these dates, to {taken.code} from {day(taken.starts_on)}{through}: "
            "end that lease first."
        )
    offered = session.scalar(select(Offer.answer_by).where(Offer.space_id == space.id, Offer.state == "open"))
    if offered is not None:
        raise Refusal(f"Space {space.code} is offered to somebody through {day(offered)}: wait, or withdraw that offer first.")


def insert_span(session: Session, held: LeaseSpace, space: Space) -> None:
    try:
        with session.begin_nested():
            session.add(held)
            session.flush()
    except IntegrityError as error:
        # Somebody who did not lock the space was quicker: the database tells.
        if "guard_lease_space_overlap" in str(error) or "leased already" in str(error):
            raise Refusal(f"Space {space.code} is leased already in these dates: end that lease first.") from error
        raise


def add_space_to_lease(
    session: Session, now: datetime, lease: Lease, asked: Asked, *, on: date, user_id: int | None = None
) -> LeaseSpace:
    """Another space under a lease from a day on, through the lease's last day. Refuses a day outside the lease."""
    lock(session, lease)
    name = named(asked.space)
    require_running(session, lease, on, f"{name} under the lease of {code_of(session, lease)}")
    require_open_day(session, lease.mall_id, on, f"{name} under the lease of {code_of(session, lease)}")
    lock_spaces(session, [asked.space])
    held = hold(session, lease, asked, starts_on=on, ends_on=lease.ends_on)
    audit.record(session, now, "space leased", "lease", lease.id, user_id=user_id, detail=f"{asked.space.code} from {on}")
    return held


def require_running(session: Session, lease: Lease, on: date, what: str) -> None:
    if lease.settled_on is not None or lease.moved_out_on is not None:
        raise Refusal(f"{what}: that lease is over; make a new one.")
    if on < lease.starts_on:
        raise Refusal(f"{what} cannot begin on {day(on)}: the lease begins on {day(lease.starts_on)}.")
    if lease.ends_on is not None and on > lease.ends_on:
        raise Refusal(f"{what} cannot begin on {day(on)}: the lease ends on {day(lease.ends_on)}.")

"""What lent floor costs, posted at a month's end with the rent: one charge a stay and month, once, by the rules of each day.

A stay that was changed after its month was charged is not charged again: what differs is told, and is set right by hand on the
dealer's page of charges and credits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, shown_days
from coop.core.words import joined
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.models import Charge, Lease
from coop.leases.posting import NoLease
from coop.leases.turn_charges import OVERFLOW, charge_overflow
from coop.overflow.domain.fees import Fee, months_of
from coop.overflow.models import Stay
from coop.overflow.reading import Standing, standing_between
from coop.overflow.rules import OverflowRules, rules_by_day

_LONGEST_LABEL = 120


class NoLeaseForFloor(NoLease):
    """Dealers have floor that costs something, and no lease to be charged under; `dealer` is the first's code."""

    def __init__(self, said: str, dealer: str) -> None:
        Refusal.__init__(self, said)
        self.dealer = dealer


def post_overflow(session: Session, now: datetime, mall: Mall, month: Month) -> int:
    """Post what each stay of a month costs and was not charged yet; how many charges that were. A free one is none.

    Raises NoLeaseForFloor, naming each, when dealers have no lease at the mall, or none that had not ended for good before.
    """
    hold_mall(session, mall.id)
    standing = standing_between(session, mall.id, month.first_day, month.last_day)
    fee_of = _fee_of(session, mall, [one.stay for one in standing])
    due = [(one, fee) for one in standing if (fee := fee_of(one.stay, month)).cents]
    posted = _posted(session, [key_of(one.stay.id, month) for one, _ in due])
    leases = _leases(session, mall, month, {one.dealer.id for one, _ in due})
    _require_leases(mall, month, [(one, fee) for one, fee in due if one.dealer.id not in leases])
    waiting = [(one, fee) for one, fee in due if key_of(one.stay.id, month) not in posted]
    for one, fee in waiting:
        charge_overflow(
            session,
            now,
            leases[one.dealer.id],
            fee.cents,
            key=key_of(one.stay.id, month),
            label=f"Overflow, bay {one.bay.code}: {one.piece.name}"[:_LONGEST_LABEL],
            working=f"{shown_days(*_days_in(one.stay, month))}: {fee.working}",
            on=month.last_day,
        )
    return len(waiting)


def charged_otherwise(session: Session, mall: Mall, month: Month) -> list[str]:
    """Stays that were charged for a month and would cost something else by now, each in a sentence: nothing sets them right but
    a credit or a charge by hand.
    """
    stays = [one.stay for one in standing_between(session, mall.id, month.first_day, month.last_day)]
    fee_of = _fee_of(session, mall, stays)
    owed = {key_of(stay.id, month): fee_of(stay, month).cents for stay in stays}
    of_month = Charge.what.startswith(f"{OVERFLOW}:stay:"), Charge.what.endswith(f":{month}")
    rows = select(Charge.what, Charge.label, Charge.amount_cents).where(Charge.mall_id == mall.id, *of_month)
    return [
        f"{label} was charged {format_dollars(cents)} and comes to {format_dollars(owed.get(_key(what), 0))} now: "
        "charge or credit the difference by hand."
        for what, label, cents in session.execute(rows.order_by(Charge.id))
        if owed.get(_key(what), 0) != cents
    ]


def charged_through(session: Session, mall_id: int) -> date | None:
    """The last day that a mall's floor was charged for; None before its first charge. What stood until then stays as it was."""
    of_stays = Charge.kind == OVERFLOW, Charge.what.startswith(f"{OVERFLOW}:stay:")
    last = session.scalar(select(func.max(Charge.first_day)).where(Charge.mall_id == mall_id, *of_stays))
    return None if last is None else Month.of(last).last_day


def charged_so_far(session: Session, stays: Sequence[Stay]) -> dict[int, int]:
    """Cents charged for each of some stays, by its id; what nothing was charged for is 0."""
    of = {
        key_of(stay.id, month): stay.id
        for stay in stays
        for month in _months(stay.starts_on, max(stay.ends_on, stay.granted_until))
    }
    found = dict.fromkeys((stay.id for stay in stays), 0)
    for key, cents in _posted(session, of).items():
        found[of[key]] += cents
    return found


def expected(session: Session, mall: Mall, stays: Sequence[Stay]) -> dict[int, int]:
    """Cents that each of some stays at a mall comes to over all its days, by its id: month by month, by the rules known now."""
    fee_of = _fee_of(session, mall, stays)
    return {stay.id: sum(fee_of(stay, month).cents for month in _months(stay.starts_on, stay.ends_on)) for stay in stays}


def of_month(session: Session, mall: Mall, month: Month) -> int:
    """Cents that all stays at a mall come to in a month, by the rules known now."""
    stays = [one.stay for one in standing_between(session, mall.id, month.first_day, month.last_day)]
    fee_of = _fee_of(session, mall, stays)
    return sum(fee_of(stay, month).cents for stay in stays)


def key_of(stay_id: int, month: Month) -> str:
    """What a stay's charge of a month is posted under."""
    return f"stay:{stay_id}:{month}"


def _key(what: str) -> str:
    return what.removeprefix(f"{OVERFLOW}:")


def _fee_of(session: Session, mall: Mall, stays: Sequence[Stay]) -> Callable[[Stay, Month], Fee]:
    rules_of = rules_by_day(session, mall.id)
    free = _free_days(session, rules_of, stays)

    def fee_of(stay: Stay, month: Month) -> Fee:
        length = stay.to_in16 - stay.from_in16
        return months_of(
            lambda day: rules_of(day).fee, length, stay.starts_on, stay.ends_on, month, free_days=free.get(stay.id, 0)
        )

    return fee_of


def _free_days(session: Session, rules_of: Callable[[date], OverflowRules], stays: Iterable[Stay]) -> dict[int, int]:
    """By stay of a sold piece: of its first days, how many are free. Moved while it waits, a piece's days run on."""
    sold = [stay for stay in stays if stay.kind == "sold"]
    rows = (
        select(Stay.piece_id, func.min(Stay.starts_on))
        .where(Stay.piece_id.in_({stay.piece_id for stay in sold}), Stay.kind == "sold", Stay.state == "stands")
        .group_by(Stay.piece_id)
    )
    since: dict[int, date] = {row[0]: row[1] for row in session.execute(rows)}
    return {stay.id: _left_free(rules_of, since.get(stay.piece_id, stay.starts_on), stay.starts_on) for stay in sold}


def _left_free(rules_of: Callable[[date], OverflowRules], since: date, on: date) -> int:
    return max(0, rules_of(since).sold_days - (on - since).days)


def _posted(session: Session, keys: Iterable[str]) -> dict[str, int]:
    """Cents posted under each of these keys; the others are left out."""
    wanted = [f"{OVERFLOW}:{key}" for key in keys]
    found: dict[str, int] = {}
    for begin in range(0, len(wanted), 500):
        rows = select(Charge.what, func.sum(Charge.amount_cents)).where(Charge.what.in_(wanted[begin : begin + 500]))
        found |= {_key(what): int(cents) for what, cents in session.execute(rows.group_by(Charge.what))}
    return found


def _leases(session: Session, mall: Mall, month: Month, dealer_ids: set[int]) -> dict[int, Lease]:
    """The lease each dealer is charged under: the one that runs on the month's last day, or the last there was.

    None that ended for good before the month: its deposit is settled, and its final statement made.
    """
    rows = session.scalars(
        select(Lease)
        .where(
            Lease.mall_id == mall.id,
            Lease.dealer_id.in_(dealer_ids),
            Lease.starts_on <= month.last_day,
            Lease.settled_on.is_(None) | (Lease.settled_on >= month.first_day),
        )
        .order_by(Lease.dealer_id, Lease.starts_on, Lease.id)
    )
    found: dict[int, Lease] = {}
    for lease in rows:
        before = found.get(lease.dealer_id)
        if before is None or (lease.ends_on or date.max) >= (before.ends_on or date.max):
            found[lease.dealer_id] = lease
    return found


def _require_leases(mall: Mall, month: Month, without: Sequence[tuple[Standing, Fee]]) -> None:
    if not without:
        return
    by_dealer: dict[str, int] = {}
    for one, fee in without:
        by_dealer[one.dealer.code] = by_dealer.get(one.dealer.code, 0) + fee.cents
    said = [f"dealer {code} owes {format_dollars(cents)}" for code, cents in sorted(by_dealer.items())]
    raise NoLeaseForFloor(
        f"Floor was lent in {month.name} without a lease at {mall.name} to charge it under: {joined(said)}. "
        "Make a lease that begins in that month or before; or, if the piece was gone by then, enter its last day in the bay.",
        min(by_dealer),
    )


def _months(first: date, last: date) -> Iterator[Month]:
    month = Month.of(first)
    while month.first_day <= last:
        yield month
        month = month.next


def _days_in(stay: Stay, month: Month) -> tuple[date, date]:
    return max(stay.starts_on, month.first_day), min(stay.ends_on, month.last_day)

"""The waiting list: asking for a space, whose turn it is by the co-op's rules, withdrawing, being forgotten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import format_sqft
from coop.core.outbox import Outbox
from coop.core.templating import day
from coop.dealers.domain import is_email
from coop.dealers.models import Dealer, Member
from coop.floor.domain.neighbours import neighbours_of
from coop.floor.domain.plan import Outline
from coop.floor.models import SPACE_KINDS, Mall, Space
from coop.floor.queries import as_outline
from coop.leases.domain import TermsError
from coop.leases.domain import waiting as rules_of_waiting
from coop.leases.holding import lock, today_at
from coop.leases.models import Lease, LeaseShare, LeaseSpace, Letter, Offer, Waiting
from coop.leases.pricing import named
from coop.leases.rules import rules_on
from coop.leases.settling import arrears_of


@dataclass(frozen=True)
class Wish:
    """What somebody waits for: a kind, only in a zone (empty: any), of so many hundredths of a square foot."""

    kind: str = "booth"
    zone: str = ""
    least_sqft100: int = 0
    most_sqft100: int | None = None
    note: str = ""


@dataclass(frozen=True)
class Outsider:
    """Somebody who is no member. Kept until withdrawn and forgotten, or until she is one."""

    name: str
    email: str = ""
    phone: str = ""
    address: str = ""


def ask_for_space(
    session: Session,
    now: datetime,
    mall: Mall,
    who: Member | Outsider,
    wish: Wish | None = None,
    *,
    asked_on: date | None = None,
    user_id: int | None = None,
) -> Waiting:
    """Put somebody on a mall's waiting list, as of today or of the day she asked.

    Refuses, naming the field: no name, nothing to reach her by, an address that is none, sizes that run backwards, a day to come,
    a member who has left, and one who waits for the same already.
    """
    wish = wish or Wish()
    today = today_at(session, now, mall.id)
    asked_on = asked_on or today
    if asked_on > today:
        raise Refusal(f"The day asked, {day(asked_on)}, is to come: write today or a day before.")
    _require_wish(wish)
    row = Waiting(
        mall_id=mall.id,
        asked_on=asked_on,
        kind=wish.kind,
        zone=wish.zone.strip(),
        least_sqft100=wish.least_sqft100,
        most_sqft100=wish.most_sqft100,
        note=" ".join(wish.note.split()),
        state="waiting",
    )
    if isinstance(who, Member):
        _require_new(session, mall, who, row)
        row.member_id = who.id
    else:
        _require_reachable(who)
        row.name, row.email = " ".join(who.name.split()), who.email.strip()
        row.phone, row.address = who.phone.strip(), who.address.strip()
    session.add(row)
    session.flush()
    audit.record(session, now, "asked for a space", "waiting", row.id, user_id=user_id, detail=f"{row.kind} {row.zone}".strip())
    return row


def _require_wish(wish: Wish) -> None:
    if wish.kind not in SPACE_KINDS:
        raise Refusal(f"The kind of space is {wish.kind}: it is one of {', '.join(SPACE_KINDS)}.")
    if wish.least_sqft100 < 0 or (wish.most_sqft100 is not None and wish.most_sqft100 <= 0):
        raise Refusal("The size asked for must be above zero square feet: leave it empty for any.")
    if wish.most_sqft100 is not None and wish.most_sqft100 < wish.least_sqft100:
        raise Refusal(
            f"The size asked for is at least {format_sqft(wish.least_sqft100)} and at most {format_sqft(wish.most_sqft100)} "
            "square feet: turn them round."
        )
    if len(wish.zone.strip()) > 20:
        raise Refusal(f"The zone {wish.zone} has {len(wish.zone)} letters: 20 is the most.")
    if len(wish.note) > 200:
        raise Refusal(f"The note has {len(wish.note)} letters: 200 is the most.")


def _require_new(session: Session, mall: Mall, member: Member, wish: Waiting) -> None:
    if member.left_on is not None:
        raise Refusal(f"{member.name} left the co-op on {day(member.left_on)}: ask as one who is no member.")
    same = session.scalar(
        select(Waiting.asked_on).where(
            Waiting.mall_id == mall.id,
            Waiting.member_id == member.id,
            Waiting.kind == wish.kind,
            Waiting.zone == wish.zone,
            Waiting.state.in_(("waiting", "offered")),
        )
    )
    if same is not None:
        raise Refusal(
            f"{member.name} waits for a {wish.kind} since {day(same)} already: withdraw that first to ask for another size."
        )


def _require_reachable(who: Outsider) -> None:
    if not who.name.strip():
        raise Refusal("The name is empty: write who asks.")
    if not who.email.strip() and not who.phone.strip():
        raise Refusal("There is no mail address and no telephone number: write one of them, to be reached by.")
    if who.email.strip() and not is_email(who.email.strip()):
        raise Refusal(f"{who.email.strip()!r} is not a mail address: write it like name@example.org.")
    for value, what, most in ((who.name, "name", 120), (who.phone, "telephone number", 40), (who.address, "address", 400)):
        if len(value.strip()) > most:
            raise Refusal(f"The {what} has {len(value.strip())} letters: {most} is the most.")


def withdraw_asking(session: Session, now: datetime, asked: Waiting, *, user_id: int | None = None) -> None:
    """Take somebody off the list. An offer that is open to her is withdrawn with it. Refuses one who is off it."""
    lock(session, asked)
    if asked.state == "leased":
        raise Refusal("A lease was made of this already: it is off the waiting list.")
    if asked.state == "withdrawn":
        raise Refusal("This was withdrawn already.")
    for offer in session.scalars(select(Offer).where(Offer.waiting_id == asked.id, Offer.state == "open")):
        offer.state = "withdrawn"
    asked.state = "withdrawn"
    session.flush()
    audit.record(session, now, "asking withdrawn", "waiting", asked.id, user_id=user_id)


def forget_asker(session: Session, now: datetime, asked: Waiting, *, user_id: int | None = None) -> None:
    """Remove the name, addresses and numbers of one who is no member, from the list and from mail about its offers.

    Papers never held them (see `letters`). Refuses while she waits or has an offer.
    """
    lock(session, asked)
    if asked.member_id is not None:
        raise Refusal("This is a member: her name is with the members, not on the waiting list.")
    if asked.state in ("waiting", "offered"):
        raise Refusal("She is on the waiting list: withdraw that first, then her name can be removed.")
    asked.name = asked.email = asked.phone = asked.address = asked.note = ""
    mails = select(Letter.outbox_id).join(Offer, Offer.id == Letter.offer_id).where(Offer.waiting_id == asked.id)
    for mail in session.scalars(select(Outbox).where(or_(Outbox.id.in_(mails), Outbox.resend_of_id.in_(mails)))):
        mail.recipient = ""
    session.flush()
    audit.record(session, now, "asker forgotten", "waiting", asked.id, user_id=user_id)


_OLD = 2
"""The first of the ages of arrears that costs good standing: 31 to 60 days past due. Common practice, no source."""


# --- whose turn it is ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """One on the list for a space: her place from 1, and what the rules see in her."""

    waiting: Waiting
    place: int
    called: str
    """What stands for her in sentences that are kept: a dealer's code, else `number 12 on the waiting list`."""
    in_good_standing: bool
    next_to_it: bool


@dataclass(frozen=True)
class Turn:
    """Who is next for a space, and why in a sentence without her name."""

    waiting: Waiting
    why: str


class WaitingList:
    """A mall's waiting list on a day, read once for however many spaces: whose turn each space is."""

    def __init__(self, session: Session, mall_id: int, on: date) -> None:
        self._order = rules_on(session, mall_id, on).waiting_order
        waiting = select(Waiting).where(Waiting.mall_id == mall_id, Waiting.state == "waiting").order_by(Waiting.id)
        self.rows = {row.id: row for row in session.scalars(waiting)}
        members = [row.member_id for row in self.rows.values() if row.member_id is not None]
        self._dealers = dealers_of(session, members)
        self._good = _in_good_standing(session, mall_id, members, self._dealers, on)
        self._outlines: dict[int, Outline] = {}
        self._holders: dict[int, set[int]] = {}
        self._turned_down: dict[int, set[int]] = {}
        if self.rows:
            drawn = select(Space.id, Space.outline_in16).where(Space.mall_id == mall_id)
            self._outlines = {space_id: as_outline(corners) for space_id, corners in session.execute(drawn)}
            self._holders = _holders(session, mall_id, on)
            self._turned_down = _turned_down(session, mall_id)

    def places(self, space: Space) -> list[Place]:
        """Everyone who waits for such a space, the next first."""
        beside = self._dealers_beside(space)
        who = [self._seen(row, beside) for row in self.rows.values() if wants(row, space)]
        try:
            ordered = rules_of_waiting.in_order(who, self._order)
        except TermsError as error:
            raise Refusal(str(error)) from error
        return [
            Place(self.rows[one.place], n, one.name, one.member_in_good_standing, one.next_to_it)
            for n, one in enumerate(ordered, start=1)
        ]

    def turn(self, space: Space) -> Turn | None:
        """Who is to be offered a space; None when nobody waits for one like it, or all who do have turned it down."""
        beside, passed = self._dealers_beside(space), self._turned_down.get(space.id, set())
        who = [self._seen(row, beside) for row in self.rows.values() if wants(row, space) and row.id not in passed]
        try:
            said = rules_of_waiting.next_in_line(named(space), who, self._order)
        except TermsError as error:
            raise Refusal(str(error)) from error
        return None if said is None else Turn(self.rows[said.who.place], said.why)

    def _seen(self, row: Waiting, beside: set[int]) -> rules_of_waiting.Waiting:
        return rules_of_waiting.Waiting(
            name=called(row, self._dealers),
            since=row.asked_on,
            place=row.id,
            member_in_good_standing=row.member_id in self._good,
            next_to_it=any(dealer.id in beside for dealer in self._dealers.get(row.member_id or 0, ())),
        )

    def _dealers_beside(self, space: Space) -> set[int]:
        if not self._good:
            return set()
        others = {space_id: outline for space_id, outline in self._outlines.items() if space_id in self._holders}
        others.pop(space.id, None)
        beside = neighbours_of(as_outline(space.outline_in16), others)
        return {dealer_id for space_id in beside for dealer_id in self._holders[space_id]}


def next_for(session: Session, space: Space, on: date) -> Turn | None:
    """Who is to be offered a space on a day; `WaitingList` asks it of many."""
    return WaitingList(session, space.mall_id, on).turn(space)


def wants(asked: Waiting, space: Space) -> bool:
    """Whether a space is like what somebody waits for."""
    area = space.measured_area_sqft100
    fits = asked.least_sqft100 <= area and (asked.most_sqft100 is None or area <= asked.most_sqft100)
    return asked.kind == space.kind and asked.zone in ("", space.zone) and fits


def called(row: Waiting, dealers: Mapping[int, Sequence[Dealer]]) -> str:
    """What stands for one who waits in sentences that are kept: names are removable, so they are not in them."""
    codes = [dealer.code for dealer in dealers.get(row.member_id or 0, ())]
    return codes[0] if codes else f"number {row.id} on the waiting list"


def dealers_of(session: Session, members: Sequence[int]) -> dict[int, list[Dealer]]:
    """The dealers of members, by member."""
    found: dict[int, list[Dealer]] = {}
    for dealer in session.scalars(select(Dealer).where(Dealer.member_id.in_(members)).order_by(Dealer.code)) if members else ():
        found.setdefault(dealer.member_id, []).append(dealer)
    return found


def _in_good_standing(
    session: Session, mall_id: int, members: Sequence[int], dealers: Mapping[int, Sequence[Dealer]], on: date
) -> set[int]:
    """Members who have not left and owe nothing at the mall that is undisputed and more than thirty days past due."""
    if not members:
        return set()
    late = set()
    for row in arrears_of(session, mall_id, on):
        if sum(row.arrears.ages[_OLD:]):
            late.add(row.dealer_id)
    stayed = session.scalars(select(Member.id).where(Member.id.in_(members), or_(Member.left_on.is_(None), Member.left_on > on)))
    return {member_id for member_id in stayed if not any(dealer.id in late for dealer in dealers.get(member_id, ()))}


def _holders(session: Session, mall_id: int, on: date) -> dict[int, set[int]]:
    """Who holds, or pays a share of, each held space on a day: dealers by space."""
    found: dict[int, set[int]] = {}
    on_day = (LeaseSpace.starts_on <= on, or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= on), Lease.mall_id == mall_id)
    own = select(LeaseSpace.space_id, Lease.dealer_id).join(Lease, Lease.id == LeaseSpace.lease_id).where(*on_day)
    shared = (
        select(LeaseSpace.space_id, Lease.dealer_id)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .join(Lease, Lease.id == LeaseShare.lease_id)
        .where(*on_day)
    )
    for space_id, dealer_id in session.execute(own.union(shared)):
        found.setdefault(space_id, set()).add(dealer_id)
    return found


def _turned_down(session: Session, mall_id: int) -> dict[int, set[int]]:
    """Who declined a space, or let its offer lapse, since it was last leased: ids of the list by space."""
    last = select(LeaseSpace.space_id, func.max(LeaseSpace.starts_on).label("since")).group_by(LeaseSpace.space_id).subquery()
    rows = session.execute(
        select(Offer.space_id, Offer.waiting_id)
        .join(Space, Space.id == Offer.space_id)
        .outerjoin(last, last.c.space_id == Offer.space_id)
        .where(
            Space.mall_id == mall_id,
            Offer.state.in_(("declined", "lapsed")),
            or_(last.c.since.is_(None), Offer.made_on >= last.c.since),
        )
    )
    found: dict[int, set[int]] = {}
    for space_id, waiting_id in rows:
        found.setdefault(space_id, set()).add(waiting_id)
    return found

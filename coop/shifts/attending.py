"""Who came to a turn: signed in and out at the desk, a stand-in in the place of who did not come, and what is decided of that."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, exists, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.core.periods import Month
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.sales.models import DrawerCount
from coop.shifts.charging import charge_to, require_open_month
from coop.shifts.helping import hold_helper, require_able
from coop.shifts.lapsing import end_offers
from coop.shifts.models import Post, Rota, Turn, TurnHelper
from coop.shifts.offer_limits import hold_members, require_taking_part
from coop.shifts.queries import said
from coop.shifts.reminding import tell_missed
from coop.shifts.rules import TurnRules, rules_on
from coop.shifts.seating import put_members
from coop.shifts.substitutes import settle_substitute
from coop.shifts.turn_models import Attendance, TurnChange
from coop.shifts.wording import clock, minute_of

EARLY = timedelta(hours=1)
"""Before a turn begins, from which one may sign in to it."""
KEPT_FOR = timedelta(days=31)
"""A mall at which nobody has signed in for so long does not keep attendance: nobody is missed there."""
_STILL = timedelta(hours=1)
"""After its end, in which somebody who did not come to a turn is still told of, and one who forgot to sign out may."""
DECISIONS = {"excused": "excused: it is not owed any more", "owed": "still owed", "charged": "charged, and not owed any more"}


# --- reads ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """A turn with its post, who is to come, and who came."""

    turn: Turn
    post: str
    member: Member | None
    helper: TurnHelper | None
    attendance: Attendance | None
    missed: Member | None
    """Who did not come, where another stands in since."""

    @property
    def who(self) -> str:
        """Who stands, or is to: `Wren Abbot, for Ida Fenwick`."""
        if self.member is None:
            return "nobody"
        return f"{self.helper.name}, for {self.member.name}" if self.helper else self.member.name

    @property
    def came(self) -> bool:
        return self.attendance is not None and self.attendance.signed_in_at is not None

    @property
    def is_on(self) -> bool:
        return self.came and self.attendance is not None and self.attendance.signed_out_at is None

    @property
    def was_missed(self) -> bool:
        """Nobody had come when it was looked."""
        return self.attendance is not None and self.attendance.missed_at is not None

    @property
    def decision(self) -> str:
        return self.attendance.decision if self.attendance else ""

    @property
    def awaits_decision(self) -> bool:
        """Somebody did not come, or came late, and nobody has said what comes of it."""
        return self.attendance is not None and not self.decision and (self.was_missed or self.attendance.late)


def turns_seen(session: Session, *where: ColumnElement[bool]) -> list[Seen]:
    """Turns of published rotas with who came, in the order they begin. Two queries."""
    rows = session.execute(
        select(Turn, Post.name, Member, TurnHelper, Attendance)
        .join(Rota, Rota.id == Turn.rota_id)
        .join(Post, Post.id == Turn.post_id)
        .outerjoin(Member, Member.id == Turn.member_id)
        .outerjoin(TurnHelper, TurnHelper.id == Turn.helper_id)
        .outerjoin(Attendance, Attendance.turn_id == Turn.id)
        .where(Rota.state == "published", *where)
        .order_by(Turn.starts_at, Turn.ends_at, Post.name, Turn.seat)
    ).all()
    missed = who_missed(session, [row[0].id for row in rows if row[4] is not None and row[4].missed_at is not None])
    return [Seen(turn, post, member, helper, came, missed.get(turn.id)) for turn, post, member, helper, came in rows]


def turns_on(session: Session, mall: Mall, on: date) -> list[Seen]:
    """A mall's turns of a day."""
    return turns_seen(session, Turn.mall_id == mall.id, Turn.on_date == on)


def turns_in(session: Session, mall: Mall, month: Month) -> list[Seen]:
    """A mall's turns of a month."""
    return turns_seen(session, Turn.mall_id == mall.id, Turn.on_date.between(month.first_day, month.last_day))


def who_missed(session: Session, turn_ids: Iterable[int]) -> dict[int, Member]:
    """Who had each of these turns when nobody came to it, where somebody else has it since."""
    ids = list(turn_ids)
    if not ids:
        return {}
    rows = session.execute(
        select(TurnChange.turn_id, Member)
        .join(Attendance, Attendance.turn_id == TurnChange.turn_id)
        .join(Member, Member.id == TurnChange.from_member_id)
        .where(
            TurnChange.turn_id.in_(ids),
            TurnChange.at >= Attendance.missed_at,
            TurnChange.to_member_id.is_distinct_from(TurnChange.from_member_id),
        )
        # The first change since: whoever stood in for the one who stood in did not miss it.
        .order_by(TurnChange.id.desc())
    )
    return dict(rows.all())


def keeps_attendance(session: Session, mall_id: int, first: datetime, last: datetime) -> bool:
    """Whether anybody signed in at a mall between two moments."""
    came = select(Attendance.id).join(Turn, Turn.id == Attendance.turn_id)
    between = and_(Turn.mall_id == mall_id, Attendance.signed_in_at >= first, Attendance.signed_in_at <= last)
    return session.scalar(came.where(between).limit(1)) is not None


# --- signing in and out ---------------------------------------------------------------------------------------------------


def sign_in(
    session: Session, now: datetime, turn: Turn, member_id: int, *, helper_id: int | None = None, user_id: int | None = None
) -> Attendance:
    """Whoever stands at a post signs in: its member, a helper the member has named, or another member, who then has the turn.

    From an hour before its beginning to its end; late beyond the grace, unless it is somebody who stands in. A second time it
    answers what was written. Refuses all else, naming the turn.
    """
    if helper_id is not None:
        hold_helper(session, helper_id)
    _hold(session, turn)
    there = _attendance(session, turn)
    if there is not None and there.signed_in_at is not None:
        if turn.member_id != member_id:
            raise Refusal(f"{_name(session, turn.member_id)} has signed in to {said(session, turn)} already.")
        return there
    _require_time(session, now, turn)
    stands_in = turn.member_id != member_id
    if stands_in:
        _take_place(session, now, turn, member_id, user_id)
    if turn.helper_id != helper_id:
        _send_helper(session, now, turn, helper_id, user_id)
    late = not stands_in and now > turn.starts_at + timedelta(minutes=_rules(session, turn).late_minutes)
    there = _write(session, turn, there, signed_in_at=now, late=late)
    helper = f", helper {helper_id}" if helper_id is not None else ""
    audit.record(session, now, "turn signed in to", "turn", turn.id, user_id=user_id, detail=f"member {member_id}{helper}")
    return there


def _require_time(session: Session, now: datetime, turn: Turn) -> None:
    if session.get_one(Rota, turn.rota_id).state != "published":
        raise Refusal(f"{said(session, turn)} is of a rota that is not published: nobody signs in to it.")
    if turn.state == "closed":
        raise Refusal(f"The mall does not open for {said(session, turn)}: nobody signs in to it.")
    if now < turn.starts_at - EARLY:
        zone = session.get_one(Mall, turn.mall_id).timezone
        raise Refusal(
            f"{said(session, turn)} is still to come: sign in from {clock(minute_of(turn.starts_at - EARLY, zone))} on."
        )
    if now >= turn.ends_at:
        raise Refusal(f"{said(session, turn)} is over: ask the manager to write down who came.")


def _take_place(session: Session, now: datetime, turn: Turn, member_id: int, user_id: int | None) -> None:
    """Another member stands: the turn goes over, with all that was agreed about it before."""
    require_taking_part(session, turn, member_id)
    end_offers(session, now, turn)
    # At the desk of another mall the same member may be signing in at this moment.
    hold_members(session, [member_id])
    overlaps = and_(Turn.starts_at < turn.ends_at, Turn.ends_at > turn.starts_at)
    other = session.scalar(select(Turn).where(Turn.member_id == member_id, Turn.state == "standing", overlaps).limit(1))
    if other is not None:
        raise Refusal(f"{_name(session, member_id)} has {said(session, other)} at that time: nobody stands at two posts.")
    before = turn.member_id
    put_members(session, {turn: member_id})
    _change(session, now, turn, "moved", before, user_id)


def _send_helper(session: Session, now: datetime, turn: Turn, helper_id: int | None, user_id: int | None) -> None:
    helper = session.get(TurnHelper, helper_id) if helper_id is not None else None
    if helper_id is not None:
        ended = helper is not None and helper.ended_on is not None and helper.ended_on < turn.on_date
        if helper is None or helper.member_id != turn.member_id or ended:
            raise Refusal(f"{_name(session, turn.member_id)} has not named this helper: ask the manager to write the name down.")
        require_able(session, turn, helper)
    turn.helper_id = helper_id
    _change(session, now, turn, "helper", turn.member_id, user_id)


def _change(session: Session, now: datetime, turn: Turn, how: str, before: int | None, user_id: int | None) -> None:
    session.add(
        TurnChange(turn_id=turn.id, at=now, how=how, from_member_id=before, to_member_id=turn.member_id, by_user_id=user_id)
    )
    session.flush()


def sign_out(session: Session, now: datetime, turn: Turn, *, user_id: int | None = None) -> Attendance:
    """Whoever stood goes. A second time it answers what was written. Refuses a turn nobody signed in to."""
    _hold(session, turn)
    there = _attendance(session, turn)
    if there is None or there.signed_in_at is None:
        raise Refusal(f"Nobody has signed in to {said(session, turn)}: sign in first, or ask the manager to write down who came.")
    if there.signed_out_at is None:
        there.signed_out_at = now
        session.flush()
        audit.record(session, now, "turn signed out of", "turn", turn.id, user_id=user_id)
    return there


def hand_over(session: Session, turn: Turn, count: DrawerCount) -> None:
    """Keep with a turn the drawer counted at its end; the first count stays. Refuses another mall's, and no one's turn."""
    _hold(session, turn)
    there = _attendance(session, turn)
    if there is None or there.signed_in_at is None or count.mall_id != turn.mall_id:
        raise Refusal(f"The count does not belong to {said(session, turn)}: count the drawer of its mall after signing in.")
    if there.drawer_count_id is None:
        there.drawer_count_id = count.id
        session.flush()


# --- nobody came ----------------------------------------------------------------------------------------------------------


@short_job("shifts.watch")
def watch_turns(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Every five minutes: turns that have begun and that nobody came to, once each.

    Only where attendance is kept: a mall whose members never sign in would be told of every turn.
    """
    begun = and_(Turn.starts_at <= now, Turn.ends_at > now - _STILL)
    unseen = ~exists().where(Attendance.turn_id == Turn.id)
    turns = session.scalars(
        select(Turn)
        .join(Rota, Rota.id == Turn.rota_id)
        .where(Rota.state == "published", Turn.state == "standing", Turn.member_id.is_not(None), begun, unseen)
        # Malls are held one after the other, in the order in which whoever swaps turns of two holds them.
        .order_by(Turn.mall_id, Turn.starts_at, Turn.id)
    ).all()
    kept: dict[int, bool] = {}
    for turn in turns:
        if turn.mall_id not in kept:
            kept[turn.mall_id] = keeps_attendance(session, turn.mall_id, now - KEPT_FOR, now)
        if kept[turn.mall_id] and now >= turn.starts_at + timedelta(minutes=_rules(session, turn).no_show_minutes):
            _miss(session, now, turn)


def _miss(session: Session, now: datetime, turn: Turn) -> None:
    _hold(session, turn)
    # Somebody may have come at this moment, or a second watch have been here.
    if turn.member_id is not None and turn.state == "standing" and _attendance(session, turn) is None:
        _write(session, turn, None, missed_at=now)
        tell_missed(session, now, turn)


# --- what the manager writes down and decides -----------------------------------------------------------------------------


def write_down(session: Session, now: datetime, turn: Turn, came: bool, *, user_id: int | None) -> Attendance:
    """The manager says afterwards whether a turn was worked that nobody signed in to. Refuses one that is not over, or closed."""
    mall = session.get_one(Mall, turn.mall_id)
    require_open_month(session, mall, Month.of(turn.on_date))
    _hold(session, turn)
    there = _attendance(session, turn)
    if turn.state == "closed" or turn.member_id is None:
        raise Refusal(f"Nobody was to come to {said(session, turn)}: there is nothing to write down.")
    if now < turn.ends_at:
        raise Refusal(f"{said(session, turn)} is not over: write down afterwards who came.")
    if there is not None and there.signed_in_at is not None:
        raise Refusal(f"{_name(session, turn.member_id)} has signed in to {said(session, turn)}: it was worked.")
    if not came:
        if there is None:
            there = _write(session, turn, None, missed_at=now)
    else:
        _require_other(session, user_id, turn.member_id, "You cannot write down that you came yourself: a second person has to.")
        if there is not None and there.decision:
            charge_no_show(session, now, turn, 0, user_id=user_id)
            there.decision = ""
        # Somebody who was missed and came after all cannot have come before that was written.
        began = max(turn.starts_at, there.missed_at) if there is not None and there.missed_at else turn.starts_at
        there = _write(session, turn, there, signed_in_at=began, late=False, note="Written down afterwards.")
        settle_substitute(session, now, turn, turn.member_id, came=True, user_id=user_id)
        there.signed_out_at = max(turn.ends_at, began)
    there.decided_by, there.decided_at = user_id, now
    session.flush()
    did = "worked" if came else "missed"
    audit.record(
        session, now, f"turn written down as {did}", "turn", turn.id, user_id=user_id, detail=f"{mall.code} {turn.on_date}"
    )
    return there


def decide(session: Session, now: datetime, turn: Turn, decision: str, *, user_id: int | None, note: str = "") -> Attendance:
    """What comes of one who did not come or came late: excused, owed or charged, at the price in the house rules.

    Decided anew, the money follows: what was charged is given back. Refuses a turn at which nobody was missed or late, a month
    that is closed, a charge where the rules have no price, and a manager who excuses that manager's own.
    """
    mall = session.get_one(Mall, turn.mall_id)
    require_open_month(session, mall, Month.of(turn.on_date))
    _hold(session, turn)
    there = _attendance(session, turn)
    if decision not in DECISIONS:
        raise Refusal(f"The decision is {decision!r}: choose one of {', '.join(DECISIONS)}.")
    if there is None or not (there.missed_at or there.late):
        raise Refusal(f"Nobody was missed or late at {said(session, turn)}: there is nothing to decide.")
    if decision == "excused":
        whose = missed_member(session, turn)
        _require_other(session, user_id, whose, "You cannot excuse a turn of your own: a second person has to.")
    cents = _rules(session, turn).no_show_cents if decision == "charged" else 0
    if decision == "charged" and not cents:
        raise Refusal("The rules of turns have no price of a no-show: set one first, or let the turn be owed.")
    charge_no_show(session, now, turn, cents, user_id=user_id)
    if there.missed_at:
        whose = missed_member(session, turn)
        came = there.signed_in_at is not None and turn.member_id == whose
        settle_substitute(session, now, turn, whose, came=came, user_id=user_id)
    there.decision, there.decided_by, there.decided_at, there.note = decision, user_id, now, note.strip()[:200]
    session.flush()
    audit.record(session, now, f"turn {decision}", "turn", turn.id, user_id=user_id, detail=f"{mall.code} {turn.on_date}")
    return there


def missed_member(session: Session, turn: Turn) -> int | None:
    """Who did not come to a turn, or came late: who had it then, whoever stands in since."""
    missed = who_missed(session, [turn.id]).get(turn.id)
    return missed.id if missed else turn.member_id


def charge_no_show(session: Session, now: datetime, turn: Turn, cents: int, *, user_id: int | None = None) -> int:
    """Bring the charge of a no-show to an amount, by the turn's own key; what was charged now."""
    whose = missed_member(session, turn)
    if whose is None:
        return 0
    what = "Turn not worked" if cents else "Turn excused"
    return charge_to(
        session,
        now,
        session.get_one(Mall, turn.mall_id),
        whose,
        cents,
        key=f"noshow:{turn.id}",
        label=what,
        working=f"{said(session, turn)}: nobody came in time" if cents else f"{said(session, turn)}: not charged any more",
        on=turn.on_date,
        user_id=user_id,
    )


# --- within ---------------------------------------------------------------------------------------------------------------


def _rules(session: Session, turn: Turn) -> TurnRules:
    return rules_on(session, turn.mall_id, Month.of(turn.on_date).first_day)


def _hold(session: Session, turn: Turn) -> None:
    """Keep others, the watch among them, from this turn's attendance: the mall first, as whoever moves turns or money does."""
    hold_mall(session, turn.mall_id)
    session.refresh(turn, with_for_update={"key_share": True})


def _attendance(session: Session, turn: Turn) -> Attendance | None:
    rows = select(Attendance).where(Attendance.turn_id == turn.id).execution_options(populate_existing=True)
    return session.scalars(rows).one_or_none()


def _write(session: Session, turn: Turn, there: Attendance | None, **values: Any) -> Attendance:
    if there is None:
        there = Attendance(turn_id=turn.id, late=False, decision="", note="")
        session.add(there)
    for name, value in values.items():
        setattr(there, name, value)
    session.flush()
    return there


def _name(session: Session, member_id: int | None) -> str:
    return session.get_one(Member, member_id).name if member_id is not None else "Nobody"


def _require_other(session: Session, user_id: int | None, member_id: int | None, sentence: str) -> None:
    own = select(UserAccount.id).where(UserAccount.id == user_id, UserAccount.member_id == member_id)
    if user_id is not None and member_id is not None and session.scalar(own) is not None:
        raise Refusal(sentence)

"""What turns go by of a member: trained, holds a key, an office, exempt; pairs of members; helpers they name."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.dealers.models import Member
from coop.leases.editing import By
from coop.leases.holding import lock
from coop.shifts.domain.owed import Fact
from coop.shifts.models import FACT_KINDS, TurnFact, TurnHelper, TurnPair
from coop.shifts.rules import NOBODY

FACT_WORDS = {"trained": "trained", "keys": "holds a key", "office": "holds an office", "exempt": "exempt"}
PAIR_WORDS = {"apart": "must not work together", "together": "would like to work together"}


def fact_rows(
    session: Session, mall_id: int, first: date, last: date, *, member_ids: Iterable[int] | None = None
) -> dict[int, list[TurnFact]]:
    """Facts that hold at a mall on any day between two, by member, oldest first. Those of every mall are among them."""
    rows = (
        select(TurnFact)
        .where(
            or_(TurnFact.mall_id.is_(None), TurnFact.mall_id == mall_id),
            TurnFact.starts_on <= last,
            or_(TurnFact.ends_on.is_(None), TurnFact.ends_on >= first),
        )
        .order_by(TurnFact.member_id, TurnFact.starts_on, TurnFact.id)
    )
    if member_ids is not None:
        rows = rows.where(TurnFact.member_id.in_(list(member_ids)))
    found: dict[int, list[TurnFact]] = {}
    for row in session.scalars(rows):
        found.setdefault(row.member_id, []).append(row)
    return found


def as_owed(row: TurnFact) -> Fact:
    return Fact(row.kind, row.starts_on, row.ends_on, row.words, row.less or Decimal(0))


# --- facts ----------------------------------------------------------------------------------------------------------------


def set_fact(
    session: Session,
    now: datetime,
    member: Member,
    kind: str,
    *,
    starts_on: date,
    ends_on: date | None = None,
    mall_id: int | None = None,
    words: str = "",
    less: Decimal | None = None,
    by: By = NOBODY,
) -> TurnFact:
    """A fact from a day on, at one mall or (None) at every one.

    Refuses one that holds already, an office without its name or its turns, and dates that run backwards.
    """
    words = " ".join(words.split())
    if kind not in FACT_KINDS:
        raise Refusal(f"The fact is {kind!r}: choose one of {', '.join(FACT_KINDS)}.")
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"It ends on {written(ends_on)}, before it begins on {written(starts_on)}: turn the dates round.")
    if len(words) > 80:
        raise Refusal(f"The words have {len(words)} letters: 80 is the most.")
    if kind == "office":
        if not words:
            raise Refusal("The office has no name: write it, such as Treasurer.")
        if less is None or not 0 < less <= 31 or less != round(less, 2):
            raise Refusal("What an office is worth is a number of turns a month, above 0 to 31, such as 1 or 0.5.")
    elif less is not None:
        raise Refusal("Only an office lowers the turns by a number: leave it empty.")
    _hold_member(session, member.id)
    for other in session.scalars(select(TurnFact).where(TurnFact.member_id == member.id, TurnFact.kind == kind)):
        same_place = other.mall_id is None or mall_id is None or other.mall_id == mall_id
        same_days = other.starts_on <= (ends_on or date.max) and (other.ends_on or date.max) >= starts_on
        if same_place and same_days and (kind != "office" or other.words.lower() == words.lower()):
            since = f"since {written(other.starts_on)}" if other.starts_on <= starts_on else f"from {written(other.starts_on)}"
            raise Refusal(f"{member.name} is written down so {since} ({FACT_WORDS[kind]}): end that first, or choose other days.")
    row = TurnFact(member_id=member.id, mall_id=mall_id, kind=kind, starts_on=starts_on, ends_on=ends_on, words=words, less=less)
    session.add(row)
    session.flush()
    until = f" through {ends_on}" if ends_on else ""
    _log(session, now, by, "turn fact set", member.id, f"{FACT_WORDS[kind]} {words}".strip() + f" from {starts_on}{until}")
    return row


def end_fact(session: Session, now: datetime, row: TurnFact, ends_on: date, *, by: By = NOBODY) -> None:
    """Let a fact end on a day; with a day before its first it is taken away, as if it had never been said.

    Turns that a closed month has counted already stay counted.
    """
    _hold_member(session, row.member_id)
    lock(session, row)
    _log(
        session, now, by, "turn fact ended", row.member_id, f"{FACT_WORDS[row.kind]} {row.words}".strip() + f" through {ends_on}"
    )
    if ends_on < row.starts_on:
        session.delete(row)
    else:
        row.ends_on = ends_on
    session.flush()


# --- pairs ----------------------------------------------------------------------------------------------------------------


def set_pair(
    session: Session, now: datetime, one: Member, other: Member, how: str, starts_on: date, *, by: By = NOBODY
) -> TurnPair:
    """Keep two members apart, or note that they would like to work together. Refuses one who is both, and a running pair."""
    if how not in PAIR_WORDS:
        raise Refusal(f"The pair is {how!r}: choose one of {', '.join(PAIR_WORDS)}.")
    if one.id == other.id:
        raise Refusal(f"Both are {one.name}: choose two members.")
    first, second = sorted((one.id, other.id))
    for member_id in (first, second):
        _hold_member(session, member_id)
    there = session.scalar(
        select(TurnPair).where(TurnPair.one_id == first, TurnPair.other_id == second, TurnPair.ended_on.is_(None))
    )
    if there is not None:
        raise Refusal(f"{one.name} and {other.name} are written down already ({PAIR_WORDS[there.how]}): end that first.")
    row = TurnPair(one_id=first, other_id=second, how=how, starts_on=starts_on, ended_on=None)
    session.add(row)
    session.flush()
    _log(session, now, by, "pair set", first, f"with member {second}: {PAIR_WORDS[how]} from {starts_on}")
    return row


def end_pair(session: Session, now: datetime, row: TurnPair, ended_on: date, *, by: By = NOBODY) -> None:
    """Let a pair end: `ended_on` is its last day."""
    lock(session, row)
    _log(session, now, by, "pair ended", row.one_id, f"with member {row.other_id}: {PAIR_WORDS[row.how]} through {ended_on}")
    row.ended_on = max(ended_on, row.starts_on - timedelta(days=1))
    session.flush()


# --- helpers --------------------------------------------------------------------------------------------------------------


def helpers_of(session: Session, day: date, *, member_ids: Iterable[int] | None = None) -> dict[int, list[TurnHelper]]:
    """Helpers who may work for a member on a day, by member id, in the order they were named."""
    rows = select(TurnHelper).where(or_(TurnHelper.ended_on.is_(None), TurnHelper.ended_on >= day)).order_by(TurnHelper.id)
    if member_ids is not None:
        rows = rows.where(TurnHelper.member_id.in_(list(member_ids)))
    found: dict[int, list[TurnHelper]] = {}
    for row in session.scalars(rows):
        found.setdefault(row.member_id, []).append(row)
    return found


def name_helper(
    session: Session,
    now: datetime,
    member: Member,
    name: str,
    *,
    phone: str = "",
    trained_on: date | None = None,
    by: By = NOBODY,
) -> TurnHelper:
    """Somebody a member names to work the member's turns; trained since a day, or not yet."""
    name, phone = " ".join(name.split()), " ".join(phone.split())
    if not name:
        raise Refusal("The helper has no name: write it.")
    for text, most, what in ((name, 120, "name"), (phone, 40, "telephone")):
        if len(text) > most:
            raise Refusal(f"The helper's {what} has {len(text)} letters: {most} is the most.")
    row = TurnHelper(member_id=member.id, name=name, phone=phone, trained_on=trained_on, named_at=now, ended_on=None)
    session.add(row)
    session.flush()
    # A helper is no member: the log, which is kept, goes by number.
    _log(session, now, by, "helper named", member.id, f"helper {row.id}")
    return row


def train_helper(session: Session, now: datetime, row: TurnHelper, trained_on: date | None, *, by: By = NOBODY) -> None:
    """Since when the co-op lets a helper stand alone; None: not yet."""
    lock(session, row)
    row.trained_on = trained_on
    session.flush()
    said = f"trained since {trained_on}" if trained_on else "not trained"
    _log(session, now, by, "helper trained", row.member_id, f"helper {row.id} {said}")


def end_helper(session: Session, now: datetime, row: TurnHelper, ended_on: date, *, by: By = NOBODY) -> None:
    """`ended_on` is the last day the helper works for the member."""
    lock(session, row)
    row.ended_on = ended_on
    session.flush()
    _log(session, now, by, "helper ended", row.member_id, f"helper {row.id} through {ended_on}")


def _hold_member(session: Session, member_id: int) -> None:
    """Of two who write down one fact at once the second is told."""
    session.execute(select(Member.id).where(Member.id == member_id).with_for_update(key_share=True))


def _log(session: Session, now: datetime, by: By, action: str, member_id: int, detail: str) -> None:
    audit.record(session, now, action, "member", member_id, user_id=by.user_id, request_id=by.request_id, detail=detail)

"""A turn moved by the manager: to a member or to nobody, two exchanged, one locked. Refused, or told with what it breaks.

A draft may break rules while it is worked on: the page says which, and publishing asks that no hard one is left. What the
database cannot hold, a member at two posts at once, is refused here in a sentence. Of a published rota nobody is moved without
consent, and each move is kept (`TurnChange`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day, joined
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.shifts.judging import Broken, Judge
from coop.shifts.lapsing import end_offers
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.queries import said
from coop.shifts.reminding import tell_moved
from coop.shifts.seating import put_members
from coop.shifts.turn_models import Attendance, TurnAccount, TurnChange


@dataclass(frozen=True)
class Difference:
    """What a move would change: rules that are broken and would not be, and those that it would break."""

    mended: tuple[Broken, ...]
    broken: tuple[Broken, ...]


# --- the rota's version ---------------------------------------------------------------------------------------------------


def take_version(session: Session, rota: Rota, version: int) -> None:
    """Count a rota's version up for a change that was made looking at `version`, and hold its mall and its row.

    Raises Refusal when it was changed since: of two at once the second waits, and is told.
    """
    hold_mall(session, rota.mall_id)
    taken = session.execute(
        update(Rota)
        .where(Rota.id == rota.id, Rota.version == version)
        .values(version=version + 1)
        .execution_options(synchronize_session=False)
    )
    if taken.rowcount != 1:  # type: ignore[attr-defined]
        raise Refusal(
            f"The rota of {Month.of(rota.first_day).name} was changed since this page was shown, and nothing of this is done: "
            "look at it as it is now, and do it again."
        )
    session.refresh(rota)


# --- moving ---------------------------------------------------------------------------------------------------------------


def move_turn(
    session: Session,
    now: datetime,
    turn: Turn,
    member_id: int | None,
    *,
    version: int,
    user_id: int | None,
    consent: bool = False,
    lock: bool = False,
    had: int | Literal["anybody"] | None = "anybody",
) -> list[Broken]:
    """Give a turn to a member, or to nobody; what of the rules that breaks which held before. `lock`: drafts leave it so.

    `version` is the rota's, as it was looked at, and `had` who had the turn then: members swap among themselves, which no version
    counts. `consent`: whoever comes has agreed, which a published rota needs. Raises Refusal, naming turn and member.
    """
    rota = session.get_one(Rota, turn.rota_id)
    take_version(session, rota, version)
    _hold(session, [turn])
    if had not in ("anybody", turn.member_id):
        raise Refusal(f"{_name(session, turn.member_id)} has {said(session, turn)} since this page was shown: look at it again.")
    if turn.member_id == member_id:
        who = (
            f"{_name(session, member_id)} has {said(session, turn)} already" if member_id else f"Nobody has {said(session, turn)}"
        )
        raise Refusal(f"{who}: choose somebody else.")
    return _arrange(session, now, rota, {turn: member_id}, user_id=user_id, consent=consent, locked={turn} if lock else ())


def exchange_turns(
    session: Session,
    now: datetime,
    one: Turn,
    other: Turn,
    *,
    version: int,
    user_id: int | None,
    consent: bool = False,
    locks: tuple[bool, bool] = (False, False),
) -> list[Broken]:
    """Let who has one turn have the other, and the other way round; nobody is exchanged like a member. As `move_turn`.

    `consent`: both have agreed. `locks`: of the one and of the other, afterwards.
    """
    rota = session.get_one(Rota, one.rota_id)
    take_version(session, rota, version)
    _hold(session, [one, other])
    _require_exchange(session, one, other)
    locked = {turn for turn, lock in zip((one, other), locks, strict=True) if lock}
    return _arrange(session, now, rota, _exchanged(one, other), user_id=user_id, consent=consent, locked=locked)


def lock_turn(session: Session, now: datetime, turn: Turn, locked: bool, *, version: int, user_id: int | None = None) -> None:
    """Lock a turn, so that a draft leaves it as it is, or let it go. Raises Refusal."""
    rota = session.get_one(Rota, turn.rota_id)
    take_version(session, rota, version)
    _hold(session, [turn])
    if rota.state == "published":
        raise Refusal(f"The rota of {Month.of(rota.first_day).name} is published: no draft changes it, and nothing wants a lock.")
    if locked and turn.member_id is None:
        raise Refusal(f"Nobody has {said(session, turn)}: give it to somebody, and lock it then.")
    turn.locked = locked
    session.flush()
    _log(session, now, "turn locked" if locked else "turn unlocked", turn, f"turn {turn.id} of {turn.on_date}", user_id)


def difference(session: Session, turn: Turn, member_id: int | None) -> Difference:
    """What giving a turn to a member, or to nobody, would break and mend; nothing is kept. Raises Refusal as `move_turn`."""
    return _tried(session, session.get_one(Rota, turn.rota_id), {turn: member_id})


def exchange_difference(session: Session, one: Turn, other: Turn) -> Difference:
    """The same of two turns exchanged."""
    _require_exchange(session, one, other)
    return _tried(session, session.get_one(Rota, one.rota_id), _exchanged(one, other))


def needs_consent_of(rota: Rota, member_ids: Iterable[int | None]) -> list[int]:
    """Who has to agree before these are given turns of a rota; giving a turn up needs nobody's."""
    return [one for one in member_ids if one is not None] if rota.state == "published" else []


# --- one arrangement ------------------------------------------------------------------------------------------------------


_Arrangement = Mapping[Turn, int | None]
"""Who is to have which turn."""


def _exchanged(one: Turn, other: Turn) -> _Arrangement:
    return {one: other.member_id, other: one.member_id}


def _by_id(wanted: _Arrangement) -> dict[int, int | None]:
    return {turn.id: member_id for turn, member_id in wanted.items()}


def _tried(session: Session, rota: Rota, wanted: _Arrangement) -> Difference:
    _require_possible(session, rota, wanted)
    judge = Judge(session, rota)
    before, after = judge.broken(), judge.broken(_by_id(wanted))
    was, will = set(before), set(after)
    return Difference(tuple(one for one in before if one not in will), tuple(one for one in after if one not in was))


def _arrange(
    session: Session,
    now: datetime,
    rota: Rota,
    wanted: _Arrangement,
    *,
    user_id: int | None,
    consent: bool,
    locked: Collection[Turn] = (),
) -> list[Broken]:
    """Make it so, keep what happened to a published rota, and tell those it touches."""
    _require_possible(session, rota, wanted)
    for turn in wanted:
        _require_movable(session, turn)
    asked = needs_consent_of(rota, wanted.values())
    if asked and not consent:
        names = joined([_name(session, one) for one in asked])
        raise Refusal(
            f"The rota of {Month.of(rota.first_day).name} is published, and nobody is moved without consent: "
            f"ask {names}, and tick that it is agreed."
        )
    broken = Judge(session, rota).more_broken(_by_id(wanted))
    had = {turn: turn.member_id for turn in wanted}
    mall = session.get_one(Mall, rota.mall_id)
    put_members(session, wanted)
    for turn, member_id in wanted.items():
        turn.why = f"Given by the manager on {day(local_date(now, mall.timezone))}." if member_id is not None else ""
    for turn in wanted:
        turn.locked = turn in locked and turn.member_id is not None and rota.state == "draft"
        before, after = f"member {had[turn] or 'none'} before", f"member {turn.member_id or 'none'} now"
        _log(session, now, "turn moved", turn, f"turn {turn.id} of {turn.on_date}: {before}, {after}", user_id)
    if rota.state == "published":
        for turn in wanted:
            _keep(session, now, turn, had[turn], user_id=user_id)
    session.flush()
    return broken


def _keep(session: Session, now: datetime, turn: Turn, had: int | None, *, user_id: int | None) -> None:
    end_offers(session, now, turn)
    session.add(
        TurnChange(
            turn_id=turn.id,
            at=now,
            how="left" if turn.member_id is None else "moved",
            from_member_id=had,
            to_member_id=turn.member_id,
            by_user_id=user_id,
        )
    )
    tell_moved(session, now, turn, had)


def _log(session: Session, now: datetime, action: str, turn: Turn, detail: str, user_id: int | None) -> None:
    mall = session.get_one(Mall, turn.mall_id)
    audit.record(session, now, action, "rota", f"{mall.code} {Month.of(turn.on_date)}", user_id=user_id, detail=detail)


# --- what is refused ------------------------------------------------------------------------------------------------------


def _hold(session: Session, turns: list[Turn]) -> None:
    """Keep others, who may be taking an offered turn at this moment, from these turns; always in one order."""
    for turn in sorted(turns, key=lambda one: one.id):
        session.refresh(turn, with_for_update={"key_share": True})


def _require_exchange(session: Session, one: Turn, other: Turn) -> None:
    if one.rota_id != other.rota_id:
        raise Refusal("Two turns are exchanged within one rota: move each by itself.")
    if one.member_id == other.member_id:
        raise Refusal(f"{said(session, one)} and {said(session, other)} are had by the same: nothing is to be exchanged.")


def _require_movable(session: Session, turn: Turn) -> None:
    if session.scalar(select(Attendance.id).where(Attendance.turn_id == turn.id, Attendance.signed_in_at.is_not(None))):
        raise Refusal(f"{_name(session, turn.member_id)} has signed in to {said(session, turn)}: nobody else is put there.")
    if session.scalar(select(TurnAccount.id).where(TurnAccount.turn_id == turn.id).limit(1)):
        raise Refusal(f"{said(session, turn)} is counted in its month-end: set the member's account of turns right instead.")


def _require_possible(session: Session, rota: Rota, wanted: _Arrangement) -> None:
    """Refuse what no rota can hold: turns of a day the mall is closed, members who take no part, one at two places at once."""
    mall = session.get_one(Mall, rota.mall_id)
    month = Month.of(rota.first_day)
    workers = {worker.member_id for worker in workers_of(session, mall, month)}
    for turn, member_id in wanted.items():
        if turn.state == "closed":
            raise Refusal(f"The mall does not open for {said(session, turn)}: nobody is needed there.")
        if member_id is None:
            continue
        if member_id not in workers:
            raise Refusal(
                f"{_name(session, member_id)} has no lease at {mall.name} in {month.name}: "
                f"give {said(session, turn)} to somebody who has."
            )
        other = session.scalar(
            select(Turn)
            .where(
                Turn.member_id == member_id,
                Turn.state == "standing",
                Turn.id.not_in([one.id for one in wanted]),
                Turn.starts_at < turn.ends_at,
                Turn.ends_at > turn.starts_at,
            )
            .limit(1)
        )
        if other is not None:
            where = "" if other.mall_id == turn.mall_id else f", {session.get_one(Mall, other.mall_id).name}"
            raise Refusal(
                f"{_name(session, member_id)} cannot have {said(session, turn)}: at that time the member has "
                f"{said(session, other)}{where}. Give one of them to somebody else first."
            )


# --- words ----------------------------------------------------------------------------------------------------------------


def _name(session: Session, member_id: int | None) -> str:
    return session.get_one(Member, member_id).name if member_id is not None else "Nobody"

"""A month's rota: its seats, its turns made, and made again when hours or needs change; a day on which the mall stays closed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.shifts.domain.demand import Seat, seats_in
from coop.shifts.domain.hours import CLOSED
from coop.shifts.hours import calendar_of, hours_are_set, set_exception
from coop.shifts.lapsing import end_offers
from coop.shifts.models import Rota, Turn
from coop.shifts.posts import needs_of
from coop.shifts.reminding import tell_closed
from coop.shifts.turn_models import Attendance, TurnChange


def seats_of(session: Session, mall: Mall, month: Month) -> list[Seat]:
    """The seats a mall's month asks for as its hours and posts are now, by day, beginning, end and post."""
    needs = needs_of(session, mall.id, month.first_day, month.last_day)
    return seats_in(calendar_of(session, mall, month), needs, mall.timezone)


def rota_of(session: Session, mall_id: int, month: Month) -> Rota | None:
    """The rota of a mall's month, if one is begun."""
    return session.scalar(select(Rota).where(Rota.mall_id == mall_id, Rota.first_day == month.first_day))


def _held_rota(session: Session, mall_id: int, month: Month) -> Rota | None:
    """The same, held and read anew: nobody publishes or moves it meanwhile."""
    rows = select(Rota).where(Rota.mall_id == mall_id, Rota.first_day == month.first_day)
    return session.scalar(rows.with_for_update(key_share=True).execution_options(populate_existing=True))


def count_up(session: Session, rota: Rota) -> None:
    """Count a rota's version up: its turns are changed, whatever of its own row is."""
    flag_modified(rota, "state")
    session.flush()


def ensure_rota(session: Session, now: datetime, mall: Mall, month: Month, *, user_id: int | None = None) -> Rota:
    """The rota of a month: made with its turns, or a draft's turns brought up to changed hours and needs.

    Where a draft's seat still is, its turn keeps member, lock and reason; where its times alone have moved, so does the turn,
    unless its member has another turn then. A published rota is left as it is. The version counts up when a turn changed.
    Refuses a month without a seat, and says what to set first.
    """
    hold_mall(session, mall.id)
    rota = _held_rota(session, mall.id, month)
    if rota is not None and rota.state == "published":
        return rota
    seats = seats_of(session, mall, month)
    if not seats and rota is None:
        raise Refusal(_nothing_to_do(session, mall, month))
    did = "turns laid out anew"
    if rota is None:
        did = "turns laid out"
        rota = Rota(mall_id=mall.id, first_day=month.first_day, state="draft")
        session.add(rota)
        session.flush()
    if _bring_up(session, rota, seats):
        count_up(session, rota)
        audit.record(session, now, did, "rota", f"{mall.code} {month}", user_id=user_id, detail=f"{len(seats)} turns")
    return rota


def _nothing_to_do(session: Session, mall: Mall, month: Month) -> str:
    if not hours_are_set(session, mall.id):
        return f"{mall.name} has no opening hours yet: set them first."
    if not needs_of(session, mall.id, month.first_day, month.last_day):
        return f"No post of {mall.name} needs anybody in {month.name}: say first who must stand where."
    return f"{mall.name} is closed whenever its posts need somebody in {month.name}: look at its hours."


def _bring_up(session: Session, rota: Rota, seats: Iterable[Seat]) -> bool:
    """Make a draft's turns those of the seats. Whether anything changed."""
    turns = session.scalars(select(Turn).where(Turn.rota_id == rota.id).order_by(Turn.starts_at, Turn.post_id, Turn.seat)).all()
    old = {(turn.post_id, turn.starts_at, turn.seat): turn for turn in turns}
    wanted = {(seat.post_id, seat.starts_at, seat.seat): seat for seat in seats}
    gone = [turn for key, turn in old.items() if key not in wanted]
    new = [seat for key, seat in wanted.items() if key not in old]
    kept = [(old[key], seat) for key, seat in wanted.items() if key in old]
    changed = [(turn, seat) for turn, seat in kept if _differs(turn, seat)]
    if not gone and not new and not changed:
        return False
    # Whoever had a seat that is gone is given the like of it, so the old ones go first: no member may have two at once.
    moved = _moved(gone, new)
    carried = {id(seat): (turn.member_id, turn.locked, turn.why) for turn, seat in moved}
    for turn in gone:
        session.delete(turn)
    session.flush()
    busy = _busy(session, [member_id for member_id, *_ in carried.values()] + [turn.member_id for turn, _ in changed], seats)
    for turn, seat in changed:
        busy.pop(turn.id, None)
        if _is_busy(busy.values(), turn.member_id, seat):
            turn.member_id, turn.for_member_id, turn.helper_id, turn.locked, turn.why = None, None, None, False, ""
        _put(turn, seat)
        busy[turn.id] = (turn.member_id, seat.starts_at, seat.ends_at)
        session.flush()
    for number, seat in enumerate(new, start=1):
        member_id, locked, why = carried.get(id(seat), (None, False, ""))
        if _is_busy(busy.values(), member_id, seat):
            member_id, locked, why = None, False, ""
        turn = Turn(rota_id=rota.id, mall_id=rota.mall_id, member_id=member_id, locked=locked, why=why)
        _put(turn, seat)
        session.add(turn)
        busy[-number] = (member_id, seat.starts_at, seat.ends_at)
    session.flush()
    return True


def _differs(turn: Turn, seat: Seat) -> bool:
    return (turn.ends_at, turn.opens, turn.closes, turn.needs_keys, turn.holiday, turn.state) != (
        seat.ends_at,
        seat.opens,
        seat.closes,
        seat.needs_keys,
        seat.holiday,
        "standing",
    )


def _put(turn: Turn, seat: Seat) -> None:
    turn.post_id, turn.seat, turn.on_date = seat.post_id, seat.seat, seat.on_date
    turn.starts_at, turn.ends_at, turn.opens, turn.closes = seat.starts_at, seat.ends_at, seat.opens, seat.closes
    turn.needs_keys, turn.holiday, turn.state = seat.needs_keys, seat.holiday, "standing"


def _moved(gone: Iterable[Turn], new: Iterable[Seat]) -> list[tuple[Turn, Seat]]:
    """Turns whose seat is gone with the new seat of the same post and day that they share most time with."""
    free = list(new)
    pairs = []
    for turn in gone:
        if turn.member_id is None:
            continue
        near = [
            (min(turn.ends_at, seat.ends_at) - max(turn.starts_at, seat.starts_at), seat)
            for seat in free
            if (seat.post_id, seat.on_date) == (turn.post_id, turn.on_date)
            and seat.starts_at < turn.ends_at
            and turn.starts_at < seat.ends_at
        ]
        if near:
            _, best = max(near, key=lambda found: found[0])
            free.remove(best)
            pairs.append((turn, best))
    return pairs


Busy = dict[int, tuple[int | None, datetime, datetime]]
"""Who has which stretch, by turn id (below zero for one that has no id yet)."""


def _busy(session: Session, member_ids: Iterable[int | None], seats: Iterable[Seat]) -> Busy:
    """Standing turns of these members at any mall around the seats."""
    members = {member_id for member_id in member_ids if member_id is not None}
    days = [seat.on_date for seat in seats]
    if not members or not days:
        return {}
    rows = session.execute(
        select(Turn.id, Turn.member_id, Turn.starts_at, Turn.ends_at).where(
            Turn.member_id.in_(members),
            Turn.state == "standing",
            Turn.on_date >= date.fromordinal(min(days).toordinal() - 1),
            Turn.on_date <= date.fromordinal(max(days).toordinal() + 1),
        )
    )
    return {turn_id: (member_id, starts_at, ends_at) for turn_id, member_id, starts_at, ends_at in rows}


def _is_busy(busy: Iterable[tuple[int | None, datetime, datetime]], member_id: int | None, seat: Seat) -> bool:
    return member_id is not None and any(
        member_id == other and starts_at < seat.ends_at and ends_at > seat.starts_at for other, starts_at, ends_at in busy
    )


# --- a day on which the mall stays closed ---------------------------------------------------------------------------------


def close_day(
    session: Session, now: datetime, mall: Mall, day: date, why: str, user_id: int | None, request_id: str = ""
) -> list[Turn]:
    """The mall does not open on a day: a snow day. Its date is closed, and so is each standing turn of a published rota.

    Turns somebody has signed in to stand: they were worked. Each closed one has a change of its own, keeps who was to come,
    and counts as the rules say (`closed`); its offers end, and who had it is told. A draft's turns of the day go.
    Returns the turns closed.
    Refuses a day that is past, and one without a reason.
    """
    if not why.strip():
        raise Refusal(f"Say why {mall.name} stays closed on {written(day)}, such as snow.")
    set_exception(session, now, mall, day, CLOSED, why, by=By(user_id, request_id))  # type: ignore[arg-type]
    month = Month.of(day)
    rota = _held_rota(session, mall.id, month)
    if rota is None:
        return []
    if rota.state != "published":
        ensure_rota(session, now, mall, month, user_id=user_id)
        return []
    came = select(Attendance.turn_id).where(Attendance.signed_in_at.is_not(None))
    turns = session.scalars(
        select(Turn)
        .where(Turn.rota_id == rota.id, Turn.on_date == day, Turn.state == "standing", Turn.id.not_in(came))
        .order_by(Turn.starts_at, Turn.id)
        .with_for_update(key_share=True)
    ).all()
    for turn in turns:
        turn.state = "closed"
        session.add(
            TurnChange(
                turn_id=turn.id,
                at=now,
                how="closed",
                from_member_id=turn.member_id,
                to_member_id=turn.member_id,
                by_user_id=user_id,
                offer_id=None,
            )
        )
    for turn in turns:
        end_offers(session, now, turn)
    tell_closed(session, now, turns)
    if turns:
        count_up(session, rota)
    audit.record(
        session,
        now,
        "day closed",
        "rota",
        f"{mall.code} {month}",
        user_id=user_id,
        request_id=request_id,
        detail=f"{mall.code} {day}: {len(turns)} turns, {' '.join(why.split())}",
    )
    return list(turns)

"""A stay changed: moved, lengthened, ended, given back before it began, and each of these undone; a piece said to be there.

What was charged stays as it was: no day that is charged is given or taken back. A sold piece that was to be fetched and was not
stands there still; let wait longer or fetched, it has its floor for the days since, too, but for those that are charged.

Whoever changes who stands where holds the mall first: of two at once the second is told what the first did.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.service import posting_date
from coop.core.errors import Refusal
from coop.core.periods import shown_day, shown_days
from coop.dealers.second_person import is_own
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.overflow import telling
from coop.overflow.charging import charged_through
from coop.overflow.domain.fitting import Stand
from coop.overflow.judging import Place, judge_place
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest, Stay
from coop.overflow.placing import (
    flush_stay,
    insert_stay,
    judged_place,
    log_stay,
    require_to_come,
    said_passed,
    said_place,
    settle_request,
)
from coop.overflow.queries import is_unfetched
from coop.overflow.reading import standing_between
from coop.overflow.survey_asking import ask_survey

_DAY = timedelta(days=1)

# --- where and how long -------------------------------------------------------------------------------------------------------


def move_stay(
    session: Session,
    now: datetime,
    stay: Stay,
    bay: BayRow,
    from_in16: int,
    *,
    by: By,
    on: date | None = None,
    turned: bool = False,
    anyway: bool = False,
) -> Stay:
    """Let a piece stand elsewhere from a day on (today, or its first), for the rest of its days; its dealer is told by mail.

    Where it stood is then a stay of its own that ended the day before. Refuses as `place_piece`, and a day it does not stand on.
    """
    mall, piece = hold_stay(session, stay)
    today = today_at(session, now, mall.id)
    on = on or max(today, stay.starts_on)
    _require_stands(stay)
    if stay.ends_on < today:
        raise Refusal(f"{piece.name} had floor until {shown_day(stay.ends_on)}: let it stand longer first, then move it.")
    if not max(today, stay.starts_on) <= on <= stay.ends_on:
        days = shown_days(max(today, stay.starts_on), stay.ends_on)
        raise Refusal(f"{piece.name} cannot be moved on {shown_day(on)}: choose a day of {days}.")
    place = Place(bay, from_in16, on, stay.ends_on, turned)
    before = session.get_one(BayRow, stay.bay_id).code
    with session.begin_nested():
        is_there(stay)
        if on == stay.starts_on:
            judged = judged_place(session, now, mall, piece, place, kind=stay.kind, by=by, but=[stay.id], anyway=anyway)
            _put(stay, place, judged.stand)
            stay.moved_in_on = None
            flush_stay(session)
            moved = stay
        else:
            stay.ends_on, stay.lengthened_from = on - _DAY, None
            came_by_its_last_day(stay)
            session.flush()
            judged = judged_place(session, now, mall, piece, place, kind=stay.kind, by=by, anyway=anyway)
            moved = insert_stay(
                session, now, piece, place, judged.stand, kind=stay.kind, granted_until=stay.granted_until, why=stay.why
            )
            moved.recalled_at, moved.recall_why, moved.recalled_from = stay.recalled_at, stay.recall_why, stay.recalled_from
            session.flush()
    log_stay(
        session, now, moved, "stay moved", by, f"from bay {before}; {said_place(session, piece, place)}{said_passed(judged)}"
    )
    telling.tell_moved(session, now, moved, before)
    ask_survey(session, now, mall)
    return moved


def lengthen_stay(session: Session, now: datetime, stay: Stay, *, until: date, by: By, anyway: bool = False) -> Stay:
    """Let a piece stand longer where it is, if that floor is free. Refuses one that was asked back or is said to be gone, and as
    `place_piece`.

    Where days between are charged, a sold piece that was not fetched has a stay of its own for those after them.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    today = today_at(session, now, mall.id)
    if until <= stay.ends_on:
        raise Refusal(f"{piece.name} stands until {shown_day(stay.ends_on)} already: choose a later day.")
    if until < today:
        raise Refusal(f"{shown_day(until)} is past: choose {shown_day(today)} or a later day.")
    place = _days_more(session, mall, piece, stay, until, is_late=is_unfetched(session, stay, today))
    _require_there(piece, stay)
    judged = judged_place(session, now, mall, piece, place, kind=stay.kind, by=by, anyway=anyway)
    if place.starts_on == stay.ends_on + _DAY:
        longer = stay
        stay.lengthened_from, stay.ends_on = stay.ends_on, until
        stay.granted_until = max(stay.granted_until, until)
        flush_stay(session)
    else:
        longer = insert_stay(session, now, piece, place, judged.stand, kind=stay.kind, granted_until=until, why=stay.why)
    log_stay(session, now, longer, "stay lengthened", by, f"until {until}{said_passed(judged)}")
    ask_survey(session, now, mall)
    telling.tell_given(session, now, longer)
    return longer


def take_back_lengthening(session: Session, now: datetime, stay: Stay, *, by: By) -> Stay:
    """Undo `lengthen_stay`: its last day is the one before; its dealer is told. The stay it has then.

    Refuses one that was asked back or is gone since, and days that are past or charged.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    until, before = stay.ends_on, last_day_before(session, stay)
    if before is None:
        raise Refusal(f"{piece.name} was not let stand longer: end its stay on a day instead.")
    _require_there(piece, stay)
    if not is_longer(stay, before, today_at(session, now, mall.id)):
        raise Refusal(f"{shown_day(before)}, its last day before, is past: end its stay on a day instead.")
    _require_uncharged(session, mall, max(before + _DAY, stay.starts_on))
    had = stay
    if before < stay.starts_on:
        had = _not_after_all(session, stay, by)
    else:
        stay.ends_on, stay.lengthened_from = before, None
        stay.granted_until = before if stay.granted_until == until else stay.granted_until
        came_by_its_last_day(stay)
    session.flush()
    log_stay(session, now, had, "lengthening taken back", by, f"until {before}")
    ask_survey(session, now, mall)
    telling.tell_lengthening_taken_back(session, now, had, stay, until)
    return had


def last_day_before(session: Session, stay: Stay) -> date | None:
    """Its last day before it was let stand longer; None where it was not."""
    if stay.recalled_at is not None or stay.lengthened_from is not None:
        return stay.lengthened_from
    late = _late_before(session, stay)
    return None if late is None else late.ends_on


def is_longer(stay: Stay, before: date, today: date) -> bool:
    """Whether a stay let stand longer may be as before again on a day: what has stood on by it has done so by right.

    A sold piece that was to be fetched before is late again then.
    """
    return (stay.ends_on if stay.kind == "sold" else before) >= today


def gone_on(session: Session, stay: Stay, today: date) -> date:
    """The last day of what is gone by now: today, or the day it was to go by; of a sold piece that was late, today."""
    return today if is_unfetched(session, stay, today) else min(today, stay.ends_on)


def end_stay(session: Session, now: datetime, stay: Stay, *, on: date, by: By) -> Stay:
    """A piece is gone after a day, its last: taken away by its dealer, or sold and fetched. Its dealer may say so before.

    Refuses a day it does not stand on, one to come said by another than its dealer, and one whose floor is charged. The stay it
    is gone from: of a sold piece that was fetched late, one that runs until then.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    today = today_at(session, now, mall.id)
    last = today if is_unfetched(session, stay, today) else stay.ends_on
    if not stay.starts_on <= on <= last:
        raise Refusal(f"{piece.name} stands {shown_days(stay.starts_on, last)}: choose its last day among these.")
    # Floor that is charged already is had until its last day, come or not.
    if on >= _first_open(session, mall, today + _DAY) and not is_own(session, by.user_id, piece.dealer_id):
        raise Refusal(f"{shown_day(on)} is to come: ask the floor back, or enter the day when the piece is gone.")
    if stay.moved_in_on is not None and on < stay.moved_in_on:
        raise Refusal(f"{piece.name} came on {shown_day(stay.moved_in_on)}, as was said: choose that day or a later one.")
    if on < stay.ends_on:
        _require_uncharged(session, mall, on + _DAY)
    if on > stay.ends_on:
        stay = _ran_on(session, now, mall, piece, stay, on)
    else:
        if stay.gone_said_at is None:
            stay.gone_from = stay.ends_on
        stay.ends_on = on
    stay.gone_said_at, stay.gone_said_by = now, by.user_id
    flush_stay(session)
    log_stay(session, now, stay, "piece taken away", by, f"last day {on}")
    ask_survey(session, now, mall)
    return stay


def take_back_end(session: Session, now: datetime, stay: Stay, *, by: By) -> Stay:
    """Undo `end_stay`: it stands until the day it was to, asked back or not, or until its bay is none any more; what was fetched
    late is late again. The stay it has then. Refuses where somebody has got that floor meanwhile, or its days are past, and
    its dealer where another said so.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    if stay.gone_said_at is None:
        return stay
    _require_own_word(session, piece, stay.gone_said_by, by)
    if stay.ends_on > stay.granted_until:
        had = _late_again(session, mall, stay, by)
    else:
        had, until = stay, last_day_after_all(stay)
        if not may_stand_after_all(stay, today_at(session, now, mall.id)) and until > stay.ends_on:
            raise Refusal(f"{piece.name} was to stand until {shown_day(until)}, and that is past: give it floor anew.")
        restore(session, now, mall, piece, stay, until, by=by)
    log_stay(session, now, had, "piece stays after all", by, f"until {had.ends_on}")
    ask_survey(session, now, mall)
    return had


def last_day_after_all(stay: Stay) -> date:
    """The last day of what was said to be gone, if it is not."""
    if stay.gone_from is not None:
        return max(stay.ends_on, stay.gone_from)
    return stay.granted_until if stay.recalled_at is None else stay.ends_on


def may_stand_after_all(stay: Stay, today: date) -> bool:
    """Whether what was said to be gone has days left to stand on if it is not, or is sold, and waits there to be fetched."""
    return stay.kind == "sold" or last_day_after_all(stay) >= today


def restore(session: Session, now: datetime, mall: Mall, piece: OverflowPiece, stay: Stay, until: date, *, by: By) -> None:
    """Let a stay run until a day it had floor until, where it is free and a bay still; limits were judged when it was given."""
    bay = session.get_one(BayRow, stay.bay_id)
    until = until if bay.ended_on is None else min(until, bay.ended_on - _DAY)
    if stay.ends_on < until:
        place = _days_more(session, mall, piece, stay, until)
        mine = is_own(session, by.user_id, piece.dealer_id)
        today = today_at(session, now, mall.id)
        judge_place(session, mall, piece, place, today=today, kind=stay.kind, anyway=True, to_dealer=mine)
        stay.ends_on = until
    is_there(stay)
    flush_stay(session)


def is_there(stay: Stay) -> None:
    """It is not gone, whatever was said."""
    stay.gone_said_at = stay.gone_said_by = stay.gone_from = None


def _days_more(session: Session, mall: Mall, piece: OverflowPiece, stay: Stay, until: date, *, is_late: bool = False) -> Place:
    """Where it stands, over the days after its last; of one that is late, over those of them that are not charged. Else refuses
    days that are charged.
    """
    first = stay.ends_on + _DAY
    open_from = _first_open(session, mall, first)
    if open_from != first and not (is_late and open_from <= until):
        raise Refusal(
            f"{piece.name} had floor until {shown_day(stay.ends_on)}, and floor of the days after it is charged by now: "
            f"{f'choose {shown_day(open_from)} or a later day' if is_late else 'give it floor anew'}."
        )
    return Place(session.get_one(BayRow, stay.bay_id), stay.from_in16, open_from, until, stay.turned)


# --- sold, and not fetched in time ------------------------------------------------------------------------------------------


def _ran_on(session: Session, now: datetime, mall: Mall, piece: OverflowPiece, stay: Stay, on: date) -> Stay:
    """Let a sold piece that is late have had its floor until it was fetched, but for days that are charged: nobody else had it.

    It was not given these days: the last it was given stays as it was.
    """
    first = _first_open(session, mall, stay.ends_on + _DAY)
    others = [
        one.stay.starts_on
        for one in standing_between(session, mall.id, stay.ends_on + _DAY, on)
        if one.bay.id == stay.bay_id and one.stay.from_in16 < stay.to_in16 and one.stay.to_in16 > stay.from_in16
    ]
    last = min([on, *(day - _DAY for day in others)])
    if last < first:
        return stay
    if first == stay.ends_on + _DAY:
        stay.ends_on = last
        return stay
    place = Place(session.get_one(BayRow, stay.bay_id), stay.from_in16, first, last, stay.turned)
    stand = Stand(stay.to_in16 - stay.from_in16, stay.depth_in16, stay.turned)
    return insert_stay(session, now, piece, place, stand, kind=stay.kind, granted_until=stay.granted_until, why=stay.why)


def _late_again(session: Session, mall: Mall, stay: Stay, by: By) -> Stay:
    """Undo `_ran_on`, but for days that are charged meanwhile."""
    is_there(stay)
    first = max(stay.granted_until + _DAY, stay.starts_on)
    first_open = _first_open(session, mall, first)
    if first_open == stay.starts_on:
        return _not_after_all(session, stay, by)
    stay.ends_on = min(stay.ends_on, first_open - _DAY)
    came_by_its_last_day(stay)
    session.flush()
    return stay


def _not_after_all(session: Session, stay: Stay, by: By) -> Stay:
    """Take back the days a late piece was given after charged ones; the stay it had before."""
    late = _late_before(session, stay)
    assert late is not None, "it was late before"
    stay.state, stay.cancelled_by = "cancelled", by.user_id
    session.flush()
    return late


def _late_before(session: Session, stay: Stay) -> Stay | None:
    """The stay of a sold piece that was late before this one; None where this one followed another at once, or none."""
    rows = select(Stay).where(
        Stay.piece_id == stay.piece_id, Stay.kind == "sold", Stay.state == "stands", Stay.ends_on < stay.starts_on
    )
    before = session.scalar(rows.order_by(Stay.ends_on.desc()).limit(1))
    return before if before is not None and before.ends_on < stay.starts_on - _DAY else None


# --- given back, and given again ----------------------------------------------------------------------------------------------


def cancel_stay(session: Session, now: datetime, stay: Stay, *, by: By) -> None:
    """Take back floor before a piece has moved in: its request waits again. Refuses a stay that has begun."""
    mall, piece = hold_stay(session, stay)
    if stay.state == "cancelled":
        return
    if stay.starts_on < today_at(session, now, mall.id) or stay.moved_in_on is not None:
        raise Refusal(f"{piece.name} stands there since {shown_day(stay.starts_on)}: end its stay on a day instead.")
    stay.state, stay.cancelled_by = "cancelled", by.user_id
    session.flush()
    settle_request(session, piece)
    log_stay(session, now, stay, "floor taken back", by, f"before {stay.starts_on}")
    ask_survey(session, now, mall)
    if not is_own(session, by.user_id, piece.dealer_id):
        telling.tell_taken_back(session, now, stay)


def stand_again(session: Session, now: datetime, stay: Stay, *, by: By) -> None:
    """Undo `cancel_stay`, where the floor is still free for the piece as it is now; limits were judged when it was given.

    Else refuses as `place_piece`, its dealer where another took it back, and a piece whose request was withdrawn.
    """
    mall, piece = hold_stay(session, stay)
    if stay.state == "stands":
        return
    _require_own_word(session, piece, stay.cancelled_by, by)
    if piece.request_id is not None and session.get_one(OverflowRequest, piece.request_id).state == "withdrawn":
        raise Refusal(f"The request for {piece.name} is withdrawn: ask for it again first.")
    require_to_come(session, now, mall, stay.starts_on)
    place = Place(session.get_one(BayRow, stay.bay_id), stay.from_in16, stay.starts_on, stay.ends_on, stay.turned)
    mine, today = is_own(session, by.user_id, piece.dealer_id), today_at(session, now, mall.id)
    judged = judge_place(session, mall, piece, place, today=today, kind=stay.kind, anyway=True, to_dealer=mine)
    _put(stay, place, judged.stand)
    stay.state, stay.cancelled_by = "stands", None
    flush_stay(session)
    settle_request(session, piece)
    log_stay(session, now, stay, "floor given again", by, said_place(session, piece, place))
    ask_survey(session, now, mall)
    if not mine:
        telling.tell_given(session, now, stay)


def said_moved_in(session: Session, now: datetime, stay: Stay, *, on: date | None, by: By) -> None:
    """A piece stands there since a day; None takes that back. Refuses a day to come, and one it has no floor on."""
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    today = today_at(session, now, mall.id)
    if on is not None and not stay.starts_on <= on <= min(today, stay.ends_on):
        mend = (
            f"it has floor from {shown_day(stay.starts_on)} on, so say it then"
            if stay.starts_on > today
            else f"choose a day of {shown_days(stay.starts_on, min(today, stay.ends_on))}"
        )
        raise Refusal(f"{piece.name} cannot have moved in on {shown_day(on)}: {mend}.")
    stay.moved_in_on = on
    session.flush()
    log_stay(session, now, stay, "piece moved in" if on else "piece not moved in", by, "" if on is None else str(on))


# --- rows ----------------------------------------------------------------------------------------------------------------


def hold_stay(session: Session, stay: Stay) -> tuple[Mall, OverflowPiece]:
    """Hold the mall first, then the stay; the mall, and the piece."""
    mall = session.get_one(Mall, session.get_one(BayRow, stay.bay_id).mall_id)
    lock(session, mall, stay)
    return mall, session.get_one(OverflowPiece, stay.piece_id)


def _require_uncharged(session: Session, mall: Mall, since: date) -> None:
    """Refuse a change of who stands where from a day on that is charged, or lies in a closed month: its floor is stated."""
    if (first_open := _first_open(session, mall, since)) != since:
        through = shown_day(first_open - _DAY)
        raise Refusal(f"Floor through {through} is charged, and stays as it was: choose {through} or later as the last day.")


def _first_open(session: Session, mall: Mall, since: date) -> date:
    """The first day from one on whose floor is neither charged nor in a closed month."""
    charged = charged_through(session, mall.id)
    return max(posting_date(session, mall.id, since), since if charged is None else charged + _DAY)


def _put(stay: Stay, place: Place, stand: Stand) -> None:
    stay.bay_id, stay.from_in16, stay.to_in16 = place.bay.id, place.from_in16, place.from_in16 + stand.length_in16
    stay.depth_in16, stay.turned = stand.depth_in16, stand.turned


def came_by_its_last_day(stay: Stay) -> None:
    """What was said to have come after its last day has not come on any day of it."""
    if stay.moved_in_on is not None and stay.moved_in_on > stay.ends_on:
        stay.moved_in_on = None


def _require_own_word(session: Session, piece: OverflowPiece, said_by: int | None, by: By) -> None:
    """What another ended or took back is not its dealer's to undo."""
    if said_by != by.user_id and is_own(session, by.user_id, piece.dealer_id):
        raise Refusal(f"The manager has said this of {piece.name}: ask the manager to take it back.")


def _require_there(piece: OverflowPiece, stay: Stay) -> None:
    """What was asked back, or is said to be gone, is let stand neither longer nor shorter: its days are no more those it had."""
    if stay.recalled_at is not None:
        raise Refusal(f"{piece.name} was asked back: take that back first.")
    if stay.gone_said_at is not None:
        raise Refusal(f"{piece.name} is said to be gone by {shown_day(stay.ends_on)}: take that back first.")


def _require_stands(stay: Stay) -> None:
    if stay.state != "stands":
        raise Refusal("This floor was taken back: give it again first.")

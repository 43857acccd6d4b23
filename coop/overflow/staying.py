"""A stay changed: moved, lengthened, ended, given back before it began, and each of these undone; a piece said to be there.

Whoever changes who stands where holds the mall first: of two at once the second is told what the first did.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from coop.books.service import posting_date
from coop.core.errors import Refusal
from coop.core.periods import shown_day, shown_days
from coop.dealers.second_person import is_own
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.overflow import telling
from coop.overflow.judging import Place, judge_place
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.placing import (
    flush_stay,
    insert_stay,
    judged_place,
    log_stay,
    require_fetched,
    require_to_come,
    said_passed,
    said_place,
    settle_request,
)
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
    if not max(today, stay.starts_on) <= on <= stay.ends_on:
        days = shown_days(max(today, stay.starts_on), max(today, stay.ends_on))
        raise Refusal(f"{piece.name} cannot be moved on {shown_day(on)}: choose a day of {days}.")
    place = Place(bay, from_in16, on, stay.ends_on, turned)
    before = session.get_one(BayRow, stay.bay_id).code
    with session.begin_nested():
        _is_there(stay)
        if on == stay.starts_on:
            judged = judged_place(session, mall, piece, place, kind=stay.kind, by=by, but=[stay.id], anyway=anyway)
            require_fetched(session, now, piece, place, judged.stand)
            stay.bay_id, stay.from_in16, stay.to_in16 = bay.id, from_in16, from_in16 + judged.stand.length_in16
            stay.depth_in16, stay.turned, stay.moved_in_on = judged.stand.depth_in16, turned, None
            flush_stay(session)
            moved = stay
        else:
            stay.ends_on, stay.lengthened_from = on - _DAY, None
            session.flush()
            judged = judged_place(session, mall, piece, place, kind=stay.kind, by=by, anyway=anyway)
            moved = insert_stay(
                session, now, piece, place, judged.stand, kind=stay.kind, granted_until=stay.granted_until, why=stay.why
            )
            moved.recalled_at, moved.recall_why = stay.recalled_at, stay.recall_why
            session.flush()
    log_stay(
        session, now, moved, "stay moved", by, f"from bay {before}; {said_place(session, piece, place)}{said_passed(judged)}"
    )
    telling.tell_moved(session, now, moved, before)
    ask_survey(session, now, mall)
    return moved


def lengthen_stay(session: Session, now: datetime, stay: Stay, *, until: date, by: By, anyway: bool = False) -> None:
    """Let a piece stand longer where it is, if that floor is free. Refuses one that was asked back, and as `place_piece`."""
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    if stay.recalled_at is not None:
        raise Refusal(f"{piece.name} was asked back: take that back first.")
    if until <= stay.ends_on:
        raise Refusal(f"{piece.name} stands until {shown_day(stay.ends_on)} already: choose a later day.")
    if until < (today := today_at(session, now, mall.id)):
        raise Refusal(f"{shown_day(until)} is past: choose {shown_day(today)} or a later day.")
    place = _days_more(session, mall, piece, stay, until)
    judged_place(session, mall, piece, place, kind=stay.kind, by=by, anyway=anyway)
    _is_there(stay)
    stay.lengthened_from, stay.ends_on = stay.ends_on, until
    stay.granted_until = max(stay.granted_until, until)
    flush_stay(session)
    log_stay(session, now, stay, "stay lengthened", by, f"until {until}")
    ask_survey(session, now, mall)
    telling.tell_given(session, now, stay)


def take_back_lengthening(session: Session, now: datetime, stay: Stay, *, by: By) -> None:
    """Undo `lengthen_stay`: its last day is the one before; its dealer is told.

    Refuses one that was asked back or is gone since, and days that are past or charged.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    until, before = stay.ends_on, stay.lengthened_from
    if before is None:
        raise Refusal(f"{piece.name} was not let stand longer: end its stay on a day instead.")
    if stay.recalled_at is not None or stay.gone_said_at is not None:
        raise Refusal(f"{piece.name} {'was asked back' if stay.recalled_at else 'is gone'}: take that back first.")
    if not is_longer(stay, today_at(session, now, mall.id)):
        raise Refusal(f"{shown_day(before)}, its last day before, is past: end its stay on a day instead.")
    _require_uncharged(session, mall, before + _DAY)
    stay.ends_on, stay.lengthened_from = before, None
    stay.granted_until = before if stay.granted_until == until else stay.granted_until
    session.flush()
    log_stay(session, now, stay, "lengthening taken back", by, f"until {before}")
    ask_survey(session, now, mall)
    telling.tell_lengthening_taken_back(session, now, stay, until)


def is_longer(stay: Stay, today: date) -> bool:
    """Whether a stay was let stand longer and that may be undone on a day: what has stood on by it has done so by right.

    A sold piece that was to be fetched before is late again then.
    """
    before = stay.lengthened_from
    return before is not None and (stay.ends_on if stay.kind == "sold" else before) >= today


def end_stay(session: Session, now: datetime, stay: Stay, *, on: date, by: By) -> None:
    """A piece is gone after a day, its last: taken away by its dealer, or sold and fetched. Its dealer may say so before.

    Refuses a day it does not stand on, one to come said by another than its dealer, and one whose floor is charged.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    if not stay.starts_on <= on <= stay.ends_on:
        raise Refusal(f"{piece.name} stands {shown_days(stay.starts_on, stay.ends_on)}: choose its last day among these.")
    if on > today_at(session, now, mall.id) and not is_own(session, by.user_id, piece.dealer_id):
        raise Refusal(f"{shown_day(on)} is to come: ask the floor back, or enter the day when the piece is gone.")
    if on < stay.ends_on:
        _require_uncharged(session, mall, on + _DAY)
    stay.ends_on, stay.gone_said_at, stay.gone_said_by = on, now, by.user_id
    session.flush()
    log_stay(session, now, stay, "piece taken away", by, f"last day {on}")
    ask_survey(session, now, mall)


def take_back_end(session: Session, now: datetime, stay: Stay, *, by: By) -> None:
    """Undo `end_stay`: it stands until the day it was given until.

    Refuses where somebody has got that floor meanwhile, and its dealer where another said so.
    """
    mall, piece = hold_stay(session, stay)
    _require_stands(stay)
    if stay.gone_said_at is None:
        return
    _require_own_word(session, piece, stay.gone_said_by, by)
    if stay.recalled_at is not None:
        raise Refusal(f"{piece.name} was asked back: take that back instead.")
    restore(session, mall, piece, stay, by=by)
    log_stay(session, now, stay, "piece stays after all", by, f"until {stay.ends_on}")
    ask_survey(session, now, mall)


def restore(session: Session, mall: Mall, piece: OverflowPiece, stay: Stay, *, by: By) -> None:
    """Let a stay run until the day it was given until, where it is free; limits were judged when it was given."""
    if stay.ends_on < stay.granted_until:
        place = _days_more(session, mall, piece, stay, stay.granted_until)
        mine = is_own(session, by.user_id, piece.dealer_id)
        judge_place(session, mall, piece, place, kind=stay.kind, anyway=True, to_dealer=mine)
        stay.ends_on = stay.granted_until
    _is_there(stay)
    flush_stay(session)


def _is_there(stay: Stay) -> None:
    """It is not gone, whatever was said."""
    stay.gone_said_at = stay.gone_said_by = None


def _days_more(session: Session, mall: Mall, piece: OverflowPiece, stay: Stay, until: date) -> Place:
    """Where it stands, over the days after its last. Refuses days that are charged."""
    first = stay.ends_on + _DAY
    if posting_date(session, mall.id, first) != first:
        raise Refusal(
            f"{piece.name} had floor until {shown_day(stay.ends_on)}, and floor of the days after it is charged by now: "
            "give it floor anew."
        )
    return Place(session.get_one(BayRow, stay.bay_id), stay.from_in16, first, until, stay.turned)


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
    """Undo `cancel_stay`, where the floor is still free; limits were judged when it was given.

    Refuses as `place_piece`, and its dealer where another took it back.
    """
    mall, piece = hold_stay(session, stay)
    if stay.state == "stands":
        return
    _require_own_word(session, piece, stay.cancelled_by, by)
    require_to_come(session, now, mall, stay.starts_on)
    place = Place(session.get_one(BayRow, stay.bay_id), stay.from_in16, stay.starts_on, stay.ends_on, stay.turned)
    mine = is_own(session, by.user_id, piece.dealer_id)
    judge_place(session, mall, piece, place, kind=stay.kind, anyway=True, to_dealer=mine)
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
    """Refuse a change of who stands where from a day on that lies in a closed month: its floor is charged and stated."""
    first_open = posting_date(session, mall.id, since)
    if first_open != since:
        through = shown_day(first_open - _DAY)
        raise Refusal(f"Floor through {through} is charged, and stays as it was: choose {through} or later as the last day.")


def _require_own_word(session: Session, piece: OverflowPiece, said_by: int | None, by: By) -> None:
    """What another ended or took back is not its dealer's to undo."""
    if said_by != by.user_id and is_own(session, by.user_id, piece.dealer_id):
        raise Refusal(f"The manager has said this of {piece.name}: ask the manager to take it back.")


def _require_stands(stay: Stay) -> None:
    if stay.state != "stands":
        raise Refusal("This floor was taken back: give it again first.")

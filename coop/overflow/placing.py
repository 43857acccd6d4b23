"""Floor given by hand: pieces placed, requests answered, sold pieces put to wait until they are fetched.

Whoever changes who stands where holds the mall first: of two at once the second is told what the first did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.periods import shown_day, shown_days
from coop.core.words import joined
from coop.dealers.models import Dealer
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.leases.models import Lease
from coop.overflow import telling
from coop.overflow.asking import (
    AskRefused,
    PieceAsked,
    given_pieces,
    is_the_piece,
    piece_faults,
    require_version,
    settle_state,
    tidied,
)
from coop.overflow.domain.answers import LONGEST
from coop.overflow.domain.fitting import Stand
from coop.overflow.judging import Judged, LimitRefused, Place, free_place, judge_place, leave_clear, stand_of
from coop.overflow.models import BayRow, OverflowAnswer, OverflowPiece, OverflowRequest, Stay
from coop.overflow.queries import STAY, WAITING, request_row
from coop.overflow.reading import pieces_of
from coop.overflow.rules import rules_on
from coop.overflow.survey_asking import ask_survey

LONGEST_WHY = 120
_NAMED_PIECES = 3
_LONGEST_SOLD = timedelta(days=90)
_DAY = timedelta(days=1)


# --- placing --------------------------------------------------------------------------------------------------------------


def place_piece(
    session: Session,
    now: datetime,
    mall: Mall,
    piece: OverflowPiece,
    place: Place,
    *,
    by: By,
    kind: str = "asked",
    why: str = "",
    anyway: bool = False,
    is_clear: bool = False,
) -> Stay:
    """Give a piece floor. Refuses what `judge_place` does, days that are past, and a manager's own beyond the limits."""
    lock(session, mall)
    require_to_come(session, now, mall, place.starts_on)
    judged = judged_place(session, now, mall, piece, place, kind=kind, by=by, anyway=anyway, is_clear=is_clear)
    stay = insert_stay(session, now, piece, place, judged.stand, kind=kind, granted_until=place.ends_on, why=_why(why))
    log_stay(session, now, stay, "floor given", by, f"{said_place(session, piece, place)}{said_passed(judged)}")
    settle_request(session, piece)
    ask_survey(session, now, mall)
    return stay


def place_request(
    session: Session,
    now: datetime,
    request: OverflowRequest,
    places: Sequence[tuple[OverflowPiece, Place]],
    *,
    by: By,
    why: str = "",
    anyway: bool = False,
    version: int | None = None,
) -> OverflowAnswer:
    """Give pieces of a request floor by hand, all of these or none; its dealer has an answer, by mail too.

    Refuses what `place_piece` does, and pieces that are not of it or have floor already.
    """
    mall = session.get_one(Mall, request.mall_id)
    lock(session, mall, request)
    if version is not None:
        require_version(request, version, "no floor was given")
    if request.state not in WAITING:
        raise Refusal(f"This request is {request.state}: only what waits is given floor.")
    if not places:
        raise Refusal("No piece has a place: choose the bay and the days of one at least.")
    pieces = pieces_of(session, [request])[request.id]
    given = given_pieces(session, [piece.id for piece in pieces])
    for piece, _ in places:
        if piece.request_id != request.id:
            raise Refusal(f"{piece.name} is not asked for in this request: choose one of its pieces.")
        if piece.id in given:
            raise Refusal(f"{piece.name} has been given floor already: move or lengthen its stay.")
    if request.together and not anyway and not _together(places, pieces):
        raise LimitRefused(
            "These pieces are asked for side by side and for the same weeks: give all of them one bay and the same days."
        )
    # The whole mall is judged once for all of them; only where that finds something, with each as it comes.
    is_clear = len(places) > 1 and leave_clear(session, mall, places, today_at(session, now, mall.id))
    said = why or "Given by the manager."
    with session.begin_nested():
        for piece, place in places:
            place_piece(session, now, mall, piece, place, by=by, why=said, anyway=anyway, is_clear=is_clear)
    row = request_row(session, request.id)
    has_fewer_weeks = row is not None and row.has_fewer_weeks
    waiting = [piece for piece in pieces if piece.id not in given | {piece.id for piece, _ in places}]
    answer = OverflowAnswer(
        request_id=request.id,
        answer="partly" if waiting or has_fewer_weeks else "granted",
        sentence=_sentence(request, places, waiting, _why(why), has_fewer_weeks=has_fewer_weeks),
        at=now,
    )
    session.add(answer)
    session.flush()
    telling.tell_answer(session, now, answer)
    return answer


def _together(places: Sequence[tuple[OverflowPiece, Place]], pieces: Sequence[OverflowPiece]) -> bool:
    where = {(place.bay.id, place.days) for _, place in places}
    return len(where) == 1 and len(places) == len(pieces)


def _sentence(
    request: OverflowRequest,
    places: Sequence[tuple[OverflowPiece, Place]],
    waiting: Sequence[OverflowPiece],
    why: str,
    *,
    has_fewer_weeks: bool,
) -> str:
    """`Given by the manager: Oak hutch in bay A1-2, Nov 9 to Dec 6, 2026; Pine bench waits.`"""
    notes = [f"{waiting[0].name} waits" if len(waiting) == 1 else f"{len(waiting)} pieces wait"] if waiting else []
    days = {(place.ends_on - place.starts_on).days + 1 for _, place in places}
    if (fewest := min(days)) < 7 * request.weeks:
        had = f"{fewest // 7} of" if fewest % 7 == 0 else f"{fewest} {'day' if fewest == 1 else 'days'} of"
        asked = f"the {request.weeks} {'week' if request.weeks == 1 else 'weeks'} asked for"
        notes.append(f"that is {'' if len(days) == 1 else 'at least '}{had} {asked}, so ask again for the rest")
    elif has_fewer_weeks:
        notes.append("what was given before has fewer weeks than you asked for")
    reason = f" ({why.rstrip('.')})" if why else ""
    for named in range(_NAMED_PIECES, 0, -1):
        said = [f"{piece.name} in {_wished(request, place)}, {shown_days(*place.days)}" for piece, place in places[:named]]
        more = [f"{len(places) - named} more as your list has them"] if len(places) > named else []
        sentence = f"Given by the manager: {'; '.join([*said, *more, *notes])}{reason}."
        if len(sentence) <= LONGEST:
            break
    return sentence


def _wished(request: OverflowRequest, place: Place) -> str:
    return f"bay {place.bay.code}{', which you wished for' if request.bay_code == place.bay.code else ''}"


def place_sold(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    piece: PieceAsked,
    bay: BayRow,
    *,
    by: By,
    until: date | None = None,
    from_in16: int | None = None,
    turned: bool = False,
    anyway: bool = False,
    key: str | None = None,
) -> Stay:
    """Put a sold piece in a bay from today on, to wait until it is fetched: for the days of the house's rules, or through a day.

    Without a place it is the leftmost free one. The same key again answers the first piece's stay, and is refused with another
    piece, bay or dealer. Refuses what `place_piece` does, and a piece that cannot be (AskRefused).
    """
    lock(session, mall)
    piece, today = tidied(piece), today_at(session, now, mall.id)
    if key is not None and (stay := _sent_already(session, key, dealer, piece, bay)) is not None:
        return stay
    faults = {field: f"{piece.name[:80] or 'The piece'}: {sentence}" for field, sentence in reversed([*piece_faults(piece)])}
    if faults:
        raise AskRefused(faults)
    leased = Lease.dealer_id == dealer.id, Lease.mall_id == mall.id, Lease.starts_on <= today
    if session.scalar(select(Lease.id).where(*leased).limit(1)) is None:
        raise Refusal(f"{dealer.code} has never rented at {mall.name}, and nobody can be charged for its floor: choose another.")
    until = until or today + timedelta(days=max(1, rules_on(session, mall.id, today).sold_days)) - _DAY
    if until - today > _LONGEST_SOLD:
        raise Refusal(f"{piece.name} would wait until {shown_day(until)}: choose a day of the next 90, and lengthen it then.")
    row = OverflowPiece(dealer_id=dealer.id, request_id=None, key=key, **asdict(piece))
    if from_in16 is None:
        length = stand_of(row, turned=turned).length_in16
        from_in16 = free_place(session, bay, length, today, max(today, until))
        if from_in16 is None:
            raise Refusal(
                f"Bay {bay.code} has no free place of {format_length(length)} until {shown_day(until)}: "
                "choose another bay, or an earlier day."
            )
    with session.begin_nested():
        session.add(row)
        session.flush()
        return place_piece(
            session,
            now,
            mall,
            row,
            Place(bay, from_in16, today, until, turned),
            by=by,
            kind="sold",
            why="Sold, and waits to be fetched.",
            anyway=anyway,
        )


def _sent_already(session: Session, key: str, dealer: Dealer, piece: PieceAsked, bay: BayRow) -> Stay | None:
    """What came of the form with this key; None where it was not sent yet. Refuses it where that is of anything else."""
    row = session.scalar(select(OverflowPiece).where(OverflowPiece.key == key))
    if row is None:
        return None
    stays = session.scalars(select(Stay).where(Stay.piece_id == row.id).order_by(Stay.id)).all()
    stay = stays[-1]
    waits = stay.state == "stands" and stay.gone_said_at is None
    put_there = row.dealer_id == dealer.id and bay.id in {one.bay_id for one in stays}
    if not (waits and put_there and is_the_piece(row, piece)):
        raise Refusal(f"This form was sent already: {row.name} is written down; open a new one for another piece.")
    return stay


# --- rows and words -------------------------------------------------------------------------------------------------------


def require_to_come(session: Session, now: datetime, mall: Mall, starts_on: date) -> None:
    today = today_at(session, now, mall.id)
    if starts_on < today:
        raise Refusal(f"The first day, {shown_day(starts_on)}, is past: choose {shown_day(today)} or a later one.")


def judged_place(
    session: Session,
    now: datetime,
    mall: Mall,
    piece: OverflowPiece,
    place: Place,
    *,
    kind: str,
    by: By,
    anyway: bool,
    but: Sequence[int] = (),
    is_clear: bool = False,
) -> Judged:
    today = today_at(session, now, mall.id)
    judged = judge_place(session, mall, piece, place, today=today, kind=kind, but=but, anyway=anyway, is_clear=is_clear)
    if judged.passed:
        require_not_own(session, by.user_id, piece.dealer_id, "your own limits of floor")
    return judged


def insert_stay(
    session: Session,
    now: datetime,
    piece: OverflowPiece,
    place: Place,
    stand: Stand,
    *,
    kind: str,
    granted_until: date,
    why: str,
) -> Stay:
    stay = Stay(
        piece_id=piece.id,
        bay_id=place.bay.id,
        kind=kind,
        from_in16=place.from_in16,
        to_in16=place.from_in16 + stand.length_in16,
        depth_in16=stand.depth_in16,
        turned=stand.turned,
        starts_on=place.starts_on,
        ends_on=place.ends_on,
        granted_until=granted_until,
        why=why,
        created_at=now,
    )
    session.add(stay)
    flush_stay(session)
    return stay


def flush_stay(session: Session, said: str = "Another piece was given that floor meanwhile: look at the bay again.") -> None:
    """Refuse in these words where somebody has that floor by now."""
    try:
        session.flush()
    except IntegrityError as error:
        # Somebody who did not hold the mall was quicker: the database tells.
        if "guard_overflow_stay" in str(error) or "stands where another does" in str(error):
            raise Refusal(said) from error
        raise


def settle_request(session: Session, piece: OverflowPiece) -> None:
    if piece.request_id is not None:
        settle_state(session, session.get_one(OverflowRequest, piece.request_id))


def _why(text: str) -> str:
    text = " ".join(text.split())
    if len(text) > LONGEST_WHY:
        raise Refusal(f"The reason has {len(text)} characters: {LONGEST_WHY} are the most.")
    return text


def said_place(session: Session, piece: OverflowPiece, place: Place) -> str:
    """As the log has it: `D02, bay A1-2 from 4' 0", 2026-11-09 to 2026-12-06`."""
    code = session.get_one(Dealer, piece.dealer_id).code
    return f"{code}, bay {place.bay.code} from {format_length(place.from_in16)}, {place.starts_on} to {place.ends_on}"


def said_passed(judged: Judged) -> str:
    return f"; let pass: {joined(judged.passed)}" if judged.passed else ""


def log_stay(session: Session, now: datetime, stay: Stay, action: str, by: By, detail: str) -> None:
    audit.record(session, now, action, STAY, stay.id, user_id=by.user_id, request_id=by.request_id, detail=detail)

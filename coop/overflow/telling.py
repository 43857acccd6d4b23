"""Mails of lent floor: an answer, a piece moved or asked back, what a walk found, days that are near, sold pieces not fetched.

What happens names a job in its own transaction (`tell_*`); the job writes the mails, each under a key of its own: done twice it
sends nothing twice. Whoever has no address reads it all in the portal.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.jobs import JobRun, long_job, name_job
from coop.core.periods import shown_day, shown_days
from coop.dealers.models import Dealer
from coop.dealers.notes import Letter, Note, to_members, write_letters
from coop.floor.models import Mall
from coop.overflow.domain.fitting import cautions, taking_cautions
from coop.overflow.models import OverflowAnswer, OverflowRequest, Stay, Walk
from coop.overflow.queries import found_on, is_waiting, overdue_sold, request_row, stay_of
from coop.overflow.reading import Standing, piece_of, standing_between
from coop.overflow.rules import rules_on

TELL, REMIND = "overflow.tell", "overflow.remind"
"""Kinds of the jobs that write the mails of what happened, and those of days that are near."""
MAIL = "overflow"
LAST_DAY_NEAR = 3
"""So many days before its last day, a dealer is told that a piece is to go."""
_PORTAL = "It stands in the portal, under Overflow."
_PATH = "/portal/overflow/"
_SOLD = "It is sold: have it fetched, or ask the manager for more days."
_TAKE_AWAY = "Take it away by the end of that day. You may ask for floor again."
_HELP = "The manager finds somebody to lift with you: say so in time."
_DAY = timedelta(days=1)


def _note(subject: str, *sentences: str, lines: Iterable[str] = ()) -> Note:
    return Note(subject, tuple(filter(None, sentences)), tuple(lines), _PORTAL, _PATH)


# --- telling --------------------------------------------------------------------------------------------------------------


def _tell(session: Session, now: datetime, what: str, key: str, **about: Any) -> None:
    args = {"what": what, "at": now.isoformat(timespec="seconds"), **about}
    name_job(session, now, TELL, args, queue="default", key=f"overflow-told:{what}:{key}")


def tell_answer(session: Session, now: datetime, answer: OverflowAnswer) -> None:
    """Tell an asker what came of a request."""
    _tell(session, now, "answer", str(answer.id), answer=answer.id)


def tell_moved(session: Session, now: datetime, stay: Stay, before: str, *, had: date | None = None, why: str = "") -> None:
    """Tell a dealer that a piece is to stand elsewhere than in the bay of a code before, where it had floor until a day; and, of
    one that is in the way there now, why it must.
    """
    more = {} if had is None or had <= stay.ends_on else {"had": had.isoformat()}
    more |= {"why": why} if why else {}
    _tell(session, now, "moved", f"{stay.id}:{stay.version}", stay=stay.id, before=before, **more)


def tell_given(session: Session, now: datetime, stay: Stay) -> None:
    """Tell a dealer of the days a piece has floor by now: it may stay longer, or has its floor again."""
    _tell(session, now, "given", f"{stay.id}:{stay.version}", stay=stay.id)


def tell_lengthening_taken_back(session: Session, now: datetime, stay: Stay, longer: Stay, had: date) -> None:
    """Tell a dealer that a piece may not stay until a day after all. `longer`: the stay it was to have until then."""
    days = {"had": had.isoformat(), "last": stay.ends_on.isoformat()}
    # The stay it has now is as it was where the longer one was of its own: each of these is told.
    _tell(session, now, "not longer", f"{longer.id}:{longer.version}", stay=stay.id, **days)


def tell_taken_back(session: Session, now: datetime, stay: Stay) -> None:
    """Tell a dealer that the manager has taken back floor to come."""
    _tell(session, now, "taken back", f"{stay.id}:{stay.version}", stay=stay.id)


def tell_recalled(session: Session, now: datetime, stay: Stay) -> None:
    """Tell a dealer that floor is asked back."""
    _tell(session, now, "recalled", f"{stay.id}:{stay.version}", stay=stay.id)


def tell_recall_taken_back(session: Session, now: datetime, stay: Stay) -> None:
    """Tell a dealer that a piece may stay after all."""
    _tell(session, now, "kept", f"{stay.id}:{stay.version}", stay=stay.id)


def tell_found(session: Session, now: datetime, walk: Walk) -> None:
    """Tell dealers which of their pieces a walk found out of place or not there; a walk tells once."""
    _tell(session, now, "found", str(walk.id), walk=walk.id)


# --- what each says -------------------------------------------------------------------------------------------------------


def _answer(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    answer = session.get_one(OverflowAnswer, args["answer"])
    request = session.get_one(OverflowRequest, answer.request_id)
    mall, dealer = session.get_one(Mall, request.mall_id), session.get_one(Dealer, request.dealer_id)
    row = request_row(session, request.id)
    stays = [] if row is None else [row.stays[piece.id] for piece in row.pieces if piece.id in row.stays]
    said = {"granted": "Floor for your pieces", "partly": "Floor for some of your pieces", "refused": "No floor this time"}
    waits = "" if answer.answer == "granted" else "What has no floor goes on waiting, and counts as waiting longer."
    if answer.answer == "partly" and row is not None and row.has_fewer_weeks:
        said["partly"], waits = "Floor for fewer weeks than you asked for", ""
    rules = rules_on(session, mall.id, request.not_before)
    warned = [(stay.piece.name, cautions(piece_of(stay.piece), rules.pieces)) for stay in stays]
    note = _note(
        f"{said[answer.answer]}: {mall.name}",
        answer.sentence,
        waits,
        *_said_of(warned, names_each=len(stays) > 1),
        lines=[f"{stay.piece.name}: {place_words(stay)}, {days_words(stay.stay)}" for stay in stays],
    )
    yield from to_members(session, f"overflow-answer/{answer.id}", [dealer.member_id], note)


def _of_stay(session: Session, args: dict[str, Any]) -> tuple[Standing, Mall]:
    one = stay_of(session, args["stay"])
    if one is None:
        raise LookupError(f"no stay {args['stay']}")
    return one, session.get_one(Mall, one.bay.mall_id)


def _moved(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    if one.stay.state != "stands":
        return  # taken back before this was written
    note = _note(
        f"{one.piece.name} is to stand in bay {one.bay.code}",
        f"The manager has given {one.piece.name} another place at {mall.name}: {place_words(one)}, {days_words(one.stay)}. "
        f"Before, it was bay {args['before']}.",
        f"Why: {args['why']}" if "why" in args else "",
        f"Move it on {shown_day(one.stay.starts_on)}.",
        "What is in the way is not to wait until then: put it aside today, or ask the manager where it may stand."
        if "why" in args and one.stay.starts_on > local_date(datetime.fromisoformat(args["at"]), mall.timezone)
        else "",
        f"It had floor until {shown_day(date.fromisoformat(args['had']))}: for the days after {shown_day(one.stay.ends_on)} the "
        "new place is not free, so ask the manager, or ask for floor again."
        if "had" in args
        else "",
        *_warned(session, mall, one),
    )
    yield from to_members(session, f"overflow-moved/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _given(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    if one.stay.state != "stands":
        return  # taken back before this was written
    said = f"{one.piece.name} has floor at {mall.name} {days_words(one.stay)}: {place_words(one)}."
    note = _note(f"{one.piece.name} has floor until {shown_day(one.stay.ends_on)}", said)
    yield from to_members(session, f"overflow-given/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _not_longer(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    had, last = date.fromisoformat(args["had"]), shown_day(one.stay.ends_on)
    if one.stay.state != "stands" or one.stay.ends_on.isoformat() != args["last"]:
        return  # something else became of it before this was written
    note = _note(
        f"{one.piece.name} has floor until {last} only",
        f"The manager has taken back that {one.piece.name} may stand in bay {one.bay.code} at {mall.name} until "
        f"{shown_day(had)}: as before, its last day is {last}.",
        _SOLD if one.stay.kind == "sold" else _TAKE_AWAY,
        *_warned(session, mall, one, taking=True),
    )
    yield from to_members(session, f"overflow-not-longer/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _taken_back(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    if one.stay.state == "stands":
        return  # given again before this was written
    waits = "Its request waits again, and has since it was made. " if is_waiting(session, one.piece) else ""
    note = _note(
        f"{one.piece.name} does not move in on {shown_day(one.stay.starts_on)}",
        f"The manager has taken back the floor that {one.piece.name} was to have in bay {one.bay.code} at {mall.name} "
        f"from {shown_day(one.stay.starts_on)} on.",
        f"{waits}Ask the manager why.",
    )
    yield from to_members(session, f"overflow-taken-back/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _recalled(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    if one.stay.recalled_at is None:
        return  # taken back before this was written
    # A draft that begins on the day it is published ends what cannot stay on the day before.
    is_over = one.stay.ends_on < local_date(datetime.fromisoformat(args["at"]), mall.timezone)
    note = _note(
        f"{one.piece.name} must go {'at once' if is_over else f'by {shown_day(one.stay.ends_on)}'}",
        f"{mall.name} needs the floor in bay {one.bay.code} back. Why: {one.stay.recall_why.rstrip('.')}.",
        f"Take {one.piece.name} away {'today' if is_over else f'by the end of {shown_day(one.stay.ends_on)}'}; it had floor "
        f"until {shown_day(one.stay.granted_until)}. You may ask for other floor at once.",
        *_warned(session, mall, one, taking=True),
    )
    yield from to_members(session, f"overflow-recall/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _kept(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    one, mall = _of_stay(session, args)
    if one.stay.recalled_at is not None:
        return  # asked back again before this was written
    said = f"The floor in bay {one.bay.code} at {mall.name} is not needed after all: {one.piece.name} may stay"
    note = _note(f"{one.piece.name} may stay", f"{said} until {shown_day(one.stay.ends_on)}. Nothing is to be done.")
    yield from to_members(session, f"overflow-kept/{one.stay.id}/{args['at']}", [one.dealer.member_id], note)


def _found(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    walk = session.get_one(Walk, args["walk"])
    mall = session.get_one(Mall, walk.mall_id)
    by_dealer = defaultdict(list)
    for one in found_on(session, walk):
        by_dealer[one.standing.dealer.member_id].append(one)
    for member_id, found in by_dealer.items():
        lines = []
        for one in found:
            note_words = f" ({one.mark.note})" if one.mark.note else ""
            how = (
                f"{one.mark.mark}, should be gone since {shown_day(one.standing.stay.ends_on)}" if one.is_late else one.mark.mark
            )
            lines.append(f"{one.standing.piece.name}, {place_words(one.standing)}: {how}{note_words}")
        marks = {one.mark.mark for one in found}
        out = [one for one in found if one.mark.mark == "out of place"]
        warned = [(one.standing.piece.name, _cautions_of(session, mall, one.standing, taking=one.is_late)) for one in out]
        note = _note(
            f"{'Out of place' if out else 'Not there'}: "
            f"{found[0].standing.piece.name if len(found) == 1 else f'{len(found)} pieces'}",
            f"Somebody walked the aisles of {mall.name} on {shown_day(walk.on_date)}, and found of yours what is listed below.",
            "Put what is out of place back where it has its floor today: the aisles are everybody's way out."
            if any(not one.is_late for one in out)
            else "",
            "What should be gone has no floor any more: take it away today, or ask the manager."
            if any(one.is_late for one in out)
            else "",
            "If what is not there is gone for good, say so in the portal, and others may have the floor."
            if "not there" in marks
            else "",
            *_said_of(warned, names_each=len(found) > 1),
            lines=lines,
        )
        yield from to_members(session, f"overflow-found/{walk.id}", [member_id], note)


NOTES: dict[str, Callable[[Session, dict[str, Any]], Iterable[Letter]]] = {
    "answer": _answer,
    "moved": _moved,
    "given": _given,
    "not longer": _not_longer,
    "taken back": _taken_back,
    "recalled": _recalled,
    "kept": _kept,
    "found": _found,
}


# --- by the clock ---------------------------------------------------------------------------------------------------------


def reminders(session: Session, now: datetime) -> Iterable[Letter]:
    """Of pieces that move in today or tomorrow, of last days that are near, of sold pieces nobody fetched; each once."""
    for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
        today = local_date(now, mall.timezone)
        near = today + timedelta(days=LAST_DAY_NEAR)
        there = standing_between(session, mall.id, today, near + _DAY)
        # What moves on to another bay the next day has no last day yet.
        moves_on = {(one.piece.id, one.stay.starts_on - _DAY) for one in there}
        for one in there:
            if one.stay.is_gone(today):
                continue
            if one.stay.kind == "asked" and today <= one.stay.starts_on <= today + _DAY and one.stay.moved_in_on is None:
                yield from _moves_in(session, mall, one, today)
            elif one.stay.starts_on <= today and one.stay.ends_on <= near and (one.piece.id, one.stay.ends_on) not in moves_on:
                yield from _last_day(session, mall, one, today)
        for one in overdue_sold(session, mall.id, today):
            yield from _not_fetched(session, mall, one)


def _moves_in(session: Session, mall: Mall, one: Standing, today: date) -> Iterator[Letter]:
    when = _when(one.stay.starts_on, today)
    note = _note(
        f"{one.piece.name} moves in {when}",
        f"{one.piece.name} has floor at {mall.name} from {when} on: {place_words(one)}, {days_words(one.stay)}.",
        "Stand it close to the back of the bay, so that the aisle stays clear, and say in the portal that it is there.",
        *_warned(session, mall, one),
    )
    yield from to_members(session, f"overflow-moves-in/{one.stay.id}/{one.stay.starts_on}", [one.dealer.member_id], note)


def _last_day(session: Session, mall: Mall, one: Standing, today: date) -> Iterator[Letter]:
    stay, when = one.stay, _when(one.stay.ends_on, today)
    why = f"It was asked back: {stay.recall_why.rstrip('.')}." if stay.recalled_at is not None else ""
    note = _note(
        f"The last day of {one.piece.name} is {when}",
        f"{one.piece.name} has floor in bay {one.bay.code} at {mall.name} until {shown_day(stay.ends_on)}.",
        why,
        _SOLD if stay.kind == "sold" else _TAKE_AWAY,
        *_warned(session, mall, one, taking=True),
    )
    yield from to_members(session, f"overflow-last-day/{stay.id}/{stay.ends_on}", [one.dealer.member_id], note)


def _not_fetched(session: Session, mall: Mall, one: Standing) -> Iterator[Letter]:
    note = _note(
        f"{one.piece.name} was to be fetched by {shown_day(one.stay.ends_on)}",
        f"{one.piece.name} is sold and was to be gone from bay {one.bay.code} at {mall.name} by "
        f"{shown_day(one.stay.ends_on)}, and nobody has said that it was fetched.",
        "If it is gone, say so in the portal. If it is still there, call its buyer, and ask the manager for more days.",
    )
    yield from to_members(session, f"overflow-not-fetched/{one.stay.id}/{one.stay.ends_on}", [one.dealer.member_id], note)


# --- words ----------------------------------------------------------------------------------------------------------------


def place_words(one: Standing) -> str:
    """`bay A1-2, 2' 0" to 5' 0" along it`"""
    return f"bay {one.bay.code}, {one.along_it}"


def days_words(stay: Stay) -> str:
    return shown_days(stay.starts_on, stay.ends_on)


def _when(day: date, today: date) -> str:
    return {0: "today", 1: "tomorrow"}.get((day - today).days, f"on {shown_day(day)}")


def _warned(session: Session, mall: Mall, one: Standing, *, taking: bool = False) -> tuple[str, ...]:
    """What is said before anybody moves a piece that is heavy, tall, tips or has glass; nothing of another.

    `taking`: it is taken away, and stands nowhere after.
    """
    return _said_of([(one.piece.name, _cautions_of(session, mall, one, taking=taking))], names_each=False)


def _cautions_of(session: Session, mall: Mall, one: Standing, *, taking: bool) -> tuple[str, ...]:
    rules = rules_on(session, mall.id, one.stay.starts_on).pieces
    return taking_cautions(piece_of(one.piece), rules) if taking else cautions(piece_of(one.piece), rules)


def _said_of(warned: Sequence[tuple[str, tuple[str, ...]]], *, names_each: bool) -> tuple[str, ...]:
    """Cautions of pieces, then who helps. `names_each`: the mail is of several pieces, so each is named."""
    said = [
        sentence for name, found in warned for sentence in ((f"{name}. {' '.join(found)}",) if names_each and found else found)
    ]
    return (*said, _HELP) if said else ()


# --- jobs -----------------------------------------------------------------------------------------------------------------


def _write(run: JobRun, letters: Callable[[Session, datetime], Iterable[Letter]]) -> None:
    with run.transaction() as session:
        now, settings = run.clock(), run.settings
        found = list(letters(session, now))
        write_letters(session, now, found, kind=MAIL, mail_domain=settings.mail_domain, web_address=settings.web_address)
        run.finish(session)


@long_job(TELL)
def _tell_job(run: JobRun, args: dict[str, Any]) -> None:
    _write(run, lambda session, now: NOTES[args["what"]](session, args))


@long_job(REMIND)
def _remind(run: JobRun, args: dict[str, Any]) -> None:
    _write(run, reminders)

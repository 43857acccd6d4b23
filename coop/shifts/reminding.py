"""Mails of turns: the rota published, a turn that is near, one moved, offered, taken or missed, and who has not answered yet.

What happens names a job in its own transaction (`tell_*`); the job writes the mails, each under a key of its own: done
twice it sends nothing twice. Whoever has no address reads it all in the portal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.jobs import JobRun, long_job, name_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.core.templating import joined
from coop.dealers import notes
from coop.dealers.models import RoleGrant, UserAccount
from coop.dealers.notes import Letter, Note, to_members
from coop.floor.models import Mall
from coop.shifts.answering import answers, answers_close, last_day_to_answer, span_of, stand_ins
from coop.shifts.domain.spans import covers
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.queries import PUBLISHED, STANDING, TurnRow, also_on, names_of, signed_at, turn_row, turn_rows
from coop.shifts.rules import rules_on
from coop.shifts.substitutes import CAUTION
from coop.shifts.turn_models import TurnOffer

ASK_DAYS = 7
"""Before a month's answers close, from which those who have said nothing are asked."""
_PORTAL, _PATH = "It stands in the portal, under Turns.", "/portal/turns/"


TELL = "shifts.tell"
"""Kind of the job that writes the mails of what happened."""

# --- telling --------------------------------------------------------------------------------------------------------------


def _tell(session: Session, now: datetime, what: str, key: str | None = None, **about: Any) -> None:
    args = {"what": what, "at": now.isoformat(timespec="seconds"), **about}
    name_job(session, now, TELL, args, queue="default", key=f"turns-told:{what}:{key}" if key else None)


def tell_published(session: Session, now: datetime, rota: Rota) -> None:
    """Tell everybody who takes part that a rota is published, with their own turns."""
    _tell(session, now, "published", str(rota.id), rota=rota.id)


def tell_moved(session: Session, now: datetime, turn: Turn, had: int | None) -> None:
    """Tell who had a published turn, and who has it now, that the manager moved it."""
    _tell(session, now, "moved", turn=turn.id, had=had, has=turn.member_id)


def tell_closed(session: Session, now: datetime, turns: Iterable[Turn]) -> None:
    """Tell those who had turns of a day on which the mall stays closed."""
    for turn in turns:
        _tell(session, now, "closed", str(turn.id), turn=turn.id)


def tell_offered(session: Session, now: datetime, offer: TurnOffer) -> None:
    """Tell the one a turn is offered to; of an offer to all, those who said they would like it or could stand in then."""
    _tell(session, now, "offered", str(offer.id), offer=offer.id)


def tell_answered(session: Session, now: datetime, offer: TurnOffer) -> None:
    """Tell who offered a turn which one somebody gives in return: who offered has yet to sign."""
    _tell(session, now, "answered", offer=offer.id)


def tell_declined(session: Session, now: datetime, offer: TurnOffer, by_member_id: int) -> None:
    """Tell the other side that an offer, or a turn given in return, is declined."""
    to = offer.answered_by if by_member_id == offer.by_member_id else offer.by_member_id
    _tell(session, now, "declined", offer=offer.id, by=by_member_id, to=to)


def tell_taken(session: Session, now: datetime, offer: TurnOffer, taker_id: int) -> None:
    """Tell both that a turn has gone from one to the other."""
    _tell(session, now, "taken", str(offer.id), offer=offer.id, taker=taker_id)


def tell_lapsed(session: Session, now: datetime, offer: TurnOffer) -> None:
    """Tell who offered a turn that nobody took it in time."""
    _tell(session, now, "lapsed", str(offer.id), offer=offer.id)


def tell_missed(session: Session, now: datetime, turn: Turn) -> None:
    """Tell the managers, and those who said they could stand in, that nobody has come to a turn."""
    _tell(session, now, "missed", str(turn.id), turn=turn.id)


# --- what each says -------------------------------------------------------------------------------------------------------


def _published(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    rota = session.get_one(Rota, args["rota"])
    mall, month = session.get_one(Mall, rota.mall_id), Month.of(rota.first_day)
    rows = turn_rows(session, Turn.rota_id == rota.id, STANDING, Turn.member_id.is_not(None))
    for worker in workers_of(session, mall, month):
        own = tuple(row.said for row in rows if row.turn.member_id == worker.member_id)
        said = f"The rota of {month.name} at {mall.name} is published."
        count = "You have no turn in it." if not own else f"You have {len(own)} turn{'' if len(own) == 1 else 's'} in it:"
        note = _note(f"Your turns in {month.name}", (said, count), own, "The whole rota stands in the portal, under Turns.")
        yield from to_members(session, f"rota/{mall.code}/{month}", [worker.member_id], note)


def _moved(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    row = turn_row(session, session.get_one(Turn, args["turn"]))
    what, key = f"{row.said}, {row.mall.name}", f"turn-moved/{row.turn.id}/{args['at']}"
    gone = _note("A turn is no longer yours", (f"The manager has given a turn of yours to somebody else: {what}.",))
    come = _note("A turn is yours now", (f"The manager has given you a turn, as agreed: {what}.",))
    yield from to_members(session, key, [args["had"]], gone)
    yield from to_members(session, key, [args["has"]], come)


def _closed(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    row = turn_row(session, session.get_one(Turn, args["turn"]))
    said = f"{row.mall.name} stays closed on {written(row.turn.on_date)}, and you need not come: {row.said}."
    counts = rules_on(session, row.mall.id, Month.of(row.turn.on_date).first_day).closed == "worked"
    how = "It counts as worked." if counts else "It stays owed."
    note = _note(f"No turn on {written(row.turn.on_date)}", (said, how))
    yield from to_members(session, f"turn-closed/{row.turn.id}", [row.turn.member_id], note)


def _offered(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    offer = session.get_one(TurnOffer, args["offer"])
    if offer.state != "open":
        return
    row = turn_row(session, session.get_one(Turn, offer.turn_id))
    for_what = _for_what(session, offer)
    sentences = [f"{row.member} offers you a turn{for_what}: {row.said}, {row.mall.name}."]
    if offer.words:
        sentences.append(f"“{offer.words}”")
    if offer.pays_cents:
        sentences.append(CAUTION)
    after = "You take it in the portal, under Turns; it is whoever’s takes it first."
    if offer.to_member_id is not None:
        after = "You take it or decline it in the portal, under Turns."
    note = _note(f"A turn is offered to you: {row.day}", tuple(sentences), (), after, f"/portal/turns/offers/{offer.id}")
    wanted = [offer.to_member_id] if offer.to_member_id is not None else _willing(session, row, offer.by_member_id)
    yield from to_members(session, f"turn-offer/{offer.id}", wanted, note)


def _for_what(session: Session, offer: TurnOffer) -> str:
    if offer.pays_cents:
        return f" and pays {format_dollars(offer.pays_cents)}"
    if offer.kind == "give":
        return ""
    if offer.return_turn_id is None:
        return " for one of yours in return"
    return f" for yours, {turn_row(session, session.get_one(Turn, offer.return_turn_id)).said}"


def _willing(session: Session, row: TurnRow, but: int) -> list[int]:
    """Those who could stand in then, and those who would like to have a turn then."""
    begins, ends = span_of(row.turn, row.mall)
    like = [
        member_id
        for member_id, all_said in answers(session, row.mall, Month.of(row.turn.on_date)).items()
        if any(said.kind == "like" and covers(said, row.turn.on_date, begins, ends) for said in all_said)
    ]
    month = Month.of(row.turn.on_date)
    there = {w.member_id for w in workers_of(session, row.mall, month) if w.is_there(row.turn.on_date)}
    found = dict.fromkeys([*stand_ins(session, row.turn), *like])
    return [one for one in found if one in there and one != but]


def _answered(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    offer = session.get_one(TurnOffer, args["offer"])
    if offer.state != "answered" or offer.return_turn_id is None:
        return
    row = turn_row(session, session.get_one(Turn, offer.turn_id))
    back = turn_row(session, session.get_one(Turn, offer.return_turn_id))
    name = names_of(session, [offer.answered_by])[offer.answered_by or 0]
    said = f"{name} would take {row.said}, {row.mall.name}, and gives you in return: {back.said}, {back.mall.name}."
    after = "Nothing is swapped until you agree, in the portal under Turns."
    note = _note(f"{name} answers your offer", (said,), (), after, f"/portal/turns/offers/{offer.id}")
    yield from to_members(session, f"turn-answered/{offer.id}/{args['at']}", [offer.by_member_id], note)


def _declined(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    offer = session.get_one(TurnOffer, args["offer"])
    row = turn_row(session, session.get_one(Turn, offer.turn_id))
    name = names_of(session, [args["by"]])[args["by"]]
    note = _note(f"{name} declines", (f"{name} does not want to: {row.said}, {row.mall.name}. Everything stays as it is.",))
    yield from to_members(session, f"turn-declined/{offer.id}/{args['at']}", [args["to"]], note)


def _taken(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    offer = session.get_one(TurnOffer, args["offer"])
    row = turn_row(session, session.get_one(Turn, offer.turn_id))
    names = names_of(session, [offer.by_member_id, args["taker"]])
    giver, taker = names[offer.by_member_id], names[args["taker"]]
    back = turn_row(session, session.get_one(Turn, offer.return_turn_id)) if offer.return_turn_id is not None else None
    where = f"{row.said}, {row.mall.name}"
    hers = [f"{taker} has your turn now: {where}."]
    theirs = [f"You have {giver}’s turn now: {where}."]
    if back is not None:
        hers.append(f"In return you have: {back.said}, {back.mall.name}.")
        theirs.append(f"In return {giver} has yours: {back.said}, {back.mall.name}.")
    if offer.pays_cents:
        hers.append(f"{format_dollars(offer.pays_cents)} is charged to your account for it, and the turn counts as yours.")
        theirs.append(f"{format_dollars(offer.pays_cents)} is credited to your account for it; the turn counts as {giver}’s.")
    given_on, taken_on = (written(local_date(at, row.mall.timezone)) for at in signed_at(offer))
    both = f"Both have signed: {giver} on {given_on}, {taker} on {taken_on}."
    key = f"turn-taken/{offer.id}"
    subject = f"{'Swapped' if back else 'Taken'}: {row.day}"
    yield from to_members(session, key, [offer.by_member_id], _note(subject, (*hers, both)))
    yield from to_members(session, key, [args["taker"]], _note(subject, (*theirs, both)))


def _lapsed(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    offer = session.get_one(TurnOffer, args["offer"])
    row = turn_row(session, session.get_one(Turn, offer.turn_id))
    said = f"Nobody took the turn you offered, and swaps of it have ended: you come as planned. {row.said}, {row.mall.name}."
    note = _note(f"You come as planned: {row.day}", (said, "If you cannot, tell the manager now, who can still move it."))
    yield from to_members(session, f"turn-offer-lapsed/{offer.id}", [offer.by_member_id], note)


def _missed(session: Session, args: dict[str, Any]) -> Iterable[Letter]:
    row = turn_row(session, session.get_one(Turn, args["turn"]))
    what, key = f"{row.said}, {row.mall.name}", f"turn-missed/{row.turn.id}"
    could = stand_ins(session, row.turn)
    who = row.member or "Nobody was to come, and nobody"
    asked = (
        f"Asked to stand in: {joined(list(names_of(session, could).values()))}." if could else "Nobody said they could stand in."
    )
    to_manager = _note(
        f"Nobody has come: {row.day}", (f"{who} has not come: {what}.", asked), (), "It stands in the office.", "/office/"
    )
    for user_id, email in _managers(session):
        yield Letter(f"{key}/manager/{user_id}", email, to_manager)
    call = _note(
        f"Can you stand in now? {row.post}, {row.hours}",
        (f"Nobody has come: {what}.", "You said you could stand in at this time. If you can, come and sign in at the desk."),
        (),
        "Whoever signs in first has the turn, and it counts as worked.",
    )
    yield from to_members(session, key, could, call)


NOTES: dict[str, Callable[[Session, dict[str, Any]], Iterable[Letter]]] = {
    "published": _published,
    "moved": _moved,
    "closed": _closed,
    "offered": _offered,
    "answered": _answered,
    "declined": _declined,
    "taken": _taken,
    "lapsed": _lapsed,
    "missed": _missed,
}


# --- by the clock ---------------------------------------------------------------------------------------------------------


def reminders(session: Session, now: datetime) -> Iterable[Letter]:
    """Of every published turn that is as near as its mall reminds of, to whoever comes; each turn and member once."""
    for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
        today = local_date(now, mall.timezone)
        # A month goes by the rules of its first day, and turns that are near may be of the next one.
        months = (Month.of(today), Month.of(today).next)
        days = {month: rules_on(session, mall.id, month.first_day).remind_days for month in months}
        rows = turn_rows(
            session,
            PUBLISHED,
            STANDING,
            Turn.mall_id == mall.id,
            Turn.member_id.is_not(None),
            Turn.on_date.between(today, today + timedelta(days=max(days.values()))),
            Turn.starts_at > now,
        )
        rows = [row for row in rows if (row.turn.on_date - today).days <= days[Month.of(row.turn.on_date)]]
        others = also_on(session, [row.turn for row in rows])
        for row in rows:
            left = (row.turn.on_date - today).days
            when = {0: "today", 1: "tomorrow"}.get(left, f"in {left} days")
            sentences = [f"You have a turn {when}: {row.said}, {row.mall.name}."]
            if row.helper:
                sentences.append(f"{row.helper} comes for you.")
            beside = [one.member for one in others.get(row.turn.id, [])]
            if beside:
                sentences.append(f"With you: {joined(list(dict.fromkeys(beside)))}.")
            if row.turn.opens or row.turn.closes:
                ends = " and ".join(w for w, is_so in (("open", row.turn.opens), ("close", row.turn.closes)) if is_so)
                sentences.append(f"You {ends} the mall: whoever holds a key brings it.")
            note = _note(f"Your turn {when}: {row.post}, {row.hours}", tuple(sentences))
            yield from to_members(session, f"turn-reminder/{row.turn.id}", [row.turn.member_id], note)


def asked_for_answers(session: Session, now: datetime) -> Iterable[Letter]:
    """To those who have said nothing of next month, in the week before its answers close; once a month and member."""
    for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
        today = local_date(now, mall.timezone)
        # In the last days of a month its successor's answers are long closed, and those of the one after may be near.
        for month in (Month.of(today).next, Month.of(today).next.next):
            rules, last = rules_on(session, mall.id, month.first_day), last_day_to_answer(session, mall, month)
            if not rules.are_set or not 0 <= (last - today).days <= ASK_DAYS or now >= answers_close(session, mall, month):
                continue
            said = answers(session, mall, month)
            silent = [worker.member_id for worker in workers_of(session, mall, month) if worker.member_id not in said]
            means = "is free at any time" if rules.silence == "free" else "can at no time"
            note = _note(
                f"When can you take turns in {month.name}?",
                (
                    f"Please say by {written(last)} when you can and cannot take turns in {month.name} at {mall.name}.",
                    f"Whoever says nothing counts as one who {means}.",
                ),
                (),
                "You say it in the portal, under Turns.",
                "/portal/turns/availability",
            )
            yield from to_members(session, f"turn-answers/{month}", silent, note)


# --- writing --------------------------------------------------------------------------------------------------------------


def _note(subject: str, sentences: tuple[str, ...], turns: tuple[str, ...] = (), after: str = _PORTAL, path: str = _PATH) -> Note:
    """What a mail of turns says, with turns that it lists, each in words."""
    return Note(subject, sentences, turns, after, path)


def _managers(session: Session) -> Sequence[tuple[int, str]]:
    rows = select(UserAccount.id, UserAccount.email).join(RoleGrant, RoleGrant.user_id == UserAccount.id)
    of = rows.where(RoleGrant.role == "manager", UserAccount.disabled_at.is_(None)).order_by(UserAccount.id)
    return [(user_id, email) for user_id, email in session.execute(of)]


def write_letters(session: Session, now: datetime, letters: Iterable[Letter], *, mail_domain: str, web_address: str) -> int:
    """Queue mails of turns; how many letters there were, those queued before among them."""
    return notes.write_letters(session, now, letters, kind="turns", mail_domain=mail_domain, web_address=web_address)


def _write(run: JobRun, letters: Callable[[Session, datetime], Iterable[Letter]]) -> None:
    with run.transaction() as session:
        now, settings = run.clock(), run.settings
        found = list(letters(session, now))
        write_letters(session, now, found, mail_domain=settings.mail_domain, web_address=settings.web_address)
        run.finish(session)


@long_job(TELL)
def _tell_job(run: JobRun, args: dict[str, Any]) -> None:
    _write(run, lambda session, now: NOTES[args["what"]](session, args))


@long_job("shifts.remind")
def _remind(run: JobRun, args: dict[str, Any]) -> None:
    _write(run, reminders)


@long_job("shifts.ask_answers")
def _ask(run: JobRun, args: dict[str, Any]) -> None:
    _write(run, asked_for_answers)

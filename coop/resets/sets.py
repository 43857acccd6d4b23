"""Sets of a booth: made, copied, renamed, dated, laid over a newer measuring, made the one that stands, dropped, brought back.

Where its pieces are put is saved in `putting.py`. A set is changed against the version it was opened with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from coop.core import audit
from coop.core.audit import AuditLog
from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall, Space
from coop.leases.holding import lock, today_at
from coop.leases.pricing import named
from coop.resets.domain.finding import Finding
from coop.resets.domain.fit import judge
from coop.resets.holding import held_spans
from coop.resets.models import BoothMeasure, BoothSet, PieceRow, SetPiece, SetPrice
from coop.resets.naming import name_key, one_line
from coop.resets.reading import arrangement_of, booth_of, bound_by_sales, put_of_row, set_rows
from coop.resets.reset_models import Reset
from coop.resets.set_json import KeptSet, Put

SUBJECT = "booth set"
LONGEST_NAME, LONGEST_THEME, LONGEST_NOTE = 60, 40, 400
CANNOT_BE = ("overlap", "outside", "stack circle", "nothing below")
"""What no booth can be like: a set with it never stands. With other findings it does where its dealer says so."""
_YEAR = timedelta(days=365)


class SetOutdated(Refusal):
    """A change made from an older version than there is now."""


@dataclass(frozen=True)
class Terms:
    """What a set is called and when it stands. `ends_on` is its last day; None: until another stands."""

    name: str
    starts_on: date
    ends_on: date | None = None
    theme: str = ""
    note: str = ""


# --- making -----------------------------------------------------------------------------------------------------------------


def make_set(
    session: Session, now: datetime, dealer_id: int, space: Space, terms: Terms, *, user_id: int | None = None
) -> BoothSet:
    """An empty draft on the newest measuring. Refuses a booth nobody measured, a name there is, and dates beyond the lease."""
    measure = newest_measure(session, space.id)
    if measure is None:
        raise Refusal(f"{named(space)} is not measured yet: measure it first, then lay out sets of it.")
    return _make(session, now, dealer_id, space, measure, terms, user_id=user_id, said="made")


def _make(
    session: Session,
    now: datetime,
    dealer_id: int,
    space: Space,
    measure: BoothMeasure,
    terms: Terms,
    *,
    user_id: int | None,
    said: str,
    copied_from_id: int | None = None,
) -> BoothSet:
    lock(session, space)
    require_dates(session, now, dealer_id, space, terms.starts_on, terms.ends_on)
    made = BoothSet(
        dealer_id=dealer_id,
        space_id=space.id,
        measure_id=measure.id,
        starts_on=terms.starts_on,
        ends_on=terms.ends_on,
        state="draft",
        copied_from_id=copied_from_id,
        created_at=now,
        changed_at=now,
    )
    _call(session, made, space, terms)
    session.add(made)
    session.flush()
    _log(session, now, made, f"set {said}", space, user_id)
    return made


def _call(session: Session, row: BoothSet, space: Space, terms: Terms) -> None:
    """Give a set its name, theme and note."""
    name = one_line(terms.name)
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise Refusal(f"The name of a set must be 1 to {LONGEST_NAME} characters, like Spring.")
    for what, text, most in (("theme", terms.theme, LONGEST_THEME), ("note", terms.note, LONGEST_NOTE)):
        if len(text.strip()) > most:
            raise Refusal(f"The {what} of {name} is longer than {most} characters: shorten it.")
    if _named_like(session, row.dealer_id, space.id, name, but=row.id) is not None:
        raise Refusal(f"{named(space)} has a set called {name} already: give this one another name.")
    row.name, row.name_key = name, name_key(name)
    row.theme, row.note = one_line(terms.theme), terms.note.strip()


def _named_like(session: Session, dealer_id: int, space_id: int, name: str, *, but: int | None) -> int | None:
    found = select(BoothSet.id).where(
        BoothSet.dealer_id == dealer_id, BoothSet.space_id == space_id, BoothSet.name_key == name_key(name)
    )
    return session.scalar(found if but is None else found.where(BoothSet.id != but))


@dataclass(frozen=True)
class Copied:
    """A copy, and the pieces that did not come with it, each with why."""

    made: BoothSet
    left_out: tuple[str, ...]


def copy_set(
    session: Session, now: datetime, source: BoothSet, terms: Terms, *, space: Space | None = None, user_id: int | None = None
) -> Copied:
    """A draft like another set, in its booth or another one. What the dealer has no more or has sold does not come with it.

    In its own booth it stays on the measuring it was laid out on, so that what differs since is told.
    """
    own = session.get_one(Space, source.space_id)
    there = space or own
    measure = session.get_one(BoothMeasure, source.measure_id) if there.id == own.id else newest_measure(session, there.id)
    if measure is None:
        raise Refusal(f"{named(there)} is not measured yet: measure it first, then lay out sets of it.")
    made = _make(session, now, source.dealer_id, there, measure, terms, user_id=user_id, said="copied", copied_from_id=source.id)
    rows = set_rows(session, source.id)
    bound = bound_by_sales(session, [piece for _, piece in rows])
    left_out = {
        piece.id: f"{piece.name} ({'sold' if piece.gone_on is None else 'you have it no more'})"
        for _, piece in rows
        if piece.gone_on is not None or bound.get(piece.id) == "sold"
    }
    write_puts(session, made, [put for put in map(put_of_row, (put for put, _ in rows)) if put.piece_id not in left_out])
    return Copied(made, tuple(left_out.values()))


def write_puts(session: Session, row: BoothSet, puts: Sequence[Put]) -> None:
    """Put pieces into a set that has none. What stood on something that is not among them is taken down to the floor."""
    there = {put.piece_id for put in puts}
    for put in puts:
        session.add(
            SetPiece(
                set_id=row.id,
                piece_id=put.piece_id,
                x_in16=put.x_in16,
                y_in16=put.y_in16,
                turn_deg=put.turn_deg,
                on_piece_id=put.on_piece_id if put.on_piece_id in there else None,
                up_in16=put.up_in16,
                locked=put.locked,
            )
        )
    session.flush()


def puts_of(session: Session, row: BoothSet) -> list[Put]:
    return [put_of_row(put) for put, _ in set_rows(session, row.id)]


def last_years(session: Session, dealer_id: int, space_id: int, starts_on: date) -> BoothSet | None:
    """The set that stood, or was to stand, in a booth a year before a day; of several, the one that began last."""
    then = starts_on - _YEAR
    began = select(BoothSet).where(BoothSet.dealer_id == dealer_id, BoothSet.space_id == space_id, BoothSet.starts_on <= then)
    over = or_(BoothSet.ends_on.is_(None), BoothSet.ends_on >= then)
    stood_first = (BoothSet.state == "draft", BoothSet.starts_on.desc(), BoothSet.id.desc())
    return session.scalar(began.where(over).order_by(*stood_first).limit(1))


# --- changing -----------------------------------------------------------------------------------------------------------------


def hold_set(session: Session, row: BoothSet, version: int) -> None:
    """Hold a set until the transaction ends. Raises SetOutdated where it is not as it was opened; refuses what is over."""
    _hold_opened(session, row, version)
    if row.state == "stood":
        raise Refusal(f"{row.name} stood before and stays as it was: copy it to a draft, and change that.")


def _hold_opened(session: Session, row: BoothSet, version: int) -> None:
    _hold(session, row)
    if row.version != version:
        raise SetOutdated(_outdated(session, row))


def _hold(session: Session, row: BoothSet) -> None:
    """Hold a set, and its booth before it: by that names are given, one stands, and a reset is planned or not."""
    lock(session, session.get_one(Space, row.space_id), row)


def _outdated(session: Session, row: BoothSet) -> str:
    found = session.execute(
        select(AuditLog.at, Member.name, UserAccount.email)
        .outerjoin(UserAccount, UserAccount.id == AuditLog.user_id)
        .outerjoin(Member, Member.id == UserAccount.member_id)
        .where(AuditLog.subject_kind == SUBJECT, AuditLog.subject_id == str(row.id))
        .order_by(AuditLog.id.desc())
        .limit(1)
    ).first()
    said = ""
    if found is not None:
        zone = session.scalar(select(Mall.timezone).join(Space, Space.mall_id == Mall.id).where(Space.id == row.space_id))
        at = found[0].astimezone(ZoneInfo(zone or "UTC"))
        who = found[1] or found[2]
        said = f" on {shown_day(at.date())} at {at:%H:%M}" + (f" by {who}" if who else "")
    return f"{row.name} was changed{said} after you opened it. Nothing of yours is saved yet, and nothing of it is lost."


def log_change(session: Session, now: datetime, row: BoothSet, action: str, user_id: int | None, *, detail: str = "") -> None:
    """Count a set's version up, also where nothing of its own row is different, and write the log."""
    row.changed_at = now
    flag_modified(row, "changed_at")
    session.flush()
    _log(session, now, row, action, session.get_one(Space, row.space_id), user_id, detail)


def _log(
    session: Session, now: datetime, row: BoothSet, action: str, space: Space, user_id: int | None, detail: str = ""
) -> None:
    said = f"{named(space)}, {row.name}" + (f": {detail}" if detail else "")
    audit.record(session, now, action, SUBJECT, row.id, user_id=user_id, detail=said)


def change_set(session: Session, now: datetime, row: BoothSet, terms: Terms, *, version: int, user_id: int | None = None) -> None:
    """Another name, theme, note or other dates. Refuses dates beyond the lease, and a beginning to come for what stands."""
    hold_set(session, row, version)
    space = session.get_one(Space, row.space_id)
    if (terms.starts_on, terms.ends_on) != (row.starts_on, row.ends_on):
        require_dates(session, now, row.dealer_id, space, terms.starts_on, terms.ends_on)
        if row.state == "stands" and terms.starts_on > today_at(session, now, space.mall_id):
            raise Refusal(f"{row.name} stands now: it cannot begin on {shown_day(terms.starts_on)}, which is to come.")
    _call(session, row, space, terms)
    row.starts_on, row.ends_on = terms.starts_on, terms.ends_on
    log_change(session, now, row, audit.changed("set"), user_id)


def lay_over(session: Session, now: datetime, row: BoothSet, *, version: int, user_id: int | None = None) -> None:
    """Lay a set over the newest measuring: its pieces keep their places from the corner where the drawing begins."""
    hold_set(session, row, version)
    newest = newest_measure(session, row.space_id)
    if newest is None or newest.id == row.measure_id:
        raise Refusal(f"{row.name} is laid out on the newest measuring already.")
    row.measure_id = newest.id
    log_change(session, now, row, "set laid over a newer measuring", user_id, detail=f"measuring {newest.number}")


def let_stand(
    session: Session, now: datetime, row: BoothSet, *, version: int, anyway: bool = False, user_id: int | None = None
) -> list[Finding]:
    """Make a set the one that stands, from today; what stood before has stood until yesterday. Returns what is told of it.

    Its pieces are in the booth now, and those of the set before that are not in it are at home. Refuses a set that cannot be
    (`CANNOT_BE`); one with other findings that stop it unless `anyway`; and one on an older measuring.
    """
    _hold_opened(session, row, version)
    if row.state == "stands":
        raise Refusal(f"{row.name} stands already.")
    newest = newest_measure(session, row.space_id)
    if newest is not None and newest.id != row.measure_id:
        raise Refusal(f"The booth was measured again since {row.name} was laid out: lay it over the newer measuring first.")
    findings = judge(booth_of(session.get_one(BoothMeasure, row.measure_id)), arrangement_of(session, row))
    _require_may_stand(row, findings, anyway)
    space = session.get_one(Space, row.space_id)
    today = today_at(session, now, space.mall_id)
    require_dates(session, now, row.dealer_id, space, today, None)
    before = standing_set(session, row.dealer_id, row.space_id)
    if before is not None:
        lock(session, before)
        before.state, before.ends_on = "stood", max(before.starts_on, today - timedelta(days=1))
        log_change(session, now, before, "set taken down", user_id)
    again = row.state == "stood"
    row.state, row.starts_on = "stands", today if again else min(row.starts_on, today)
    if row.ends_on is not None and (again or row.ends_on < today):
        row.ends_on = None
    log_change(session, now, row, "set stands", user_id)
    _bring(session, row, before)
    return findings


def _require_may_stand(row: BoothSet, findings: Sequence[Finding], anyway: bool) -> None:
    never = [one for one in findings if one.kind in CANNOT_BE]
    if never:
        raise Refusal(f"{row.name} cannot stand like that. {never[0].sentence}")
    stopping = [one for one in findings if one.stops]
    if stopping and not anyway:
        many = "One thing is" if len(stopping) == 1 else f"{len(stopping)} things are"
        raise Refusal(f"{many} found against {row.name}: {stopping[0].sentence} Mend it, or tick that it stands so all the same.")


def take_down(session: Session, now: datetime, row: BoothSet, *, user_id: int | None = None) -> None:
    """The booth is emptied: the set that stood has stood until today, and its pieces are at home."""
    _hold(session, row)
    if row.state != "stands":
        raise Refusal(f"{row.name} does not stand: nothing is taken down.")
    today = today_at(session, now, session.get_one(Space, row.space_id).mall_id)
    row.state, row.ends_on = "stood", max(row.starts_on, today)
    log_change(session, now, row, "set taken down", user_id)
    _send_home(session, row)


_FETCHED = {"synchronize_session": "fetch"}


def _bring(session: Session, row: BoothSet, before: BoothSet | None) -> None:
    """Where pieces are once a set stands: its own in the booth, those that went at home unless another booth has them."""
    here = select(SetPiece.piece_id).where(SetPiece.set_id == row.id)
    session.execute(
        update(PieceRow).where(PieceRow.id.in_(here)).values(place="booth", store_until=None), execution_options=_FETCHED
    )
    if before is not None:
        _send_home(session, before)


def _send_home(session: Session, before: BoothSet) -> None:
    gone = select(SetPiece.piece_id).where(SetPiece.set_id == before.id)
    standing = select(SetPiece.piece_id).join(BoothSet, BoothSet.id == SetPiece.set_id).where(BoothSet.state == "stands")
    session.execute(
        update(PieceRow)
        .where(PieceRow.id.in_(gone), PieceRow.id.not_in(standing), PieceRow.place == "booth")
        .values(place="home"),
        execution_options=_FETCHED,
    )


def drop_set(session: Session, now: datetime, row: BoothSet, *, version: int, user_id: int | None = None) -> KeptSet:
    """Take a draft away; what is returned brings it back (`bring_back`). Refuses all but drafts no reset is planned with."""
    hold_set(session, row, version)
    if row.state != "draft":
        raise Refusal(f"{row.name} stands: make another set stand first; only drafts are dropped.")
    planned = session.scalar(select(Reset.id).where(or_(Reset.from_set_id == row.id, Reset.to_set_id == row.id)).limit(1))
    if planned is not None:
        raise Refusal(f"A reset is planned with {row.name}, so it is kept. Plan that reset with another set first.")
    kept = KeptSet(row.name, row.theme, row.note, row.starts_on, row.ends_on, tuple(puts_of(session, row)))
    _log(session, now, row, "set dropped", session.get_one(Space, row.space_id), user_id)
    session.execute(update(BoothSet).where(BoothSet.copied_from_id == row.id).values(copied_from_id=None))
    for put, _ in set_rows(session, row.id):
        session.delete(put)
    session.execute(delete(SetPrice).where(SetPrice.set_id == row.id))
    session.flush()
    session.delete(row)
    session.flush()
    return kept


def bring_back(
    session: Session, now: datetime, dealer_id: int, space: Space, kept: KeptSet, *, user_id: int | None = None
) -> BoothSet:
    """A dropped set again, on the newest measuring. Pieces that are not the dealer's, or not any more, do not come back."""
    terms = Terms(kept.name, kept.starts_on, kept.ends_on, kept.theme, kept.note)
    made = make_set(session, now, dealer_id, space, terms, user_id=user_id)
    own = set(session.scalars(select(PieceRow.id).where(PieceRow.dealer_id == dealer_id, PieceRow.gone_on.is_(None))))
    once = {put.piece_id: put for put in kept.puts if put.piece_id in own and put.on_piece_id != put.piece_id}
    write_puts(session, made, list(once.values()))
    return made


# --- what a set is held against -------------------------------------------------------------------------------------------------


def newest_measure(session: Session, space_id: int) -> BoothMeasure | None:
    found = select(BoothMeasure).where(BoothMeasure.space_id == space_id)
    return session.scalar(found.order_by(BoothMeasure.number.desc()).limit(1))


def standing_set(session: Session, dealer_id: int, space_id: int) -> BoothSet | None:
    return session.scalar(
        select(BoothSet).where(BoothSet.dealer_id == dealer_id, BoothSet.space_id == space_id, BoothSet.state == "stands")
    )


def require_dates(session: Session, now: datetime, dealer_id: int, space: Space, starts_on: date, ends_on: date | None) -> None:
    """Refuse dates that run backward, and a beginning on which the booth is not the dealer's. Dates of two sets may overlap."""
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(
            f"The set ends on {shown_day(ends_on)}, before it begins on {shown_day(starts_on)}: its last day is that or later."
        )
    spans = held_spans(session, now, [dealer_id], space_id=space.id)
    if not spans:
        raise Refusal(f"You have no lease of {named(space)}: a set is laid out for a booth that is yours.")
    first = min(span.starts_on for span in spans)
    if starts_on < first:
        raise Refusal(
            f"The set begins on {shown_day(starts_on)}, but your lease of {named(space)} begins on {shown_day(first)}: "
            "let the set begin then or later."
        )
    if not any(span.holds(starts_on) for span in spans):
        last = max((span.ends_on for span in spans if span.ends_on and span.ends_on < starts_on), default=first)
        raise Refusal(
            f"The set begins on {shown_day(starts_on)}, but your lease of {named(space)} ends on {shown_day(last)}: "
            "let the set begin by then."
        )


def standing_elsewhere(session: Session, row: BoothSet) -> Mapping[int, str]:
    """Pieces of the dealer that stand in another booth now, by id: `Booth 14, in the set Autumn`."""
    rows = session.execute(
        select(SetPiece.piece_id, BoothSet.name, Space)
        .join(BoothSet, BoothSet.id == SetPiece.set_id)
        .join(Space, Space.id == BoothSet.space_id)
        .where(BoothSet.dealer_id == row.dealer_id, BoothSet.state == "stands", BoothSet.space_id != row.space_id)
    )
    return {piece_id: f"{named(space)}, in the set {name}" for piece_id, name, space in rows}

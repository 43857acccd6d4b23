"""Floor asked for: a request written down, changed against its version, withdrawn, and taken up again.

What is refused is told at each field; a piece is named by its row. A piece that may stand in no bay of the mall is refused at
once: waiting would not help it. While a mall has no bays that cannot be known, and the request waits.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.leases.models import Lease
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.fitting import OZ_PER_LB, Stand, kept_out_by, may_stand, nowhere
from coop.overflow.domain.piece import AskedPiece
from coop.overflow.models import OverflowPiece, OverflowRequest, Stay
from coop.overflow.reading import bay_of, bays_on, piece_of, pieces_of, spaces_held
from coop.overflow.rules import OverflowRules, rules_on

SUBJECT = "overflow request"
MOST_PIECES = 20
"""Of one request."""
MOST_FLEXIBLE_WEEKS = 26
LATEST = timedelta(days=365)
"""From today to the day a request begins at the earliest."""
LONGEST = {"name": 80, "grouping": 40, "tag": 40}
"""Most characters of each text of a piece."""
LONGEST_NOTE = 400
_LARGEST_IN16 = 20 * IN16_PER_FOOT
_HEAVIEST_OZ = 10_000 * OZ_PER_LB
_MOST_CENTS = 1_000_000_00
_SIZES = (("width_in16", "width", "36 or 3' 0\""), ("depth_in16", "depth", "18 or 1' 6\""), ("height_in16", "height", "30"))
_COLOUR = re.compile(r"#[0-9a-f]{6}")
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class PieceAsked:
    """A piece as somebody writes it down; each name is a column of `OverflowPiece`. A size of 0 was not given."""

    name: str
    width_in16: int = 0
    depth_in16: int = 0
    height_in16: int = 0
    weight_oz: int | None = None
    colour: str = ""
    grouping: str = ""
    price_cents: int | None = None
    glass: bool = False
    may_turn: bool = False
    tag: str = ""
    id: int | None = None
    """Of a piece that the request has already; None for one more."""


@dataclass(frozen=True)
class Asked:
    """Floor asked for: not before a day, for so many weeks, beginning up to `flexible_weeks` later."""

    not_before: date
    weeks: int
    flexible_weeks: int = 0
    together: bool = False
    """Its pieces side by side and for the same weeks, or nothing."""
    bay_code: str = ""
    """The bay wished for; empty for any."""
    note: str = ""
    pieces: tuple[PieceAsked, ...] = ()


class AskRefused(Refusal):
    """A request that cannot be kept as it is: what is wrong, by field; `pieces.1.width_in16` is of the second piece."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__(" ".join(faults.values()))
        self.faults = dict(faults)


class RequestOutdated(Refusal):
    """A deed done from an older version than there is now."""


def require_version(row: OverflowRequest, version: int, undone: str) -> None:
    """Refuse what is done to a request as somebody saw it and as it is no more; `undone` says what was not done."""
    if row.version != version:
        raise RequestOutdated(
            f"This request was changed since you opened it, and {undone}: look at it as it is now, and do it again."
        )


# --- deeds ----------------------------------------------------------------------------------------------------------------


def ask_floor(
    session: Session, now: datetime, dealer: Dealer, mall: Mall, asked: Asked, *, by: By, key: str | None = None
) -> OverflowRequest:
    """Ask for floor. The same key again answers the first request, if it asks for the same. Raises AskRefused with what is wrong
    at each field.
    """
    # Held, so that the second press of one form finds the first.
    lock(session, mall)
    if key is not None:
        sent = session.scalar(select(OverflowRequest).where(OverflowRequest.key == key))
        if sent is not None:
            if sent.state == "withdrawn" or not _asks_for(session, sent, dealer, mall, asked):
                raise AskRefused(
                    {"pieces": "This form was sent already, and its request is written down: open a new one to ask anew."}
                )
            return sent
    asked = _checked(session, now, dealer, mall, asked)
    row = OverflowRequest(
        dealer_id=dealer.id,
        mall_id=mall.id,
        asked_on=today_at(session, now, mall.id),
        key=key,
        created_at=now,
        **_columns(asked),
    )
    session.add(row)
    session.flush()
    session.add_all(OverflowPiece(dealer_id=dealer.id, request_id=row.id, **asdict(piece)) for piece in asked.pieces)
    session.flush()
    _log(session, now, row, "floor asked for", by, f"{dealer.code} at {mall.code}, {len(asked.pieces)} pieces")
    return row


def change_request(session: Session, now: datetime, row: OverflowRequest, asked: Asked, *, version: int, by: By) -> None:
    """Change a request of which nothing was given, against the version it was opened with. It has waited since it was made.

    Raises RequestOutdated where somebody changed it meanwhile, AskRefused as `ask_floor`.
    """
    mall, dealer = _hold(session, row)
    require_version(row, version, "nothing of yours was kept")
    before = pieces_of(session, [row])[row.id]
    given = given_pieces(session, [piece.id for piece in before])
    if row.state != "waiting" or given:
        ended = {"withdrawn": "is withdrawn: ask for it again first", "granted": "was granted: ask anew for what is to be else"}
        raise Refusal(f"This request {ended.get(row.state, 'was granted in part: withdraw what waits of it, and ask anew')}.")
    asked = _checked(session, now, dealer, mall, asked, before, row.not_before)
    for name, value in _columns(asked).items():
        setattr(row, name, value)
    _put_pieces(session, row, before, asked.pieces)
    # Its pieces are a part of it: whoever changes only them counts its version up, too.
    flag_modified(row, "state")
    session.flush()
    _log(session, now, row, audit.changed("request for floor"), by, f"{dealer.code} at {mall.code}, {len(asked.pieces)} pieces")


def withdraw(session: Session, now: datetime, row: OverflowRequest, *, by: By) -> None:
    """What waits of a request is not wanted any more; what was given stays. Refuses one that was granted."""
    _hold(session, row)
    if row.state == "granted":
        raise Refusal("All of this request was granted, and nothing of it waits: give back its floor instead.")
    if row.state != "withdrawn":
        row.state = "withdrawn"
        session.flush()
        _log(session, now, row, "request for floor withdrawn", by)


def ask_again(session: Session, now: datetime, row: OverflowRequest, *, by: By) -> None:
    """Undo a withdrawal: it waits again, and has since it was made. Refuses where its dealer has no lease there any more."""
    mall, dealer = _hold(session, row)
    if row.state != "withdrawn":
        return
    first = max(row.not_before, today_at(session, now, mall.id))
    if fault := next(_dealer_faults(session, dealer, mall, first, row.weeks), None):
        raise Refusal(fault[1])
    row.state = "waiting"
    settle_state(session, row)
    session.flush()
    _log(session, now, row, "request for floor taken up again", by)


def settle_state(session: Session, row: OverflowRequest) -> None:
    """Make what a request is follow from which of its pieces have floor, or had it; one that is withdrawn stays so."""
    if row.state == "withdrawn":
        return
    pieces = pieces_of(session, [row])[row.id]
    given = given_pieces(session, [piece.id for piece in pieces])
    row.state = "waiting" if not given else "granted" if len(given) == len(pieces) else "partly"
    session.flush()


def given_pieces(session: Session, piece_ids: Sequence[int]) -> set[int]:
    """Those of pieces, by id, that have floor or had it."""
    return set(session.scalars(select(Stay.piece_id).where(Stay.piece_id.in_(piece_ids), Stay.state == "stands")))


def _hold(session: Session, row: OverflowRequest) -> tuple[Mall, Dealer]:
    """Hold the mall first, as whoever gives floor does, then the request."""
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall, row)
    return mall, session.get_one(Dealer, row.dealer_id)


def _put_pieces(session: Session, row: OverflowRequest, before: Sequence[OverflowPiece], pieces: Sequence[PieceAsked]) -> None:
    """The pieces of a request as they are now, each by its id.

    One that is left out goes. Where it had floor that was taken back it stays without a request: what was given, said and marked
    of it remains true, and its dealer may still take that floor after all.
    """
    kept = {piece.id: piece for piece in pieces if piece.id is not None}
    left_out = {old.id for old in before} - set(kept)
    had_floor = set(session.scalars(select(Stay.piece_id).where(Stay.piece_id.in_(left_out))))
    for old in before:
        if piece := kept.get(old.id):
            for name, value in asdict(piece).items():
                setattr(old, name, value)
        elif old.id in had_floor:
            old.request_id = None
        else:
            session.delete(old)
    more = (asdict(piece) for piece in pieces if piece.id is None)
    session.add_all(OverflowPiece(dealer_id=row.dealer_id, request_id=row.id, **one) for one in more)


def _asks_for(session: Session, row: OverflowRequest, dealer: Dealer, mall: Mall, asked: Asked) -> bool:
    """Whether a request is this one, as it is by now."""
    asked, pieces = _all_tidied(asked), pieces_of(session, [row])[row.id]
    columns = {"dealer_id": dealer.id, "mall_id": mall.id, **_columns(asked)}
    return (
        all(getattr(row, name) == value for name, value in columns.items())
        and len(pieces) == len(asked.pieces)
        and all(is_the_piece(*pair) for pair in zip(pieces, asked.pieces, strict=True))
    )


def is_the_piece(row: OverflowPiece, piece: PieceAsked) -> bool:
    """Whether a piece is as somebody writes it down, its texts tidied."""
    return all(getattr(row, name) == value for name, value in asdict(piece).items() if name != "id")


def _columns(asked: Asked) -> dict[str, object]:
    return {one.name: getattr(asked, one.name) for one in fields(asked) if one.name != "pieces"}


def _log(session: Session, now: datetime, row: OverflowRequest, action: str, by: By, detail: str = "") -> None:
    audit.record(session, now, action, SUBJECT, row.id, user_id=by.user_id, request_id=by.request_id, detail=detail)


# --- what is refused ------------------------------------------------------------------------------------------------------


def _checked(
    session: Session,
    now: datetime,
    dealer: Dealer,
    mall: Mall,
    asked: Asked,
    before: Sequence[OverflowPiece] = (),
    begun: date | None = None,
) -> Asked:
    """The request with its texts on one line. Raises AskRefused with every fault it has, all at once.

    `before`: the pieces it has already. `begun`: the day it was not to begin before until now, which may be past by now.
    """
    asked = _all_tidied(asked)
    today = today_at(session, now, mall.id)
    first = max(asked.not_before, today)
    rules = rules_on(session, mall.id, first)
    own = [piece.id for piece in before]
    faults: dict[str, str] = {}
    for field, sentence in (*_time_faults(asked, rules, today, begun), *_id_faults(asked, own), *_pieces_faults(asked, rules)):
        faults.setdefault(field, sentence)
    of_dealer = () if {"not_before", "weeks"} & faults.keys() else _dealer_faults(session, dealer, mall, first, asked.weeks)
    wrong = {int(field.split(".")[1]) for field in faults if field.startswith("pieces.")}
    of_floor = () if "pieces" in faults else _floor_faults(session, dealer, mall, asked, rules, first, wrong)
    for field, sentence in (*of_dealer, *of_floor):
        faults.setdefault(field, sentence)
    if faults:
        raise AskRefused(faults)
    return asked


def _all_tidied(asked: Asked) -> Asked:
    return Asked(**_columns(asked) | {"note": _line(asked.note), "pieces": tuple(map(tidied, asked.pieces))})  # type: ignore[arg-type]


def tidied(piece: PieceAsked) -> PieceAsked:
    """With its texts on one line and its colour in small letters."""
    return PieceAsked(
        **asdict(piece) | {name: _line(getattr(piece, name)) for name in LONGEST} | {"colour": piece.colour.strip().lower()}
    )


def _line(text: str) -> str:
    return " ".join(text.split())


def _time_faults(asked: Asked, rules: OverflowRules, today: date, begun: date | None) -> Iterator[tuple[str, str]]:
    if asked.not_before < today and asked.not_before != begun:
        yield "not_before", f"It begins on {shown_day(asked.not_before)}, which is past: write today or a day to come."
    elif asked.not_before > today + LATEST:
        yield "not_before", f"It begins on {shown_day(asked.not_before)}: write a day of the next twelve months."
    if not 1 <= asked.weeks <= rules.longest_weeks:
        yield "weeks", f"Floor is asked for {asked.weeks} weeks: write 1 to {rules.longest_weeks}."
    if not 0 <= asked.flexible_weeks <= MOST_FLEXIBLE_WEEKS:
        yield "flexible_weeks", f"It may begin {asked.flexible_weeks} weeks later: write 0 to {MOST_FLEXIBLE_WEEKS}."
    if len(asked.note) > LONGEST_NOTE:
        yield "note", f"The note has {len(asked.note)} characters: {LONGEST_NOTE} are the most."


def _pieces_faults(asked: Asked, rules: OverflowRules) -> Iterator[tuple[str, str]]:
    if not asked.pieces:
        yield "pieces", "No piece is written down: name what is to stand there, with its sizes."
    if len(asked.pieces) > MOST_PIECES:
        yield (
            "pieces",
            f"{len(asked.pieces)} pieces are in one request: {MOST_PIECES} are the most. Ask for the others in another.",
        )
    most = rules.most_pieces
    if asked.together and most is not None and len(asked.pieces) > most:
        yield "together", f"A dealer has {most} pieces in the aisles at a time: {len(asked.pieces)} cannot stand together."
    for number, piece in enumerate(asked.pieces):
        for field, sentence in piece_faults(piece):
            yield f"pieces.{number}.{field}", f"{_named(number, piece)}: {sentence}"


def _id_faults(asked: Asked, own: Collection[int]) -> Iterator[tuple[str, str]]:
    """A piece is one of the request by its id, once, or one more: never another request's."""
    left = set(own)
    for number, piece in enumerate(asked.pieces):
        if piece.id is not None and piece.id not in left:
            yield (
                f"pieces.{number}",
                f"{_named(number, piece)}: this row is of no piece of this request, or of one that another row has. Take the row "
                "out, and write the piece down anew.",
            )
        left.discard(piece.id or 0)


def _named(number: int, piece: PieceAsked) -> str:
    return f"Piece {number + 1}{f', {piece.name[:80]}' if piece.name else ''}"


def piece_faults(piece: PieceAsked) -> Iterator[tuple[str, str]]:
    """What is wrong with a piece by itself, whatever the mall is like: field and sentence."""
    if not piece.name:
        yield "name", "give it a name, like Oak hutch."
    for field, most in LONGEST.items():
        if len(getattr(piece, field)) > most:
            yield field, f"write the {field} in {most} characters."
    for field, word, example in _SIZES:
        size = getattr(piece, field)
        if size <= 0:
            yield field, f"write its {word}, above zero, like {example}."
        elif size > _LARGEST_IN16:
            yield field, f"a {word} of {format_length(size)} is more than 20 feet: a plain number is inches, so check it."
    if piece.weight_oz is not None and not 0 < piece.weight_oz <= _HEAVIEST_OZ:
        yield "weight_oz", "write a weight above zero, or leave it empty until it is weighed."
    if piece.price_cents is not None and not 0 <= piece.price_cents <= _MOST_CENTS:
        yield "price_cents", "write a price from $0 to $1,000,000, or leave it empty."
    if piece.colour and not _COLOUR.fullmatch(piece.colour):
        yield "colour", f"{piece.colour[:20]!r} is no color: write it like #8a5a2b, or leave it empty."


def _dealer_faults(session: Session, dealer: Dealer, mall: Mall, first: date, weeks: int) -> Iterator[tuple[str, str]]:
    last = first + timedelta(weeks=weeks) - _DAY
    left_on = dealer.member.left_on
    if left_on is not None and left_on <= last:
        yield "not_before", f"{dealer.code} has left the co-op, on {shown_day(left_on)}: floor is lent to members only."
        return
    until = leased_until(session, dealer.id, mall.id, first)
    if until is None:
        yield (
            "not_before",
            f"{dealer.code} has no lease at {mall.name} on {shown_day(first)}: floor is lent to who rents there. "
            "Write a day within the lease.",
        )
    elif until < last:
        yield (
            "weeks",
            f"The lease of {dealer.code} at {mall.name} ends on {shown_day(until)}, before {shown_day(last)}: "
            "ask for fewer weeks, or an earlier day.",
        )


def leased_until(session: Session, dealer_id: int, mall_id: int, day: date) -> date | None:
    """The last day a dealer rents at a mall without a gap from a day on, `date.max` for no end; None where not even that day."""
    rows = session.execute(
        select(Lease.starts_on, Lease.ends_on)
        .where(Lease.dealer_id == dealer_id, Lease.mall_id == mall_id, Lease.settled_on.is_(None))
        .order_by(Lease.starts_on)
    )
    until: date | None = None
    for starts_on, ends_on in rows:
        if starts_on <= (day if until is None else until + _DAY) and (ends_on is None or ends_on >= (until or day)):
            if ends_on is None:
                return date.max
            until = ends_on
    return until


def _floor_faults(
    session: Session, dealer: Dealer, mall: Mall, asked: Asked, rules: OverflowRules, first: date, wrong: Collection[int]
) -> Iterator[tuple[str, str]]:
    """What no bay, or not the one wished for, will ever have room for; and what is longer than a dealer may have.

    `wrong`: numbers of pieces that are refused by themselves, of which nothing more is said.
    """
    rows = [row for row in bays_on(session, mall.id, first) if row.is_lent]
    bays = [bay_of(row) for row in rows]
    held = held_codes(session, dealer.id, mall.id, first)
    pieces = {
        number: piece_of(OverflowPiece(**asdict(piece) | {"id": 0}))
        for number, piece in enumerate(asked.pieces)
        if number not in wrong
    }
    together = [*pieces.values()] if asked.together and not wrong else []
    yield from _limit_faults(asked, pieces, together, rules)
    wished = next((bay for bay in bays if bay.code == asked.bay_code), None)
    if asked.bay_code and wished is None:
        some = ", ".join(bay.code for bay in bays[:5])
        yield (
            "bay_code",
            f"No bay {asked.bay_code[:28]} is lent at {mall.name}: leave it empty{some and f', or name one such as {some}'}.",
        )
    if not bays:
        return
    for number, piece in pieces.items():
        named = _named(number, asked.pieces[number])
        if why := nowhere(piece, bays, rules.pieces, held):
            yield f"pieces.{number}.{kept_out_by(piece, bays, rules.pieces)}", f"{named} {why}"
        elif wished is not None:
            stand = may_stand(piece, wished, rules.pieces, holds_before=wished.before in held)
            if not isinstance(stand, Stand):
                yield (
                    "bay_code",
                    f"Bay {wished.code}: {named} {stand} Leave the bay empty, or name another.",
                )
    if together and not any(_stand_together(together, bay, rules, held) for bay in bays):
        yield "together", "No bay has room for all these pieces side by side: let them stand apart, or ask for fewer."


def _limit_faults(
    asked: Asked, pieces: Mapping[int, AskedPiece], together: Sequence[AskedPiece], rules: OverflowRules
) -> Iterator[tuple[str, str]]:
    if rules.most_in16 is None:
        return
    most = format_length(rules.most_in16)
    # Along a bay a piece takes its width, or its depth where it may be turned, and the gap beside it.
    least = {
        number: min(p.width_in16, p.depth_in16 if p.may_turn else p.width_in16) + rules.gap_in16 for number, p in pieces.items()
    }
    for number, length in least.items():
        if length > rules.most_in16:
            named = _named(number, asked.pieces[number])
            yield (
                f"pieces.{number}.width_in16",
                f"{named} takes {format_length(length)} along a bay with the gap beside it, and a dealer has "
                f"{most} at a time: ask the manager.",
            )
    if together and (all_of_them := sum(least.values())) > rules.most_in16:
        yield (
            "together",
            f"Side by side these pieces take {format_length(all_of_them)}, and a dealer has {most} at a time: let them stand "
            "apart, or ask for fewer.",
        )


def _stand_together(pieces: Sequence[AskedPiece], bay: Bay, rules: OverflowRules, held: set[str]) -> bool:
    stands = [may_stand(piece, bay, rules.pieces, holds_before=bay.before in held) for piece in pieces]
    along = [stand.length_in16 + rules.gap_in16 for stand in stands if isinstance(stand, Stand)]
    return len(along) == len(pieces) and sum(along) <= bay.length_in16


def held_codes(session: Session, dealer_id: int, mall_id: int, day: date) -> set[str]:
    """The codes of the spaces a dealer holds or shares at a mall on a day."""
    ids = spaces_held(session, mall_id, day).get(dealer_id, set())
    return set(session.scalars(select(Space.code).where(Space.id.in_(ids))))

"""Floor asked for, as the office reads it: what waits as a list, one request with its pieces, bays, answers and dealers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.geometry import format_length, format_size
from coop.core.listing import Column, Listing, OneOf, Words
from coop.core.periods import shown_day
from coop.core.words import natural
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.office.mall_page import today_of
from coop.office.overflow_list import behind_words
from coop.overflow.asking import held_codes
from coop.overflow.domain.fitting import Stand, cautions, may_stand, nowhere
from coop.overflow.domain.taking import Taken, first_free
from coop.overflow.judging import stand_of, taken_along
from coop.overflow.models import BayRow, OverflowPiece
from coop.overflow.queries import RequestRow
from coop.overflow.reading import bay_of, bays_on, piece_of, there_between
from coop.overflow.rules import rules_on

ANSWERS = {"granted": "granted", "partly": "granted in part", "refused": "no floor"}
STATES = {"waiting": "waits", "partly": "waits in part", "granted": "granted", "withdrawn": "withdrawn"}


def dealer_words(dealer: Dealer) -> str:
    return f"{dealer.code} {dealer.trade_name or dealer.member.name}"


# --- the list ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AskedLine:
    """A request that waits."""

    row: RequestRow
    days: int
    """Since it was made."""

    @property
    def pieces(self) -> str:
        return "; ".join(f"{piece.name}, {format_size(piece)}" for piece in self.row.waiting)

    @property
    def when(self) -> str:
        """`4 weeks, not before Nov 9, 2026`"""
        asked = self.row.request
        return f"{asked.weeks} {'week' if asked.weeks == 1 else 'weeks'}, not before {shown_day(asked.not_before)}"

    @property
    def answer(self) -> str:
        """The last it had; empty where it had none."""
        return "" if self.row.answer is None else self.row.answer.sentence

    @property
    def kinds(self) -> tuple[str, ...]:
        told = ("told",) if self.row.answer else ("new",)
        return (self.row.request.state, *told, *(("bay",) if self.row.request.bay_code else ()))


ASKED: Listing[AskedLine] = Listing(
    columns=(
        Column(
            "dealer",
            "Dealer",
            lambda line: dealer_words(line.row.dealer),
            by=lambda line: (natural(line.row.dealer.code), line.row.request.asked_on),
        ),
        Column("pieces", "Pieces", lambda line: line.pieces, by=lambda line: line.pieces.lower()),
        Column(
            "asked",
            "Asked",
            lambda line: line.row.request.asked_on.isoformat(),
            by=lambda line: (line.row.request.asked_on, line.row.request.id),
        ),
        Column("days", "Days", lambda line: str(line.days), by=lambda line: line.days, amount=True),
        Column("not_before", "Not before", lambda line: line.row.request.not_before.isoformat()),
        Column("weeks", "Weeks", lambda line: str(line.row.request.weeks), by=lambda line: line.row.request.weeks, amount=True),
        Column(
            "bay",
            "Bay wished",
            lambda line: line.row.request.bay_code,
            by=lambda line: (not line.row.request.bay_code, natural(line.row.request.bay_code)),
        ),
        Column("answer", "Last answer", lambda line: line.answer),
    ),
    usual="asked",
    filters=(
        Words(
            "find",
            "Dealer, piece or bay",
            of=lambda line: (dealer_words(line.row.dealer), line.pieces, line.row.request.bay_code),
        ),
        OneOf(
            "which",
            "Which",
            (
                ("new", "not answered yet"),
                ("told", "had no floor before"),
                ("partly", "granted in part"),
                ("bay", "wishing a bay"),
            ),
            of=lambda line: line.kinds,
        ),
    ),
)


def asked_lines(rows: Sequence[RequestRow], today: date) -> list[AskedLine]:
    return [AskedLine(row, row.days_waited(today)) for row in rows]


# --- one request ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PieceShown:
    """A piece of a request with what is said before it is moved, and where it could stand."""

    piece: OverflowPiece
    cautions: tuple[str, ...]
    bays: Sequence[tuple[str, str]]
    """Code and words of each bay it may stand in; none are looked for where it has floor."""
    nowhere: str


def pieces_shown(session: Session, mall: Mall, row: RequestRow, first: date, last: date) -> list[PieceShown]:
    """The pieces of a request, and which bays have room over some days."""
    rules = rules_on(session, mall.id, first)
    rows = lent_bays(session, mall, first)
    held = held_codes(session, row.dealer.id, mall.id, first)
    there = there_between(session, mall.id, first, last, today_of(mall))
    taken = {bay.id: taken_along(there, bay, rules) for bay in rows}
    shown = []
    for piece in row.pieces:
        asked, bays, why = piece_of(piece), [], None
        if piece.id not in row.stays:
            for bay in rows:
                stand = may_stand(asked, bay_of(bay), rules.pieces, holds_before=bay.before in held)
                if isinstance(stand, Stand):
                    free = first_free(taken[bay.id], stand.length_in16 + rules.gap_in16, bay.length_in16)
                    place = "no room then" if free is None else f"free from {format_length(free)} on"
                    sideways = ", sideways" if stand.turned else ""
                    bays.append((bay.code, f"{bay.code}, {behind_words(bay)}: {place}{sideways}"))
            why = nowhere(asked, [bay_of(bay) for bay in rows], rules.pieces, held) if rows and not bays else None
        shown.append(PieceShown(piece, cautions(asked, rules.pieces), bays, f"{piece.name} {why}" if why else ""))
    return shown


def lent_bays(session: Session, mall: Mall, day: date) -> list[BayRow]:
    return sorted((row for row in bays_on(session, mall.id, day) if row.is_lent), key=lambda row: natural(row.code))


def bay_choices(session: Session, mall: Mall, day: date) -> list[tuple[str, str]]:
    """Code and words of every bay that is lent."""
    return [
        (row.code, f"{row.code}, {format_length(row.length_in16)} by {format_length(row.depth_in16)}, {behind_words(row)}")
        for row in lent_bays(session, mall, day)
    ]


def leftmost(
    session: Session, mall: Mall, bay: BayRow, piece: OverflowPiece, days: tuple[date, date], *, turned: bool, own: list[Taken]
) -> int | None:
    """The leftmost free place of a bay over some days, `own` being given just now; None where there is none."""
    rules = rules_on(session, mall.id, days[0])
    standing = there_between(session, mall.id, *days, today_of(mall))
    there = taken_along(standing, bay, rules)
    length = stand_of(piece, turned=turned).length_in16 + rules.gap_in16
    return first_free([*there, *(one for one in own if one.meets(*days))], length, bay.length_in16)


def given_now(piece: OverflowPiece, at: int, days: tuple[date, date], gap_in16: int, *, turned: bool) -> Taken:
    return Taken(0, at, at + stand_of(piece, turned=turned).length_in16 + gap_in16, *days)


# --- dealers ----------------------------------------------------------------------------------------------------------------


def renting(session: Session, mall: Mall, since: date) -> list[tuple[str, str]]:
    """Code and words of who rents at a mall on a day or later."""
    rows = session.scalars(
        select(Dealer)
        .join(Lease, Lease.dealer_id == Dealer.id)
        .where(Lease.mall_id == mall.id, Lease.settled_on.is_(None), Lease.ends_on.is_(None) | (Lease.ends_on >= since))
        .distinct()
    ).all()
    return [(one.code, dealer_words(one)) for one in sorted(rows, key=lambda one: natural(one.code))]


def last_day(first: date, weeks: int) -> date:
    return first + timedelta(weeks=weeks, days=-1)

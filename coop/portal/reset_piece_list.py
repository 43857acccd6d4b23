"""The list of a dealer's pieces: sorted, narrowed, paged, and taken away as the CSV that can be brought in again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.geometry import format_size
from coop.core.listing import Column, Listed, Listing, OneOf, Words
from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.portal.queries import own_dealers_query
from coop.resets.models import PieceRow
from coop.resets.pieces import BOUND_WORDS, PLACE_WORDS, STANDS_WORDS, as_written, weight_said
from coop.resets.pieces_csv import COLUMNS, CsvColumn
from coop.resets.reading import bound_by_sales

_BY = {
    "name": lambda shown: shown.row.name_key,
    "kind": lambda shown: shown.row.kind.casefold(),
    "grouping": lambda shown: (shown.row.grouping.casefold(), shown.row.name_key),
    "weight": lambda shown: (shown.row.weight_oz or 0, shown.row.name_key),
    "place": lambda shown: (list(PLACE_WORDS).index(shown.row.place), shown.row.name_key),
    "price": lambda shown: (shown.row.price_cents or 0, shown.row.name_key),
}
"""What each column that sorts is sorted by."""


@dataclass(frozen=True)
class PieceShown:
    """A piece with what sales say of it."""

    row: PieceRow
    dealer: str
    sales: str
    """sold or layaway; empty where they say nothing."""

    @property
    def size(self) -> str:
        return format_size(self.row)

    @property
    def weight(self) -> str:
        return weight_said(self.row.weight_oz)

    @property
    def place(self) -> str:
        return PLACE_WORDS[self.row.place]

    @property
    def bound(self) -> str:
        """`sold, says the desk`; what its dealer says where the desk says nothing; empty where it is free."""
        if self.sales:
            return f"{BOUND_WORDS[self.sales]}, says the desk"
        return BOUND_WORDS[self.row.bound] if self.row.bound else ""


def _column(one: CsvColumn) -> Column[PieceShown]:
    return Column(
        one.key,
        one.heading,
        lambda shown: one.write(as_written(shown.row)),
        by=_BY.get(one.key),
        amount=one.key in ("weight", "price"),
    )


PIECES: Listing[PieceShown] = Listing(
    columns=tuple(_column(one) for one in COLUMNS),
    usual="name",
    filters=(
        Words(
            "find",
            "Words in it",
            of=lambda shown: [getattr(shown.row, key) for key in ("name", "kind", "grouping", "theme", "tag", "note")],
        ),
        OneOf("place", "Where it is", tuple(PLACE_WORDS.items()), of=lambda shown: shown.row.place),
        OneOf("stands", "Stands", tuple(STANDS_WORDS.items()), of=lambda shown: shown.row.stands),
        OneOf(
            "bound",
            "Sold or held",
            (("free", "free"), *((key, words) for key, words in BOUND_WORDS.items() if key)),
            of=lambda shown: shown.sales or shown.row.bound or "free",
        ),
        OneOf(
            "state",
            "Yours",
            (("have", "pieces you have"), ("gone", "pieces let go")),
            of=lambda shown: "gone" if shown.row.gone_on else "have",
        ),
    ),
    usually={"state": "have"},
)


def own_pieces(session: Session, user: Visitor, asked: Mapping[str, str]) -> Listed[PieceShown]:
    """What an address asks for of this user's pieces."""
    found = session.execute(
        select(PieceRow, Dealer.code).join(Dealer, Dealer.id == PieceRow.dealer_id).where(Dealer.id.in_(own_dealers_query(user)))
    ).all()
    bound = bound_by_sales(session, [row for row, _ in found])
    return PIECES.pick([PieceShown(row, code, bound.get(row.id, "")) for row, code in found], asked)


def own_piece(session: Session, user: Visitor, piece_id: int) -> PieceRow | None:
    """A piece of this user's; None where there is none, or it is another's."""
    return session.scalar(select(PieceRow).where(PieceRow.id == piece_id, PieceRow.dealer_id.in_(own_dealers_query(user))))

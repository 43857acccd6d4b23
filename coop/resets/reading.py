"""Rows of pieces, booths and sets as the plain values that are computed with. A piece's key is its id as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import exists, select
from sqlalchemy.orm import Session, aliased

from coop.floor.queries import as_outline
from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece
from coop.resets.models import BoothMeasure, BoothSet, PieceRow, SetPiece
from coop.resets.set_json import Put, placed_of
from coop.sales.models import LayawayAgreement, LayawayLine, Ticket, TicketLine


def piece_of(row: PieceRow, bound: str = "") -> Piece:
    """A row as a piece; `bound` is what sales say of it (`bound_by_sales`), and goes before what its dealer says."""
    return Piece(
        key=str(row.id),
        name=row.name,
        width_in16=row.width_in16,
        depth_in16=row.depth_in16,
        height_in16=row.height_in16,
        weight_oz=row.weight_oz,
        stands=row.stands,  # type: ignore[arg-type]
        grouping=row.grouping,
        theme=row.theme,
        colours=tuple(row.colours),
        carries_oz=row.carries_oz,
        top_in16=None if row.top_width_in16 is None or row.top_depth_in16 is None else (row.top_width_in16, row.top_depth_in16),
        opens_in16=row.opens_in16,
        fragile=row.fragile,
        glass=row.glass,
        leans=row.leans,
        carried=tuple(CarriedSize(**size) for size in row.carried),
        bound=bound or row.bound,
    )


def pieces_of(session: Session, rows: Sequence[PieceRow]) -> dict[int, Piece]:
    """Rows as pieces by id, with what sales say of them."""
    bound = bound_by_sales(session, rows)
    return {row.id: piece_of(row, bound.get(row.id, "")) for row in rows}


def booth_of(measure: BoothMeasure) -> Booth:
    return Booth(
        outline=as_outline(measure.outline_in16),
        sides=tuple(Side(**side) for side in measure.sides),
        posts=tuple(as_outline(post) for post in measure.posts_in16),
        outlets=as_outline(measure.outlets_in16),
        height_limit_in16=measure.height_limit_in16,
        way_in16=measure.way_in16,
        aisle_in16=measure.aisle_in16,
    )


def set_rows(session: Session, set_id: int) -> list[tuple[SetPiece, PieceRow]]:
    """What is put into a set, with its pieces, in the order it was put."""
    rows = select(SetPiece, PieceRow).join(PieceRow, PieceRow.id == SetPiece.piece_id).where(SetPiece.set_id == set_id)
    return [(put, piece) for put, piece in session.execute(rows.order_by(SetPiece.id))]


def arrangement_of(session: Session, wanted: BoothSet) -> Arrangement:
    rows = set_rows(session, wanted.id)
    pieces = pieces_of(session, [piece for _, piece in rows])
    return Arrangement(tuple(placed_of(pieces[piece.id], put_of_row(put)) for put, piece in rows))


def put_of_row(row: SetPiece) -> Put:
    return Put(row.piece_id, row.x_in16, row.y_in16, row.turn_deg, row.on_piece_id, row.up_in16, row.locked)


def bound_by_sales(session: Session, rows: Sequence[PieceRow]) -> Mapping[int, str]:
    """By id of piece: "sold" where a ticket since it was entered has its tag and nothing brought it back, or "layaway"."""
    by_tag: dict[tuple[int | None, str], list[PieceRow]] = {}
    for row in rows:
        if row.tag:
            by_tag.setdefault((row.dealer_id, row.tag), []).append(row)
    if not by_tag:
        return {}
    dealers, tags = {dealer for dealer, _ in by_tag}, {tag for _, tag in by_tag}
    found: dict[int, str] = {}
    held = (
        select(LayawayLine.dealer_id, LayawayLine.tag, LayawayAgreement.agreed_at)
        .join(LayawayAgreement, LayawayAgreement.id == LayawayLine.layaway_id)
        .where(LayawayLine.dealer_id.in_(dealers), LayawayLine.tag.in_(tags), LayawayAgreement.state == "open")
    )
    back = aliased(TicketLine)
    sold = (
        select(TicketLine.dealer_id, TicketLine.tag, Ticket.sold_at)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(
            TicketLine.dealer_id.in_(dealers),
            TicketLine.tag.in_(tags),
            Ticket.kind == "sale",
            ~exists().where(back.returns_line_id == TicketLine.id),
        )
    )
    for word, query in (("layaway", held), ("sold", sold)):
        for dealer_id, tag, at in session.execute(query):
            for row in by_tag.get((dealer_id, tag), ()):
                if at >= row.created_at:
                    found[row.id] = word
    return found

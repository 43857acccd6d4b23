"""What a dealer's pages of sets read: own sets alone, and all that one page of a set shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from coop.core.geometry import format_length
from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.portal.queries import own_dealers_query
from coop.resets import sets
from coop.resets.domain.booth import Booth
from coop.resets.domain.elevation import elevation
from coop.resets.domain.finding import Finding
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.drawing import booth_svg, numbered
from coop.resets.elevation_drawing import elevation_svg
from coop.resets.measuring import differences
from coop.resets.models import BoothMeasure, BoothSet, PieceRow, SetPiece
from coop.resets.putting import arrangement_for, mended, own_pieces
from coop.resets.reading import booth_of, piece_of, pieces_of
from coop.resets.set_json import Put

TERM_WORDS: Mapping[str, str] = {
    "left out": "pieces left out",
    "too like an earlier draft": "pieces that should stand elsewhere than in an earlier draft",
    "spread": "sections too many over which groupings are spread",
    "without a high point": "sections without a high point",
    "nooks missing": "nooks missing",
    "tall to the front": "height that stands forward, in inches times feet",
    "hidden": "inches of view from the aisle that end early",
}
"""What each tier counts; less is better."""


def own_set(session: Session, user: Visitor, set_id: int) -> BoothSet | None:
    """A set, if it is one of this user's; None alike when it is another's and when there is none."""
    return session.scalar(select(BoothSet).where(BoothSet.id == set_id, BoothSet.dealer_id.in_(own_dealers_query(user))))


def own_sets(session: Session, user: Visitor, *, space_id: int | None = None) -> Sequence[BoothSet]:
    """This user's sets, of one booth or of all: the one that stands, drafts by their first day, what stood before."""
    state = case({"stands": 0, "draft": 1}, value=BoothSet.state, else_=2)
    rows = select(BoothSet).where(BoothSet.dealer_id.in_(own_dealers_query(user)))
    if space_id is not None:
        rows = rows.where(BoothSet.space_id == space_id)
    return session.scalars(rows.order_by(state, BoothSet.starts_on, BoothSet.id)).all()


def piece_counts(session: Session, set_ids: Sequence[int]) -> Mapping[int, int]:
    """How many pieces are in each set."""
    rows = select(SetPiece.set_id, func.count()).where(SetPiece.set_id.in_(set_ids)).group_by(SetPiece.set_id)
    return {set_id: int(count) for set_id, count in session.execute(rows)}


def booths_of_sets(session: Session, rows: Sequence[BoothSet]) -> Mapping[int, Space]:
    """The space of each set, by its id."""
    spaces = session.scalars(select(Space).where(Space.id.in_({row.space_id for row in rows})))
    by_id = {space.id: space for space in spaces}
    return {row.id: by_id[row.space_id] for row in rows}


@dataclass
class SetDesk:
    """A set with what its page shows. `puts` may be other than what is saved: typed, or sent by the editor to be judged."""

    row: BoothSet
    space: Space
    mall: Mall
    dealer: Dealer
    measure: BoothMeasure
    newest: BoothMeasure
    rows: Mapping[int, PieceRow]
    """Pieces the dealer has, and those the set holds, by id."""
    pieces: Mapping[int, Piece]
    puts: Sequence[Put]
    elsewhere: Mapping[int, str] = field(default_factory=dict)
    """Pieces that stand in another booth now, with where."""

    @cached_property
    def booth(self) -> Booth:
        return booth_of(self.measure)

    @cached_property
    def arrangement(self) -> Arrangement:
        return arrangement_for(self.pieces, self.puts)

    @cached_property
    def findings(self) -> list[Finding]:
        return judge(self.booth, self.arrangement)

    @cached_property
    def numbers(self) -> Mapping[str, int]:
        return numbered(self.arrangement)

    @property
    def remeasured(self) -> list[str] | None:
        """What differs in the booth since the set was laid out on it; None where nobody measured it again."""
        return None if self.newest.id == self.measure.id else differences(self.booth, booth_of(self.newest))

    @property
    def told(self) -> list[str]:
        """Of its pieces: which stand in another booth now, are sold or held, or are not the dealer's any more."""
        said = []
        for put in self.puts:
            piece = self.pieces[put.piece_id]
            if put.piece_id in self.elsewhere:
                said.append(f"{piece.name} stands in {self.elsewhere[put.piece_id]}: it cannot stand in both.")
            if self.rows[put.piece_id].gone_on is not None:
                said.append(f"{piece.name} is not yours any more: take it out.")
            elif piece.bound:
                said.append(f"{piece.name} is {'on layaway' if piece.bound == 'layaway' else piece.bound}.")
        return said

    @property
    def tray(self) -> list[PieceRow]:
        """Pieces the dealer has that are not in the set."""
        there = {put.piece_id for put in self.puts}
        return [row for piece_id, row in self.rows.items() if piece_id not in there and row.gone_on is None]

    @property
    def carriers(self) -> list[tuple[int, str]]:
        """Pieces of the set on which others may be put: those that may carry something, or that do."""
        used = {put.on_piece_id for put in self.puts}
        found = [(put.piece_id, self.pieces[put.piece_id]) for put in self.puts]
        return [
            (one, piece.name) for one, piece in found if one in used or (piece.carries_oz is not None and piece.stands != "wall")
        ]

    def picture(self, name: str = "set", numbers: Mapping[str, int] | None = None) -> str:
        """The plan, what a finding stops drawn heavy. `name` begins the ids in it; `numbers` are its own unless given."""
        stopped = {key for one in self.findings if one.stops for key in one.pieces}
        title = f"{self.row.name}, to scale"
        return booth_svg(self.booth, self.arrangement, title=title, name=name, numbers=numbers or self.numbers, marked=stopped)

    def ground(self) -> str:
        """The booth alone, for the editor to draw pieces on."""
        return booth_svg(self.booth, title="The booth", name="ground")

    def elevations(self) -> list[tuple[str, str]]:
        """Every side that is not open with something to see, each as its name and its drawing."""
        colours = {one.key: one.piece.colours[0] for one in self.arrangement.placed if one.piece.colours}
        made = []
        for n in self.booth.sides_of("wall", "window", "neighbour"):
            seen = elevation(self.booth, self.arrangement, n)
            name = seen.name[:1].upper() + seen.name[1:]
            made.append((name, elevation_svg(seen, name=f"side-{n + 1}", numbers=self.numbers, colours=colours)))
        return made


def set_desk(session: Session, row: BoothSet, puts: Sequence[Put] | None = None, *, quick: bool = False) -> SetDesk:
    """What a page of a set reads. `quick`: without what sales and other booths say of its pieces, for the editor's checks."""
    held = sets.puts_of(session, row)
    measure = session.get_one(BoothMeasure, row.measure_id)
    rows = own_pieces(session, row.dealer_id, [put.piece_id for put in held])
    newest = measure if quick else sets.newest_measure(session, row.space_id)
    space = session.get_one(Space, row.space_id)
    pieces = plain_pieces(rows) if quick else pieces_of(session, list(rows.values()))
    return SetDesk(
        row=row,
        space=space,
        mall=session.get_one(Mall, space.mall_id),
        dealer=session.get_one(Dealer, row.dealer_id),
        measure=measure,
        newest=newest or measure,
        rows=rows,
        pieces=pieces,
        puts=mended(pieces, held) if puts is None else puts,
        elsewhere={} if quick else sets.standing_elsewhere(session, row),
    )


def plain_pieces(rows: Mapping[int, PieceRow]) -> dict[int, Piece]:
    """Pieces by id without what sales say of them."""
    return {piece_id: piece_of(row) for piece_id, row in rows.items()}


def editor_finding(found: Finding) -> dict[str, Any]:
    """A finding as the editor reads it; pieces by their ids."""
    return {
        "kind": found.kind,
        "sentence": found.sentence,
        "pieces": [int(key) for key in found.pieces],
        "at": found.at,
        "closed": found.closed,
        "stops": found.stops,
        "source": found.source,
    }


def editor_piece(piece_id: int, piece: Piece) -> dict[str, Any]:
    """A piece as the editor reads it."""
    return {
        "id": piece_id,
        "name": piece.name,
        "w": piece.width_in16,
        "d": piece.depth_in16,
        "h": piece.height_in16,
        "stands": piece.stands,
        "carries": piece.carries_oz is not None,
        "colour": piece.colours[0] if piece.colours else "",
        "said": piece_size_said(piece),
    }


def piece_size_said(piece: Piece) -> str:
    """`3' 6" wide, 1' 8" deep, 2' 10" high`, with what sales say of it."""
    sizes = ((piece.width_in16, "wide"), (piece.depth_in16, "deep"), (piece.height_in16, "high"))
    said = ", ".join(f"{format_length(size)} {word}" for size, word in sizes)
    return f"{said}, {piece.bound}" if piece.bound else said

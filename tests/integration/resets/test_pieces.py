"""Pieces written down, changed, copied, let go and brought in a file, on both databases."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.csv_text import csv_text, defused
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.dealers.models import Dealer
from coop.resets.domain.piece import CarriedSize
from coop.resets.models import PieceRow
from coop.resets.pieces import (
    PieceIn,
    PieceOutdated,
    PieceRefused,
    add_piece,
    as_written,
    change_piece,
    copy_piece,
    let_go_piece,
    own_colours,
    piece_faults,
    take_back_piece,
)
from coop.resets.pieces_csv import COLUMNS, Brought, PiecesRefused, bring_pieces
from tests.factories.people import make_coop, make_dealer
from tests.factories.resets import a_booth, make_piece

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
TODAY = date(2026, 11, 3)


def in16(inches: float) -> int:
    return round(inches * IN16_PER_INCH)


DRESSER = PieceIn(
    "Oak dresser",
    in16(42),
    in16(20),
    in16(34),
    weight_oz=110 * 16,
    kind="dresser",
    grouping="bedroom",
    theme="autumn",
    colours=("#8a5a2b", "#333333"),
    price_cents=240_00,
    tag="D01-77",
    carries_oz=60 * 16,
    top_width_in16=in16(40),
    top_depth_in16=in16(18),
    opens_in16=in16(18),
    fragile=True,
    glass=True,
    leans=True,
    needs_power=True,
    feet=6,
    carried=(CarriedSize("tilted", in16(42), in16(30), in16(38)), CarriedSize("parts off", in16(42), in16(20), in16(30))),
    place="store",
    store_until=date(2026, 12, 24),
    bound="held",
    note="from the north room",
)
"""Every field has a value."""


@pytest.fixture
def dealer(sessions: Sessions) -> Dealer:
    with transaction(sessions) as session:
        make_coop(session, NOW)
        return make_dealer(session, NOW)


def deeds(session: Session) -> list[tuple[str, str]]:
    rows = select(AuditLog).where(AuditLog.subject_kind == "piece").order_by(AuditLog.id)
    return [(line.action, line.detail) for line in session.scalars(rows)]


def test_a_piece_is_kept_as_it_is_written_with_every_field(sessions: Sessions, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        row = add_piece(session, NOW, session.merge(dealer), replace(DRESSER, name="  Oak   dresser "))
    with transaction(sessions) as session:
        kept = session.get_one(PieceRow, row.id)
        assert as_written(kept) == DRESSER
        assert kept.version == 1
        assert deeds(session) == [("piece written down", "")]


@pytest.mark.parametrize(
    ("changes", "faults"),
    [
        ({"name": " "}, {"name": "Give it a name"}),
        ({"name": "n" * 81}, {"name": "Write the name in 80 characters."}),
        ({"width_in16": 0}, {"width_in16": "Write its width, above zero: like 36"}),
        ({"height_in16": -5}, {"height_in16": "Write its height, above zero"}),
        ({"depth_in16": in16(721)}, {"depth_in16": "longer than 60 feet"}),
        ({"weight_oz": 0}, {"weight_oz": "Write a weight above zero, or leave it empty"}),
        (
            {"top_width_in16": in16(43)},
            {"top_width_in16": "The top is 3' 7\" and the piece only 3' 6\": a top is no larger than its piece."},
        ),
        ({"top_width_in16": None}, {"top_width_in16": "Write both the width and the depth of the top, or neither"}),
        ({"carries_oz": None}, {"carries_oz": "A top is given: write what it may carry"}),
        (
            {"carried": (CarriedSize("on end", in16(60), in16(20), in16(34)),)},
            # The corners are (42**2 + 20**2 + 34**2)**0.5 = 57.62 in. apart: 57 9/16 in whole sixteenths.
            {"carried.on end": "it would be 5' 0\" long, more than from its one corner to the opposite one (4' 9 9/16\")"},
        ),
        (
            {"carried": (CarriedSize("tilted", in16(42), 0, in16(34)),)},
            {"carried.tilted": "Write width, depth and height of it tilted, each above zero"},
        ),
        (
            {"carried": (CarriedSize("parts off", in16(42), in16(21), in16(34)),)},
            {"carried.parts off": "With parts off it cannot be larger than the whole piece"},
        ),
        ({"carried": (CarriedSize("tilted", 1, 1, 1),) * 2}, {"carried.tilted": "It is given tilted twice"}),
        ({"place": "home"}, {"store_until": "A day is asked only for what is in store"}),
        ({"colours": ("red",)}, {"colours": "'red' is no color: write it like #8a5a2b."}),
        ({"colours": tuple(f"#00000{n}" for n in range(7))}, {"colours": "Keep 6 colors at most"}),
        ({"feet": 41}, {"feet": "from 0 to 40"}),
        ({"opens_in16": in16(121)}, {"opens_in16": "10 feet at most"}),
        ({"stands": "ceiling"}, {"stands": "Choose one of those listed."}),
    ],
)
def test_what_is_wrong_is_told_at_its_field(changes: dict[str, Any], faults: dict[str, str]) -> None:
    assert piece_faults(DRESSER) == {}
    found = piece_faults(replace(DRESSER, **changes))
    assert set(found) == set(faults)
    for field, sentence in faults.items():
        assert sentence in found[field]


def test_a_piece_without_any_size_is_told_of_all_three() -> None:
    assert set(piece_faults(PieceIn("Box"))) == {"width_in16", "depth_in16", "height_in16"}


def test_two_pieces_of_one_name_are_refused_unless_one_was_let_go(sessions: Sessions, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        dealer = session.merge(dealer)
        first = add_piece(session, NOW, dealer, DRESSER)
        with pytest.raises(PieceRefused) as refused:
            add_piece(session, NOW, dealer, replace(DRESSER, name="oak  DRESSER"))
        assert refused.value.faults == {
            "name": "You have a piece called oak DRESSER already: give this one another name, like oak DRESSER 2."
        }
        assert let_go_piece(session, NOW, first, today=TODAY) == []
        second = add_piece(session, NOW, dealer, DRESSER)
        with pytest.raises(Refusal, match="Another piece is called Oak dresser by now: give that one another name first"):
            take_back_piece(session, NOW, first)
        change_piece(session, NOW, second, replace(DRESSER, name="Oak dresser, small"), version=second.version)
        take_back_piece(session, NOW, first)
        assert first.gone_on is None
        other = make_dealer(session, NOW, "D02")
        add_piece(session, NOW, other, DRESSER)


def test_a_change_is_kept_logged_by_its_fields_and_refused_from_an_older_version(sessions: Sessions, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        row = add_piece(session, NOW, session.merge(dealer), DRESSER)
        first = row.version
        wanted = replace(DRESSER, name="Oak chest", weight_oz=None, carried=())
        assert change_piece(session, NOW, row, wanted, version=first) == ["name", "weight", "how it is carried"]
        assert as_written(row) == wanted
        assert change_piece(session, NOW, row, wanted, version=row.version) == []
        assert deeds(session)[1:] == [("piece changed", "name, weight and how it is carried")]
    with transaction(sessions) as session:
        row = session.get_one(PieceRow, row.id)
        with pytest.raises(PieceOutdated, match="Oak chest was changed since you opened this page"):
            change_piece(session, NOW, row, DRESSER, version=first)
        assert row.name_key == "oak chest"


def test_a_copy_has_the_next_free_name_and_is_free_and_untagged(sessions: Sessions, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        row = add_piece(session, NOW, session.merge(dealer), DRESSER)
        second, third = copy_piece(session, NOW, row), copy_piece(session, NOW, row)
        assert copy_piece(session, NOW, third).name == "Oak dresser 4"
        assert (second.name, third.name) == ("Oak dresser 2", "Oak dresser 3")
        assert as_written(second) == replace(DRESSER, name="Oak dresser 2", place="home", store_until=None, tag="", bound="")


def test_letting_go_says_which_sets_hold_the_piece(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        laid = a_booth(session)
        assert let_go_piece(session, NOW, laid.pieces["Oak dresser"], today=TODAY) == ["Autumn", "Winter"]
        assert let_go_piece(session, NOW, laid.pieces["Gilt mirror"], today=TODAY) == []
        with pytest.raises(Refusal, match="Gilt mirror was let go: take it back first"):
            change_piece(session, NOW, laid.pieces["Gilt mirror"], DRESSER, version=2)


def test_the_palette_begins_with_the_colours_of_most_pieces(sessions: Sessions, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        dealer = session.merge(dealer)
        rows = [
            make_piece(session, dealer, str(n), colours=colours)
            for n, colours in enumerate([["#222222"], ["#111111", "#333333"], ["#333333"]])
        ]
        assert own_colours(rows) == ["#333333", "#111111", "#222222"]


# --- files -----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def bring(sessions: Sessions, dealer: Dealer) -> Callable[[str], Brought]:
    def bring_text(text: str) -> Brought:
        with transaction(sessions) as session:
            return bring_pieces(session, NOW, session.merge(dealer), text.encode())

    return bring_text


def own(sessions: Sessions) -> list[PieceIn]:
    with transaction(sessions) as session:
        return [as_written(row) for row in session.scalars(select(PieceRow).order_by(PieceRow.name_key))]


def test_what_goes_out_comes_in_again_the_same(sessions: Sessions, bring: Callable[[str], Brought]) -> None:
    """With a name that a spreadsheet would take for a formula."""
    pieces = [replace(DRESSER, name="=Box"), PieceIn("Chair", in16(18.5), in16(20), in16(34.0625), bound="", feet=0)]
    text = csv_text(
        [column.heading for column in COLUMNS], [[defused(column.write(piece)) for column in COLUMNS] for piece in pieces]
    )
    assert bring(text) == Brought(added=2, changed=0, same=0)
    assert own(sessions) == pieces
    assert bring(text) == Brought(added=0, changed=0, same=2)


def test_a_row_of_a_known_name_changes_only_the_columns_there_are(sessions: Sessions, bring: Callable[[str], Brought]) -> None:
    assert bring("name;width;depth;height;weight;glass\nChair;18;20;34;11 lb;x\nTable;48;30;30;;\n") == Brought(2, 0, 0)
    assert bring("Name;Weight\nCHAIR;12 lb\nTable;\n") == Brought(added=0, changed=1, same=1)
    chair, table = own(sessions)
    assert (chair.name, chair.weight_oz, chair.glass, chair.width_in16) == ("CHAIR", 192, True, in16(18))
    assert table.weight_oz is None


def test_of_a_file_with_faults_nothing_is_taken_and_every_fault_has_row_column_and_mend(
    sessions: Sessions, bring: Callable[[str], Brought]
) -> None:
    with pytest.raises(PiecesRefused) as refused:
        bring(
            "name,width,depth,height,weight,tilted,bound,glass\n"
            "Chair,18,20,34,11 lb,,,\n"
            "Chair,18,20,34,eleven,,,\n"
            "\n"
            "Table,wide,30,30,,30 x 18,lost,maybe\n"
            "Shelf,,,,,,,,more\n"
        )
    assert str(refused.value) == "Nothing of the file was taken. 11 things are wrong in it: mend the file, and bring it again."
    told = {(fault.row, fault.column): fault.sentence for fault in refused.value.faults}
    assert set(told) == {
        (2, "Name"),
        (3, "Name"),
        (3, "Weight"),
        (5, "Width"),
        (5, "Tilted"),
        (5, "Bound"),
        (5, "Glass"),
        (6, "Row"),
        (6, "Width"),
        (6, "Depth"),
        (6, "Height"),
    }
    assert told[2, "Name"] == "Chair is in the file 2 times: no two pieces have one name."
    assert told[3, "Weight"] == "'eleven' is not a weight; write it like 45 lb, 12 lb 8 oz or 20 kg."
    assert told[5, "Tilted"] == "'30 x 18' is no size; write width x depth x height, like 30 x 18 x 60."
    assert told[5, "Bound"] == "'lost' is none of: free, sold, held, on layaway."
    assert own(sessions) == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "has no column name"),
        ("name,width\n", "a heading and no row"),
        ("width,depth\n1,2\n", "has no column name"),
        ("name,girth\nBox,2\n", "'girth' that is not known"),
        ("name,width,Width\nBox,2,2\n", "has the column width twice"),
        ('name,note\nBox,"open\n', "a quote that is not closed"),
        ("name\n" + "\n".join(f"Box {n}" for n in range(1001)), "at most 1,000"),
    ],
)
def test_what_is_no_list_of_pieces_is_told(bring: Callable[[str], Brought], text: str, told: str) -> None:
    with pytest.raises(Refusal, match=told):
        bring(text)

"""Floor asked for on both databases: kept as it was written, changed against its version, withdrawn, refused at each field."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.overflow.asking import (
    Asked,
    AskRefused,
    PieceAsked,
    RequestOutdated,
    ask_again,
    ask_floor,
    change_request,
    leased_until,
    withdraw,
)
from coop.overflow.models import OverflowPiece, OverflowRequest, Stay, WalkMark
from coop.overflow.placing import place_piece, place_request, place_sold
from coop.overflow.queries import found_on
from coop.overflow.reading import pieces_of
from coop.overflow.staying import cancel_stay, end_stay, move_stay, stand_again
from coop.overflow.walking import begin_walk, mark
from tests.factories.aisles import MONDAY, TODAY, Aisles, piece
from tests.factories.leases import make_lease
from tests.factories.overflow_floor import lay_rules
from tests.factories.people import make_mall

HUTCH = piece()


def test_a_request_is_kept_as_it_was_written_and_said_in_the_log(session: Session, now: datetime, aisles: Aisles) -> None:
    bench = piece("  Pine   bench ", 36, 14, 18, colour=" #8A5A2B ", grouping="Porch", price_cents=85_00, may_turn=True)
    row, pieces = aisles.ask(session, now, HUTCH, bench, flexible_weeks=2, together=True, bay_code="A1-1", note=" By  the door ")
    assert (row.state, row.asked_on, row.not_before, row.weeks, row.flexible_weeks) == ("waiting", TODAY, MONDAY, 4, 2)
    assert (row.together, row.bay_code, row.note, row.version) == (True, "A1-1", "By the door", 1)
    assert [(one.name, one.width_in16, one.colour, one.price_cents) for one in pieces] == [
        ("Oak hutch", 640, "", None),
        ("Pine bench", 576, "#8a5a2b", 85_00),
    ]
    assert aisles.logged(session, "overflow request") == ["floor asked for: D01 at MAIN, 2 pieces"]
    twice, _ = aisles.ask(session, now, HUTCH, HUTCH)
    assert len(pieces_of(session, [twice])[twice.id]) == 2


ASKED = Asked(MONDAY, 4, pieces=(HUTCH,))


def only(one: PieceAsked, **more: Any) -> Asked:
    return replace(ASKED, pieces=(one,), **more)


REFUSED: list[tuple[Asked, str, str]] = [
    (replace(ASKED, not_before=date(2026, 11, 2)), "not_before", "It begins on Nov 2, 2026, which is past"),
    (replace(ASKED, not_before=date(2028, 1, 1)), "not_before", "write a day of the next twelve months"),
    (replace(ASKED, weeks=0), "weeks", "Floor is asked for 0 weeks: write 1 to 12."),
    (replace(ASKED, weeks=13), "weeks", "Floor is asked for 13 weeks: write 1 to 12."),
    (replace(ASKED, flexible_weeks=27), "flexible_weeks", "It may begin 27 weeks later: write 0 to 26."),
    (replace(ASKED, note="x" * 401), "note", "The note has 401 characters: 400 are the most."),
    (replace(ASKED, pieces=()), "pieces", "No piece is written down: name what is to stand there, with its sizes."),
    (replace(ASKED, pieces=(HUTCH,) * 21), "pieces", "21 pieces are in one request: 20 are the most."),
    (replace(ASKED, pieces=(HUTCH,) * 5, together=True), "together", "has 4 pieces in the aisles at a time: 5 cannot stand"),
    (replace(ASKED, pieces=(HUTCH, piece(""))), "pieces.1.name", "Piece 2: give it a name, like Oak hutch."),
    (only(piece("x" * 81)), "pieces.0.name", "write the name in 80 characters."),
    (only(piece(width=0)), "pieces.0.width_in16", "Piece 1, Oak hutch: write its width, above zero, like 36 or 3' 0\"."),
    (only(piece(height=241)), "pieces.0.height_in16", "a height of 20' 1\" is more than 20 feet: a plain number is inches"),
    (only(piece(weight_oz=0)), "pieces.0.weight_oz", "write a weight above zero, or leave it empty until it is weighed."),
    (only(piece(price_cents=-1)), "pieces.0.price_cents", "write a price from $0 to $1,000,000"),
    (only(piece(colour="brown")), "pieces.0.colour", "'brown' is no color: write it like #8a5a2b, or leave it empty."),
    (
        replace(ASKED, bay_code="Z9"),
        "bay_code",
        "No bay Z9 is lent at Lantern Yard Antiques Hall: leave it empty, or name one such",
    ),
    (
        only(piece(depth=31)),
        "pieces.0.depth_in16",
        "Piece 1, Oak hutch is 2' 7\" deep; the deepest bay is 2' 6\" deep; ask the manager",
    ),
    (
        only(piece(height=85)),
        "pieces.0.height_in16",
        "is 7' 1\" high, and nothing higher than 7' 0\" stands in an aisle; ask the manager",
    ),
    (only(piece(width=96)), "pieces.0.width_in16", "takes 8' 1\" along a bay with the gap beside it, and a dealer has 8' 0\""),
    (only(piece(depth=20), bay_code="A1-2"), "bay_code", "Bay A1-2: Piece 1, Oak hutch is 1' 8\" deep and the bay 1' 6\"."),
    (
        replace(ASKED, pieces=(HUTCH,) * 3, together=True),
        "together",
        "Side by side these pieces take 10' 3\", and a dealer has 8'",
    ),
]


def test_what_cannot_be_asked_is_refused_at_its_field(session: Session, now: datetime, aisles: Aisles) -> None:
    for asked, field, said in REFUSED:
        with pytest.raises(AskRefused) as refused, session.begin_nested():
            ask_floor(session, now, aisles.dealer(session), aisles.mall(session), asked, by=aisles.by)
        assert list(refused.value.faults) == [field], (asked, refused.value.faults)
        assert said in str(refused.value)
    assert session.scalars(select(OverflowRequest)).all() == []
    two = replace(ASKED, weeks=0, pieces=(piece(depth=0), piece(width=0)))
    with pytest.raises(AskRefused) as refused:
        ask_floor(session, now, aisles.dealer(session), aisles.mall(session), two, by=aisles.by)
    assert list(refused.value.faults) == ["weeks", "pieces.0.depth_in16", "pieces.1.width_in16"]
    every = replace(
        ASKED, not_before=date(2026, 11, 2), bay_code="Z9", together=True, pieces=(piece(depth=31), piece(""), piece(width=98))
    )
    with pytest.raises(AskRefused) as refused:
        ask_floor(session, now, aisles.dealer(session), aisles.mall(session), every, by=aisles.by)
    assert sorted(refused.value.faults) == [
        "bay_code",
        "not_before",
        "pieces.0.depth_in16",
        "pieces.1.name",
        "pieces.2.width_in16",
    ], "all at once; of the three together nothing is known until each can be"


def test_together_needs_a_bay_with_room_for_all(session: Session, now: datetime) -> None:
    """Of 120 in., the longest bay, 90, 29 and two gaps of 1 are one too many; 90 and 28 just fit."""
    aisles = Aisles(session, now, most_in16=None)
    with pytest.raises(AskRefused, match="No bay has room for all these pieces side by side"):
        aisles.ask(session, now, piece(width=90), piece(width=29), together=True)
    aisles.ask(session, now, piece(width=90), piece(width=28), together=True)
    aisles.ask(session, now, piece(width=90), piece(width=29))


def test_floor_is_lent_to_who_rents_there_then(session: Session, now: datetime, aisles: Aisles) -> None:
    mall, amos, ruth = aisles.mall(session), aisles.dealer(session, "D02"), aisles.dealer(session, "D03")
    with pytest.raises(AskRefused, match="D03 has no lease at Lantern Yard Antiques Hall on Nov 9, 2026"):
        ask_floor(session, now, ruth, mall, ASKED, by=aisles.by)
    late = replace(ASKED, not_before=date(2027, 1, 5))
    with pytest.raises(AskRefused, match=r"The lease of D02 at .* ends on Jan 31, 2027, before Feb 1, 2027: ask for fewer weeks"):
        ask_floor(session, now, amos, mall, late, by=aisles.by)
    ask_floor(session, now, amos, mall, replace(late, not_before=date(2027, 1, 4)), by=aisles.by)
    make_lease(session, now, mall, amos, starts_on=date(2027, 2, 1), ends_on=date(2027, 3, 31))
    assert leased_until(session, amos.id, mall.id, TODAY) == date(2027, 3, 31)
    assert leased_until(session, amos.id, mall.id, date(2027, 4, 1)) is None
    assert leased_until(session, aisles.dealer(session).id, mall.id, TODAY) == date.max
    ask_floor(session, now, amos, mall, late, by=aisles.by)
    session.get_one(Member, amos.member_id).left_on = date(2026, 11, 1)
    with pytest.raises(AskRefused, match="D02 has left the co-op, on Nov 1, 2026"):
        ask_floor(session, now, amos, mall, ASKED, by=aisles.by)


def test_without_bays_a_request_waits_whatever_its_size(session: Session, now: datetime, aisles: Aisles) -> None:
    for code in ("A1-1", "A1-2", "A2-1"):
        aisles.bay(session, code).is_lent = False
    session.flush()
    row, _ = aisles.ask(session, now, piece(depth=60))
    assert row.state == "waiting"
    with pytest.raises(AskRefused, match="No bay A1-1 is lent at Lantern Yard Antiques Hall: leave it empty"):
        aisles.ask(session, now, bay_code="A1-1")


def test_rules_of_the_day_it_begins_hold(session: Session, now: datetime, aisles: Aisles) -> None:
    lay_rules(session, aisles.mall(session), MONDAY, longest_weeks=3)
    with pytest.raises(AskRefused, match="Floor is asked for 4 weeks: write 1 to 3"):
        aisles.ask(session, now)
    ask_floor(session, now, aisles.dealer(session), aisles.mall(session), replace(ASKED, not_before=TODAY), by=aisles.by)


def test_a_request_is_changed_against_its_version(session: Session, now: datetime, aisles: Aisles) -> None:
    row, before = aisles.ask(session, now, HUTCH, piece("Pine bench"), piece("Tin box"))
    later = now + timedelta(days=2)
    change_request(session, later, row, only(piece("Oak hutch", 38, id=before[0].id)), version=1, by=aisles.by)
    after = pieces_of(session, [row])[row.id]
    assert [(one.id, one.name, one.width_in16) for one in after] == [(before[0].id, "Oak hutch", 608)]
    assert (row.version, row.asked_on) == (2, TODAY)
    with pytest.raises(RequestOutdated, match="This request was changed since you opened it, and nothing of yours was kept"):
        change_request(session, later, row, ASKED, version=1, by=aisles.by)
    change_request(session, later, row, replace(ASKED, pieces=(HUTCH, HUTCH)), version=2, by=aisles.by)
    assert len(pieces_of(session, [row])[row.id]) == 2
    with pytest.raises(AskRefused, match="Floor is asked for 0 weeks"):
        change_request(session, later, row, replace(ASKED, weeks=0), version=3, by=aisles.by)


def test_the_day_a_waiting_request_has_may_be_past_while_it_is_not_changed(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """It waits since before that day, and still may begin with any draft; another day that is past is refused."""
    row, (hutch,) = aisles.ask(session, now)
    later = now + timedelta(days=20)
    asked = only(piece("Oak hutch", 38, id=hutch.id))
    change_request(session, later, row, asked, version=1, by=aisles.ida)
    assert (row.not_before, hutch.width_in16) == (MONDAY, 608)
    with pytest.raises(AskRefused, match="It begins on Nov 10, 2026, which is past") as refused:
        change_request(session, later, row, replace(asked, not_before=MONDAY + timedelta(days=1)), version=2, by=aisles.ida)
    assert list(refused.value.faults) == ["not_before"]
    theirs, _ = aisles.ask(session, now, piece("Clock"), code="D02")
    with pytest.raises(AskRefused, match=r"The lease of D02 at .* ends on Jan 31, 2027, before Feb 8, 2027"):
        change_request(session, now + timedelta(days=70), theirs, ASKED, version=1, by=aisles.by)


def test_what_was_given_is_not_changed_but_what_was_taken_back_before_it_began_is(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    row, (hutch, bench) = aisles.ask(session, now, HUTCH, piece("Pine bench"))
    stay = place_piece(session, now, aisles.mall(session), bench, aisles.place(session), by=aisles.by)
    assert row.state == "partly"
    with pytest.raises(Refusal, match="This request was granted in part: withdraw what waits of it, and ask anew"):
        change_request(session, now, row, ASKED, version=row.version, by=aisles.by)
    cancel_stay(session, now, stay, by=aisles.by)
    assert row.state == "waiting"
    change_request(session, now, row, only(piece(id=hutch.id)), version=row.version, by=aisles.by)
    assert [one.id for one in pieces_of(session, [row])[row.id]] == [hutch.id]
    assert row.state == "waiting"


def test_each_piece_keeps_its_id_and_its_floor_whatever_is_left_out(session: Session, now: datetime, aisles: Aisles) -> None:
    """A chest of 60 in. and a stool of 15: the chest's floor is given back and the chest left out. It is never the stool's."""
    row, (chest, stool) = aisles.ask(session, now, piece("Blanket chest", 60), piece("Stool", 15))
    stay = place_piece(session, now, aisles.mall(session), chest, aisles.place(session), by=aisles.by)
    cancel_stay(session, now, stay, by=aisles.ida)
    change_request(session, now, row, only(piece("Stool", 15, id=stool.id)), version=row.version, by=aisles.ida)
    assert [(one.id, one.name) for one in pieces_of(session, [row])[row.id]] == [(stool.id, "Stool")]
    stand_again(session, now, stay, by=aisles.ida)
    kept = session.get_one(OverflowPiece, stay.piece_id)
    assert (kept.name, kept.width_in16, stay.to_in16 - stay.from_in16) == ("Blanket chest", 60 * 16, 60 * 16)
    assert row.state == "waiting", "its stool has no floor"
    change_request(
        session,
        now,
        row,
        replace(ASKED, pieces=(piece("Bench"), piece("Stool", 16, id=stool.id))),
        version=row.version,
        by=aisles.by,
    )
    found = {one.name: one for one in pieces_of(session, [row])[row.id]}
    assert found["Stool"].id == stool.id
    assert found["Stool"].width_in16 == 16 * 16
    assert found.keys() == {"Stool", "Bench"}


def test_a_piece_left_out_keeps_how_a_walk_found_it(session: Session, now: datetime, aisles: Aisles) -> None:
    """Looked for on its first day and not there, then given back: what dealers are told of the walk stays true."""
    monday = datetime(2026, 11, 9, 15, tzinfo=UTC)
    row, (chest, stool) = aisles.ask(session, now, piece("Blanket chest"), piece("Stool", 15))
    stay = place_piece(session, now, aisles.mall(session), chest, aisles.place(session), by=aisles.by)
    walk = begin_walk(session, monday, aisles.mall(session), by=aisles.by)
    mark(session, monday, walk, stay, "not there", by=aisles.by)
    cancel_stay(session, monday, stay, by=aisles.ida)
    change_request(session, monday, row, only(piece("Stool", 15, id=stool.id)), version=row.version, by=aisles.ida)
    session.flush()
    assert [one.stay_id for one in session.scalars(select(WalkMark))] == [stay.id]
    assert [one.standing.piece.name for one in found_on(session, walk)] == ["Blanket chest"]


def test_an_id_that_is_not_of_the_request_is_refused(session: Session, now: datetime, aisles: Aisles) -> None:
    row, (hutch,) = aisles.ask(session, now)
    _, (theirs,) = aisles.ask(session, now, piece("Pine bench"), code="D02")
    said = r"Piece \d, Oak hutch: this row is of no piece of this request, or of one that another row has"
    for pieces in ((piece(id=theirs.id),), (piece(id=hutch.id), piece(id=hutch.id)), (piece(id=-1),)):
        with pytest.raises(AskRefused, match=said) as refused, session.begin_nested():
            change_request(session, now, row, replace(ASKED, pieces=pieces), version=1, by=aisles.ida)
        assert list(refused.value.faults) == [f"pieces.{len(pieces) - 1}"]
    with pytest.raises(AskRefused, match=said), session.begin_nested():
        aisles.ask(session, now, piece(id=hutch.id))
    assert session.get_one(OverflowPiece, theirs.id).name == "Pine bench"
    assert [one.id for one in pieces_of(session, [row])[row.id]] == [hutch.id]


def test_no_piece_that_has_floor_is_changed_whatever_its_request_says(session: Session, now: datetime, aisles: Aisles) -> None:
    row, (hutch,) = aisles.ask(session, now)
    place_piece(session, now, aisles.mall(session), hutch, aisles.place(session), by=aisles.by)
    row.state = "waiting"
    session.flush()
    with pytest.raises(Refusal, match="withdraw what waits of it, and ask anew"):
        change_request(session, now, row, only(piece(width=20, id=hutch.id)), version=row.version, by=aisles.by)
    assert hutch.width_in16 == 40 * 16


def test_two_presses_of_one_form_at_once_are_one_request(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        aisles = Aisles(session, now)
    together, made = threading.Barrier(2), []

    def press() -> None:
        with transaction(sessions) as session:
            mall, dealer = aisles.mall(session), aisles.dealer(session)
            if session.get_bind().dialect.name == "postgresql":
                # Both have begun before either holds the mall; SQLite lets only one begin.
                together.wait(timeout=30)
            made.append(ask_floor(session, now, dealer, mall, ASKED, by=aisles.by, key="a" * 32).id)

    threads = [threading.Thread(target=press) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert len(made) == 2
    assert len(set(made)) == 1
    with transaction(sessions) as session:
        assert len(session.scalars(select(OverflowPiece)).all()) == 1


def test_a_sold_piece_of_one_form_has_one_stay_even_once_it_was_moved(session: Session, now: datetime, aisles: Aisles) -> None:
    def put() -> Stay:
        mall, dealer = aisles.mall(session), aisles.dealer(session)
        return place_sold(session, now, mall, dealer, HUTCH, aisles.bay(session), by=aisles.by, key="b" * 32)

    stay = put()
    assert put() is stay
    moved = move_stay(session, now + timedelta(days=1), stay, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    assert moved is not stay
    assert put() is moved
    assert len(session.scalars(select(OverflowPiece)).all()) == 1


def test_a_form_sent_already_is_of_no_other_sold_piece_bay_or_dealer(session: Session, now: datetime, aisles: Aisles) -> None:
    def put(one: PieceAsked = HUTCH, bay: str = "A1-1", code: str = "D01") -> Stay:
        mall, dealer = aisles.mall(session), aisles.dealer(session, code)
        return place_sold(session, now, mall, dealer, one, aisles.bay(session, bay), by=aisles.by, key="b" * 32)

    stay = put()
    said = "This form was sent already: Oak hutch is written down; open a new one for another piece."
    others: list[dict[str, Any]] = [
        {"one": replace(HUTCH, name="Oak chair")},
        {"one": replace(HUTCH, width_in16=16)},
        {"bay": "A2-1"},
        {"code": "D02"},
    ]
    for other in others:
        with pytest.raises(Refusal, match=said):
            put(**other)
    assert put(replace(HUTCH, name=" Oak   hutch ")) is stay
    end_stay(session, now, stay, on=TODAY, by=aisles.by)
    with pytest.raises(Refusal, match=said):
        put()
    assert len(session.scalars(select(Stay)).all()) == 1


def test_a_form_sent_already_asks_for_nothing_else(session: Session, now: datetime, aisles: Aisles) -> None:
    def ask(asked: Asked = ASKED, code: str = "D01", mall: Mall | None = None) -> OverflowRequest:
        dealer = aisles.dealer(session, code)
        return ask_floor(session, now, dealer, mall or aisles.mall(session), asked, by=aisles.by, key="a" * 32)

    row = ask()
    assert ask(replace(ASKED, note="  ")) is row
    others: list[dict[str, Any]] = [
        {"asked": replace(ASKED, weeks=3)},
        {"asked": only(piece("Oak chair"))},
        {"asked": replace(ASKED, pieces=(*ASKED.pieces, piece("Oak chair")))},
        {"code": "D02"},
        {"mall": make_mall(session, now, "EAST")},
    ]
    for other in others:
        with pytest.raises(AskRefused) as caught:
            ask(**other)
        assert caught.value.faults == {
            "pieces": "This form was sent already, and its request is written down: open a new one to ask anew."
        }
    withdraw(session, now, row, by=aisles.by)
    with pytest.raises(AskRefused, match="This form was sent already"):
        ask()
    assert len(session.scalars(select(OverflowRequest)).all()) == 1


def test_floor_is_given_to_a_request_as_it_was_looked_at(session: Session, now: datetime, aisles: Aisles) -> None:
    row, (hutch,) = aisles.ask(session, now)
    seen = row.version
    change_request(session, now, row, only(piece(width=30, id=hutch.id)), version=seen, by=aisles.ida)
    places = [(hutch, aisles.place(session))]
    with pytest.raises(RequestOutdated, match="since you opened it, and no floor was given: look at it as it is now"):
        place_request(session, now, row, places, by=aisles.by, version=seen)
    assert place_request(session, now, row, places, by=aisles.by, version=row.version).answer == "granted"


def test_a_withdrawal_is_undone_to_where_it_was(session: Session, now: datetime, aisles: Aisles) -> None:
    row, (hutch, bench) = aisles.ask(session, now, HUTCH, piece("Pine bench"))
    withdraw(session, now, row, by=aisles.by)
    withdraw(session, now, row, by=aisles.by)
    with pytest.raises(Refusal, match="This request is withdrawn: ask for it again first"):
        change_request(session, now, row, ASKED, version=row.version, by=aisles.by)
    ask_again(session, now, row, by=aisles.by)
    assert row.state == "waiting"
    place_piece(session, now, aisles.mall(session), bench, aisles.place(session), by=aisles.by)
    withdraw(session, now, row, by=aisles.by)
    assert row.state == "withdrawn"
    ask_again(session, now, row, by=aisles.by)
    assert row.state == "partly"
    place_piece(session, now, aisles.mall(session), hutch, aisles.place(session, at=50), by=aisles.by)
    assert row.state == "granted"
    with pytest.raises(Refusal, match="All of this request was granted, and nothing of it waits: give back its floor instead"):
        withdraw(session, now, row, by=aisles.by)
    assert aisles.logged(session, "overflow request")[1:] == [
        "request for floor withdrawn: ",
        "request for floor taken up again: ",
        "request for floor withdrawn: ",
        "request for floor taken up again: ",
    ]


def test_who_rents_there_no_more_does_not_ask_again(session: Session, now: datetime, aisles: Aisles) -> None:
    row, _ = aisles.ask(session, now, code="D02")
    withdraw(session, now, row, by=aisles.by)
    session.get_one(Member, aisles.dealer(session, "D02").member_id).left_on = TODAY
    with pytest.raises(Refusal, match="D02 has left the co-op"):
        ask_again(session, now, row, by=aisles.by)

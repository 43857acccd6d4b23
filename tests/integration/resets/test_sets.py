"""Sets of a booth on both databases: made, copied, dated by the lease, changed by two, made to stand, dropped, brought back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.resets import sets
from coop.resets.comparing import compare_sets
from coop.resets.domain.booth import rectangle_booth
from coop.resets.models import BoothSet, PieceRow, SetPiece
from coop.resets.putting import PutRefused, mended, own_pieces, put_faults, put_in, save_arrangement
from coop.resets.reading import arrangement_of, booth_of, piece_of
from coop.resets.reset_models import Reset
from coop.resets.set_json import Put, kept_value, puts_value, read_kept, read_sent
from coop.resets.sets import SetOutdated, Terms, puts_of
from tests.factories.leases import make_lease, make_space
from tests.factories.people import make_dealer
from tests.factories.resets import BoothLaid, a_booth, in16, make_piece, measure_booth

SPRING = Terms("Spring", date(2027, 3, 1), date(2027, 5, 31), "green", "Bring the ladder.")


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[tuple[Session, BoothLaid]]:
    with transaction(sessions) as session:
        yield session, a_booth(session, now)


def ids(session: Session, row: BoothSet) -> set[int]:
    return set(session.scalars(select(SetPiece.piece_id).where(SetPiece.set_id == row.id)))


# --- made and dated -----------------------------------------------------------------------------------------------------------


def test_a_set_is_made_on_the_newest_measuring(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    newer = measure_booth(session, booth.space)
    made = sets.make_set(session, now, booth.dealer.id, booth.space, replace(SPRING, name="  Spring   green "))
    assert (made.name, made.state, made.measure_id, made.theme) == ("Spring green", "draft", newer.id, "green")
    assert session.scalars(select(AuditLog.action).where(AuditLog.subject_kind == "booth set")).all() == ["set made"]


@pytest.mark.parametrize(
    ("terms", "sentence"),
    [
        (replace(SPRING, name=" "), "The name of a set must be 1 to 60 characters"),
        (replace(SPRING, name="x" * 61), "The name of a set must be 1 to 60 characters"),
        (replace(SPRING, name="WINTER"), "Booth 12 has a set called WINTER already"),
        (replace(SPRING, theme="x" * 41), "The theme of Spring is longer than 40 characters"),
        (replace(SPRING, ends_on=date(2027, 2, 1)), "The set ends on Feb 1, 2027, before it begins on Mar 1, 2027"),
        (
            replace(SPRING, starts_on=date(2019, 12, 31)),
            "The set begins on Dec 31, 2019, but your lease of Booth 12 begins on Jan 1, 2020: let the set begin then or later.",
        ),
    ],
)
def test_what_a_set_cannot_be_called_or_dated(
    laid: tuple[Session, BoothLaid], now: datetime, terms: Terms, sentence: str
) -> None:
    session, booth = laid
    with pytest.raises(Refusal, match=sentence.replace("(", r"\(")):
        sets.make_set(session, now, booth.dealer.id, booth.space, terms)


def test_dates_go_by_the_lease_and_may_overlap(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    sets.make_set(session, now, booth.dealer.id, booth.space, SPRING)
    sets.make_set(session, now, booth.dealer.id, booth.space, replace(SPRING, name="Spring, bolder"))
    other = make_space(session, now, booth.mall, "14")
    measure_booth(session, other)
    with pytest.raises(Refusal, match="You have no lease of Booth 14"):
        sets.make_set(session, now, booth.dealer.id, other, SPRING)
    lease = make_lease(session, now, booth.mall, booth.dealer, [other], starts_on=date(2026, 12, 1))
    lease.ends_on = date(2027, 1, 31)
    session.flush()
    with pytest.raises(Refusal, match="your lease of Booth 14 ends on Jan 31, 2027: let the set begin by then"):
        sets.make_set(session, now, booth.dealer.id, other, SPRING)
    sets.make_set(session, now, booth.dealer.id, other, replace(SPRING, starts_on=date(2027, 1, 31)))


def test_a_booth_nobody_measured_has_no_sets(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    other = make_space(session, now, booth.mall, "14")
    with pytest.raises(Refusal, match="Booth 14 is not measured yet: measure it first"):
        sets.make_set(session, now, booth.dealer.id, other, SPRING)


def test_two_who_share_a_booth_have_their_own_sets(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    amos = make_dealer(session, now, "D02")
    with pytest.raises(Refusal, match="You have no lease"):
        sets.make_set(session, now, amos.id, booth.space, replace(SPRING, name="Winter"))


# --- copied -------------------------------------------------------------------------------------------------------------------


def test_a_copy_leaves_what_is_gone_and_takes_down_what_stood_on_it(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    dresser, lamp = booth.pieces["Oak dresser"], booth.pieces["Brass lamp"]
    dresser.gone_on = now.date()
    session.flush()
    copied = sets.copy_set(session, now, booth.stands, SPRING)
    assert copied.left_out == ("Oak dresser (you have it no more)",)
    assert copied.made.copied_from_id == booth.stands.id
    assert ids(session, copied.made) == ids(session, booth.stands) - {dresser.id}
    assert next(put for put in puts_of(session, copied.made) if put.piece_id == lamp.id).on_piece_id is None
    assert len(puts_of(session, booth.stands)) == 5


def test_last_years_set_is_the_one_that_stood_a_year_before(laid: tuple[Session, BoothLaid]) -> None:
    session, booth = laid
    own = (booth.dealer.id, booth.space.id)
    booth.stands.ends_on = date(2026, 11, 30)
    booth.draft.ends_on = date(2027, 2, 28)
    session.flush()
    assert sets.last_years(session, *own, date(2027, 10, 1)) == booth.stands
    assert sets.last_years(session, *own, date(2027, 12, 24)) == booth.draft
    assert sets.last_years(session, *own, date(2028, 6, 1)) is None


# --- changed ------------------------------------------------------------------------------------------------------------------


def test_whoever_saves_second_is_told_who_was_first(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    draft = booth.draft
    opened = draft.version
    mine = [replace(put, x_in16=put.x_in16 + 16) for put in puts_of(session, draft)]
    assert save_arrangement(session, now, draft, mine, version=opened) == "5 moved"
    assert draft.version == opened + 1
    with pytest.raises(SetOutdated, match=r"Winter was changed on Nov 3, 2026 at 09:00 after you opened it"):
        save_arrangement(session, now, draft, mine[:1], version=opened)
    with pytest.raises(SetOutdated):
        sets.change_set(session, now, draft, SPRING, version=opened)
    assert puts_of(session, draft) == mine
    assert save_arrangement(session, now, draft, mine, version=opened + 1) == ""
    assert draft.version == opened + 1


def test_a_saving_says_what_came_went_and_moved(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    puts = puts_of(session, booth.draft)
    mirror = booth.pieces["Gilt mirror"].id
    after = [*puts[2:], Put(mirror, in16(60), 16, 0, None, in16(48)), replace(puts[1], turn_deg=15, locked=True)]
    gone = puts[0].piece_id
    after = [replace(put, on_piece_id=None) if put.on_piece_id == gone else put for put in after]
    said = save_arrangement(session, now, booth.draft, after, version=booth.draft.version)
    assert said == "1 put in, 2 moved, 1 taken out"
    assert sorted(puts_of(session, booth.draft), key=lambda put: put.piece_id) == sorted(after, key=lambda put: put.piece_id)


def test_what_no_set_can_hold_is_refused_by_the_piece(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    amos = make_dealer(session, now, "D02")
    theirs = make_piece(session, amos, "Their desk").id
    id_of = {name: piece.id for name, piece in booth.pieces.items()}

    def refused(*puts: Put) -> list[str]:
        with pytest.raises(PutRefused) as caught:
            save_arrangement(session, now, booth.draft, puts, version=booth.draft.version)
        return [sentence for _, sentence in caught.value.faults]

    table, chair, mirror = id_of["Pine table"], id_of["Cane chair"], id_of["Gilt mirror"]
    assert refused(Put(theirs, 0, 0)) == [f"Piece {theirs} is none of yours: take it out of the set."]
    assert refused(Put(table, 0, 0), Put(table, 9, 9)) == ["Pine table is put twice: leave one."]
    assert refused(Put(chair, 0, 0, on_piece_id=table)) == [
        "Cane chair stands on a piece that is not in the set: put it on the floor first."
    ]
    assert refused(Put(chair, 0, 0, on_piece_id=chair)) == [
        "Cane chair cannot stand on itself: put it on the floor or on another piece."
    ]
    assert refused(Put(chair, 0, 0, up_in16=5)) == ["Cane chair hangs on no wall: leave its height above the floor empty."]
    assert refused(Put(table, 0, 0), Put(mirror, 0, 0, on_piece_id=table)) == [
        "Gilt mirror hangs on a wall: take it down from what it is put on."
    ]
    assert refused(Put(chair, 0, 0, on_piece_id=table), Put(table, 0, 0, on_piece_id=chair)) == [
        "Cane chair and Pine table stand on each other in a circle: put Cane chair on the floor."
    ]
    assert len(puts_of(session, booth.draft)) == 5


def test_a_piece_is_put_in_where_it_is_free(laid: tuple[Session, BoothLaid]) -> None:
    """Nothing overlaps what is there already, and what hangs hangs at a wall with its back to it."""
    session, booth = laid
    pieces = {piece_id: piece_of(row) for piece_id, row in own_pieces(session, booth.dealer.id).items()}
    home, puts = booth_of(booth.measure), puts_of(session, booth.draft)
    stool = make_piece(session, booth.dealer, "Stool", (15, 15, 18))
    pieces[stool.id] = piece_of(stool)
    for row in (stool, booth.pieces["Gilt mirror"]):
        puts = put_in(row, home, puts, pieces)
    last, mirror = puts[-2], puts[-1]
    # Between the cupboard (2 to 38 in.) and the dresser (77 to 119 in.) along the back, from 39 in. on in steps of 3.
    assert (last.x_in16, last.y_in16) == (in16(39) + in16(15) // 2, in16(15) // 2)
    assert (mirror.y_in16, mirror.turn_deg, mirror.up_in16) == (16, 0, in16(48))
    assert put_in(stool, home, puts, pieces) == puts


# --- measured again -----------------------------------------------------------------------------------------------------------


def test_a_set_is_laid_over_a_newer_measuring(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    with pytest.raises(Refusal, match="Winter is laid out on the newest measuring already"):
        sets.lay_over(session, now, booth.draft, version=booth.draft.version)
    newer = measure_booth(session, booth.space, rectangle_booth(in16(118), in16(144)))
    with pytest.raises(Refusal, match="The booth was measured again since Winter was laid out"):
        sets.let_stand(session, now, booth.draft, version=booth.draft.version)
    before = puts_of(session, booth.draft)
    sets.lay_over(session, now, booth.draft, version=booth.draft.version)
    assert booth.draft.measure_id == newer.id
    assert puts_of(session, booth.draft) == before


# --- standing -----------------------------------------------------------------------------------------------------------------


def test_one_set_stands_and_pieces_are_where_it_says(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    chair = booth.pieces["Cane chair"]
    puts = [put for put in puts_of(session, booth.draft) if put.piece_id != chair.id]
    save_arrangement(session, now, booth.draft, puts, version=booth.draft.version)
    lamp = booth.pieces["Brass lamp"]
    lamp.place = "home"
    session.flush()
    sets.let_stand(session, now, booth.draft, version=booth.draft.version, anyway=True)
    assert (booth.draft.state, booth.draft.starts_on) == ("stands", date(2026, 11, 3))
    assert (booth.stands.state, booth.stands.ends_on) == ("stood", date(2026, 11, 2))
    session.expire_all()
    assert (lamp.place, chair.place) == ("booth", "home")
    with pytest.raises(Refusal, match="Autumn stood before and stays as it was"):
        save_arrangement(session, now, booth.stands, [], version=booth.stands.version)
    with pytest.raises(Refusal, match="Winter stands now: it cannot begin on Mar 1, 2027"):
        sets.change_set(session, now, booth.draft, SPRING, version=booth.draft.version)
    # And back again: the one that stood stands once more.
    sets.let_stand(session, now, booth.stands, version=booth.stands.version, anyway=True)
    assert (booth.draft.state, booth.stands.state) == ("stood", "stands")
    session.expire_all()
    assert chair.place == "booth"


def test_a_set_that_cannot_be_never_stands(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    puts = puts_of(session, booth.draft)
    cupboard = booth.pieces["Tall cupboard"].id
    dresser = next(put for put in puts if put.piece_id == booth.pieces["Oak dresser"].id)
    over = [replace(put, x_in16=dresser.x_in16, y_in16=dresser.y_in16) if put.piece_id == cupboard else put for put in puts]
    save_arrangement(session, now, booth.draft, over, version=booth.draft.version)
    with pytest.raises(Refusal, match=r"Winter cannot stand like that\. .*Tall cupboard"):
        sets.let_stand(session, now, booth.draft, version=booth.draft.version, anyway=True)
    assert booth.stands.state == "stands"


def test_other_findings_are_stood_over_only_when_said(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    """A dresser whose drawers cannot open stops a set, and yet stands in many a booth."""
    session, booth = laid
    puts = puts_of(session, booth.draft)
    table = booth.pieces["Pine table"].id
    near = [replace(put, x_in16=in16(95), y_in16=in16(45)) if put.piece_id == table else put for put in puts]
    save_arrangement(session, now, booth.draft, near, version=booth.draft.version)
    with pytest.raises(Refusal, match="or tick that it stands so all the same"):
        sets.let_stand(session, now, booth.draft, version=booth.draft.version)
    found = sets.let_stand(session, now, booth.draft, version=booth.draft.version, anyway=True)
    assert "cannot open" in {one.kind for one in found}


# --- dropped ------------------------------------------------------------------------------------------------------------------


def test_a_dropped_draft_comes_back_as_it_was(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    booth.draft.ends_on, booth.draft.note = date(2027, 2, 1), "Two lines\nof note."
    session.flush()
    before = puts_of(session, booth.draft)
    copy = sets.copy_set(session, now, booth.draft, SPRING).made
    kept = sets.drop_set(session, now, booth.draft, version=booth.draft.version)
    assert copy.copied_from_id is None
    assert session.scalar(select(func.count()).select_from(BoothSet)) == 2
    again = sets.bring_back(session, now, booth.dealer.id, booth.space, read_kept(json.dumps(kept_value(kept))))
    assert (again.name, again.ends_on, again.note) == ("Winter", date(2027, 2, 1), "Two lines\nof note.")
    assert puts_of(session, again) == before
    with pytest.raises(Refusal, match="has a set called Winter already"):
        sets.bring_back(session, now, booth.dealer.id, booth.space, kept)


def test_what_comes_back_are_ones_own_pieces_only(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    theirs = make_piece(session, make_dealer(session, now, "D02"), "Their desk").id
    kept = sets.drop_set(session, now, booth.draft, version=booth.draft.version)
    again = sets.bring_back(session, now, booth.dealer.id, booth.space, replace(kept, puts=(*kept.puts, Put(theirs, 0, 0))))
    assert theirs not in ids(session, again)


def test_what_stands_or_a_reset_goes_by_is_not_dropped(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    with pytest.raises(Refusal, match="Autumn stands: make another set stand first"):
        sets.drop_set(session, now, booth.stands, version=booth.stands.version)
    session.add(
        Reset(
            dealer_id=booth.dealer.id,
            space_id=booth.space.id,
            from_set_id=booth.stands.id,
            to_set_id=booth.draft.id,
            on_date=date(2026, 12, 1),
            begins_minute=600,
            ends_minute=900,
            created_at=now,
        )
    )
    session.flush()
    with pytest.raises(Refusal, match="A reset is planned with Winter, so it is kept"):
        sets.drop_set(session, now, booth.draft, version=booth.draft.version)


def test_pieces_that_stand_in_another_booth_are_told(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    other = make_space(session, now, booth.mall, "14")
    make_lease(session, now, booth.mall, booth.dealer, [other])
    measure_booth(session, other)
    made = sets.make_set(session, now, booth.dealer.id, other, Terms("Now", now.date() + timedelta(days=1)))
    told = sets.standing_elsewhere(session, made)
    assert told == dict.fromkeys(ids(session, booth.stands), "Booth 12, in the set Autumn")
    assert sets.standing_elsewhere(session, booth.draft) == {}


# --- the editor's JSON --------------------------------------------------------------------------------------------------------


def test_what_is_sent_is_read_back_as_it_was() -> None:
    puts = (Put(3, 10, -20), Put(4, 1, 2, 90, 3, 0, True), Put(5, 0, 0, 0, None, 640))
    assert read_sent(json.dumps({"version": 7, "pieces": puts_value(puts)})).puts == puts


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[]", "The whole is a list; it must be an object"),
        ('{"version": 1}', "pieces is missing"),
        ('{"version": 1, "pieces": [{"piece": 1, "x_in16": 1}]}', r"pieces\[0\]\.y_in16 is missing"),
        ('{"version": 1, "pieces": [{"piece": 1, "x_in16": 1.5, "y_in16": 1}]}', r"pieces\[0\]\.x_in16 is the number 1\.5"),
        ('{"version": 1, "pieces": [{"piece": 1, "x_in16": 1, "y_in16": 1, "turn_deg": 360}]}', "turn_deg is 360"),
        ('{"version": 1, "pieces": [{"piece": true, "x_in16": 1, "y_in16": 1}]}', r"pieces\[0\]\.piece is true"),
        ('{"version": 1, "pieces": [], "more": 1}', "more is not known here"),
        ('{"version": 1, "pieces": [], "version": 2}', "stands twice"),
    ],
)
def test_what_cannot_be_read_is_named(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        read_sent(text)


def test_own_pieces_are_those_there_are(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    gone: PieceRow = make_piece(session, booth.dealer, "Gone", gone_on=now.date())
    assert gone.id not in own_pieces(session, booth.dealer.id)
    assert gone.id in own_pieces(session, booth.dealer.id, [gone.id])


# --- compared -----------------------------------------------------------------------------------------------------------------


def test_two_sets_are_compared_piece_by_piece(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    mirror, chair = booth.pieces["Gilt mirror"], booth.pieces["Cane chair"]
    puts = [put for put in puts_of(session, booth.draft) if put.piece_id != chair.id]
    puts = [*puts, Put(mirror.id, in16(60), in16(1), 0, None, in16(48))]
    save_arrangement(session, now, booth.draft, puts, version=booth.draft.version)
    home = booth_of(booth.measure)
    found = compare_sets(home, arrangement_of(session, booth.stands), arrangement_of(session, booth.draft))
    assert [(one.what, one.name) for one in found] == [
        ("comes", "Gilt mirror"),
        ("goes", "Cane chair"),
        ("moves", "Brass lamp"),
        ("moves", "Oak dresser"),
        ("moves", "Tall cupboard"),
        ("stays", "Pine table"),
    ]
    comes, goes, lamp = found[:3]
    assert (comes.before, comes.after) == ("", '4\' 0" from the left, 0" from the back, 4\' 0" up')
    # Turned a quarter, its box is 20 in. wide and 18 in. deep about 20 in., 100 in.
    assert (goes.before, goes.after) == ('10" from the left, 7\' 7" from the back, turned 90°', "")
    assert lamp.before == '1\' 5" from the left, 6" from the back, on Oak dresser'


def test_a_set_opens_whose_piece_was_written_down_otherwise_since(laid: tuple[Session, BoothLaid]) -> None:
    """The lamp on the dresser hangs now; what hung stands now."""
    session, booth = laid
    booth.pieces["Brass lamp"].stands = "wall"
    session.flush()
    rows = own_pieces(session, booth.dealer.id)
    pieces = {piece_id: piece_of(row) for piece_id, row in rows.items()}
    puts = mended(pieces, [*puts_of(session, booth.draft), Put(booth.pieces["Cane chair"].id, 0, 0, up_in16=64)])
    assert put_faults(pieces, puts[:5]) == []
    assert puts[5].up_in16 == 0

"""Where people come into booths, said and refused; a bay lent, kept free, and what is noted of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.overflow.bay_editing import edit_bay, keep_bay_free, lend_bay
from coop.overflow.domain.keepouts import Opening
from coop.overflow.models import BayRow
from coop.overflow.openings import lost_openings, openings_of, set_openings
from coop.overflow.survey_asking import KIND
from tests.factories.house import add_person
from tests.factories.leases import make_space
from tests.factories.overflow_floor import lay_bay
from tests.factories.people import make_coop, make_dealer, make_mall

INCH = IN16_PER_INCH
Laid = tuple[Session, Mall, Space, By]


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[Laid]:
    """Booth 12, 10 ft by 12 ft."""
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        member = make_dealer(session, now).member_id
        yield session, mall, make_space(session, now, mall), By(add_person(session, now, "ida@example.org", ("manager",), member))


def said(session: Session, mall: Mall) -> list[tuple[int, int, int]]:
    return [(one.side, one.from_in16, one.width_in16) for one in openings_of(session, mall.id)]


def test_openings_are_said_logged_and_taken_back(laid: Laid, now: datetime) -> None:
    session, mall, booth, by = laid
    set_openings(session, now, mall, booth, [(0, 60 * INCH, 36 * INCH), (0, 0, 48 * INCH), (1, 0, 32 * INCH)], by=by)
    assert openings_of(session, mall.id) == (
        Opening("12", 0, 0, 48 * INCH),
        Opening("12", 0, 60 * INCH, 36 * INCH),
        Opening("12", 1, 0, 32 * INCH),
    )
    set_openings(session, now, mall, booth, [(0, 0, 36 * INCH)], by=by)
    assert said(session, mall) == [(0, 0, 36 * INCH)]
    set_openings(session, now, mall, booth, [], by=by)
    assert said(session, mall) == []
    lines = session.scalars(select(AuditLog).where(AuditLog.action == "openings set").order_by(AuditLog.id)).all()
    assert [(line.subject_kind, line.subject_id, line.user_id) for line in lines] == [("space", str(booth.id), by.user_id)] * 3
    assert [line.detail for line in lines[1:]] == ['MAIN 12: side 1 from 0", 3\' 0" wide', "MAIN 12: as is usual"]
    assert len(session.scalars(select(Job).where(Job.kind == KIND)).all()) == 1, "one survey sees all three"


@pytest.mark.parametrize(
    ("openings", "sentence"),
    [
        (
            [(4, 0, 36 * INCH)],
            "Booth 12 has the sides 1 to 4, and an opening is on side 5: choose another.",
        ),
        (
            [(-1, 0, 36 * INCH)],
            "Booth 12 has the sides 1 to 4, and an opening is on side 0: choose another.",
        ),
        (
            [(0, 0, 32 * INCH - 1)],
            "Booth 12, side 1: an opening of 2' 7 15/16\" is too narrow; make it 2' 8\" or wider (2010 ADA Standards 404.2.3).",
        ),
        (
            [(0, 85 * INCH, 36 * INCH)],
            "Booth 12, side 1: an opening of 3' 0\" from 7' 1\" on runs beyond its side, which is 10' 0\" long.",
        ),
        (
            [(1, -1, 36 * INCH)],
            'Booth 12, side 2: an opening of 3\' 0" from -1/16" on runs beyond its side, which is 12\' 0" long.',
        ),
        (
            [(0, 35 * INCH, 36 * INCH), (0, 0, 36 * INCH)],
            'Booth 12, side 1: the opening from 2\' 11" begins before the one from 0" ends; make them one.',
        ),
    ],
)
def test_openings_that_cannot_be_are_refused_and_nothing_is_changed(
    laid: Laid, now: datetime, openings: Sequence[tuple[int, int, int]], sentence: str
) -> None:
    session, mall, booth, by = laid
    set_openings(session, now, mall, booth, [(2, 0, 36 * INCH)], by=by)
    with pytest.raises(Refusal) as refused:
        set_openings(session, now, mall, booth, openings, by=by)
    assert str(refused.value) == sentence
    assert said(session, mall) == [(2, 0, 36 * INCH)]


def test_openings_side_by_side_and_as_long_as_the_side_are_taken(laid: Laid, now: datetime) -> None:
    session, mall, booth, by = laid
    set_openings(session, now, mall, booth, [(0, 0, 60 * INCH), (0, 60 * INCH, 60 * INCH)], by=by)
    assert len(said(session, mall)) == 2


def test_an_undrawn_space_has_no_openings(laid: Laid, now: datetime) -> None:
    session, mall, booth, by = laid
    booth.outline_in16 = None
    with pytest.raises(Refusal, match=r"^Booth 12 is not drawn on the plan of Lantern Yard Antiques Hall: draw it first\.$"):
        set_openings(session, now, mall, booth, [(0, 0, 36 * INCH)], by=by)


def test_an_opening_whose_side_has_become_too_short_is_left_out_with_a_word(laid: Laid, now: datetime) -> None:
    session, mall, booth, by = laid
    set_openings(session, now, mall, booth, [(0, 60 * INCH, 36 * INCH), (1, 0, 36 * INCH), (3, 0, 36 * INCH)], by=by)
    booth.outline_in16 = [[0, 0], [95 * INCH, 0], [0, 95 * INCH]]
    session.flush()
    assert said(session, mall) == [(1, 0, 36 * INCH)]
    assert [sentence.partition(":")[0] for sentence in lost_openings(session, mall.id)] == [
        "Space 12 has no side 1 any more that holds the opening said for it, 3' 0\" from 5' 0\"",
        'Space 12 has no side 4 any more that holds the opening said for it, 3\' 0" from 0"',
    ]


# --- bays -------------------------------------------------------------------------------------------------------------------


def test_a_bay_is_kept_free_and_lent_again(laid: Laid, now: datetime) -> None:
    session, mall, _, by = laid
    bay = lay_bay(session, mall)
    keep_bay_free(session, now, bay, by=by)
    assert not bay.is_lent
    lend_bay(session, now, bay, by=by)
    assert bay.is_lent
    assert lend_bay(session, now, bay, by=by) == []
    lines = session.scalars(select(AuditLog).where(AuditLog.subject_kind == "bay").order_by(AuditLog.id)).all()
    assert [(line.action, line.subject_id, line.detail) for line in lines] == [
        ("lending of a bay changed", "MAIN A1-1", "lent before, kept free now"),
        ("lending of a bay changed", "MAIN A1-1", "kept free before, lent now"),
    ]


def test_only_what_is_said_of_a_bay_is_changed_as_it_is_when_it_is_held(laid: Laid, now: datetime) -> None:
    """Each was read before another change of the same bay was kept: none undoes that."""
    session, mall, _, by = laid
    bay = lay_bay(session, mall)
    there = BayRow.__table__

    def meanwhile(**values: object) -> None:
        assert bay.code == "A1-1"
        session.execute(update(there).where(there.c.id == bay.id).values(**values))

    meanwhile(is_lent=False)
    edit_bay(session, now, bay, palette=["#112233"], note="By the mirror", by=by)
    assert (bay.is_lent, bay.palette, bay.note) == (False, ["#112233"], "By the mirror")
    meanwhile(note="The lamp above it is broken.", palette=["#445566"])
    lend_bay(session, now, bay, by=by)
    assert (bay.is_lent, bay.palette, bay.note) == (True, ["#445566"], "The lamp above it is broken.")
    meanwhile(note="It is mended.")
    keep_bay_free(session, now, bay, by=by)
    assert (bay.is_lent, bay.note) == (False, "It is mended.")


def test_colours_are_kept_in_small_letters_each_once(laid: Laid, now: datetime) -> None:
    session, mall, _, by = laid
    bay = lay_bay(session, mall)
    done = edit_bay(
        session, now, bay, is_lent=True, palette=["#8B5A2B", " #112233 ", "", "#8b5a2b"], note=" By  the mirror ", by=by
    )
    assert (bay.palette, bay.note) == (["#8b5a2b", "#112233"], "By the mirror")
    assert done == ["colors of a bay: none before, #8b5a2b, #112233 now", "note of a bay: none before, By the mirror now"]


@pytest.mark.parametrize(
    ("palette", "note", "sentence"),
    [
        (["#8b5a2b", "brown"], "", "'brown' is no color: write it like #8a5a2b."),
        (["#8b5a2"], "", "'#8b5a2' is no color: write it like #8a5a2b."),
        ([f"#00000{n}" for n in range(9)], "", "9 colors are written for the bay: keep 8 at most."),
        ([], "n" * 201, "The note has 201 letters: 200 is the most."),
    ],
)
def test_what_cannot_be_noted_of_a_bay_is_refused(
    laid: Laid, now: datetime, palette: Sequence[str], note: str, sentence: str
) -> None:
    session, mall, _, by = laid
    bay = lay_bay(session, mall)
    with pytest.raises(Refusal) as refused:
        edit_bay(session, now, bay, is_lent=False, palette=palette, note=note, by=by)
    assert str(refused.value) == sentence
    assert (bay.is_lent, bay.palette) == (True, [])


def test_a_bay_there_is_no_more_is_not_changed(laid: Laid, now: datetime) -> None:
    session, mall, _, by = laid
    bay = lay_bay(session, mall, ended_on=date(2026, 11, 2))
    with pytest.raises(Refusal, match=r"^Bay A1-1 is no bay since Nov 2, 2026: choose one there is\.$"):
        keep_bay_free(session, now, bay, by=by)

"""Smalls counted, changed and dropped, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.resets.models import SmallsRow
from coop.resets.smalls import (
    SmallsIn,
    SmallsRefused,
    add_smalls,
    as_counted,
    change_smalls,
    drop_smalls,
    smalls_faults,
)
from tests.factories.people import make_coop, make_dealer
from tests.factories.resets import make_piece

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
CHINA = SmallsIn("china", 40, each_cuin=96, fragile=True, note="wrap twice")


@pytest.mark.parametrize(
    ("changes", "field", "told"),
    [
        ({"grouping": "  "}, "grouping", "Say what they are"),
        ({"grouping": "g" * 41}, "grouping", "in 40 characters"),
        ({"count": -1}, "count", "how many there are, from 0 to 100,000"),
        ({"each_cuin": 0}, "each_cuin", "above zero"),
        ({"boxes": -1}, "boxes", "from 0 to 2,000"),
        ({"each_cuin": None}, "boxes", "else nobody knows how many boxes to bring"),
        ({"place": "car"}, "place", "Choose one of those listed."),
        ({"note": "n" * 201}, "note", "in 200 characters"),
    ],
)
def test_what_is_wrong_is_told_at_its_field(changes: dict[str, Any], field: str, told: str) -> None:
    assert smalls_faults(CHINA) == {}
    assert smalls_faults(replace(CHINA, count=0, each_cuin=None)) == {}
    found = smalls_faults(replace(CHINA, **changes))
    assert list(found) == [field]
    assert told in found[field]


def test_smalls_are_counted_changed_dropped_and_logged(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        make_coop(session, NOW)
        dealer, other = make_dealer(session, NOW), make_dealer(session, NOW, "D02")
        shelf, theirs = make_piece(session, dealer, "Shelf"), make_piece(session, other, "Shelf")
        row = add_smalls(session, NOW, dealer, replace(CHINA, grouping=" blue  china ", on_piece_id=shelf.id))
        assert as_counted(row) == replace(CHINA, grouping="blue china", on_piece_id=shelf.id)
        with pytest.raises(SmallsRefused, match="Blue China at this place are counted already"):
            add_smalls(session, NOW, dealer, replace(CHINA, grouping="Blue China", on_piece_id=shelf.id))
        add_smalls(session, NOW, dealer, replace(CHINA, grouping="Blue China", place="home"))
        with pytest.raises(SmallsRefused, match="Choose one of your pieces"):
            change_smalls(session, NOW, row, replace(CHINA, on_piece_id=theirs.id))
        wanted = replace(CHINA, grouping="blue china", count=38, each_cuin=None, boxes=3)
        assert change_smalls(session, NOW, row, wanted) == ["how many", "room of one", "boxes", "the piece they go on"]
        assert change_smalls(session, NOW, row, wanted) == []
        was = drop_smalls(session, NOW, row)
        assert as_counted(add_smalls(session, NOW, dealer, was)) == wanted
        deeds = session.scalars(select(AuditLog.action).where(AuditLog.subject_kind == "smalls").order_by(AuditLog.id)).all()
        assert deeds == ["smalls counted", "smalls counted", "smalls changed", "smalls dropped", "smalls counted"]
        assert len(session.scalars(select(SmallsRow)).all()) == 2

"""Words with accents are found whatever their case, on both databases alike."""

from __future__ import annotations

from datetime import datetime

import pytest
from sqlalchemy import func, null, select

from coop.core.db import Sessions
from coop.core.listing import Column, Listed, Listing, Words
from coop.dealers.models import Member

MEMBERS: Listing[str] = Listing(
    (Column("name", "Name", str, order=Member.name),), "name", (Words("find", "Name", (Member.name,)),)
)


def test_letters_beyond_a_to_z_have_both_cases(sessions: Sessions) -> None:
    with sessions() as session:
        assert session.scalar(select(func.lower("CAFÉ ÑANDÚ 12"))) == "café ñandú 12"
        assert session.scalar(select(func.upper("café ñandú 12"))) == "CAFÉ ÑANDÚ 12"
        assert session.scalar(select(func.lower(null()))) is None
        assert session.scalar(select(func.upper(null()))) is None


@pytest.mark.parametrize(("asked", "found"), [("émile", ["Émile Étang"]), ("ÉTANG", ["Émile Étang"]), ("etang", [])])
def test_a_list_finds_words_with_accents(sessions: Sessions, now: datetime, asked: str, found: list[str]) -> None:
    with sessions() as session:
        session.add_all(Member(name=name, joined_on=now.date()) for name in ("Émile Étang", "Oda Quill"))
        listed: Listed[str] = MEMBERS.read(session, select(Member.name), {"find": asked}, lambda row: row[0])
    assert listed.rows == found

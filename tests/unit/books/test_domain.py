"""Drafts that balance, and the hash that seals entries."""

from __future__ import annotations

import dataclasses
import hashlib
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.entries import GENESIS, EntryDraft, SealedEntry, UnbalancedError, netted, require_balanced, seal_hash

POSTED_AT = datetime(2026, 10, 5, 18, 0, 0, 125, tzinfo=UTC)
ENTRY = SealedEntry(
    id=7,
    business_date=date(2026, 10, 5),
    kind="sale",
    source_kind="ticket",
    source_id="desk-1/20417",
    purpose="sale",
    reverses_id=None,
    memo="Ticket 20417",
    posted_at=POSTED_AT,
    postings=(("Assets:Drawer:MAIN", 1079), ("Liabilities:Dealers:MAIN:D01", -1000), ("Liabilities:Tax:STATE", -79)),
)
NEXT = dataclasses.replace(ENTRY, id=8, source_id="desk-1/20418")


def draft(*postings: tuple[int, int]) -> EntryDraft:
    return EntryDraft(1, date(2026, 10, 5), "sale", "ticket", "1", "sale", postings)


@pytest.mark.parametrize("postings", [(), ((1, 100),), ((1, 100), (2, -99)), ((1, 100), (2, -100), (3, 0)), ((1, 0), (2, 0))])
def test_a_draft_that_does_not_balance_is_a_fault(postings: tuple[tuple[int, int], ...]) -> None:
    with pytest.raises(UnbalancedError, match="ticket 1"):
        require_balanced(draft(*postings))


@pytest.mark.parametrize("postings", [((1, 100), (2, -100)), ((1, 100), (2, -60), (3, -40)), ((1, 5), (1, -5))])
def test_a_draft_that_balances(postings: tuple[tuple[int, int], ...]) -> None:
    require_balanced(draft(*postings))


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(-100, 100))))
def test_netting_keeps_every_account_s_sum(postings: list[tuple[int, int]]) -> None:
    result = netted(postings)
    assert len({account for account, _ in result}) == len(result)
    assert all(amount for _, amount in result)
    for account in range(1, 6):
        assert dict(result).get(account, 0) == sum(amount for a, amount in postings if a == account)


def test_a_seal_is_this_hash() -> None:
    """Worked by hand, so that a seal made today can be recomputed by another program in ten years."""
    fields = [
        "7", "2026-10-05", "sale", "ticket", "desk-1/20417", "sale", "", "Ticket 20417", "2026-10-05T18:00:00.000125+00:00",
        "Assets:Drawer:MAIN", "1079", "Liabilities:Dealers:MAIN:D01", "-1000", "Liabilities:Tax:STATE", "-79",
    ]  # fmt: skip
    text = "".join(f"{len(field)}:{field}," for field in fields) + "\n"
    assert seal_hash(GENESIS, [ENTRY]) == (hashlib.sha256(GENESIS.encode() + text.encode()).hexdigest(), 1, 1079)


CHANGES = {
    "id": 9,
    "business_date": date(2026, 10, 6),
    "kind": "return",
    "source_kind": "lease",
    "source_id": "desk-1/20419",
    "purpose": "void",
    "reverses_id": 3,
    "memo": "Ticket 20418",
    "posted_at": POSTED_AT + timedelta(microseconds=1),
    "postings": (("Assets:Drawer:MAIN", 1080), ("Liabilities:Dealers:MAIN:D01", -1001), ("Liabilities:Tax:STATE", -79)),
}


def test_the_changes_are_of_every_field() -> None:
    assert set(CHANGES) == {field.name for field in dataclasses.fields(SealedEntry)}


@pytest.mark.parametrize("field", CHANGES)
def test_changing_any_field_changes_the_seal(field: str) -> None:
    changed = dataclasses.replace(ENTRY, **{field: CHANGES[field]})
    assert seal_hash(GENESIS, [changed])[0] != seal_hash(GENESIS, [ENTRY])[0]


@pytest.mark.parametrize(
    "postings",
    [
        ENTRY.postings[:2],
        (*ENTRY.postings, ("Assets:Bank", 0)),
        (ENTRY.postings[1], ENTRY.postings[0], ENTRY.postings[2]),
        (("Assets:Drawer:EAST", 1079), *ENTRY.postings[1:]),
    ],
    ids=["one fewer", "one more", "another order", "another account"],
)
def test_changing_the_postings_changes_the_seal(postings: tuple[tuple[str, int], ...]) -> None:
    changed = dataclasses.replace(ENTRY, postings=postings)
    assert seal_hash(GENESIS, [changed])[0] != seal_hash(GENESIS, [ENTRY])[0]


def test_the_seal_before_the_number_and_the_order_of_entries_are_sealed() -> None:
    hashes = [
        seal_hash(GENESIS, [ENTRY, NEXT])[0],
        seal_hash("1" * 64, [ENTRY, NEXT])[0],
        seal_hash(GENESIS, [NEXT, ENTRY])[0],
        seal_hash(GENESIS, [ENTRY])[0],
        seal_hash(GENESIS, [ENTRY, ENTRY])[0],
        seal_hash(GENESIS, [])[0],
    ]
    assert len(set(hashes)) == len(hashes)


@given(memo=st.text(max_size=12), source=st.text(max_size=12), other=st.text(max_size=12), another=st.text(max_size=12))
def test_text_cannot_be_moved_between_fields_unseen(memo: str, source: str, other: str, another: str) -> None:
    one = dataclasses.replace(ENTRY, source_id=source, memo=memo)
    two = dataclasses.replace(ENTRY, source_id=other, memo=another)
    assert (seal_hash(GENESIS, [one]) == seal_hash(GENESIS, [two])) == (one == two)


def test_a_moment_is_sealed_as_it_is_in_utc() -> None:
    elsewhere = dataclasses.replace(ENTRY, posted_at=POSTED_AT.astimezone(timezone(timedelta(hours=-5))))
    assert seal_hash(GENESIS, [elsewhere]) == seal_hash(GENESIS, [ENTRY])

"""Entries as values: what an event posts, and the hash that seals it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from coop.core.money import format_cents


@dataclass(frozen=True)
class EntryDraft:
    """An event to be posted. Postings are (account id, cents), debit positive; zeros are left out, equal accounts added up."""

    mall_id: int | None
    business_date: date
    kind: str
    source_kind: str
    source_id: str
    purpose: str
    postings: tuple[tuple[int, int], ...]
    memo: str = ""
    reverses_id: int | None = None


class UnbalancedError(Exception):
    """A draft that does not balance: a fault of the program, never of a person."""


def netted(postings: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Postings with equal accounts added up and zeros left out, in order of first appearance."""
    sums: dict[int, int] = {}
    for account_id, amount in postings:
        sums[account_id] = sums.get(account_id, 0) + amount
    return tuple((account_id, amount) for account_id, amount in sums.items() if amount)


def require_balanced(draft: EntryDraft) -> None:
    """Raises UnbalancedError unless the postings sum to zero and are two or more."""
    total = sum(amount for _, amount in draft.postings)
    if total or len(draft.postings) < 2 or any(amount == 0 for _, amount in draft.postings):
        raise UnbalancedError(
            f"{draft.source_kind} {draft.source_id} ({draft.purpose}): {len(draft.postings)} postings, off {format_cents(total)}"
        )


@dataclass(frozen=True)
class SealedEntry:
    """An entry as the seal sees it."""

    id: int
    business_date: date
    kind: str
    source_kind: str
    source_id: str
    purpose: str
    reverses_id: int | None
    memo: str
    posted_at: datetime
    """Aware."""
    postings: Sequence[tuple[str, int]]
    """(account path, cents) in the order posted."""


GENESIS = "0" * 64


def seal_hash(previous: str, entries: Iterable[SealedEntry]) -> tuple[str, int, int]:
    """SHA-256 over the seal before and the entries; with the count of entries and the sum of debits in cents."""
    digest = hashlib.sha256(previous.encode("ascii"))
    count = debits = 0
    for entry in entries:
        fields = [
            str(entry.id),
            entry.business_date.isoformat(),
            entry.kind,
            entry.source_kind,
            entry.source_id,
            entry.purpose,
            str(entry.reverses_id or ""),
            entry.memo,
            entry.posted_at.astimezone(UTC).isoformat(timespec="microseconds"),
        ]
        for path, amount in entry.postings:
            fields += [path, str(amount)]
            debits += max(amount, 0)
        # Lengths before texts, so that no text can be moved between fields unseen.
        digest.update("".join(f"{len(f)}:{f}," for f in fields).encode("utf-8"))
        digest.update(b"\n")
        count += 1
    return digest.hexdigest(), count, debits

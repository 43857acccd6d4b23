"""What a search is told and what it tells: when to stop, how it goes, the draft with each tier's cost and bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coop.shifts.solving.problem import Minimum, Turn


@dataclass(frozen=True)
class Stop:
    """When a search ends at the latest, and how it goes about it.

    `seconds` are of search, shared by the tiers. With one worker and a `deterministic_limit` (the solver's own count of its work,
    on most machines near a second each) and no seconds, the same problem and seed give the same draft anywhere.
    """

    seconds: int | None = None
    deterministic_limit: int | None = None
    workers: int = 2
    seed: int = 1

    def __post_init__(self) -> None:
        if self.seconds is None and self.deterministic_limit is None:
            raise ValueError("a search wants seconds or a deterministic limit to stop at")
        for what, value in (("seconds", self.seconds), ("limit", self.deterministic_limit), ("workers", self.workers)):
            if value is not None and value < 1:
                raise ValueError(f"the {what} of a search are at least 1")
        if not 0 <= self.seed < 2**31:
            raise ValueError("the seed is a number from 0 to 2147483647")

    @classmethod
    def repeatable(cls, deterministic_limit: int, *, seed: int = 1) -> Stop:
        return cls(deterministic_limit=deterministic_limit, workers=1, seed=seed)


@dataclass(frozen=True)
class Progress:
    """A better draft was found within a tier."""

    tier: str
    number: int
    of: int
    value: int
    bound: int


@dataclass(frozen=True)
class TierResult:
    """A tier's cost, and below what it cannot go given what the tiers before it reached."""

    name: str
    value: int
    bound: int
    milliseconds: int

    @property
    def proven(self) -> bool:
        return self.value == self.bound

    @property
    def gap(self) -> int:
        """By how much, at most, a better draft could be better."""
        return self.value - self.bound

    @property
    def gap_percent(self) -> int:
        """The gap in percent of the cost, rounded up: 0 only when proven."""
        return -(-100 * self.gap // self.value) if self.gap else 0


@dataclass(frozen=True)
class Conflict:
    """Locks and minima that no rota can hold together; without any one of them the others can be."""

    locks: frozenset[Turn] = frozenset()
    minima: frozenset[Minimum] = frozenset()


@dataclass(frozen=True)
class Outcome:
    """A draft. `found` is False when the time ended before any was: then there are no turns and no tiers.

    `conflicts` are the sets that were left out so that the rest could be drafted. `stopped` says that somebody stopped it.
    """

    turns: frozenset[Turn]
    tiers: tuple[TierResult, ...]
    conflicts: tuple[Conflict, ...] = ()
    found: bool = True
    stopped: bool = False

    @property
    def proven(self) -> bool:
        return self.found and all(tier.proven for tier in self.tiers)

    @property
    def objective(self) -> int:
        return sum(tier.value for tier in self.tiers)

    @property
    def bound(self) -> int:
        return sum(tier.bound for tier in self.tiers)

    @property
    def milliseconds(self) -> int:
        return sum(tier.milliseconds for tier in self.tiers)


OnProgress = Callable[[Progress], None]
Cancelled = Callable[[], bool]
"""Asked about once a second from another thread than the search's; True ends the search with the best draft so far."""

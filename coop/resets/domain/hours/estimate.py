"""How long a task may take, by three estimates, and the chance that a row of tasks is done by a time."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

PERT_CAUTION = (
    "The chance looks at one chain of tasks, each taking its time by itself. Where other chains are nearly as long, or one bad "
    "start slows everything, the true chance is smaller. The minutes are estimates until times of your own are logged."
)


@dataclass(frozen=True)
class Minutes:
    """The least, the likely and the most minutes of a task: whole, in that order.

    The mean is (least + 4 likely + most) / 6 and the variance ((most - least) / 6) squared.
    Source: Malcolm, Roseboom, Clark and Fazar 1959, Application of a Technique for Research and Development Program Evaluation.
    """

    least: int
    likely: int
    most: int

    def __post_init__(self) -> None:
        if not 0 <= self.least <= self.likely <= self.most:
            raise ValueError(
                f"{self.least}, {self.likely}, {self.most}: write the least, the likely and the most minutes, in order"
            )

    @property
    def expected(self) -> Fraction:
        return Fraction(self.least + 4 * self.likely + self.most, 6)

    @property
    def variance(self) -> Fraction:
        return Fraction((self.most - self.least) ** 2, 36)

    @property
    def planned(self) -> int:
        """The whole minutes a schedule gives it: what is expected, rounded up."""
        return math.ceil(self.expected)

    def __add__(self, other: Minutes) -> Minutes:
        return Minutes(self.least + other.least, self.likely + other.likely, self.most + other.most)

    def times(self, count: int | Fraction) -> Minutes:
        """So many in a row: each figure rounded up."""
        return Minutes(*(math.ceil(value * count) for value in (self.least, self.likely, self.most)))


@dataclass(frozen=True)
class Chain:
    """Tasks one after the other, in sum."""

    expected: Fraction
    variance: Fraction

    def chance_by(self, due_minutes: int | Fraction) -> float:
        """The chance, 0 to 1, that all of it takes no longer than this: by the normal curve, as PERT does."""
        if self.variance == 0:
            return 1.0 if self.expected <= due_minutes else 0.0
        z = float(due_minutes - self.expected) / math.sqrt(self.variance)
        return (1 + math.erf(z / math.sqrt(2))) / 2


def chain_of(minutes: Iterable[Minutes]) -> Chain:
    """Means and variances added up: the tasks are taken not to depend on each other."""
    rows = list(minutes)
    return Chain(sum((one.expected for one in rows), Fraction(0)), sum((one.variance for one in rows), Fraction(0)))


def chance_words(chance: float) -> str:
    """`about 96 in 100`; never all or nothing, which an estimate cannot know."""
    hundredths = round(chance * 100)
    if hundredths > 99:
        return "more than 99 in 100"
    return "less than 1 in 100" if hundredths < 1 else f"about {hundredths} in 100"

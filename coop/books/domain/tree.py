"""Accounts as people read them: a tree with sums, a trial balance, a balance sheet and an income statement. Pure.

A dealer who owes stands among the assets, under `Assets:Owed-by-dealers`, and never lowers what other dealers are owed.
Amounts are as their root is read: what the co-op has and spent as debits, what it owes and what came in as credits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

ORDER = ("Assets", "Liabilities", "Equity", "Income", "Expenses")
OWED, OWING = "Liabilities:Dealers", "Assets:Owed-by-dealers"
MOST_BESIDE = 12
"""More accounts than these under one part of the tree are folded into one row."""


@dataclass(frozen=True)
class AccountSum:
    """One account over a period; cents, debit positive but for the credits, which are positive too."""

    path: str
    before_cents: int
    """Its balance before the period."""
    debits_cents: int
    credits_cents: int
    dealers: bool = False
    """Whether it is what a dealer is owed, or owes."""
    before_year_cents: int = 0
    """Its balance before the year the period lies in."""

    @property
    def moved_cents(self) -> int:
        return self.debits_cents - self.credits_cents

    @property
    def after_cents(self) -> int:
        return self.before_cents + self.moved_cents

    @property
    def idle(self) -> bool:
        return not (self.before_cents or self.debits_cents or self.credits_cents)

    @property
    def shown_at(self) -> str:
        """Its place in the tree: its path, or that of what dealers owe while this one does."""
        return OWING + self.path.removeprefix(OWED) if self.dealers and self.after_cents > 0 else self.path


def as_read(path: str, amount_cents: int) -> int:
    """A debit-positive amount with the sign its root is read with."""
    return amount_cents if path.partition(":")[0] in ("Assets", "Expenses") else -amount_cents


@dataclass(frozen=True)
class TreeRow:
    """A part of the tree, or an account in it."""

    path: str
    """Its place in the tree."""
    account: str
    """The path of the account it is; empty for a part that only has others below it."""
    depth: int
    balance_cents: int
    moved_cents: int
    """Both as read, with everything below."""
    accounts: int
    """How many are below, when these are folded; else 0."""

    @property
    def name(self) -> str:
        return self.path.rpartition(":")[2]


@dataclass
class _Node:
    path: str
    account: str = ""
    balance: int = 0
    moved: int = 0
    own: tuple[int, int] = (0, 0)
    below: dict[str, _Node] = field(default_factory=dict)

    @property
    def leaves(self) -> int:
        return bool(self.account) + sum(node.leaves for node in self.below.values())


def build_tree(sums: Iterable[AccountSum], *, below: str = "") -> list[TreeRow]:
    """The rows in order, accounts at zero that did not move left out; with `below`, only that part, unfolded."""
    roots: dict[str, _Node] = {root: _Node(root) for root in ORDER}
    for one in sums:
        if one.idle:
            continue
        parts = one.shown_at.split(":")
        level, path, amounts = roots, "", (as_read(one.shown_at, one.after_cents), as_read(one.shown_at, one.moved_cents))
        for part in parts:
            path = f"{path}:{part}" if path else part
            node = level.setdefault(part, _Node(path))
            node.balance, node.moved = node.balance + amounts[0], node.moved + amounts[1]
            level = node.below
        node.account, node.own = one.path, amounts
    start: Iterable[_Node] = roots.values()
    if below:
        at: dict[str, _Node] = roots
        found: _Node | None = None
        for part in below.split(":"):
            found = at.get(part)
            if found is None:
                return []
            at = found.below
        start = [found] if found else []
    return [row for node in start for row in _rows(node, 0, unfolded=bool(below))]


def _rows(node: _Node, depth: int, *, unfolded: bool = False) -> Iterator[TreeRow]:
    if not node.account and not node.below:
        return
    children = sorted(node.below.values(), key=lambda n: n.path)
    folded = not unfolded and len(children) > MOST_BESIDE
    account = "" if children else node.account
    yield TreeRow(node.path, account, depth, node.balance, node.moved, node.leaves if folded else 0)
    if folded:
        return
    if children and node.account:
        yield TreeRow(node.path + ":itself", node.account, depth + 1, *node.own, 0)
    for child in children:
        yield from _rows(child, depth + 1)


@dataclass(frozen=True)
class Trial:
    """A trial balance: each account's balance on the side it stands, and both sums."""

    rows: Sequence[tuple[str, int, int]]
    """Path, debit, credit; accounts at zero left out."""
    debits_cents: int
    credits_cents: int


def trial_balance(sums: Iterable[AccountSum]) -> Trial:
    rows = [(one.path, max(one.after_cents, 0), max(-one.after_cents, 0)) for one in sums if one.after_cents]
    return Trial(sorted(rows), sum(row[1] for row in rows), sum(row[2] for row in rows))


@dataclass(frozen=True)
class SheetLine:
    """A line of a balance sheet or an income statement, as read."""

    label: str
    amount_cents: int
    year_cents: int = 0
    """Since the year began; of an income statement only."""


@dataclass(frozen=True)
class Sheet:
    """A month's balance sheet and income statement."""

    assets: Sequence[SheetLine]
    liabilities: Sequence[SheetLine]
    equity: Sequence[SheetLine]
    """With what earned income and expenses left, of this year and of those before."""
    income: Sequence[SheetLine]
    expenses: Sequence[SheetLine]

    @property
    def result(self) -> SheetLine:
        return SheetLine(
            "Result",
            sum(line.amount_cents for line in self.income) - sum(line.amount_cents for line in self.expenses),
            sum(line.year_cents for line in self.income) - sum(line.year_cents for line in self.expenses),
        )

    @property
    def difference_cents(self) -> int:
        """Assets less liabilities and equity: zero, or the books are broken."""
        return total(self.assets) - total(self.liabilities) - total(self.equity)


def total(lines: Iterable[SheetLine]) -> int:
    return sum(line.amount_cents for line in lines)


def build_sheet(sums: Sequence[AccountSum]) -> Sheet:
    """Both, by the second part of each path: `Assets:Drawer:MAIN` and `Assets:Drawer:EAST` are the line Drawer."""
    standing: dict[str, dict[str, int]] = {root: {} for root in ORDER}
    flows: dict[str, dict[str, tuple[int, int]]] = {"Income": {}, "Expenses": {}}
    earlier = this_year = 0
    for one in sums:
        root, second = one.shown_at.split(":")[:2]
        label = second.replace("-", " ")
        if root in flows:
            month, year = flows[root].get(label, (0, 0))
            since = one.after_cents - one.before_year_cents
            flows[root][label] = (month + as_read(root, one.moved_cents), year + as_read(root, since))
            earlier, this_year = earlier - one.before_year_cents, this_year - since
        else:
            standing[root][label] = standing[root].get(label, 0) + as_read(root, one.after_cents)
    equity = [line for line in _lines(standing["Equity"]) if line.amount_cents]
    equity += [
        SheetLine(label, cents)
        for label, cents in (("Result of years before", earlier), ("Result of this year so far", this_year))
        if cents
    ]
    return Sheet(
        assets=_lines(standing["Assets"]),
        liabilities=_lines(standing["Liabilities"]),
        equity=equity,
        income=[SheetLine(label, *cents) for label, cents in sorted(flows["Income"].items()) if any(cents)],
        expenses=[SheetLine(label, *cents) for label, cents in sorted(flows["Expenses"].items()) if any(cents)],
    )


def _lines(amounts: dict[str, int]) -> list[SheetLine]:
    return [SheetLine(label, cents) for label, cents in sorted(amounts.items()) if cents]

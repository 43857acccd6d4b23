"""No page asks more of the database or sends more than its budget, and no budget is idle."""

from __future__ import annotations

from tests.integration.web.budgets import BUDGETS, see_pages
from tests.integration.web.conftest import Web

IDLE_QUERIES, IDLE_KB = 6, 12
"""How far a budget may stand above what its page takes: what a further mall, dealer or note on it may need."""


def test_every_page_keeps_to_its_budget_and_every_budget_is_a_pages(web: Web) -> None:
    seen = {one.endpoint: one for one in see_pages(web.app, web.house)}
    assert set(seen) == set(BUDGETS)
    past, idle = [], []
    for endpoint, one in seen.items():
        budget, size_kb = BUDGETS[endpoint], -(-one.size_bytes // 1000)
        said = (
            f'"{endpoint}": {one.path} asks {one.queries} of {budget.queries} queries and sends {size_kb} of {budget.size_kb} kB'
        )
        if one.queries > budget.queries or size_kb > budget.size_kb:
            past.append(said)
        elif budget.queries - one.queries > IDLE_QUERIES or budget.size_kb - size_kb > IDLE_KB:
            idle.append(said)
    assert not past, "\n".join(past)
    assert not idle, "\n".join(idle)

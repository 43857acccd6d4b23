"""Bays of malls of 60 and 300 booths worked out, as drawn and turned; what must move when the required width is raised."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from coop.floor.domain.plan import Plan
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.clear import Standing, must_move, spoiled
from coop.overflow.domain.lent import BayRules
from tests.benchmarks.floor import mall_plan
from tests.unit.floor.domain.drawing import turned


def bench_bays(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table: `row(what, figure, note)`. Aisles are 60 in. wide, 36 in. required."""
    many = 60 if smoke else 300
    plan = mall_plan(many, aisle=60 * 16)
    raised = replace(plan, required_clear_in16=44 * 16)
    bays = work_out(plan).bays
    standing = [Standing(bay.code, bay.code, bay.stretch(0, 30 * 16, 14 * 16), n) for n, bay in enumerate(bays)]
    pieces = {piece.key: piece.outline for piece in standing}

    def survey(drawn: Plan) -> str:
        return f"{len(work_out(drawn).bays)} bays"

    for what, body in (
        ("bays of 60 booths", lambda: survey(mall_plan(60, aisle=60 * 16))),
        (f"bays of {many} booths", lambda: survey(plan)),
        ("the same, turned by 30 degrees", lambda: survey(turned(plan, 30))),
        ("whether a piece in every bay leaves all clear", lambda: f"{len(spoiled(plan, pieces, bays))} findings"),
        (
            "what must move at 44 in.",
            lambda: f"{len(must_move(raised, (), BayRules(), standing, work_out(raised, kept=bays).bays))} of {len(standing)}",
        ),
    ):
        begun = time.perf_counter()
        said = body()
        row(what, f"{time.perf_counter() - begun:.2f} s", said)

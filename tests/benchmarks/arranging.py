"""Booths arranged: published packings, fifteen pieces in ten by twelve feet, a small booth to its proof."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

from coop.resets.domain.arranging import Arranged, Wishes
from coop.resets.domain.booth import Booth, rectangle_booth
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Piece
from coop.resets.solving.arrange import arrange
from coop.resets.solving.packing import pack, smallest_rectangle

INCH, FOOT = 16, 192
N1 = Path(__file__).parents[1] / "reference" / "packing-bkw1.json"
AREAS = {6: 99, 7: 154, 8: 210, 9: 300, 10: 405}
"""Of the smallest rectangles that hold the squares of sides 1 to n: OEIS A038666."""


def floor_piece(name: str, width: int, depth: int, height: int, grouping: str, opens: int = 0) -> Piece:
    return Piece(name, name, width * INCH, depth * INCH, height * INCH, grouping=grouping, opens_in16=opens * INCH)


FIFTEEN = [
    floor_piece("hutch", 42, 18, 76, "oak", 16),
    floor_piece("wardrobe", 38, 20, 72, "oak", 18),
    floor_piece("kitchen table", 40, 28, 30, "kitchen"),
    floor_piece("bookcase", 30, 11, 70, "farm"),
    floor_piece("chest of drawers", 36, 18, 34, "bedroom", 14),
    floor_piece("left chair", 17, 18, 34, "kitchen"),
    floor_piece("right chair", 17, 18, 34, "kitchen"),
    floor_piece("washstand", 20, 16, 30, "bedroom"),
    floor_piece("glass case", 36, 20, 38, "glass", 18),
    floor_piece("shelf", 28, 12, 64, "glass"),
    floor_piece("trunk", 30, 17, 20, "bedroom"),
    floor_piece("ladder", 18, 8, 68, "farm"),
    floor_piece("crates", 20, 14, 14, "farm"),
    floor_piece("pie safe", 26, 14, 60, "kitchen", 12),
    floor_piece("rocker", 24, 28, 38, "farm"),
]


def told(booth: Booth, arranged: Arranged) -> str:
    """Each tier with its gap, and what the booth's own check stops it for, which is nothing."""
    wrong = [one.sentence for one in judge(booth, arranged.arrangement) if one.stops]
    terms = [f"{term.name} {term.value:,} {'proven' if term.proven else f'gap {term.gap:,}'}" for term in arranged.terms]
    return "; ".join(terms) + (f"; WRONG: {' '.join(wrong)}" if wrong else "")


def bench_arranging(row: Callable[[str, str, str], None], *, smoke: bool = False) -> None:
    """Rows of the table. Fails where a published figure is not met."""
    for n, area in AREAS.items():
        begun = time.perf_counter()
        (width, depth), _ = smallest_rectangle([(side, side) for side in range(1, n + 1)])
        row(f"squares 1 to {n} in the smallest rectangle", f"{time.perf_counter() - begun:.2f} s", f"{width} by {depth}, proven")
        if width * depth != area:
            raise SystemExit(f"Squares 1 to {n} take {width * depth}, published {area}.")
    read = json.loads(N1.read_text(encoding="utf-8"))
    sizes = [(item["Length"], item["Height"]) for item in read["Items"] for _ in range(item["Demand"])]
    begun = time.perf_counter()
    found = pack(sizes, (40, 40), turn=True).corners is not None
    row("the published list N1 in 40 by 40", f"{time.perf_counter() - begun:.2f} s", "filled" if found else "NOT FILLED")
    booth = rectangle_booth(10 * FOOT, 12 * FOOT)
    for seed, seconds in [(1, 1)] if smoke else [(1, 5), (2, 5), (3, 5), (1, 30)]:
        begun = time.perf_counter()
        arranged = arrange(booth, FIFTEEN, seed=seed, seconds=seconds)
        row(f"15 pieces in 10 by 12 ft, {seconds} s, seed {seed}", f"{time.perf_counter() - begun:.1f} s", told(booth, arranged))
    small, wishes = rectangle_booth(5 * FOOT, 4 * FOOT, way_in16=24 * INCH), Wishes(grid_in16=6 * INCH, section_in16=30 * INCH)
    begun = time.perf_counter()
    arranged = arrange(small, [FIFTEEN[n] for n in (5, 11, 12)], wishes, seconds=2 if smoke else 60)
    row("3 pieces in 5 by 4 ft, to the proof", f"{time.perf_counter() - begun:.1f} s", told(small, arranged))

"""Rectangles packed: published areas and a published full packing, and whole small cases against every packing there is."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.resets.solving.packing import Packed, pack, smallest_rectangle

REFERENCE = Path(__file__).parents[2] / "reference"


def lies_well(packed: Packed, sizes: list[tuple[int, int]], container: tuple[int, int]) -> bool:
    """Unit square by unit square: each rectangle of its size, none over another, none outside."""
    assert packed.corners is not None
    covered: set[tuple[int, int]] = set()
    for (x, y, w, d), size in zip(packed.corners, sizes, strict=True):
        squares = {(x + i, y + j) for i in range(w) for j in range(d)}
        if sorted((w, d)) != sorted(size) or squares & covered or x < 0 or y < 0 or x + w > container[0] or y + d > container[1]:
            return False
        covered |= squares
    return True


# Least area of a rectangle that holds the squares of sides 1 to n: OEIS A038666.
@pytest.mark.parametrize(
    ("n", "area"), [(1, 1), (2, 6), (3, 15), (4, 35), (5, 60), (6, 99), (7, 154), (8, 210), (9, 300), (10, 405)]
)
def test_squares_in_the_smallest_rectangle(n, area):
    squares = [(side, side) for side in range(1, n + 1)]
    container, packed = smallest_rectangle(squares)
    assert container[0] * container[1] == area
    assert lies_well(packed, squares, container)


def published() -> tuple[list[tuple[int, int]], tuple[int, int]]:
    """Burke, Kendall and Whitwell (2004), A new placement heuristic for the orthogonal stock-cutting problem: N1."""
    read = json.loads((REFERENCE / "packing-bkw1.json").read_text(encoding="utf-8"))
    sizes = [(item["Length"], item["Height"]) for item in read["Items"] for _ in range(item["Demand"])]
    return sizes, (read["Objects"][0]["Length"], read["Objects"][0]["Height"])


@pytest.mark.parametrize("turn", [False, True])
def test_the_published_list_fills_its_square(turn):
    sizes, container = published()
    assert len(sizes) == 10
    assert sum(w * d for w, d in sizes) == container[0] * container[1] == 1600
    assert lies_well(pack(sizes, container, turn=turn), sizes, container)


def test_the_published_list_fits_nothing_smaller():
    sizes, (width, depth) = published()
    assert pack(sizes, (width - 1, depth), turn=True) == Packed(None)
    assert pack(sizes, (width // 2, depth * 2), turn=True) == Packed(None)  # as large, and the 24 x 24 is wider


def fits_somehow(sizes: list[tuple[int, int]], container: tuple[int, int], turn: bool) -> bool:
    """Every place of every rectangle in turn."""
    if not sizes:
        return True

    def put(n: int, covered: frozenset[tuple[int, int]]) -> bool:
        if n == len(sizes):
            return True
        w, d = sizes[n]
        for ww, dd in {(w, d), (d, w)} if turn else {(w, d)}:
            for x, y in product(range(container[0] - ww + 1), range(container[1] - dd + 1)):
                squares = frozenset((x + i, y + j) for i in range(ww) for j in range(dd))
                if not squares & covered and put(n + 1, covered | squares):
                    return True
        return False

    return put(0, frozenset())


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 3), st.integers(1, 3)), max_size=4),
    st.tuples(st.integers(2, 5), st.integers(2, 4)),
    st.booleans(),
)
def test_it_says_of_small_cases_what_trying_every_place_says(sizes, container, turn):
    packed = pack(sizes, container, turn=turn)
    assert packed.proven
    assert (packed.corners is not None) == fits_somehow(sizes, container, turn)
    if packed.corners is not None:
        assert lies_well(packed, sizes, container)


def test_a_side_of_nothing_is_refused():
    with pytest.raises(ValueError, match="1 or more"):
        pack([(3, 0)], (4, 4))

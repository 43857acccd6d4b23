"""Van loads against exhaustive search on small ones, a bound of the literature, and the worst case of first-fit decreasing."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.resets.domain.load_rows import Van
from coop.resets.domain.load_trips import lower_bound
from coop.resets.domain.loads import Loads, box_columns, loads
from coop.resets.domain.piece import CarriedSize, Piece

IN, LB = 16, 16
VAN = Van("the van", 60 * IN, 100 * IN, 70 * IN, 1000 * LB)


def piece(key: str, width: int, depth: int, height: int = 30, pounds: int | None = 50, **more: object) -> Piece:
    weight = None if pounds is None else pounds * LB
    return Piece(key, key.capitalize(), width * IN, depth * IN, height * IN, weight, **more)  # type: ignore[arg-type]


def keys(made: Loads) -> list[tuple[str, ...]]:
    return [trip.keys for trip in made.trips]


# --- An independent search: every way to part the pieces into trips and rows, and every way to stand, counted through.


def row_lengths_fit(pieces: list[Piece], van: Van) -> bool:
    """Whether some giving out of the pieces to rows, each turned or not, fits the floor and the payload."""
    if van.payload_oz is not None and sum(one.weight_oz or 0 for one in pieces) > van.payload_oz:
        return False
    n = len(pieces)
    for rows in product(range(n), repeat=n):
        for turned in product((False, True), repeat=n):
            wide, long = [0] * n, [0] * n
            for one, row, turn in zip(pieces, rows, turned, strict=True):
                across, along = one.width_in16 + IN, one.depth_in16 + IN
                if turn:
                    across, along = along, across
                wide[row] += across
                long[row] = max(long[row], along)
            if max(wide) <= van.width_in16 and sum(long) <= van.length_in16:
                return True
    return False


def in_sequence_fit(pieces: list[Piece], van: Van) -> bool:
    """The same with rows of pieces in their order only."""
    if van.payload_oz is not None and sum(one.weight_oz or 0 for one in pieces) > van.payload_oz:
        return False
    for breaks in product((False, True), repeat=len(pieces) - 1):
        for turned in product((False, True), repeat=len(pieces)):
            wide, longs, ok = 0, [0], True
            for one, cut, turn in zip(pieces, (False, *breaks), turned, strict=True):
                across, along = one.width_in16 + IN, one.depth_in16 + IN
                across, along = (along, across) if turn else (across, along)
                if cut:
                    wide = 0
                    longs.append(0)
                wide += across
                ok = ok and wide <= van.width_in16
                longs[-1] = max(longs[-1], along)
            if ok and sum(longs) <= van.length_in16:
                return True
    return False


def fewest_in_order(pieces: list[Piece], van: Van) -> int:
    fewest = len(pieces)
    for breaks in product((False, True), repeat=len(pieces) - 1):
        groups: list[list[Piece]] = [[pieces[0]]]
        for one, cut in zip(pieces[1:], breaks, strict=True):
            if cut:
                groups.append([])
            groups[-1].append(one)
        if len(groups) < fewest and all(in_sequence_fit(group, van) for group in groups):
            fewest = len(groups)
    return fewest


def fewest_of_all(pieces: list[Piece], van: Van) -> int:
    fewest = len(pieces)
    for trips in product(range(len(pieces)), repeat=len(pieces)):
        groups = [[one for one, trip in zip(pieces, trips, strict=True) if trip == n] for n in set(trips)]
        if len(groups) < fewest and all(row_lengths_fit(group, van) for group in groups):
            fewest = len(groups)
    return fewest


SMALL_VAN = Van("the van", 40 * IN, 50 * IN, 70 * IN, 150 * LB)
SIZES = st.tuples(st.sampled_from([9, 14, 19, 24, 39]), st.sampled_from([9, 14, 19, 29]), st.sampled_from([10, 40, 70, 100]))


def made_of(sizes: list[tuple[int, int, int]]) -> list[Piece]:
    return [piece(f"p{n}", width, depth, pounds=weight) for n, (width, depth, weight) in enumerate(sizes)]


@settings(max_examples=60, deadline=None)
@given(st.lists(SIZES, min_size=1, max_size=5))
def test_in_order_no_fewer_trips_do_it(sizes):
    pieces = made_of(sizes)
    made = loads(pieces, SMALL_VAN)
    assert len(made.trips) == fewest_in_order(pieces, SMALL_VAN)
    assert [key for trip in keys(made) for key in trip] == [one.key for one in pieces]
    assert made.proven
    assert made.waits == ()


@settings(max_examples=60, deadline=None)
@given(st.lists(SIZES, min_size=1, max_size=4))
def test_waiting_no_fewer_trips_do_it(sizes):
    pieces = made_of(sizes)
    made = loads(pieces, SMALL_VAN, may_wait=True)
    assert len(made.trips) == fewest_of_all(pieces, SMALL_VAN)
    assert made.proven
    assert made.least <= len(made.trips) <= len(loads(pieces, SMALL_VAN).trips)


@settings(max_examples=80, deadline=None)
@given(st.lists(SIZES, min_size=1, max_size=24), st.booleans(), st.sampled_from(["out", "in"]))
def test_what_is_loaded_stands_clear_within_the_van(sizes, may_wait, direction):
    pieces = made_of(sizes)
    made = loads(pieces, SMALL_VAN, direction=direction, may_wait=may_wait)
    by_key = {one.key: one for one in pieces}
    firsts = [min(int(key[1:]) for key in trip) for trip in keys(made)]
    assert firsts == sorted(firsts)
    assert sorted(key for trip in keys(made) for key in trip) == sorted(by_key)
    for trip in made.trips:
        assert trip.weight_oz == sum(by_key[key].weight_oz or 0 for key in trip.keys) <= 150 * LB
        for n, spot in enumerate(trip.spots):
            one = by_key[spot.key]
            assert sorted((spot.width_in16, spot.length_in16)) == sorted((one.width_in16 + IN, one.depth_in16 + IN))
            assert spot.x_in16 >= 0
            assert spot.y_in16 >= 0
            assert spot.x_in16 + spot.width_in16 <= SMALL_VAN.width_in16
            assert spot.y_in16 + spot.length_in16 <= trip.used_in16 <= SMALL_VAN.length_in16
            for other in trip.spots[n + 1 :]:
                beside = spot.x_in16 + spot.width_in16 <= other.x_in16 or other.x_in16 + other.width_in16 <= spot.x_in16
                assert beside or spot.y_in16 + spot.length_in16 <= other.y_in16  # what is loaded later is never before it


def test_the_first_out_is_the_first_in_and_the_first_to_come_in_stands_by_the_doors():
    pieces = [piece(name, 50, 30) for name in "abcd"]
    assert keys(loads(pieces, VAN)) == [("a", "b", "c"), ("d",)]
    assert keys(loads(pieces, VAN, direction="in")) == [("c", "b", "a"), ("d",)]
    assert [spot.y_in16 for spot in loads(pieces, VAN).trips[0].spots] == [0, 31 * IN, 62 * IN]


def test_what_waits_saves_a_trip():
    # Two of 60 long fill a van each with 39 to spare; the short ones fit beside nothing in this order.
    pieces = [piece("a", 59, 59), piece("b", 59, 59), piece("c", 59, 39), piece("d", 59, 39)]
    assert keys(loads(pieces, VAN)) == [("a",), ("b", "c"), ("d",)]
    made = loads(pieces, VAN, may_wait=True)
    assert len(made.trips) == 2
    assert made.waits == ("b",)
    assert made.sentence == "2 trips of the van for 4 pieces, the fewest. B waits while another trip goes: 24.17 sq ft of floor."
    assert loads(pieces, VAN).sentence == "3 trips of the van for 4 pieces, the fewest in this order."


def test_on_the_way_in_what_comes_before_its_turn_waits():
    pieces = [piece("a", 59, 59), piece("b", 59, 59), piece("c", 59, 39), piece("d", 59, 39)]
    made = loads(pieces, VAN, direction="in", may_wait=True)
    first, second = (set(trip) for trip in keys(made))
    assert "a" in first
    later = (first & {"c", "d"}).pop()
    assert made.waits == (later,)
    assert second == {"b", "c", "d"} - {later}
    assert keys(made)[0] == (later, "a")  # a is needed first and stands by the doors


def test_many_pieces_that_go_in_their_order_stay_within_the_van():
    # Twelve that fill 60 x 36 in their order, 40 and 20 wide by turns; with the wide ones first they would not.
    pieces = [piece(f"p{n}", 39 if n % 2 else 19, 5) for n in range(12)]
    (trip,) = loads(pieces, Van("the van", 60 * IN, 36 * IN, 70 * IN), may_wait=True).trips
    assert trip.used_in16 == 36 * IN


def test_payload():
    pieces = [piece(name, 10, 10, pounds=400) for name in "abc"]
    assert keys(loads(pieces, VAN)) == [("a", "b"), ("c",)]


def test_glass_stands_on_edge_and_padded():
    # 2 deep and 40 high; laid flat would be "tilted". Its pad is 4 in.
    pane = piece("pane", 30, 2, 40, 20, glass=True, carried=(CarriedSize("tilted", 30 * IN, 40 * IN, 2 * IN),))
    (trip,) = loads([pane], VAN).trips
    (spot,) = trip.spots
    assert spot.how == "upright"
    assert {spot.width_in16, spot.length_in16} == {34 * IN, 6 * IN}
    assert "Pane: glass, on edge, padded on both sides and strapped, never laid flat." in trip.notes
    assert loads([pane], Van("the car", 60 * IN, 100 * IN, 30 * IN)).left[0].key == "pane"


def test_a_tall_piece_rides_as_it_may_be_carried():
    tall = piece("clock", 20, 12, 80, carried=(CarriedSize("tilted", 20 * IN, 80 * IN, 12 * IN),))
    (trip,) = loads([tall], VAN).trips
    assert trip.spots[0].how == "tilted"


def test_a_piece_that_fits_no_way_is_to_come_apart():
    (left,) = loads([piece("arbor", 80, 75, 90)], VAN).left
    assert left.sentence.endswith("Take parts off it and give the size it has then, or take a larger van.")


def test_what_no_trip_can_take_is_named_with_its_mend():
    made = loads([piece("wardrobe", 40, 30, 71), piece("safe", 20, 20, 30, 1001), piece("stool", 10, 10)], VAN)
    assert [left.key for left in made.left] == ["wardrobe", "safe"]
    assert made.left[0].sentence == (
        "Wardrobe (3' 4\" x 2' 6\" x 5' 11\") does not fit in the van (5' 0\" x 8' 4\" x 5' 10\") padded, in any way it may be "
        "carried. It would fit laid back: say that it may be carried so, if it may, or take a larger van."
    )
    assert made.left[1].sentence.startswith("Safe is 1001 lb and the van carries 1000 lb.")
    assert keys(made) == [("stool",)]
    assert made.sentence == "1 trip of the van for 1 piece."


def test_weights_missing_are_said():
    made = loads([piece("chest", 30, 20, pounds=None), piece("stool", 10, 10)], VAN)
    assert made.trips[0].notes == ("Weigh Chest: the load of the van was judged without it.",)
    free = Van("the van", 60 * IN, 100 * IN, 70 * IN)
    assert loads([piece("stool", 10, 10)], free).trips[0].notes == ("Look up what the van may carry: 50 lb were not judged.",)


def test_weight_far_back_is_said_and_waiting_puts_it_forward():
    light, heavy = piece("crate", 59, 59, pounds=10), piece("stove", 59, 39, pounds=300)
    assert "load Stove further forward" in loads([light, heavy], VAN).trips[0].notes[0]
    made = loads([light, heavy], VAN, may_wait=True)
    assert keys(made) == [("stove", "crate")]
    assert made.trips[0].notes == ()


def test_nothing():
    made = loads([], VAN)
    assert (made.trips, made.least, made.sentence) == ((), 0, "Nothing goes in the van.")


def test_refused():
    with pytest.raises(ValueError):
        loads([], Van("the van", 0, 1, 1))
    with pytest.raises(ValueError):
        loads([piece("a", 1, 1), piece("a", 2, 2)], VAN)
    with pytest.raises(ValueError):
        lower_bound([101], 100)
    with pytest.raises(ValueError):
        box_columns(1, (IN, IN, 71 * IN), VAN)


def test_bound_of_martello_and_toth():
    # Source: Martello and Toth, Knapsack Problems (1990), chapter 8 (from memory): the sum alone says 3, L2 says 4.
    sizes = [70, 60, 50, 33, 33, 33, 11, 7, 3]
    assert -(-sum(sizes) // 100) == 3
    assert lower_bound(sizes, 100) == 4


def test_bound_where_first_fit_decreasing_is_at_its_worst():
    # Source: Johnson, Demers, Ullman, Garey, Graham (1974), worst-case performance bounds, their 11/9 example (from memory), in
    # hundredths of a bin: 6 of 51, 6 of 27, 6 of 26, 12 of 23. Nine bins hold them (51 + 26 + 23, and 27 + 27 + 23 + 23);
    # first-fit decreasing takes eleven.
    sizes = [51] * 6 + [27] * 6 + [26] * 6 + [23] * 12
    assert sum(sizes) == 900
    bins: list[int] = []
    for size in sizes:
        fits = [n for n, full in enumerate(bins) if full + size <= 100]
        if fits:
            bins[fits[0]] += size
        else:
            bins.append(size)
    assert len(bins) == 11
    assert lower_bound(sizes, 100) == 9
    # The same as pounds in a van with floor enough.
    wide = Van("the van", 1000 * IN, 1000 * IN, 70 * IN, 100 * LB)
    made = loads([piece(f"p{n}", 5, 5, pounds=size) for n, size in enumerate(sizes)], wide, may_wait=True)
    assert (made.least, len(made.trips), made.proven) == (9, 9, True)


def by_search(sizes: list[int], capacity: int) -> int:
    """Fewest bins, by giving each size to every bin in turn."""
    best = len(sizes)

    def put(n: int, bins: list[int]) -> None:
        nonlocal best
        if len(bins) >= best and n < len(sizes):
            return
        if n == len(sizes):
            best = min(best, len(bins))
            return
        for k, full in enumerate(bins):
            if full + sizes[n] <= capacity:
                put(n + 1, [*bins[:k], full + sizes[n], *bins[k + 1 :]])
        put(n + 1, [*bins, sizes[n]])

    put(0, [])
    return best


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(1, 100), max_size=8))
def test_the_bound_is_never_above_what_is_possible(sizes):
    bound = lower_bound(sizes, 100)
    assert -(-sum(sizes) // 100) <= bound <= by_search(sizes, 100)


def test_boxes_stand_in_columns():
    columns = box_columns(6, (16 * IN, 12 * IN, 12 * IN), VAN, weight_each_oz=30 * LB)
    assert [(one.name, one.height_in16 // IN, one.weight_oz) for one in columns] == [
        ("Boxes 1 to 4", 48, 120 * LB),
        ("Boxes 5 to 6", 24, 60 * LB),
    ]
    low = Van("the van", 60 * IN, 100 * IN, 30 * IN)
    assert [one.name for one in box_columns(3, (16 * IN, 12 * IN, 12 * IN), low)] == ["Boxes 1 to 2", "Box 3"]
    assert box_columns(0, (IN, IN, IN), VAN) == ()

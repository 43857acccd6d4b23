"""Overlaps, tops and places of doors against plain shapely, on pieces put and turned at random."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from coop.resets.domain.fit.boxes import boxes_of, clipped, depths, strips_before
from coop.resets.domain.fit.overlaps import opening_findings, overlap_findings
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.fit.stacks import stack_findings
from coop.resets.domain.piece import Arrangement, Piece, Placed
from tests.unit.resets.fitting import IN, booth

ROOM = booth(200, 200)
SIZES = st.integers(16, 60 * IN)
PLACES = st.integers(40 * IN, 160 * IN)


@st.composite
def placed(draw, key):
    size = [draw(SIZES) for _ in range(3)]
    piece = Piece(key, key, *size, weight_oz=1, carries_oz=100, opens_in16=draw(st.integers(0, 20 * IN)))
    return Placed(piece, draw(PLACES), draw(PLACES), draw(st.integers(-90, 360)))


def deep(a, b):
    """How far two convex shapes must be moved to be apart: of their Minkowski difference, how deep the origin lies in it."""
    one, two = (shapely.get_coordinates(shape)[:4] for shape in (a, b))
    difference = shapely.convex_hull(shapely.multipoints((one[:, None] - two[None]).reshape(-1, 2)))
    origin = shapely.Point(0, 0)
    return origin.distance(difference.boundary) * (1 if difference.covers(origin) else -1)


@given(placed("a"))
def test_footprints_are_those_of_the_pieces(one):
    boxes = boxes_of([one])
    assert shapely.symmetric_difference(boxes.shapes[0], one.footprint).area < 1e-3 * one.footprint.area
    strip = strips_before(boxes, np.array([32.0])).shapes[0]
    assert strip.area == pytest.approx(32 * one.piece.width_in16)
    assert strip.intersection(one.footprint).area < 1e-6 * strip.area
    assert strip.distance(one.footprint) < 1e-6


@given(placed("a"), placed("b"))
def test_two_overlap_by_more_than_a_hair_or_not(a, b):
    measured = deep(a.footprint, b.footprint)
    assume(abs(measured - 1) > 1e-3)
    (at,), (out,) = (result[0] for result in depths(boxes_of([a]), boxes_of([b])))
    assert at > 0 or measured < 1e-6
    if measured > 0:
        assert at == pytest.approx(measured, abs=1e-3)
        # Moved out that way, they are apart.
        moved = shapely.affinity.translate(a.footprint, *(out * (at + 1e-3)))
        assert moved.intersection(b.footprint).area < 1e-3
    told = list(overlap_findings(Scene(ROOM, Arrangement((a, b)))))
    assert bool(told) == (measured > 1)
    if told:
        assert told[0].measured_in16 == math.ceil(measured - 1e-3)


@given(placed("a"), placed("b"))
def test_what_stands_on_a_top_overhangs_or_not(a, b):
    on = Placed(a.piece, a.x_in16, a.y_in16, a.turn_deg, on="b")
    top = b.footprint.buffer(1, join_style="mitre")
    loose, tight = (top.buffer(by, join_style="mitre") for by in (1e-3, -1e-3))
    told = {one.kind for one in stack_findings(Scene(ROOM, Arrangement((on, b))))}
    if "overhangs" in told:
        assert not tight.covers(a.footprint)
    else:
        assert loose.covers(a.footprint)


@given(placed("a"), placed("b"))
def test_doors_open_or_not(a, b):
    assume(a.piece.opens_in16 > 0)
    (strip,) = strips_before(boxes_of([a]), np.array([a.piece.opens_in16], dtype=float)).shapes
    held = deep(strip, b.footprint)
    assume(abs(held - 1) > 1e-3)
    told = [one for one in opening_findings(Scene(ROOM, Arrangement((a, b)))) if one.pieces[0] == "a"]
    assert any("b" in one.pieces for one in told) == (held > 1)


@given(placed("a"), st.tuples(PLACES, PLACES), st.tuples(PLACES, PLACES))
def test_what_of_a_line_runs_within_a_piece(a, start, end):
    assume(start != end)
    line = shapely.LineString([start, end])
    within = line.intersection(a.footprint)
    entry, leaving = (share[0, 0] for share in clipped(np.array([start], float), np.array([end], float), boxes_of([a])))
    assert max(0, leaving - entry) * line.length == pytest.approx(within.length, abs=0.01)

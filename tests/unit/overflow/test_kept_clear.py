"""The whole mall judged again with what is placed: what spoils it is taken out, on the days it does, and nothing else."""

from __future__ import annotations

from datetime import timedelta

from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.draft import to_plan
from coop.overflow.domain.answers import answers
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.facts import BayFacts
from coop.overflow.domain.kept_clear import kept_clear
from coop.overflow.domain.posing import pose
from coop.overflow.domain.problem import Placed
from tests.factories.overflow_hall import overflow_draft
from tests.unit.overflow.periods import MONDAY, inches, make_asked, make_facts, make_piece, make_room, make_stay

WIDTH = 44 * IN16_PER_INCH
ENDS = MONDAY + timedelta(weeks=8, days=-1)


def test_what_would_bar_an_aisle_is_taken_out_and_what_stands_beside_it_is_not():
    """A bay that nobody should have drawn, 50 in. deep before booth 22 in an aisle of 84 in., of which 44 must stay clear.

    Along the wall of the other aisle two pieces stand an inch apart: between them nobody walks.
    """
    across = Bay("A1-9", "A1", ((2600, 1632), (3400, 1632), (3400, 1632 + inches(50)), (2600, 1632 + inches(50))))
    along = Bay("A2-9", "A2", ((2000, 7392), (4000, 7392), (4000, 7392 - inches(30)), (2000, 7392 - inches(30))))
    rooms = [BayFacts(bay, (bay.depth_in16,) * 8) for bay in (across, along)]
    asked = [make_asked(key, "D01", make_piece(f"{key}p", wide=40, deep=deep)) for key, deep in (("1", 28), ("2", 46), ("3", 28))]
    posed = pose(make_facts(*asked, rooms=rooms, standing=(make_stay("s", bay="A2-9", at=0, wide=40),)))
    keys = {unit.key.split()[1]: unit.key for unit in posed.problem.units}
    length = inches(41)
    placed = [
        Placed(keys["1"], "A2-9", length, 2 * length, 0),
        Placed(keys["2"], "A1-9", 0, length, 2),
        Placed(keys["3"], "A2-9", 2 * length, 3 * length, 0),
    ]
    plan = to_plan(overflow_draft(), {"": WIDTH})
    left, taken_out = kept_clear(posed, placed, [(MONDAY, ENDS, plan)])
    assert [one.unit for one in left] == [keys["1"], keys["3"]]
    assert len(taken_out) == 1
    assert taken_out[0].startswith("Oak dresser was taken out of bay A1-9, from Jan 18, 2027 on: Aisle A1 is 3' 2\" clear")

    wide = to_plan(overflow_draft(), {"": 36 * IN16_PER_INCH})
    assert kept_clear(posed, placed, [(MONDAY, ENDS, wide)]) == (tuple(placed), ())
    third = MONDAY + timedelta(weeks=3)
    left, taken_out = kept_clear(posed, placed, [(MONDAY, third - timedelta(days=1), wide), (third, ENDS, plan)])
    assert len(left) == 2
    assert "from Jan 25, 2027 on" in taken_out[0]


def test_what_is_closed_in_some_weeks_is_placed_in_others_and_said():
    """24 in. at the end of a bay of 72 are closed in its first four weeks: a dresser of 48 in. and its gap need 49."""
    room = make_room(long=72, closed=[(48, 72, 0, 3)])
    early, late = make_asked("1"), make_asked("2", "D02", after=28)
    posed = pose(make_facts(early, late, rooms=[room]))
    unit = next(unit.key for unit in posed.problem.units if unit.key.startswith("request 2"))
    said = answers(posed, [Placed(unit, "A1-1", 0, inches(49), 4)])
    assert [one.outcome for one in said.values()] == ["refused", "granted"]
    assert "as aisles and openings must be wider then" in said["1"].sentence

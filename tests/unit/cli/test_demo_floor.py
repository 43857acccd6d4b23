"""The demo's plans: every space of a mall stands on its plan, as large as it is leased, and only what is meant to is found."""

from __future__ import annotations

from decimal import Decimal

import pytest

from coop.cli.demo_coop import MALLS, DemoMall
from coop.cli.demo_floor import AISLE_CLEAR_IN16, aisles_of, plan_of, spaces_of
from coop.core.geometry import rectangle_sqft100
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import draft_faults, to_plan
from coop.floor.domain.findings import judge_plan

FOUND = {
    # The two rows' booths 12 and 20, both 14 ft deep, face each other across it.
    "FERRY": ["Aisle B is 4' 2\" clear at its narrowest; 4' 6\" is required: move what stands in it or beside it."],
    "DAIRY": [],
}


@pytest.mark.parametrize("mall", MALLS, ids=lambda mall: mall.code)
def test_a_plan_has_every_space_at_its_size_and_no_finding_but_the_one_on_purpose(mall: DemoMall) -> None:
    plan = plan_of(mall)
    assert not draft_faults(plan)
    drawn = {space.code: (space.zone, drawn_area_sqft100(space.outline)) for space in plan.spaces}
    assert drawn == {s.code: (s.zone, rectangle_sqft100(s.width_in16, s.depth_in16)) for s in spaces_of(mall)}
    widths = dict.fromkeys(aisles_of(mall), AISLE_CLEAR_IN16)
    assert [found.sentence for found in judge_plan(to_plan(plan, widths))] == FOUND[mall.code]
    assert len(to_plan(plan).exits) == 2


@pytest.mark.parametrize("mall", MALLS, ids=lambda mall: mall.code)
def test_front_stands_south_of_middle_and_middle_of_back(mall: DemoMall) -> None:
    def middle_in16(zone: str) -> Decimal:
        ys = [y for space in plan_of(mall).spaces if space.zone == zone for _, y in space.outline]
        return Decimal(sum(ys)) / len(ys)

    assert middle_in16("back") < middle_in16("middle") < middle_in16("front") < middle_in16("case")

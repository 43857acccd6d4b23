"""Plans drawn: the picture in words, true lengths on paper, exact lengths in DXF."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import date
from xml.etree import ElementTree

import ezdxf
import pikepdf
import pytest
from ezdxf.document import Drawing

from coop.core.errors import Refusal
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft, to_plan
from coop.floor.domain.finding import CAUTION
from coop.floor.domain.findings import judge_plan
from coop.floor.domain.scale import Sheet
from coop.floor.dxf import LAYERS, plan_dxf
from coop.floor.sheets import PlanPaper, plan_pdf
from coop.floor.svg import Look, bounds_of, describe, drawing_css, plan_svg, size_text, space_size
from tests.unit.floor.domain.drawing import box, outline
from tests.unit.pdf_reading import shapes_pt, texts_of

SVG = "{http://www.w3.org/2000/svg}"
WALL = box(240, 200, 120, 3)
"""Ten feet long, three inches thick."""
DRAFT = PlanDraft(
    outline=box(0, 0, 480, 360),
    parts=(
        PartDraft("P", "wall", WALL),
        PartDraft("E", "exit", outline((480, 120), (480, 168))),
        PartDraft("MAIN", "aisle", box(144, 12, 60, 330)),
        PartDraft("DESK", "counter", box(380, 300, 72, 24)),
    ),
    spaces=(
        SpaceDraft("14 & <5>", "booth", "front", box(12, 12, 120, 102.5)),
        SpaceDraft("15", "booth", "front", box(60, 60, 120, 96)),
        SpaceDraft("16", "booth", "back", outline((240, 24), (360, 24), (360, 100), (240, 168))),
        SpaceDraft("S1", "shelf", "shelf"),
    ),
)
FINDINGS = tuple(judge_plan(to_plan(DRAFT)))
PAPER = PlanPaper("Elm Street Hall", 3, date(2026, 11, 3), DRAFT, FINDINGS)


# --- the picture ------------------------------------------------------------------------------------------------------------


def test_the_picture_says_in_words_what_is_on_it() -> None:
    picture = ElementTree.fromstring(plan_svg(DRAFT, FINDINGS, title="Plan of Elm & Ash", name="plan"))
    assert picture.get("aria-labelledby") == "plan-title plan-desc"
    assert picture.get("role") == "img"
    title, desc = picture.find(f"{SVG}title"), picture.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert (title.get("id"), title.text) == ("plan-title", "Plan of Elm & Ash")
    assert desc.text == describe(DRAFT, FINDINGS)
    assert (desc.text or "").startswith(
        "A floor 40' wide and 30' deep with 3 spaces. Booth 14 & <5>, front, 10' × 8' 6 1/2\", 85.42 sq ft. Booth 15,"
    )
    assert (desc.text or "").endswith(f"{len(FINDINGS)} findings marked by number.")


def test_each_thing_has_its_class_its_words_and_its_corners() -> None:
    picture = ElementTree.fromstring(plan_svg(DRAFT, FINDINGS, title="Plan"))
    groups = {group.get("class"): group for group in picture.iter(f"{SVG}g")}
    assert {"part wall", "part exit", "part aisle", "part counter", "space booth", "scale-bar", "finding overlap"} <= set(groups)
    codes = [group.get("data-code") for group in picture.iter(f"{SVG}g") if group.get("data-code")]
    assert codes == ["14 & <5>", "15", "16"]
    polygon = groups["part wall"].find(f"{SVG}polygon")
    assert polygon is not None
    assert polygon.get("points") == "3840,3200 5760,3200 5760,3248 3840,3248"
    texts = ["".join(text.itertext()) for text in picture.iter(f"{SVG}text")]
    assert {"14 & <5>", "10' × 8' 6 1/2\"", "MAIN", "Exit E", "Counter DESK", "0", "5", "10 ft"} <= set(texts)


def test_the_picture_brings_no_style_of_its_own_unless_it_is_given_one() -> None:
    plain = plan_svg(DRAFT, FINDINGS, title="Plan")
    assert "style" not in plain
    assert "fill=" not in plain.replace('fill="none"', "")
    assert f"<style>{drawing_css()}</style>" in plan_svg(DRAFT, title="Plan", css=drawing_css())


def test_every_class_of_the_picture_is_styled() -> None:
    css = drawing_css()
    for kind in ("outline", "aisle", "wall", "door", "exit", "fixture", "counter", "post", "extinguisher", "space", "finding"):
        assert re.search(rf"\.{kind}\b", css), kind


def test_the_picture_is_as_large_as_its_scale_says() -> None:
    """40 ft and a foot to either hand are 42 ft: 10.5 in. at 1:48, 5.25 in. at 1:96."""
    for scale, width in ((48, "10.5in"), (96, "5.25in")):
        picture = ElementTree.fromstring(plan_svg(DRAFT, title="Plan", look=Look(scale)))
        assert picture.get("width") == width
    assert bounds_of(DRAFT).width == 42 * 192


@pytest.mark.parametrize(
    ("corners", "size"),
    [
        (box(0, 0, 120, 96), "10' × 8'"),
        (box(5, 5, 90.5, 20), "7' 6 1/2\" × 1' 8\""),
        (outline((0, 0), (120, 0), (0, 96)), "40.00 sq ft"),
        (outline((0, 0), (120, 0), (120, 96), (60, 96), (0, 96)), "80.00 sq ft"),
    ],
)
def test_a_size_is_width_by_depth_of_a_rectangle_else_the_area(corners: tuple[tuple[int, int], ...], size: str) -> None:
    assert space_size(corners) == size


@pytest.mark.parametrize(("length", "text"), [(1920, "10'"), (1448, "7' 6 1/2\""), (8, '1/2"'), (0, '0"')])
def test_even_feet_are_said_without_inches(length: int, text: str) -> None:
    assert size_text(length) == text


# --- paper ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("scale", "paper"), [(24, "a2"), (48, "tabloid"), (48, "a3"), (96, "letter")])
def test_a_wall_of_ten_feet_is_ten_feet_at_the_scale(scale: int, paper: str) -> None:
    """To a fiftieth of a point, which is 1/70 in. of floor at 1:48. The wall is 10 ft by 3 in.; the bar's half is 5 ft."""
    long, thick = 120 / scale * 72, 3 / scale * 72
    with pikepdf.open(io.BytesIO(plan_pdf(PAPER, scale=scale, paper=paper))) as file:
        found = [(right - left, top - bottom) for left, bottom, right, top in shapes_pt(file.pages[0])]
    assert [size for size in found if size == pytest.approx((long, thick), abs=0.02)]
    assert len([size for size in found if size[0] == pytest.approx(60 / scale * 72, abs=0.02)]) >= 2
    # The outline, both ways: nothing is stretched.
    assert [size for size in found if size == pytest.approx((480 / scale * 72, 360 / scale * 72), abs=0.02)]


def test_a_plan_larger_than_its_paper_lies_over_sheets_that_join() -> None:
    """At 1:24 the plan and its margin are 21 by 16 in.; upright letter has room for 7.5 by 8.8, half an inch twice: 3 by 2."""
    content = plan_pdf(PAPER, scale=24)
    *sheets, lists = texts_of(content)
    assert len(sheets) == 6
    for number, sheet in enumerate(sheets, 1):
        assert f"sheet {number} of 6" in sheet.replace("\xa0", " ")
        assert "Scale 1:24, 1/2 in. = 1 ft" in sheet
        assert CAUTION[:27] in sheet
        assert "10 ft" in sheet
    assert "Findings" in lists
    assert CAUTION[:27] in lists
    for finding in FINDINGS:
        assert finding.sentence[:30] in lists
    assert "10' × 8' 6 1/2\"" in lists
    # The same line of floor is dashed on both sheets: 7.25 in. across on the first, a quarter of an inch on the second.
    with pikepdf.open(io.BytesIO(content)) as file:
        first, second = ({(round(left, 1), round(right, 1)) for left, _, right, _ in shapes_pt(file.pages[n])} for n in (0, 1))
    assert (36 + 7.25 * 72, 36 + 7.25 * 72) in first
    assert (36 + 0.25 * 72, 36 + 0.25 * 72) in second


def test_a_sheet_holds_and_names_only_what_is_on_it() -> None:
    """Of the first of two sheets across, ten feet wide: booth 16 begins at 20 ft, farther than a label reaches."""
    first = Sheet(1, -192, -192, 120 * 16, 400 * 16, {"right": 2})
    picture = ElementTree.fromstring(plan_svg(DRAFT, FINDINGS, title="Plan", sheet=first))
    codes = [group.get("data-code") for group in picture.iter(f"{SVG}g") if group.get("data-code")]
    assert codes == ["14 & <5>", "15"]
    desc = picture.find(f"{SVG}desc")
    assert desc is not None
    assert "with 2 spaces." in (desc.text or "")
    assert picture.get("viewBox") == "-192 -192 1920 6400"
    (join,) = [text for text in picture.iter(f"{SVG}text") if "".join(text.itertext()) == "sheet 2"]
    assert join.get("text-anchor") == "end", "what it joins is named within the sheet"


def test_the_paper_is_tagged_and_each_picture_has_its_words() -> None:
    with pikepdf.open(io.BytesIO(plan_pdf(PAPER, scale=96))) as file:
        assert file.Root.MarkInfo.Marked
        alts = [str(thing.Alt) for thing in file.objects if isinstance(thing, pikepdf.Dictionary) and "/Alt" in thing]
    assert sorted(alts) == ["Floor plan of Elm Street Hall, sheet 1 of 1", "Scale bar of 10 ft"]


def test_the_same_plan_is_the_same_bytes() -> None:
    assert plan_pdf(PAPER, scale=96) == plan_pdf(PAPER, scale=96)


def test_a_paper_not_known_and_too_many_sheets_are_refused() -> None:
    with pytest.raises(Refusal, match="Paper 'napkin' is not known; there is letter,"):
        plan_pdf(PAPER, paper="napkin")
    with pytest.raises(Refusal, match=r"The plan at 1:4, .* on letter paper would need \d+ sheets; choose a larger paper"):
        plan_pdf(PAPER, scale=4)


def test_a_plan_without_spaces_or_findings_says_so() -> None:
    bare = replace(PAPER, draft=PlanDraft(DRAFT.outline), findings=())
    assert "None on Nov 3, 2026." in texts_of(plan_pdf(bare, scale=96))[-1]


# --- DXF --------------------------------------------------------------------------------------------------------------------


def read_back(content: bytes) -> Drawing:
    return ezdxf.read(io.StringIO(content.decode()))  # type: ignore[attr-defined]


def test_a_dxf_is_clean_in_inches_and_layered_by_kind() -> None:
    document = read_back(plan_dxf(DRAFT))
    auditor = document.audit()
    assert not auditor.errors
    assert not auditor.fixes
    assert document.dxfversion == "AC1024"
    assert document.header["$INSUNITS"] == 1
    assert set(LAYERS) <= {layer.dxf.name for layer in document.layers}
    used = {entity.dxf.layer for entity in document.modelspace()}
    assert used == {"OUTLINE", "PART-WALL", "PART-EXIT", "PART-AISLE", "PART-COUNTER", "SPACE-BOOTH", "LABELS"}


def test_lengths_in_a_dxf_are_exact() -> None:
    lines = {
        (line.dxf.layer, tuple((x, y) for x, y, *_ in line.get_points()), line.closed)
        for line in read_back(plan_dxf(DRAFT)).modelspace().query("LWPOLYLINE")
    }
    assert ("PART-WALL", ((240, -200), (360, -200), (360, -203), (240, -203)), True) in lines
    assert ("SPACE-BOOTH", ((12, -12), (132, -12), (132, -114.5), (12, -114.5)), True) in lines
    assert ("PART-EXIT", ((480, -120), (480, -168)), False) in lines
    assert len(lines) == 1 + 4 + 3


def test_a_dxf_names_spaces_in_any_script() -> None:
    draft = replace(DRAFT, spaces=(replace(DRAFT.spaces[0], code="Küche 中"),))
    labels = [text.dxf.text for text in read_back(plan_dxf(draft)).modelspace().query("TEXT")]
    assert labels == ["E", "MAIN", "DESK", "Küche 中"]

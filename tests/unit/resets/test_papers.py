"""A reset on paper: true lengths in the PDF, every page named and cautioned, moves drawn and to be ticked, lists that run over.

Lengths are checked against the definition of a drawing scale, a length over the scale (ISO 5455), at 72 points an inch
(PDF 32000-1, 8.3.2.3); both from memory.
"""

from __future__ import annotations

import functools
import io
import re
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pikepdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.errors import Refusal
from coop.floor.domain.scale import Bounds
from coop.resets.composing import Facts, SmallsFact, compose
from coop.resets.domain.booth import WAY_IN16, Booth, Side, rectangle_booth
from coop.resets.domain.caution import CAUTION, LIFT_CAUTION
from coop.resets.domain.hours.estimate import PERT_CAUTION
from coop.resets.domain.loads import Van
from coop.resets.domain.order.moves import Staged
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.drawing import booth_svg
from coop.resets.paper_drawing import Drawing, lay_drawing
from coop.resets.sheets import ResetPaper, fits_one_sheet, reset_pdf
from tests.unit.pdf_reading import colours_of, shapes_pt, texts_of


def in16(inches: float) -> int:
    return round(inches * 16)


def piece(key: str, name: str, size: tuple[float, float, float], pounds: int | None, **more: Any) -> Piece:
    width, depth, height = (in16(side) for side in size)
    return Piece(key, name, width, depth, height, weight_oz=None if pounds is None else pounds * 16, **more)


DRESSER = piece("d", "Oak dresser", (42, 20, 34), 60, carries_oz=960, colours=("#8a5a2b",))
TABLE = piece("t", "Pine <table>", (48, 30, 30), 40, carries_oz=1280)
CUPBOARD = piece("c", "Tall cupboard", (36, 18, 78), 45)
CHAIR = piece("h", "Cane chair", (18, 20, 34), 11)
MIRROR = piece("m", "Gilt mirror", (25, 2, 36), 18, stands="wall", glass=True)
LAMP = piece("l", "Brass lamp", (10, 11, 22), 6, stands="table", fragile=True)
WALL = Side("wall", hooks=True, height_in16=in16(96))
BOOTH = Booth(
    rectangle_booth(in16(120), in16(144)).outline,
    (WALL, WALL, Side("open"), WALL),
    outlets=((in16(60), in16(1)),),
    way_in16=WAY_IN16,
    aisle_in16=in16(60),
)
"""10 ft wide, 12 ft deep."""


def put(one: Piece, x: float, y: float, turn: int = 0, **more: Any) -> Placed:
    return Placed(one, in16(x), in16(y), turn, **more)


FACTS = Facts(
    BOOTH,
    Arrangement(
        (put(DRESSER, 22, 11), put(CUPBOARD, 100, 10), put(TABLE, 60, 80), put(CHAIR, 20, 100, 90), put(LAMP, 22, 11, on="d"))
    ),
    Arrangement(
        (
            put(DRESSER, 98, 11),
            put(CUPBOARD, 20, 10),
            put(TABLE, 60, 80),
            put(LAMP, 98, 11, on="d"),
            put(MIRROR, 60, 1, up_in16=in16(30)),
        )
    ),
    date(2026, 12, 1),
    600,
    1080,
    4,
    staging=(("By the dock", in16(120), in16(60)),),
    van=Van("the van", in16(60), in16(96), in16(60), 1200 * 16),
    smalls=(SmallsFact("china", 40, 96, None, True, "booth", "d"),),
    prices={"d": (240_00, 220_00), "m": (None, 95_00)},
)


@functools.cache
def plan() -> dict[str, Any]:
    return compose(FACTS)


def paper(**change: Any) -> ResetPaper:
    said: dict[str, Any] = {**plan(), **change}
    return ResetPaper(
        "Elm Street Hall", "Booth 12", date(2026, 12, 1), 600, 1080, 4, ((720, 840, 2),), "Autumn", "Winter", 3, said
    )


@functools.cache
def printed(scale: int = 24, size: str = "letter") -> bytes:
    return reset_pdf(paper(), scale=scale, size=size)


def sizes_on(content: bytes, head: str) -> list[tuple[float, float]]:
    """Width and height in points of each thing painted on the pages that say `head`."""
    said = texts_of(content)
    with pikepdf.open(io.BytesIO(content)) as file:
        return [
            (right - left, top - bottom)
            for number, text in enumerate(said)
            if head in plain(text)
            for left, bottom, right, top in shapes_pt(file.pages[number])
        ]


def plain(text: str) -> str:
    return text.replace("\xa0", " ")


def near(width: float, height: float) -> Any:
    """To a tenth of a point; half a point is asked."""
    return pytest.approx((width, height), abs=0.1)


# --- lengths ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("scale", "size"), [(24, "letter"), (24, "a4"), (48, "letter"), (48, "a4")])
def test_the_booth_its_pieces_and_the_scale_bar_are_as_long_as_the_scale_says(scale: int, size: str) -> None:
    """At 1:24 ten feet are 5 in., 360 points: each length below is inches over the scale, times 72."""
    pt = 72 / scale
    for head in ("Plan of what is to stand: Winter", "Plan of what stands now: Autumn"):
        found = sizes_on(printed(scale, size), head)
        assert [one for one in found if one == near(120 * pt, 0)], "the back, 10 ft"
        assert [one for one in found if one == near(0, 144 * pt)], "a side, 12 ft"
        assert [one for one in found if one == near(42 * pt, 20 * pt)], "the dresser from above"
        assert [one for one in found if one == near(10 * pt, 11 * pt)], "the lamp"
        halves = [one for one in found if one[0] == pytest.approx(60 * pt, abs=0.1) and one[1] < 5]
        assert len(halves) >= 2, "both halves of the bar, 5 ft each"


@pytest.mark.parametrize(("scale", "size"), [(24, "letter"), (48, "a4")])
def test_elevations_are_at_the_same_scale(scale: int, size: str) -> None:
    pt = 72 / scale
    found = sizes_on(printed(scale, size), "The back wall, seen from inside: Winter")
    assert [one for one in found if one == near(120 * pt, 96 * pt)], "the wall, 10 ft by 8 ft"
    assert [one for one in found if one == near(36 * pt, 78 * pt)], "the cupboard"
    assert [one for one in found if one == near(25 * pt, 36 * pt)], "the mirror"
    assert [one for one in found if one[0] == pytest.approx(60 * pt, abs=0.1) and one[1] < 5], "a half of the bar"
    said = " ".join(texts_of(printed(scale, size)))
    assert "The left wall, seen from inside" in said
    assert "The front, seen from inside" not in said, "nothing stands before an open side"


def test_a_booth_larger_than_a_sheet_lies_over_sheets_that_join() -> None:
    """18 ft deep are 9 in. at 1:24, and letter has 8.4 for a drawing: two sheets, half an inch of paper on both."""
    wide = replace(BOOTH, outline=rectangle_booth(in16(120), in16(216)).outline, aisle_in16=0)
    facts = replace(FACTS, booth=wide)
    large = paper(**{key: value for key, value in compose(facts).items() if key in ("booth", "moves", "before", "after")})
    content = reset_pdf(large, scale=24)
    said = [plain(text) for text in texts_of(content)]
    first, second = (f"Plan of what is to stand: Winter, sheet {n} of 2" for n in (1, 2))
    pages = [next(n for n, text in enumerate(said) if head in text) for head in (first, second)]
    assert pages[1] == pages[0] + 1
    with pikepdf.open(io.BytesIO(content)) as file:
        flat = [
            [(right - left, bottom) for left, bottom, right, top in shapes_pt(file.pages[n]) if top - bottom < 0.01]
            for n in pages
        ]
    # 10 ft are 360 points: the back is the highest such line, the open front the lowest; the dashed join is longer than either.
    sides, joins = (
        [[at for width, at in lines if (abs(width - 360) < 0.1) == is_side and width > 359] for lines in flat]
        for is_side in (True, False)
    )
    back, first_join, front, second_join = max(sides[0]), joins[0][0], min(sides[1]), joins[1][0]
    down_in, up_in = (back - first_join) / 72 * 24, (second_join - front) / 72 * 24
    assert down_in + up_in == pytest.approx(216, abs=0.1), "the same line of floor on both"
    assert 100 < down_in < 216
    assert fits_one_sheet(large.value, 48, "letter")
    assert not fits_one_sheet(large.value, 24, "letter")
    assert fits_one_sheet(plan(), 24, "letter")


def test_an_aisle_that_has_no_room_is_cut_and_said_to_go_on() -> None:
    """12 ft and an aisle of 5 are 8.5 in. at 1:24 and letter has 8.4; A4 has 9.1, and 1:48 half is enough anywhere."""
    note = "The aisle goes on beyond the drawing."
    assert note in plain(" ".join(texts_of(printed(24, "letter"))))
    assert note not in plain(" ".join(texts_of(printed(24, "a4"))))
    assert note not in plain(" ".join(texts_of(printed(48, "letter"))))


side_in16 = st.integers(16, 40 * 192)


@given(side_in16, side_in16, st.integers(0, 3000), st.integers(0, 3000), st.sampled_from([24, 48]))
def test_what_must_be_on_paper_is_on_it_and_never_more_sheets_than_that_needs(
    width: int, height: int, left: int, below: int, scale: int
) -> None:
    """Whatever is left off, the least is covered; and where all fits one sheet, all is there."""
    room = (Fraction(15, 2), Fraction(42, 5))
    whole = Bounds(-left, -7, width + left, height + below + 7)
    least = Bounds(0, 0, width, height)
    svg = f'<svg viewBox="{whole.x} {whole.y} {whole.width} {whole.height}"/>'
    sheets = lay_drawing(Drawing(svg, least), scale, room, "letter")
    right = max(sheet.x + sheet.width for sheet in sheets)
    bottom = max(sheet.y + sheet.height for sheet in sheets)
    assert min(sheet.x for sheet in sheets) <= least.x
    assert min(sheet.y for sheet in sheets) <= least.y
    assert right >= least.width
    assert bottom >= least.height
    assert len(sheets) == len(lay_drawing(Drawing(svg.replace(svg, f'<svg viewBox="0 0 {width} {height}"/>')), scale, room, ""))
    if whole.width <= room[0] * 16 * scale and whole.height <= room[1] * 16 * scale:
        assert (sheets[0].x, sheets[0].y, sheets[0].width, sheets[0].height) == (whole.x, whole.y, whole.width, whole.height)


def test_what_hangs_flat_has_its_number_behind_its_wall_and_what_bears_another_in_its_corner() -> None:
    """Letters are 5 in. high: the mirror is 2 in. deep, at the back; the lamp is on the dresser, whose corner is at 77, 1."""
    svg = booth_svg(BOOTH, FACTS.after, title="Winter", text_in16=in16(5))
    at = {words: (float(x), float(y)) for x, y, words in re.findall(r'<text x="([-\d.]+)" y="([-\d.]+)" [^>]*>(\d)</text>', svg)}
    assert at["5"][0] == in16(60)
    assert at["5"][1] < -in16(5), "outside, beyond the wall's own length"
    assert at["1"] == (in16(77 + 0.7 * 5), in16(1 + 0.95 * 5))
    assert at["3"][0] == in16(60), "in its middle"


# --- what it holds ------------------------------------------------------------------------------------------------------------


def test_every_page_says_booth_day_plan_and_number_and_bears_the_caution() -> None:
    said = [plain(text) for text in texts_of(printed())]
    assert len(said) > 5
    for number, text in enumerate(said, 1):
        assert "Booth 12, Elm Street Hall. Reset of Dec 1, 2026. Plan 3." in text
        assert f"page {number} of {len(said)}" in text
        assert _squeezed(CAUTION) in _squeezed(text), number


def _squeezed(text: str) -> str:
    """Without blanks: lines are broken where they end."""
    return "".join(text.split())


def test_each_move_is_there_with_its_hands_weight_care_and_a_box_to_tick() -> None:
    said = [_squeezed(text) for text in texts_of(printed())]
    whole = "".join(said)
    for move in plan()["moves"]:
        assert _squeezed(f"{move['number']}{move['sentence']}") in whole
        assert _squeezed(f"{move['hands']['short']};{move['weight']}") in whole
        assert _squeezed(move["hands"]["why"]) in whole
        assert all(_squeezed(care) in whole for care in move["care"])
    hands = [text for text in said if "carryitoutofthebooth" in text or "Handsforeachpiece" in text]
    assert hands
    assert all(_squeezed(LIFT_CAUTION) in text for text in hands)
    boxes = [size for size in _painted(printed()) if size == near(8.5 + 2 * 0.8, 8.5 + 2 * 0.8)]
    rows = sum(len(day["tasks"]) for day in plan()["hours"]["days"]) + len(plan()["kit"]["items"]) + len(plan()["tags"]["rows"])
    trips = sum(len(load["trips"]) for load in plan()["loads"])
    assert len(boxes) == rows + trips + len(plan()["moves"]) + len(plan()["home"])


def _painted(content: bytes) -> list[tuple[float, float]]:
    with pikepdf.open(io.BytesIO(content)) as file:
        return [(right - left, top - bottom) for page in file.pages for left, bottom, right, top in shapes_pt(page)]


def test_what_to_bring_tags_what_leaves_trips_and_labels_are_there() -> None:
    whole = _squeezed("".join(texts_of(printed())))
    for words in (
        *(f"{item['count']}{item['what']}{item['why']}" for item in plan()["kit"]["items"]),
        *("".join(label) + "Booth 12, Dec 1, 2026" for label in plan()["kit"]["boxes"]),
        "Oak dresser240.00220.00",
        "Gilt mirrorno tag95.00",
        "Cane chairhome, van trip 1 out",
        "The van, in",
        plan()["hours"]["sentence"],
        PERT_CAUTION,
        "Tuesday, 10 am to 6 pm, 4 people, 2 more noon to 2 pm.",
    ):
        assert _squeezed(words) in whole, words


def test_each_piece_is_listed_with_its_size_and_where_a_tape_puts_it() -> None:
    """The dresser is 42 in. wide with its middle 98 in. from the left and 11 from the back: its box begins at 77 and 1."""
    whole = _squeezed("".join(texts_of(printed())))
    assert (
        _squeezed('1Oak dresser3\' 6" × 1\' 8" × 2\' 10", 60 lb1" from the left, 1" from the back6\' 5" from the left') in whole
    )
    assert _squeezed("Pine <table>4' 0\" × 2' 6\" × 2' 6\", 40 lb") in whole
    assert _squeezed("turned 90°leaves") in whole, "the chair goes home"


def test_every_drawing_has_its_words() -> None:
    with pikepdf.open(io.BytesIO(printed())) as file:
        assert file.Root.MarkInfo.Marked
        alts = [str(thing.Alt) for thing in file.objects if isinstance(thing, pikepdf.Dictionary) and "/Alt" in thing]
    winter = next(alt for alt in alts if alt.startswith("Plan of what is to stand: Winter"))
    assert "10' 0\" wide, 12' 0\" deep" in winter
    assert "1 Oak dresser" in winter
    assert any(
        alt.startswith("The back wall, seen from inside. It is 10' 0\" wide and 8' 0\" high. From the left:") for alt in alts
    )
    for move in plan()["moves"]:
        assert any(alt.startswith(f"Move {move['number']}. {move['sentence']}"[:60]) for alt in alts)
    assert all(alt.strip() for alt in alts)
    drawings = 2 + 3
    assert len(alts) == 2 * drawings + len(plan()["moves"]), "each plan and elevation with its bar, each move"


def test_it_is_black_on_white_whatever_colours_pieces_have() -> None:
    """Every colour that is set is a grey: red, green and blue alike."""
    set_here = list(colours_of(printed()))
    assert set_here
    assert all(max(colour) - min(colour) < 0.01 for colour in set_here)


def test_headings_of_tables_repeat_and_no_row_is_alone_on_a_page() -> None:
    """Tasks that run over: each page of them is headed. Of 34, one alone would be left over: two go to the next page."""
    hours = plan()["hours"]
    task = hours["days"][0]["tasks"][0]
    rows = [{**task, "words": f"Task {n:02d}."} for n in range(80)]
    for count in (34, 80):
        many = paper(hours={**hours, "days": [{**hours["days"][0], "tasks": rows[:count]}]})
        said = [text for text in texts_of(reset_pdf(many, scale=48)) if "Task" in text]
        assert len(said) > 1
        for text in said:
            assert text.count("Task ") >= 2
            assert "WhenWhatWho" in _squeezed(text)
        assert sum(text.count("Task ") for text in said) == count


def test_a_booth_that_is_emptied_has_no_elevations() -> None:
    emptied = compose(replace(FACTS, after=Arrangement(), smalls=(), prices={}))
    value = replace(paper(), after="an empty booth", value=emptied)
    whole = plain("".join(texts_of(reset_pdf(value))))
    assert "Plan of what is to stand: an empty booth" in whole
    assert "seen from inside" not in whole


def test_what_waits_from_moves_that_were_done_is_listed_where_it_waits() -> None:
    """A plan made again from move 4 on: the lamp is on the staging floor."""
    standing = Arrangement(tuple(one for one in FACTS.before.placed if one.key not in "lh"))
    waiting = (Staged("l", "By the dock"), Staged("h", "By the dock"))
    again = compose(replace(FACTS, before=standing, waiting=waiting, apart={"h": CHAIR}, first_number=4))
    whole = _squeezed("".join(texts_of(reset_pdf(replace(paper(), value=again), scale=48))))
    assert _squeezed('Brass lamp10" × 11" × 1\' 10", 6 lbwaits on By the dock') in whole
    assert _squeezed("Cane chair1' 6\" × 1' 8\" × 2' 10\", 11 lbwaits on By the dockleaves") in whole, "it is in neither set"
    assert _squeezed("from move 4 on") in whole


def test_a_letter_that_no_file_may_hold_is_replaced() -> None:
    pieces = {key: {**one, "name": f"Bell\x07{one['name']}"} for key, one in plan()["pieces"].items()}
    whole = "".join(texts_of(reset_pdf(paper(pieces=pieces), scale=48)))
    assert "Bell\N{LOZENGE}Oak dresser" in plain(whole)


def test_the_same_plan_is_the_same_bytes() -> None:
    assert reset_pdf(paper(), scale=48) == printed(48)


def test_what_cannot_be_printed_is_refused() -> None:
    with pytest.raises(Refusal, match="Paper 'napkin' is not known; there is letter and a4"):
        reset_pdf(paper(), size="napkin")
    with pytest.raises(Refusal, match="at 1:24 or 1:48, and not at 1:96"):
        reset_pdf(paper(), scale=96)
    with pytest.raises(Refusal, match=r"Plan 3 has no order to print\. They block each other\."):
        reset_pdf(paper(stopped="They block each other."))

"""Pieces, smalls and measuring in a real browser: a piece by keyboard on a phone, colors from a photo that is never sent, a booth
measured by thumb, pages audited."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Request
from sqlalchemy import select

from coop.core.db import transaction
from coop.resets.models import BoothMeasure, PieceRow
from coop.resets.reading import booth_of
from tests.functional.browsing import DESKTOP, PHONE, Served, context, faults_of, listen, tab_to

pytestmark = pytest.mark.browser
FT = 192


def png(path: Path, left: tuple[int, int, int], right: tuple[int, int, int], size: int = 40) -> Path:
    """A picture of two colours, three quarters of it the left one (PNG: W3C Recommendation, second edition; from memory)."""
    row = b"\0" + bytes(left) * (size * 3 // 4) + bytes(right) * (size // 4)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0)
    parts = [b"\x89PNG\r\n\x1a\n", chunk(b"IHDR", header), chunk(b"IDAT", zlib.compress(row * size)), chunk(b"IEND", b"")]
    path.write_bytes(b"".join(parts))
    return path


def kept(served: Served, name: str) -> PieceRow:
    with transaction(served.sessions) as session:
        return session.scalars(select(PieceRow).where(PieceRow.name == name)).one()


def write(page: Page, label: str, text: str) -> None:
    """Go to a field with the Tab key, and write into it what is to stand there."""
    tab_to(page, "textbox", label)
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type(text)


def test_a_piece_is_written_down_by_keyboard_on_a_phone(browser: Browser, served: Served) -> None:
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + "/portal/resets/pieces")
        tab_to(page, "link", "Write a piece down")
        page.keyboard.press("Enter")
        page.wait_for_url("**/pieces/new")
        assert page.evaluate("document.activeElement.name") == "name", "the page begins at its first field"
        page.keyboard.type("Walnut bureau")
        page.locator("#width").focus()
        page.keyboard.type("3' 4\"")
        page.keyboard.press("Tab")
        page.keyboard.type("19 1/2")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.type("95 lb")
        page.keyboard.press("Enter")
        page.locator(".mistake").first.wait_for()
        assert "Write its height, above zero" in page.inner_text("main")
        assert page.evaluate("document.activeElement.name") == "height", "it goes on at what is wrong"
        page.keyboard.type("41")
        page.keyboard.press("Enter")
        page.wait_for_url("**/resets/pieces")
        assert "Walnut bureau is written down." in page.inner_text("main")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        assert [one for one in said if "422" not in one] == []
    row = kept(served, "Walnut bureau")
    assert (row.width_in16, row.depth_in16, row.height_in16, row.weight_oz) == (640, 312, 656, 1520)


def test_colours_are_picked_from_a_photo_that_is_never_sent(browser: Browser, served: Served, tmp_path: Path) -> None:
    photo = png(tmp_path / "photo.png", (138, 90, 43), (20, 60, 120))
    sent: list[Request] = []
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        piece = kept(served, "Cane chair")
        page.goto(f"{served.base}/portal/resets/pieces/{piece.id}")
        page.on("request", lambda request: sent.append(request))
        page.get_by_label("Pick colors from a photo").set_input_files(photo)
        page.locator("#photo-found button").first.wait_for()
        assert page.locator("#photo-found button").all_inner_texts() == ["#8a5a2b", "#143c78"], "what most of it is comes first"
        page.locator("#photo-found button").first.click()
        assert page.locator("#photo-said").inner_text() == "Color 1 is #8a5a2b."
        canvas = page.get_by_label("The photo, to pick colors from")
        canvas.focus()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        assert page.locator("#photo-said").inner_text() == "Color 2 is #143c78."
        box = canvas.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 5, box["y"] + 5)
        assert page.locator("#photo-said").inner_text() == "Color 3 is #8a5a2b."
        page.locator("#colour_3-has").uncheck()
        page.get_by_role("button", name="Keep it").click()
        page.wait_for_url("**/resets/pieces")
        assert said == []
    assert kept(served, "Cane chair").colours == ["#8a5a2b", "#143c78"]
    bodies = [request.post_data_buffer or b"" for request in sent]
    assert any(b"colour_1" in body for body in bodies)
    assert not any(b"PNG" in body or b"photo" in body for body in bodies)


def test_a_file_that_is_no_photo_is_told(browser: Browser, served: Served, tmp_path: Path) -> None:
    words = tmp_path / "words.png"
    words.write_text("no picture")
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        page.goto(served.base + "/portal/resets/pieces/new")
        page.get_by_label("Pick colors from a photo").set_input_files(words)
        page.get_by_text("This file is no photo that can be shown here: choose a JPEG or PNG.").wait_for()


def test_a_booth_is_measured_on_a_phone(browser: Browser, served: Served) -> None:
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + "/portal/")
        page.get_by_role("link", name="Resets").click()
        page.get_by_role("link", name="Nov 3, 2026 by Ida Fenwick").click()
        page.get_by_role("link", name="Measure it again").click()
        page.get_by_label("Width", exact=True).first.fill("9' 6\"")
        page.get_by_role("group", name="Left side").get_by_label("What it is").select_option("neighbor’s, no wall between")
        page.get_by_role("group", name="Left side").get_by_label("Takes hooks").uncheck()
        page.get_by_label("Path inside").fill("30")
        post = page.get_by_role("group", name="Post 1")
        for label, value in (("From the left", "2'"), ("From the back", "0"), ("Width", "6"), ("Depth", "6")):
            post.get_by_label(label).fill(value)
        page.get_by_role("button", name="Only draw it").click()
        page.locator("figcaption", has_text="114.00 sq ft").wait_for()
        assert page.get_by_role("img", name="Booth 12 as it is written below").count() == 1
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        page.get_by_role("button", name="Keep it").click()
        page.get_by_text("Booth 12 is measured: that is measuring 2 of it.").wait_for()
        words = page.inner_text("main")
        assert "It is 9' 6\" wide now; it was 10' 0\"." in words
        assert "114.00 sq ft; your lease says 120.00: 6.00 less, beyond the 2%" in words
        assert said == []
    with transaction(served.sessions) as session:
        row = session.scalars(select(BoothMeasure).where(BoothMeasure.number == 2)).one()
        booth = booth_of(row)
    assert booth.outline[2] == (9 * FT + 96, 12 * FT)
    assert [side.kind for side in booth.sides] == ["wall", "wall", "open", "neighbour"]
    assert len(booth.posts) == 1
    assert booth.way_in16 == 480


def test_a_finger_finds_every_button_and_link_of_the_forms_on_a_phone(browser: Browser, served: Served) -> None:
    """44 pixels at least, as WCAG 2.1 success criterion 2.5.5 asks of targets; boxes to tick count with their label."""
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        for path in ("/portal/resets/pieces/new", "/portal/resets/booths/MAIN/12/measure", "/portal/resets/smalls"):
            page.goto(served.base + path)
            small = page.evaluate(
                "[...document.querySelectorAll('main form input:not([type=hidden]):not([type=checkbox]), main form select,"
                " main form button:not(.quiet)')].filter((it) => it.offsetParent && it.getBoundingClientRect().height < 43.9)"
                ".map((it) => it.outerHTML)"
            )
            assert small == [], path


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_an_audit_finds_nothing_on_pages_of_pieces_and_measures_in_their_states(
    browser: Browser, served: Served, axe: str, size: tuple[int, int], scheme: str, tmp_path: Path
) -> None:
    laid = served.house.resets
    paths = [
        "/portal/resets/",
        "/portal/resets/pieces",
        "/portal/resets/pieces?state=gone",
        "/portal/resets/pieces?find=nothing",
        f"/portal/resets/pieces/{laid.gone}",
        f"/portal/resets/pieces/{laid.piece}",
        "/portal/resets/smalls",
        f"/portal/resets/smalls/{laid.smalls}",
        "/portal/resets/booths/MAIN/12",
        "/portal/resets/booths/MAIN/12/measure?by=corners",
        "/portal/resets/booths/MAIN/12/measure?from=plan",
    ]
    with context(browser, served, "dealer", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        assert faults_of(page, axe, served.base, paths, size) == []
    with context(browser, served, "other dealer", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        assert (
            faults_of(page, axe, served.base, ["/portal/resets/", "/portal/resets/pieces", "/portal/resets/smalls"], size) == []
        )

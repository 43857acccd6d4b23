"""What the renderer lets into a PDF, and that equal text gives equal bytes."""

from __future__ import annotations

import io
import os
import unicodedata
from datetime import date
from pathlib import Path

import pikepdf
import pytest
import weasyprint

from coop.core import paths, pdf, pdf_engine

CSS = (f'html {{ font-family: "{pdf.FAMILY}" }}',)


def render(html: str, *css: str) -> bytes:
    return pdf.render_pdf(html, (*CSS, *css), title="A paper")


def base_fonts(content: bytes) -> list[str]:
    with pikepdf.open(io.BytesIO(content)) as file:
        return sorted(
            str(thing.BaseFont)
            for thing in file.objects
            if isinstance(thing, pikepdf.Dictionary) and thing.get("/Type") == "/Font" and "/ToUnicode" in thing
        )


# --- characters -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "printed"),
    [
        ("Plain words, 1/2 & <more>\n\tkept", "Plain words, 1/2 & <more>\n\tkept"),
        ("Łódź, naïve, Самовар, Ελλάδα", "Łódź, naïve, Самовар, Ελλάδα"),
        ("cafe\u0301", "café"),
        ("\u4e2d\u56fd", "◊◊"),
        ("\U0001f4a1", "◊"),
        ("\u2764\ufe0f", "◊"),
        ("\U0001f469\u200d\U0001f527", "◊◊"),
        ("a\u200b\u00adb\u202ec", "abc"),
        ("a\u2011b\u2009c", "a-b c"),
        ("\uff11\u216b", "1XII"),
        ("bell\x07\u2028\ud800", "bell◊◊◊"),
    ],
)
def test_what_the_face_lacks_is_replaced_visibly(given: str, printed: str) -> None:
    assert pdf.printable(given) == printed


def test_what_a_character_becomes_does_not_hang_on_what_came_before() -> None:
    """U+1F00 is alpha with a mark the face lacks: once the mark alone was replaced, the pair must still be."""
    pdf._printable_table.cache_clear()
    fresh = pdf.printable("\u1f00")
    pdf._printable_table.cache_clear()
    pdf.printable("\u0313")
    assert pdf.printable("\u1f00") == fresh == "◊"


def test_every_printable_character_has_a_glyph_in_every_face() -> None:
    everything = "".join(map(chr, range(0x20, 0x11000)))
    printed = set(pdf.printable(everything))
    for weight in pdf.FACES:
        assert {ord(c) for c in printed} <= set(pdf.face(weight).getBestCmap())


def test_the_figures_of_every_face_are_tabular_as_they_are() -> None:
    for weight in pdf.FACES:
        face = pdf.face(weight)
        names = face.getBestCmap()
        assert len({face["hmtx"][names[ord(figure)]][0] for figure in "0123456789"}) == 1


def test_other_scripts_bring_no_other_font() -> None:
    words = "".join(c for c in map(chr, range(0xA0, 0x3100, 7)) if unicodedata.category(c)[0] in "LNPS")
    assert base_fonts(render(f"<p>{words.replace('<', '')} \u4e2d \U0001f4a1 \u05e9 \u0645</p>")) == ["/YLXFLI+Source-Serif-Pro"]


def test_a_character_smuggled_in_as_a_reference_is_refused() -> None:
    with pytest.raises(pdf.PdfError, match=r"no glyph for U\+4E2D"):
        render("<p>&#x4e2d;</p>")


# --- fonts ------------------------------------------------------------------------------------------------------------


def test_only_the_faces_used_are_embedded() -> None:
    regular, semibold = "/YLXFLI+Source-Serif-Pro", "/JOKBHJ+Source-Serif-Pro-Semi-Bold"
    assert base_fonts(render("<p>plain</p>")) == [regular]
    assert base_fonts(render("<p>plain <b>bold</b></p>")) == [semibold, regular]


def test_a_font_of_the_machine_is_not_seen() -> None:
    assert base_fonts(render("<p style='font-family: DejaVu Sans, Liberation Serif, monospace'>plain</p>")) == [
        "/YLXFLI+Source-Serif-Pro"
    ]


def test_a_planted_second_font_is_refused() -> None:
    face = (paths.fonts() / pdf.FACES[600]).as_uri()
    with pytest.raises(pdf.PdfError, match=r"this one holds /[A-Z]{6}\+Planted"):
        render("<p>plain</p>", f'@font-face {{ font-family: Planted; src: url("{face}") }} p {{ font-family: Planted }}')


def test_a_font_file_of_the_machine_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "other.otf"
    other.write_bytes((paths.fonts() / pdf.FACES[400]).read_bytes())
    with pytest.raises(pdf.PdfError, match=r"other\.otf was asked for"):
        render("<p>plain</p>", f'@font-face {{ font-family: Other; src: url("{other.as_uri()}") }}')


def test_the_check_sees_another_font_in_what_the_renderer_makes_unguarded() -> None:
    content = weasyprint.HTML(string="<html lang=en><p style='font-family: serif'>plain").write_pdf()
    with pytest.raises(pdf.PdfError, match="may hold no font but Source Serif Pro"):
        pdf_engine.refuse_other_fonts(base_fonts(content))
    with pytest.raises(pdf.PdfError, match="Source-Serif-Proud"):
        pdf_engine.refuse_other_fonts(["/ABCDEF+Source-Serif-Proud"])


# --- fetching ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "html",
    [
        "<img alt='' src='http://127.0.0.1:9/a.png'>",
        "<img alt='' src='https://example.org/a.png'>",
        "<img alt='' src='file:///etc/passwd'>",
        "<img alt='' src='beside.png'>",
        "<img alt='' src='data:image/png;base64,AAAA'>",
        "<link rel='stylesheet' href='file:///etc/passwd'>",
        "<p style='background: url(http://127.0.0.1:9/a.png)'>plain</p>",
        "<object data='ftp://127.0.0.1/a'></object>",
    ],
)
def test_nothing_is_fetched(html: str) -> None:
    with pytest.raises(pdf.PdfError, match="may fetch nothing but its text face"):
        render(html)


def test_a_style_sheet_fetches_nothing_either() -> None:
    with pytest.raises(pdf.PdfError, match="may fetch nothing"):
        pdf.render_pdf("<p>plain</p>", ("@import url(file:///etc/passwd);",), title="A paper")


@pytest.mark.parametrize("url", ["http://example.org/a.otf", "file:///etc/passwd", ""])
def test_the_fetcher_serves_the_faces_only(url: str) -> None:
    with pytest.raises(pdf.PdfError):
        pdf_engine._fetcher().fetch(url)


def test_the_fetcher_does_not_follow_a_path_out_of_the_fonts() -> None:
    with pytest.raises(pdf.PdfError):
        pdf_engine._fetcher().fetch(paths.fonts().as_uri() + "/../../../../../../../etc/passwd")
    served = pdf_engine._fetcher().fetch((paths.fonts() / pdf.FACES[400]).as_uri())
    assert served.read()[:4] == b"OTTO"


# --- the document -----------------------------------------------------------------------------------------------------


def test_title_language_and_date_are_what_was_said_and_the_clock_is_not_read() -> None:
    content = pdf.render_pdf("<p>x</p>", CSS, title='A "title" & <more> 中', lang="es", created=date(2011, 1, 3))
    with pikepdf.open(io.BytesIO(content)) as file:
        assert str(file.docinfo["/Title"]) == 'A "title" & <more> ◊'
        assert str(file.Root.Lang) == "es"
        assert str(file.docinfo["/CreationDate"]).startswith("D:20110103")
        assert "/ModDate" not in file.docinfo
    with pikepdf.open(io.BytesIO(render("<p>x</p>"))) as file:
        assert "/CreationDate" not in file.docinfo


def test_equal_text_gives_equal_bytes_whatever_was_rendered_between() -> None:
    first = render("<h1>One</h1><p>fine <b>words</b></p>")
    assert render("<p>entirely other, ½ ™</p>") != first
    assert render("<h1>One</h1><p>fine <b>words</b></p>") == first


def test_the_environment_is_left_as_it_was() -> None:
    pdf_engine._styled.cache_clear()
    before = dict(os.environ)
    render("<p>x</p>")
    assert dict(os.environ) == before


def test_the_versions_are_named_within_the_column_that_keeps_them() -> None:
    said = pdf.made_with()
    assert len(said) <= 200
    for part in (f"WeasyPrint {weasyprint.__version__}", "pydyf ", "Pango 1.", "zlib 1.", "Source Serif Pro 2.007"):
        assert part in said


# --- the shorter way of well-formed markup ----------------------------------------------------------------------------


def test_the_shorter_way_works_out_no_styles_that_any_element_could_bear() -> None:
    """They are taken out of the renderer's inside: should that change, `hidden` counts again, and every statement is slow."""
    markup = '<p>plain <b hidden="">bold</b></p>'
    shown = pdf.render_pdf(markup, CSS, title="A paper", well_formed=True)
    assert base_fonts(shown) == ["/JOKBHJ+Source-Serif-Pro-Semi-Bold", "/YLXFLI+Source-Serif-Pro"]
    assert base_fonts(render(markup)) == ["/YLXFLI+Source-Serif-Pro"], "the renderer's own styles are touched"


def test_the_shorter_way_sets_what_the_renderers_own_reader_sets() -> None:
    ours, own = vars(pdf_engine._WellFormed("<html><p>x</p></html>")), vars(weasyprint.HTML(string="<p>x"))
    assert ours.keys() == own.keys()
    assert type(ours["wrapper_element"]) is type(own["wrapper_element"])
    assert ours["media_type"] == own["media_type"]

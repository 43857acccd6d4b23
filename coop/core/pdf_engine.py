"""The renderer itself. Imported by core.pdf when a process first renders, so that a web process never carries it."""

from __future__ import annotations

import copy
import functools
import gc
import os
import re
import threading
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import date
from typing import Any
from xml.etree import ElementTree

import pydyf  # type: ignore[import-untyped]
import weasyprint
from markupsafe import escape
from weasyprint.text.ffi import pango
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

from coop.core import paths
from coop.core.pdf import FACES, FAMILY, PdfError, face, printable


def made_with() -> str:
    """Versions of what the bytes of a PDF depend on, in under 200 characters."""
    number = pango.pango_version()
    with face(400) as upright:
        font = upright["name"].getDebugName(5).removeprefix("Version ").partition(";")[0]
    return (
        f"WeasyPrint {weasyprint.__version__}, pydyf {pydyf.__version__}, "
        f"Pango {number // 10000}.{number // 100 % 100}.{number % 100}, "
        f"zlib {zlib.ZLIB_RUNTIME_VERSION}, {FAMILY} {font}"
    )


# --- what the renderer may see ----------------------------------------------------------------------------------------


class _FontsOnly(URLFetcher):  # type: ignore[misc]
    """Serves the faces of the family; anything else ends the rendering."""

    def __init__(self) -> None:
        super().__init__(fail_on_errors=True)
        self.files = {(paths.fonts() / name).as_uri(): paths.fonts() / name for name in FACES.values()}

    def fetch(self, url: str, headers: Any = None) -> Any:
        path = self.files.get(url)
        if path is None:
            raise PdfError(f"a PDF may fetch nothing but its text face, and {url} was asked for")
        return URLFetcherResponse(url, path.read_bytes(), {"Content-Type": "font/otf"})


@functools.cache
def _fetcher() -> _FontsOnly:
    return _FontsOnly()


def _font_faces() -> str:
    return "".join(
        f'@font-face {{ font-family: "{FAMILY}"; font-weight: {weight}; src: url("{(paths.fonts() / name).as_uri()}") }}\n'
        for weight, name in FACES.items()
    )


@contextmanager
def _no_system_fonts() -> Iterator[None]:
    """Fontconfig reads its configuration when a font map is made, and takes it from the environment."""
    before = os.environ.get("FONTCONFIG_FILE")
    os.environ["FONTCONFIG_FILE"] = str(paths.templates() / "pdf" / "fonts.conf")
    try:
        yield
    finally:
        if before is None:
            del os.environ["FONTCONFIG_FILE"]
        else:
            os.environ["FONTCONFIG_FILE"] = before


@functools.lru_cache(maxsize=16)
def _styled(css: tuple[str, ...]) -> tuple[Any, tuple[Any, ...]]:
    """A font map and the parsed style sheets: made once in a process, whatever number of documents follow."""
    with _no_system_fonts():
        fonts = FontConfiguration()
    # One sheet of all: every element is held against every sheet.
    whole = "\n".join((*css, _font_faces()))
    return fonts, (weasyprint.CSS(string=whole, font_config=fonts, url_fetcher=_fetcher()),)


# --- markup ------------------------------------------------------------------------------------------------------------


@functools.cache
def _plain_defaults() -> Any:
    """The renderer's own styles but those that could be of any element: notes, marks of lists, links, what is hidden or turned.

    It would work them out for each element, though nothing bears them: a tenth of a statement's time.
    """
    sheet = copy.copy(weasyprint.html.UA_STYLESHEET)
    sheet.matcher = copy.copy(sheet.matcher)
    sheet.matcher.other_selectors = []
    return sheet


_VOID = re.compile(r"<(br|col|meta)((?:\s[^<>]*)?)(?<!/)>")


class _WellFormed(weasyprint.HTML):  # type: ignore[misc]
    """Markup that is XML but for its void elements, read by the parser in C: a tenth of a statement's time less.

    It sets what the renderer's own class sets. Only for markup in which HTML's parser would add, close or move nothing but the
    column groups, and without lists, notes, links, `hidden` and `dir`; a test holds the bytes of both against each other.
    """

    def __init__(self, string: str) -> None:
        root = ElementTree.fromstring(_VOID.sub(r"<\1\2/>", string.removeprefix("<!doctype html>")))
        self.base_url = "coop:"
        self.url_fetcher = _fetcher()
        self.media_type = "print"
        self.wrapper_element = weasyprint.cssselect2.ElementWrapper.from_html_root(root, content_language=None)
        self.etree_element = self.wrapper_element.etree_element

    def _ua_stylesheets(self, forms: bool = False) -> list[Any]:
        return [_plain_defaults()]


def _read(markup: str, well_formed: bool) -> Any:
    if well_formed:
        with suppress(ElementTree.ParseError):
            return _WellFormed(markup)
    return weasyprint.HTML(string=markup, url_fetcher=_fetcher(), base_url="coop:")


# --- rendering --------------------------------------------------------------------------------------------------------

_one_at_a_time = threading.Lock()
"""The font map is shared, and not made for threads."""


def render_pdf(
    html: str,
    css: tuple[str, ...],
    *,
    title: str,
    lang: str = "en",
    created: date | None = None,
    well_formed: bool = False,
) -> bytes:
    """The body's markup with style sheets (as text) as a PDF/UA-1 document.

    `created` goes into the metadata; the clock is never read. Characters the face lacks are replaced (see printable).
    `well_formed` says that the markup is XML but for void elements: it is read faster, to the same bytes.
    Raises PdfError when the markup or styles ask for a file, an address or another font, or smuggle in a character.
    """
    date_made = f'<meta name="dcterms.created" content="{created.isoformat()}">' if created else ""
    whole = (
        f'<!doctype html><html lang="{escape(lang)}"><head><meta charset="utf-8">'
        f"<title>{escape(printable(title))}</title>{date_made}</head><body>{printable(html)}</body></html>"
    )
    with _one_at_a_time, _without_collecting():
        try:
            fonts, sheets = _styled(css)
            result: bytes = _read(whole, well_formed).write_pdf(
                stylesheets=sheets, font_config=fonts, pdf_variant="pdf/ua-1", finisher=_inspect
            )
        except FatalURLFetchingError as error:
            raise PdfError(str(error.__cause__ or error)) from error
    return result


@contextmanager
def _without_collecting() -> Iterator[None]:
    """A page is hundreds of thousands of short-lived objects; looking through them for cycles is a tenth of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _inspect(document: Any, pdf: Any) -> None:
    """Refuse a document that holds another font, or a character drawn with no glyph of the family."""
    refuse_other_fonts(font.name.decode("ascii", "replace") for font in document.fonts.values())
    lacking = sorted({code for font in document.fonts.values() for code in font.missing})
    if lacking:
        raise PdfError(f"{FAMILY} has no glyph for " + ", ".join(f"U+{code:04X}" for code in lacking))


def refuse_other_fonts(names: Iterable[str]) -> None:
    """Raise PdfError naming each BaseFont (`/ABCDEF+Source-Serif-Pro-Semi-Bold`) that is not of the family."""
    stem = FAMILY.replace(" ", "-")
    others = sorted(name for name in names if not _is_of(stem, name.lstrip("/").partition("+")[2]))
    if others:
        raise PdfError("a PDF may hold no font but " + FAMILY + ", and this one holds " + ", ".join(others))


def _is_of(stem: str, name: str) -> bool:
    return name == stem or name.startswith(stem + "-")

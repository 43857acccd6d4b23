"""PDFs from HTML and CSS: tagged (PDF/UA-1), of one text face, the same bytes every time.

Nothing outside the text is ever fetched: the renderer is given the faces of one family and sees no font, file or address
of the machine. So the same text gives the same bytes wherever the versions in `made_with` agree.
"""

from __future__ import annotations

import functools
import gc
import io
import os
import threading
import unicodedata
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

from fontTools.ttLib import TTFont
from markupsafe import escape

from coop.core import paths

try:
    import pydyf  # type: ignore[import-untyped]
    import weasyprint
    from weasyprint.text.ffi import pango
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse
except OSError as error:  # WeasyPrint's way of saying that a system library is missing
    UNAVAILABLE: OSError | None = error
    URLFetcher = object
else:
    UNAVAILABLE = None

FAMILY = "Source Serif Pro"
FACES = {400: "SourceSerifPro-Regular.otf", 600: "SourceSerifPro-Semibold.otf"}
"""Weight and file. No italic: that face has half the letters of the upright ones."""
REPLACEMENT = "\N{LOZENGE}"
"""Printed for a character the text face does not have (it has neither U+FFFD nor a white square)."""
INSTALL = "apt-get install -y libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


class PdfError(Exception):
    """A PDF was not made, and why: a missing library, something fetched, a font or character beside the family."""


def require() -> None:
    """Raise PdfError, with the line that mends it, when the renderer's system libraries are missing."""
    if UNAVAILABLE is not None:
        raise PdfError(
            f"PDFs cannot be made, a system library is missing: {UNAVAILABLE}. "
            f"On Debian and Ubuntu this line installs it: {INSTALL}"
        ) from UNAVAILABLE


def made_with() -> str:
    """Versions of what the bytes of a PDF depend on, in under 200 characters."""
    require()
    number = pango.pango_version()
    with _face(400) as face:
        font = face["name"].getDebugName(5).removeprefix("Version ").partition(";")[0]
    return (
        f"WeasyPrint {weasyprint.__version__}, pydyf {pydyf.__version__}, "
        f"Pango {number // 10000}.{number // 100 % 100}.{number % 100}, "
        f"zlib {zlib.ZLIB_RUNTIME_VERSION}, {FAMILY} {font}"
    )


def _face(weight: int) -> TTFont:
    return TTFont(io.BytesIO((paths.fonts() / FACES[weight]).read_bytes()), lazy=True)


# --- characters -------------------------------------------------------------------------------------------------------


class _Printable(dict[int, str | None]):
    """A table for str.translate that works each character out once."""

    def __init__(self, codes: Iterable[int]) -> None:
        # Asked instead of the table itself, which also grows by what was replaced.
        self.shown = frozenset(code for code in codes if unicodedata.category(chr(code)) != "Cf")
        super().__init__({code: chr(code) for code in (*self.shown, *map(ord, "\t\n\r"))})

    def __missing__(self, code: int) -> str | None:
        self[code] = text = self._substitute(chr(code))
        return text

    def _substitute(self, char: str) -> str | None:
        category = unicodedata.category(char)
        if category == "Cf" or unicodedata.name(char, "").startswith("VARIATION SELECTOR"):
            return None
        if category == "Zs":
            return " "
        if category == "Pd":
            return "-"
        for form in ("NFKC", "NFKD"):
            plain = unicodedata.normalize(form, char)
            if plain != char and all(ord(c) in self.shown for c in plain):
                return plain
        return REPLACEMENT


@functools.cache
def _printable_table() -> _Printable:
    letters = []
    for weight in FACES:
        with _face(weight) as face:
            letters.append(set(face.getBestCmap()))
    return _Printable(set.intersection(*letters))


def printable(text: str) -> str:
    """The text with every character the face lacks replaced, visibly; what it has stays as it is, composed (NFC).

    Spaces and dashes of other widths become plain ones, wide and joined letters their plain form (NFKC), a rare accent is
    set on its letter (NFKD), characters without a shape (joiners, direction marks, soft hyphens) vanish; anything else
    becomes REPLACEMENT.
    """
    return unicodedata.normalize("NFC", text).translate(_printable_table())


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
    sheets = tuple(weasyprint.CSS(string=text, font_config=fonts, url_fetcher=_fetcher()) for text in (_font_faces(), *css))
    return fonts, sheets


# --- rendering --------------------------------------------------------------------------------------------------------

_one_at_a_time = threading.Lock()
"""The font map is shared, and not made for threads."""


def render_pdf(html: str, css: tuple[str, ...], *, title: str, lang: str = "en", created: date | None = None) -> bytes:
    """The body's markup with style sheets (as text) as a PDF/UA-1 document.

    `created` goes into the metadata; the clock is never read. Characters the face lacks are replaced (see printable).
    Raises PdfError when the markup or styles ask for a file, an address or another font, or smuggle in a character.
    """
    require()
    date_made = f'<meta name="dcterms.created" content="{created.isoformat()}">' if created else ""
    whole = (
        f'<!doctype html><html lang="{escape(lang)}"><head><meta charset="utf-8">'
        f"<title>{escape(printable(title))}</title>{date_made}</head><body>{printable(html)}</body></html>"
    )
    with _one_at_a_time, _without_collecting():
        try:
            fonts, sheets = _styled(css)
            result: bytes = weasyprint.HTML(string=whole, url_fetcher=_fetcher(), base_url="coop:").write_pdf(
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

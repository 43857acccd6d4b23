"""PDFs from HTML and CSS: tagged (PDF/UA-1), of one text face, the same bytes every time.

Nothing outside the text is ever fetched: the renderer is given the faces of one family and sees no font, file or address
of the machine. So the same text gives the same bytes wherever the versions in `made_with` agree.
"""

from __future__ import annotations

import functools
import importlib
import io
import unicodedata
from collections.abc import Iterable
from datetime import date
from types import ModuleType

from fontTools.ttLib import TTFont

from coop.core import paths

FAMILY = "Source Serif Pro"
FACES = {400: "SourceSerifPro-Regular.otf", 600: "SourceSerifPro-Semibold.otf"}
"""Weight and file. No italic: that face has half the letters of the upright ones."""
REPLACEMENT = "\N{LOZENGE}"
"""Printed for a character the text face does not have (it has neither U+FFFD nor a white square)."""
INSTALL = "apt-get install -y libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


class PdfError(Exception):
    """A PDF was not made, and why: a missing library, something fetched, a font or character beside the family."""


def _engine() -> ModuleType:
    """The renderer, loaded now if it was not. Raises PdfError, with the line that mends it, when a system library is missing."""
    try:
        return importlib.import_module("coop.core.pdf_engine")
    except OSError as error:  # WeasyPrint's way of saying that a system library is missing
        raise PdfError(
            f"PDFs cannot be made, a system library is missing: {error}. On Debian and Ubuntu this line installs it: {INSTALL}"
        ) from error


def made_with() -> str:
    """Versions of what the bytes of a PDF depend on, in under 200 characters."""
    versions: str = _engine().made_with()
    return versions


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

    `well_formed` says that the markup is XML but for void elements: it is read faster, to the same bytes.
    `created` goes into the metadata; the clock is never read. Characters the face lacks are replaced (see printable).
    Raises PdfError when the markup or styles ask for a file, an address or another font, or smuggle in a character.
    """
    made: bytes = _engine().render_pdf(html, css, title=title, lang=lang, created=created, well_formed=well_formed)
    return made


def face(weight: int) -> TTFont:
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
        with face(weight) as one:
            letters.append(set(one.getBestCmap()))
    return _Printable(set.intersection(*letters))


def printable(text: str) -> str:
    """The text with every character the face lacks replaced, visibly; what it has stays as it is, composed (NFC).

    Spaces and dashes of other widths become plain ones, wide and joined letters their plain form (NFKC), a rare accent is
    set on its letter (NFKD), characters without a shape (joiners, direction marks, soft hyphens) vanish; anything else
    becomes REPLACEMENT.
    """
    return unicodedata.normalize("NFC", text).translate(_printable_table())

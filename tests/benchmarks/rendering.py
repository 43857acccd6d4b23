"""One two-page statement rendered, as coop does it and as a first attempt would; importable by other processes."""

from __future__ import annotations

import weasyprint

from coop.statements.documents import statement_html, statement_pdf
from tests.factories.statements import SAMPLES

NAIVE = "table { width: 100%; border-collapse: collapse } td, th { border: 1px solid #999; padding: 2pt 4pt; text-align: left }"


def render_naive(_n: int) -> int:
    """The same document as a first attempt would make it: automatic widths, collapsed borders, nothing shared."""
    html = f"<!doctype html><html lang=en><title>Statement</title><body>{statement_html(SAMPLES['two pages']())}</body></html>"
    made = weasyprint.HTML(string=html).write_pdf(stylesheets=[weasyprint.CSS(string=NAIVE)], pdf_variant="pdf/ua-1")
    return len(made or b"")


def render_ours(_n: int) -> int:
    return len(statement_pdf(SAMPLES["two pages"]()))

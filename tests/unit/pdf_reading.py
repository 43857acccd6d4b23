"""A PDF read back by other code than made it: its words, and what a printer would draw, to be measured."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

import pikepdf

Box = tuple[float, float, float, float]


def shapes_pt(page: pikepdf.Page) -> Iterator[Box]:
    """Bounds (left, bottom, right, top) in points of each path painted, by the matrices in force: what a printer draws."""
    matrix, kept, points = pikepdf.Matrix(), [], []
    for operands, operator in pikepdf.parse_content_stream(page):
        name = str(operator)
        if name == "q":
            kept.append(matrix)
        elif name == "Q":
            matrix = kept.pop()
        elif name == "cm":
            matrix = pikepdf.Matrix(*(float(value) for value in operands)) @ matrix
        elif name in ("m", "l"):
            points.append(matrix.transform((float(operands[0]), float(operands[1]))))
        elif name == "re":
            x, y, width, height = (float(value) for value in operands)
            points.extend(matrix.transform(corner) for corner in ((x, y), (x + width, y + height)))
        elif name in ("f", "f*", "B", "B*", "b", "b*", "S", "s", "n"):
            if points and name != "n":
                xs, ys = [x for x, _ in points], [y for _, y in points]
                yield min(xs), min(ys), max(xs), max(ys)
            points = []


def texts_of(content: bytes) -> list[str]:
    """The words of each page, by the letters' own code table."""
    with pikepdf.open(io.BytesIO(content)) as file:
        return [_text(page) for page in file.pages]


def _text(page: pikepdf.Page) -> str:
    fonts = {str(name): _letters(font) for name, font in page.Resources.Font.items()}
    said, letters = [], {}
    for operands, operator in pikepdf.parse_content_stream(page):
        if str(operator) == "Tf":
            letters = fonts[str(operands[0])]
        elif str(operator) in ("TJ", "Tj"):
            for part in operands[0] if str(operator) == "TJ" else operands:
                if isinstance(part, pikepdf.String):
                    raw = bytes(part)
                    said.extend(letters.get(raw[n : n + 2].hex(), "") for n in range(0, len(raw), 2))
    return "".join(said)


def _letters(font: pikepdf.Object) -> dict[str, str]:
    table = font.ToUnicode.read_bytes().decode()
    pairs = re.findall(r"<([0-9a-fA-F]+)> <([0-9a-fA-F]+)>", table)
    return {code.lower(): bytes.fromhex(letter).decode("utf-16-be") for code, letter in pairs}


def colours_of(content: bytes) -> Iterator[tuple[float, ...]]:
    """Each colour of red, green and blue that is set on a page, from 0 to 1."""
    with pikepdf.open(io.BytesIO(content)) as file:
        for page in file.pages:
            for operands, operator in pikepdf.parse_content_stream(page):
                if str(operator) in ("rg", "RG", "scn", "SCN") and len(operands) == 3:
                    yield tuple(float(part) for part in operands)

"""Where the files that are not Python lie: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

import importlib.util
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def _bundled(name: str) -> Path:
    for folder in (_PACKAGE / "_bundle" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"the folder {name} is neither inside the installed package nor beside it")


def templates() -> Path:
    return _bundled("templates")


def migrations() -> Path:
    return _bundled("migrations")


def static() -> Path:
    return _PACKAGE / "static"


def checkout() -> Path | None:
    """The project's folder when this runs from a checkout, else None."""
    folder = _PACKAGE.parent
    return folder if (folder / "pyproject.toml").is_file() else None


def fonts() -> Path:
    """The folder of the one text face (Source Serif Pro, from its package)."""
    spec = importlib.util.find_spec("font_source_serif_pro")
    if spec is None or spec.origin is None:
        raise FileNotFoundError("the package font-source-serif-pro is not installed")
    return Path(spec.origin).parent / "files"

"""What is typed and chosen on the pages of places, certificates, files and payments."""

from __future__ import annotations

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired


class FileForm(FlaskForm):  # type: ignore[misc]
    file = FileField("File of rates or boundaries", validators=[FileRequired("Choose the state's file first.")])

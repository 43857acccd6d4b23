"""Files of rates and boundaries through the office: sent, looked at, applied, undone; what is none is told at its field."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.core.jobs import claim_next, run_job
from coop.office import tax_files_views
from coop.tax import boundaries, file_work
from coop.tax.models import TaxBoundary, TaxImport
from tests.integration.web.conftest import Web, form_token, send

FILES = Path(__file__).parents[2] / "reference" / "streamlined"
BOUNDARIES = (FILES / "MNB2026Q2FEB18-sample.csv").read_bytes()
RATES = (FILES / "MNR2026Q2FEB18.csv").read_bytes()


def bring(client: FlaskClient, content: bytes, name: str = "a.csv") -> TestResponse:
    data = {"csrf_token": form_token(client), "file": (io.BytesIO(content), name)}
    return client.post("/office/tax/files", data=data, content_type="multipart/form-data")


def work(web: Web) -> int:
    """Do what is queued for files, as a worker would; how many jobs ran."""
    ran = 0
    while True:
        with transaction(web.sessions) as session:
            claimed = claim_next(session, web.clock.at, timedelta(seconds=60), queues=("imports",))
        if claimed is None:
            return ran
        run_job(web.sessions, claimed[0], lease=timedelta(seconds=60), token=claimed[1], clock=web.clock)
        ran += 1


def test_rates_are_brought_in_and_shown_as_a_proposal(web: Web) -> None:
    client = web.browser("manager")
    answer = bring(client, RATES, "minnesota.txt")
    assert answer.status_code == 303
    page = client.get(answer.headers["Location"]).text
    assert "minnesota.txt" in page
    assert "a proposal" in page
    assert "Apply it" in page
    assert send(client, answer.headers["Location"] + "/apply").status_code == 303
    again = client.get(bring(client, RATES).headers["Location"]).text
    assert "There is nothing to change" in again
    assert "Apply it" not in again
    assert send(client, "/office/tax/files/3/discard").status_code == 303
    assert client.get("/office/tax/files/3").status_code == 404


def test_a_large_file_is_read_and_applied_in_the_background(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file_work, "SMALL", 0)
    monkeypatch.setattr(boundaries, "BATCH", 20)
    client = web.browser("manager")
    path = bring(client, BOUNDARIES).headers["Location"]
    page = client.get(path).text
    assert "being read" in page
    assert "live.js" in page
    assert "Apply it" not in page
    assert "being read" in client.get("/office/tax/files").text
    assert work(web) == 1
    page = client.get(path).text
    assert "live.js" not in page
    assert send(client, path + "/apply").status_code == 303
    page = client.get(path).text
    assert "being applied" in page
    assert "Stop it" in page
    assert "Stop it" not in web.browser("bookkeeper").get(path).text
    assert 'data-ended="no"' in client.get(path + "/work").text
    assert work(web) == 1
    assert 'data-ended="yes"' in client.get(path + "/work").text
    assert "Undo it" in client.get(path).text
    assert send(client, path + "/undo").status_code == 303
    assert "being undone" in client.get(path).text
    assert work(web) == 1
    with web.sessions() as session:
        assert session.scalar(select(func.count(TaxBoundary.id))) == 0


def test_one_that_is_stopped_before_it_began_is_a_proposal_again(web: Web) -> None:
    client = web.browser("manager")
    path = bring(client, BOUNDARIES).headers["Location"]
    send(client, path + "/apply")
    assert send(client, path + "/stop").status_code == 303
    assert work(web) == 1
    page = client.get(path).text
    assert "Apply it" in page
    assert send(client, path + "/stop").status_code == 422


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "This file is empty"),
        (b"PK\x03\x04", "unpack it"),
        (b"Dear office,\n", "its first row has 2 columns"),
        (RATES.decode().encode("utf-16"), "The file is in UTF-16"),
        (b"\xff" + RATES, "Line 1 is not UTF-8"),
    ],
)
def test_what_is_no_such_file_is_told_at_its_field(web: Web, content: bytes, sentence: str) -> None:
    answer = bring(web.browser("manager"), content)
    assert answer.status_code == 422
    assert sentence in answer.text
    assert 'class="field wrong"' in answer.text
    with web.sessions() as session:
        assert session.scalar(select(func.count(TaxImport.id))) == 1


def test_without_a_file_it_says_to_choose_one(web: Web) -> None:
    answer = send(web.browser("manager"), "/office/tax/files")
    assert answer.status_code == 422
    assert "Choose the state&#39;s file first." in answer.text


def test_only_this_address_takes_more_than_a_form_and_not_more_than_it_says(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    client = web.browser("manager")
    large = RATES * 60
    assert len(large) > 256 * 1024
    assert bring(client, large).status_code == 303
    token = form_token(client)
    data = {"csrf_token": token, "file": (io.BytesIO(large), "a.csv")}
    assert client.post("/office/tax/files/1/discard", data=data, content_type="multipart/form-data").status_code == 413
    monkeypatch.setattr(tax_files_views.bring_file, "most_bytes", len(large) - 1)
    answer = bring(client, large)
    assert answer.status_code == 413
    assert "more than this page takes" in answer.text
    assert bring(web.browser("dealer"), large).status_code == 403

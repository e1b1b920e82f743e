"""Suggestions under the record, offered and not inserted, and what of a record leaves the desk."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable

import pytest
from starlette.testclient import TestClient

from dictate.desk.records import Records

from .conftest import DEMO
from .test_pages import At

RAPD = "Right RAPD. Red desaturation right. Plan: OCT."


@pytest.fixture
def at(client: TestClient, records: Records) -> Callable[[str], At]:
    return lambda text: At(client, records, text)


def offered(one: At) -> list[str]:
    return re.findall(r'name="key" value="([^"]+)"', one.client.get(f"/records/{one.id}").text)


def plan(one: At) -> set[tuple[str, object]]:
    return {(item, value) for item, _, value in one.rows() if item.startswith("plan.")}


def test_suggestions_come_with_sources_and_stay_out_of_the_record(at: Callable[[str], At]) -> None:
    one = at(RAPD)
    page = one.client.get(f"/records/{one.id}").text
    for words in ("Suggested by the findings", "Signs of optic nerve disease, right: urgently", "common practice"):
        assert words in page, words
    assert "judgement of a licensed clinician decide" in page
    assert plan(one) == {("plan.test", "oct")}


def test_one_click_adds_one_thing_to_the_plan_as_the_clinicians_own(at: Callable[[str], At]) -> None:
    one = at(RAPD)
    keys = offered(one)
    assert keys[0] == "plan.referral=ophthalmologist" and "plan.test=mri" in keys and "plan.test=oct" not in keys
    answer = one.post("take", key=keys[0])
    assert answer.status_code == 200
    assert plan(one) == {("plan.test", "oct"), ("plan.referral", "ophthalmologist")}
    [added] = [e for e in one.standing.settled.entries if e.entry.item == "plan.referral"]
    assert (added.origin, dict(added.entry.context)) == ("own", {"urgency": "urgent"})
    assert "✓ planned" in answer.text and keys[0] not in offered(one)
    one.post("take", key="plan.test=mri")
    assert ("plan.test", "mri") in plan(one)
    one.post("undo")
    assert ("plan.test", "mri") not in plan(one)


def test_what_is_not_offered_is_not_taken(at: Callable[[str], At]) -> None:
    one = at(RAPD)
    for key in ("", "plan.test=oct", "pressure.eye=60"):
        answer = one.post("take", key=key)
        assert answer.status_code == 422 and "not offered any more" in answer.text
    assert plan(one) == {("plan.test", "oct")}
    assert one.post("take", key="plan.test=mri", revision=one.revision - 1).status_code == 409


def test_nothing_is_offered_twice(at: Callable[[str], At]) -> None:
    one = at("Right facial weakness including the forehead. Right corneal reflex reduced.")
    keys = offered(one)
    assert len(keys) > 3 and len(keys) == len(set(keys))


def test_while_questions_are_open_only_stated_values_suggest(at: Callable[[str], At]) -> None:
    one = at("IOP 28/14. Left RAPD.")
    page = one.client.get(f"/records/{one.id}").text
    assert "From the stated values only" in page and "Raised pressure" not in page


def test_a_signed_record_shows_them_without_a_way_to_add(at: Callable[[str], At], records: Records) -> None:
    one = at(RAPD)
    records.sign(one.id, "MK", one.revision)
    page = one.client.get(f"/records/{one.id}").text
    assert "Signs of optic nerve disease" in page and "Not in the plan:" in page
    assert offered(one) == []
    assert one.post("take", key="plan.test=mri").status_code == 409


def test_a_note_without_findings_suggests_nothing(at: Callable[[str], At]) -> None:
    one = at("Pupils equal and brisk.")
    assert "Suggested by the findings" not in one.client.get(f"/records/{one.id}").text


# ---- files and text -------------------------------------------------------------------------------


@pytest.fixture
def settled(at: Callable[[str], At]) -> At:
    one = at("Pressure 16 right, 28 left. Zoë thinks <b>so</b>.")
    one.post("patient", reference="Q-9", name="Zoë Ångström")
    return one


@pytest.mark.parametrize("form", ["json", "csv", "fhir", "hl7v2"])
def test_exports_are_files_that_name_no_patient(settled: At, form: str) -> None:
    page = settled.client.get(f"/records/{settled.id}").text
    assert f'href="/records/{settled.id}/export/{form}"' in page
    answer = settled.client.get(f"/records/{settled.id}/export/{form}")
    assert answer.status_code == 200
    told = answer.headers["content-disposition"]
    assert re.fullmatch(rf'attachment; filename="{settled.id}(\.fhir)?\.\w+"', told)
    text = answer.content.decode()
    if form == "json":
        assert [e["value"] for e in json.loads(text)["entries"] if e["item"] == "pressure.eye"] == [16, 28]
    elif form == "csv":
        rows = list(csv.DictReader(io.StringIO(text)))
        assert [row["value"] for row in rows if row["item"] == "pressure.eye"] == ["16", "28"]
    elif form == "fhir":
        assert json.loads(text)["resourceType"] == "Bundle" and "Ångström" in text
    else:
        assert text.startswith("MSH|") and "Q-9" in text


def test_nothing_is_exported_while_questions_are_open(at: Callable[[str], At]) -> None:
    one = at(DEMO)
    assert "/export/" not in one.client.get(f"/records/{one.id}").text
    answer = one.client.get(f"/records/{one.id}/export/json")
    assert answer.status_code == 422 and "3 questions still open" in answer.text
    assert one.client.get(f"/records/{one.id}/export/pdf").status_code == 422
    assert one.client.get("/records/nothere1/export/json").status_code == 404


def test_the_text_is_plain_and_told_right_and_left(settled: At) -> None:
    answer = settled.client.get(f"/records/{settled.id}/text")
    assert answer.headers["content-type"].startswith("text/plain")
    assert re.search(r"Eye pressure +16 mmHg +28 mmHg\*?$", answer.text, re.M)
    assert "\x1b" not in answer.text
    assert max(map(len, answer.text.splitlines())) <= 92

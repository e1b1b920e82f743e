"""Who is answered at all: this computer's one browser, from the desk's own pages."""

from __future__ import annotations

import logging
import os
import stat
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from dictate.desk.records import Records
from dictate.desk.security import MAX_BODY, POLICY, Gate
from dictate.lexicon import Lexicon
from dictate.store import Store

from .conftest import DEMO, HERE


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost", "127.0.0.1:8614.evil.example", ""]
)
def test_a_wrong_host_is_refused(client: TestClient, host: str) -> None:
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "Records" not in answer.text


def test_both_names_of_this_computer_will_do(client: TestClient) -> None:
    assert client.get("/", headers={"Host": "localhost:8614"}).status_code == 200


@pytest.mark.parametrize("path", ["/", "/records/abcd2345", "/records/abcd2345/form"])
def test_without_the_cookie_nothing_is_shown(outsider: TestClient, path: str) -> None:
    answer = outsider.get(path)
    assert answer.status_code == 403
    assert "dictate desk" in answer.text


@pytest.mark.parametrize("value", ["", "x", "x; dictate-desk-1=y", '"', "é"])
def test_a_wrong_cookie_is_no_cookie(outsider: TestClient, value: str) -> None:
    assert outsider.get("/", headers={"Cookie": f"dictate-desk-8614={value}".encode()}).status_code == 403


def test_the_opening_address_works_once(outsider: TestClient, gate: Gate) -> None:
    answer = outsider.get(gate.opening_address)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    outsider.cookies.clear()
    again = outsider.get(gate.opening_address)
    assert again.status_code == 403
    assert "works once" in again.text
    assert "set-cookie" not in again.headers


def test_a_browser_that_is_in_may_follow_the_address_again(client: TestClient, gate: Gate) -> None:
    assert client.get(gate.opening_address).headers["location"] == "/"


@pytest.mark.parametrize("secret", ["", "x", "a" * 5000])
def test_a_guessed_secret_lets_nobody_in(outsider: TestClient, gate: Gate, secret: str) -> None:
    assert outsider.get("/open", params={"secret": secret}).status_code == 403
    assert outsider.get(gate.opening_address).status_code == 303  # and does not use the right one up


def test_secrets_are_new_each_time_and_long() -> None:
    one, other = Gate(1), Gate(1)
    assert len({one.opening, one.cookie, other.opening, other.cookie}) == 4
    assert min(map(len, (one.opening, one.cookie))) >= 43  # 256 bits


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "https://127.0.0.1:8614"},
        {"Origin": HERE, "Sec-Fetch-Site": "cross-site"},
        {"Origin": HERE, "Sec-Fetch-Site": "same-site"},
    ],
)
def test_writes_from_elsewhere_are_refused(client: TestClient, store: Store, headers: dict[str, str]) -> None:
    assert client.post("/records", data={"text": "x"}, headers=headers).status_code == 403
    assert store.find() == []


def test_writes_that_do_not_say_where_from_are_refused(outsider: TestClient, gate: Gate, store: Store) -> None:
    outsider.get(gate.opening_address)
    assert outsider.post("/records", data={"text": "x"}).status_code == 403
    assert store.find() == []


def test_pages_are_not_embedded_from_elsewhere(client: TestClient) -> None:
    assert client.get("/", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403


@pytest.mark.parametrize("path", ["/", "/nothing", "/static/desk.css", "/static/nothing", "/open"])
def test_every_answer_has_the_headers(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY and "*" not in POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == ("no-cache" if path.startswith("/static") else "no-store")
    assert "access-control-allow-origin" not in headers


def test_a_body_that_is_too_large_is_refused_in_words(client: TestClient, records: Records) -> None:
    head = records.begin("Pressure 16 right.")
    answer = client.post(f"/records/{head.id}/note", data={"text": "x" * MAX_BODY, "revision": head.revision})
    assert answer.status_code == 413
    assert "the text is still in the page" in answer.text
    assert 'hx-target="#notice"' in answer.text
    assert records.store.load(head.id).text == "Pressure 16 right."


def test_a_body_that_does_not_tell_its_size_is_counted(client: TestClient) -> None:
    def parts():  # type: ignore[no-untyped-def]
        for _ in range(30):
            yield b"x" * 100_000

    answer = client.post("/records", content=parts(), headers={"Content-Type": "application/x-www-form-urlencoded"})
    assert answer.status_code == 413


def test_a_note_with_too_many_characters_is_refused_in_words(client: TestClient, records: Records) -> None:
    head = records.begin("Pressure 16 right.")
    answer = client.post(f"/records/{head.id}/note", data={"text": "x" * 100_001, "revision": head.revision})
    assert answer.status_code == 422
    assert "100,000 characters" in answer.text


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
        "/static/....//app.py",
        "/records/../../etc/passwd",
        "/records/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "/records/abcd2345'--",
        "/records/abcd2345/versions/-1",
        "/records/abcd2345/versions/1e9",
    ],
)
def test_paths_lead_nowhere_else(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "root:" not in answer.text and "def make_app" not in answer.text


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_not_there(client: TestClient, method: str) -> None:
    assert client.request(method, "/records").status_code in (403, 404, 405)


def test_text_of_a_note_is_escaped(client: TestClient, records: Records) -> None:
    bad = '<script>alert(1)</script> "><img src=x onerror=alert(2)> </textarea><b>Pressure 16 right</b>'
    head = records.begin(bad)
    records.set_patient(head.id, {"name": bad, "reference": bad}, head.revision)
    for path in (f"/records/{head.id}", "/"):
        text = client.get(path).text
        assert "<script>alert" not in text and "<img" not in text and "</textarea><b>" not in text
        assert "&lt;script&gt;alert(1)" in text


def test_faults_of_ours_say_no_word_of_the_note(
    client: TestClient, records: Records, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    head = records.begin(DEMO)

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError(f"could not read {DEMO}")

    monkeypatch.setattr("dictate.desk.live.read", fail)
    with caplog.at_level(logging.DEBUG):
        answer = client.post(f"/records/{head.id}/note", data={"text": DEMO + "!", "revision": head.revision})
    assert answer.status_code == 500
    assert "Quillhaven" not in answer.text
    assert "Quillhaven" not in caplog.text
    assert "RuntimeError" in caplog.text


def test_no_word_of_a_note_stands_in_logs_or_addresses(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        begun = client.post("/records", data={"text": DEMO})
        place = begun.headers["hx-redirect"]
        client.get(place)
        client.post("/records/search", data={"text": "Quillhaven"})
    assert "Quillhaven" not in place and "Quillhaven" not in caplog.text


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_files_of_the_store_are_the_owners_alone(records: Records, tmp_path: Path) -> None:
    records.begin(DEMO)
    for file in tmp_path.glob("records.db*"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file.name


def test_templates_have_no_script_or_style_of_their_own(lexicon: Lexicon) -> None:
    import dictate.desk

    for file in Path(dictate.desk.__file__).parent.rglob("*.html"):
        text = file.read_text()
        for part in ("<script>", "style=", "<style", "onclick", "hx-on", "javascript:", "js:", "http://", "https://"):
            assert part not in text, f"{file.name}: {part}"
        assert "|safe" not in text


def test_static_files_load_nothing_from_elsewhere() -> None:
    import dictate.desk

    folder = Path(dictate.desk.__file__).parent / "static"
    for name in ("desk.js", "desk.css"):
        text = (folder / name).read_text()
        assert "http" not in text.replace("htmx", "") and "@import" not in text and "url(" not in text
    assert (folder / "vendor" / "htmx.LICENSE").is_file()

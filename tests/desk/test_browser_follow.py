"""Suggestions, files and referrals as a clinician uses them: a real browser on a real server."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from dictate.store import Referral, open_store

from .conftest import Shared, opened, wait_for
from .test_browser import DEMO, faults, open_questions, paste, press, ready, until, write

RAPD = "Right RAPD. Red desaturation right. Plan: OCT."
WIDE = "document.documentElement.scrollWidth"


def settle(page: Any) -> None:
    """The demo note with its questions answered."""
    paste(page, DEMO)
    for left in (2, 1, 0):
        press(page, "1", open_questions(left))


# ---- suggestions ----------------------------------------------------------------------------------


def test_a_key_adds_the_first_thing_suggested_and_undo_takes_it_back(page: Any) -> None:
    write(page, RAPD)
    page.keyboard.press("Escape")
    assert "ophthalmologist" in page.locator("[data-key=p]").inner_text()
    press(page, "p", "document.getElementById('offers').textContent.includes('✓ planned')")
    assert "✎ yours" in page.locator("#sheet").inner_text()
    assert "ophthalmologist" not in page.locator("[data-key=p]").inner_text()
    page.keyboard.press("u")
    until(page, "!document.getElementById('offers').textContent.includes('✓ planned')")
    page.locator(".takes button", has_text="MRI").click()
    until(page, "document.getElementById('sheet').textContent.includes('MRI')")


def test_sources_are_shown_on_demand(page: Any) -> None:
    write(page, RAPD)
    source = page.locator(".offer dd li", has_text="College of Optometrists").first
    assert not source.is_visible()
    page.locator(".offer summary").first.click()
    assert source.is_visible()


# ---- files and text -------------------------------------------------------------------------------


def test_the_record_is_copied_as_text(page: Any) -> None:
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    write(page, "Pressure 16 right, 17 left.")
    page.get_by_role("button", name="Copy as text").click()
    page.get_by_role("button", name="Copied").wait_for()
    text = page.evaluate("navigator.clipboard.readText()")
    assert "Eye pressure" in text and "16 mmHg" in text


def test_where_no_script_may_copy_the_text_is_marked(page: Any) -> None:
    write(page, "Pressure 16 right, 17 left.")
    page.evaluate("void (navigator.clipboard.writeText = () => Promise.reject(new Error()))")
    page.get_by_role("button", name="Copy as text").click()
    place = page.locator("#pulled textarea")
    place.wait_for()
    assert "16 mmHg" in place.input_value()
    assert page.evaluate("document.activeElement.selectionEnd > 100")


def test_exports_are_downloaded_once_nothing_is_open(page: Any) -> None:
    paste(page, DEMO)
    assert page.locator("#along a").count() == 0
    for left in (2, 1, 0):
        press(page, "1", open_questions(left))
    for words, ending in (("JSON", ".json"), ("CSV", ".csv"), ("FHIR R4", ".fhir.json")):
        with page.expect_download() as found:
            page.locator("#along a", has_text=words).click()
        record = page.url.rsplit("/", 1)[1]
        assert found.value.suggested_filename == record + ending
        assert Path(found.value.path()).stat().st_size > 1000


def test_an_export_that_lacks_something_says_so(page: Any) -> None:
    write(page, "Pressure 16 right, 17 left.")
    page.locator("#along a", has_text="HL7").click()
    page.wait_for_selector("h1")
    assert "reference" in page.locator("main p").first.inner_text()


# ---- referrals ------------------------------------------------------------------------------------


@pytest.fixture
def referral(shared: Shared) -> Iterator[Referral]:
    """One that is three days overdue."""
    with open_store(str(shared.desk.store)) as store:
        head = store.new("MK")
        store.set_patient(head.id, {"name": "Zoë Ångström", "reference": "Q-55"}, head.revision, "MK")
        made = store.open_referral(head.id, "Eye clinic Übersee", "soon", date.today() - timedelta(days=3), "MK")
    yield made
    with open_store(str(shared.desk.store)) as store:
        store.delete(made.record_id, "MK")


def test_a_referral_is_followed_through(page: Any, shared: Shared, referral: Referral) -> None:
    page.reload()
    page.get_by_role("link", name="Referrals (1 overdue)").click()
    ready(page)
    one = page.locator(f"#r-{referral.id}")
    assert "overdue 3 days" in one.inner_text()
    one.get_by_role("button", name="It was sent today").click()
    one.get_by_label("Appointment").first.wait_for()
    one.get_by_label("Appointment").first.fill(str(date.today() + timedelta(days=5)))
    one.get_by_role("button", name="It is booked").click()
    until(page, f"document.getElementById('r-{referral.id}').textContent.includes('after ')")
    one.get_by_text("File a reply").click()
    one.get_by_label("The reply, pasted").fill("Seen.\nDrusen <b>only</b>.")
    one.get_by_role("button", name="File it").click()
    one.get_by_text("What happened, with the reply").click()
    assert one.locator("blockquote").inner_text() == "Seen.\nDrusen <b>only</b>."
    assert not one.get_by_label("The reply, pasted").is_visible()
    one.get_by_role("button", name="Close it").click()
    wait_for(lambda: page.locator(f"#r-{referral.id}").count() == 0)
    with open_store(str(shared.desk.store)) as store:
        assert [step.state for step in store.referral_story(referral.id)] == [
            "draft",
            "sent",
            "booked",
            "replied",
            "closed",
        ]


def test_two_windows_on_one_referral(page: Any, referral: Referral, shared: Shared) -> None:
    page.goto(page.url + "referrals")
    ready(page)
    with open_store(str(shared.desk.store)) as store:
        store.set_referral(referral.id, "AB", state="sent")
    page.locator(f"#r-{referral.id}").get_by_role("button", name="It was sent today").click()
    page.wait_for_selector("#notice :text('changed elsewhere')")
    page.get_by_text("Show it as it is saved").click()
    page.locator(f"#r-{referral.id}").get_by_role("button", name="It is booked").wait_for()


# ---- for everybody ----------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_no_serious_fault(chromium: Any, shared: Shared, referral: Referral, width: int, scheme: str) -> None:
    size = {"width": width, "height": 844}
    for page in opened(chromium, shared, viewport=size, color_scheme=scheme, reduced_motion="reduce"):
        settle(page)
        for summary in page.locator(".offer summary").all():
            summary.click()
        assert page.locator(".offer").count() > 0
        assert faults(page) == []
        assert page.evaluate(WIDE) == width
        page.goto(page.url.split("/records")[0] + "/referrals")
        ready(page)
        for summary in page.locator(f"#r-{referral.id} summary").all():
            summary.click()
        assert faults(page) == []
        assert page.evaluate(WIDE) == width

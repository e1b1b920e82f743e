"""From paste to the finished letter, as a clinician does it: a real browser on a real server."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dictate.store import open_store

from .conftest import DEMO, Shared, opened, wait_for
from .test_browser import faults, open_questions, paste, ready, saved, until, write
from .test_browser_follow import WIDE

NOTE = "Left disc swollen, right flat. Pressure 16 right, 17 left. Plan: MRI. Refer ophthalmology urgently."


def letter(page: Any, text: str = NOTE, *, signed: bool = True) -> str:
    """A record with this note, and its letter opened by key; gives the record's id."""
    write(page, text)
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    record = page.url.rsplit("/", 1)[1]
    if signed:
        page.keyboard.press("s")
        page.locator("#sign input").fill("MK")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=version 1, signed MK")
        ready(page)
    page.keyboard.press("l")
    page.wait_for_url("**/letter/referral")
    ready(page)
    return record


def test_at_most_twenty_keystrokes_from_paste_to_the_finished_letter(page: Any, shared: Shared) -> None:
    strokes = 2  # Ctrl and V

    def stroke(key: str) -> None:
        nonlocal strokes
        strokes += 1
        page.keyboard.press(key)

    paste(page, DEMO)
    record = page.url.rsplit("/", 1)[1]
    for left in (2, 1, 0):
        stroke("1")
        until(page, open_questions(left))
        page.wait_for_timeout(300)
    for key in ("s", "M", "K", "Enter"):
        stroke(key)
    page.wait_for_selector("text=version 1, signed MK")
    ready(page)
    stroke("l")
    page.wait_for_selector("#preview :text('Please see this patient')")
    ready(page)
    stroke("f")
    stroke("Enter")
    page.wait_for_url("**/letters/1")
    assert strokes <= 20
    text = page.locator("#preview").inner_text()
    assert "within four weeks about suspected glaucoma in the left eye" in text and "unsigned" not in text.lower()
    with page.expect_download() as found:
        page.get_by_role("link", name="PDF").click()
    assert Path(found.value.path()).read_bytes().startswith(b"%PDF")
    with open_store(str(shared.desk.store)) as store:
        assert [one.number for one in store.letters(record)] == [1]
        assert [(one.state, one.urgency) for one in store.referrals(record)] == [("draft", "soon")]


def test_open_questions_lead_back_to_the_first(page: Any) -> None:
    paste(page, DEMO)
    page.keyboard.press("l")
    page.wait_for_selector("h1:text('No letter while anything is open')")
    assert page.locator(".waits li").count() == 3
    ready(page)
    page.keyboard.press("l")
    page.wait_for_selector(".q")
    ready(page)
    assert page.evaluate("document.activeElement.id") == "ask-title"


def test_an_unsigned_letter_leads_to_the_signature(page: Any) -> None:
    letter(page, signed=False)
    assert page.locator(".unsigned").inner_text().lower() == "unsigned draft"
    assert page.locator("[data-key=f]").count() == 0
    page.keyboard.press("s")
    page.wait_for_selector("dialog[open]#sign")
    page.keyboard.type("MK")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=version 1, signed MK")


def test_the_letter_is_edited_and_the_edit_kept(page: Any, shared: Shared) -> None:
    record = letter(page)
    page.locator("#body").focus()
    page.keyboard.press("Control+Home")
    for _ in range(2):
        page.keyboard.press("ArrowDown")
    page.keyboard.type("Zoë is worried; f l s ?\n")
    saved(page)
    assert page.locator("#preview .mine").inner_text().endswith("Zoë is worried; f l s ?")
    assert page.locator("dialog[open]").count() == 0
    page.locator("#to").fill("Dr Ó Súilleabháin\nEye clinic")
    page.locator("#body").focus()
    until(page, "document.getElementById('body').value.startsWith('Dear Dr Ó Súilleabháin,')")
    saved(page)
    page.reload()
    ready(page)
    assert "Zoë is worried; f l s ?" in page.locator("#body").input_value()
    page.locator("#body").focus()
    page.keyboard.press("Control+End")
    page.keyboard.type("Last words before it is final.")
    page.keyboard.press("Escape")
    page.keyboard.press("f")  # at once: what was typed goes along
    page.keyboard.press("Enter")
    page.wait_for_url("**/letters/1")
    assert "Zoë is worried" in page.locator("ul.own").inner_text()
    with open_store(str(shared.desk.store)) as store:
        [kept] = store.letters(record)
        assert "Last words before it is final." in kept.body
        assert [one.to for one in store.referrals(record)] == ["Dr Ó Súilleabháin"]


def test_two_windows_on_one_letter(page: Any) -> None:
    letter(page)
    other = page.context.new_page()
    other.goto(page.url)
    ready(other)
    other.locator("#body").press("Control+End")
    other.keyboard.type("\nFirst.\n")
    saved(other)
    page.locator("#body").press("Control+End")
    page.keyboard.type("\nSecond.\n")
    page.wait_for_selector("#notice :text('changed elsewhere')")
    assert "Second." in page.locator("#body").input_value()
    assert page.get_by_text("Copy my text").is_visible() and not page.locator("[data-do=keep]").is_visible()
    page.get_by_text("Show it as it is saved").click()
    until(page, "document.getElementById('body').value.includes('First.')")
    other.close()


def test_the_finished_letter_is_copied_as_text(page: Any) -> None:
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    letter(page)
    page.keyboard.press("f")
    page.keyboard.press("Enter")
    page.wait_for_url("**/letters/1")
    ready(page)
    page.get_by_role("button", name="Copy as text").click()
    page.get_by_role("button", name="Copied").wait_for()
    text = page.evaluate("navigator.clipboard.readText()")
    assert "Please see this patient urgently" in text and "- Pressure" not in text and "Findings\n" in text
    page.get_by_role("link", name="Follow it through").click()
    page.get_by_role("button", name="It was sent today").first.wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_no_serious_fault(chromium: Any, shared: Shared, width: int, scheme: str) -> None:
    size = {"width": width, "height": 844}
    for page in opened(chromium, shared, viewport=size, color_scheme=scheme, reduced_motion="reduce"):

        def sound(page: Any = page) -> None:
            assert faults(page) == []
            assert page.evaluate(WIDE) == width

        paste(page, DEMO)
        record = page.url
        page.goto(f"{record}/letter/referral")
        sound()
        page.goto(record)
        for left in (2, 1, 0):
            page.locator(".q:not([hidden]) .choices button").first.click()
            until(page, open_questions(left))
            page.wait_for_timeout(300)
        page.goto(f"{record}/letter/patient")
        ready(page)
        sound()
        page.locator("[data-key=s]").click()
        page.locator("#sign input").fill("MK")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=version 1, signed MK")
        page.goto(f"{record}/letter/referral")
        ready(page)
        page.locator("#body").fill("Dear colleague,\n\nIn my own words.\n")
        saved(page)
        wait_for(lambda page=page: page.locator(".beside del").count() > 0)
        sound()
        page.locator("[data-do=finish]").click()
        sound()
        page.keyboard.press("Enter")
        page.wait_for_url("**/letters/1")
        ready(page)
        sound()


def test_the_focus_is_always_to_be_seen(page: Any) -> None:
    letter(page)
    seen = "() => { const e = document.activeElement, s = getComputedStyle(e); return e === document.body || s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; }"
    for _ in range(20):
        page.keyboard.press("Tab")
        assert page.evaluate(seen), page.evaluate("document.activeElement.outerHTML.slice(0, 200)")

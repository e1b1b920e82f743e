"""Takes the pictures in the README from the real desk: python tests/desk/pictures.py tests/desk/screens"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from conftest import CHROMIUM, DEMO, Desk
from playwright.sync_api import sync_playwright

SIZES = {"desk": (1280, 900), "phone": (390, 844)}
CLINIC = """
[clinic]
name = "Quillhaven Eye Room"
address = ["3 Wharf Lane", "Quillhaven"]
phone = "01632 960123"
[clinician]
name = "Mara Kestrel"
role = "Optometrist"
"""
PASTE = """text => {
  const data = new DataTransfer();
  data.setData("text/plain", text);
  document.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
}"""


def take(page: Any, name: str, folder: Path) -> None:
    """An open note, the same note settled, with a patient, and its letter."""
    page.wait_for_timeout(500)
    page.evaluate(PASTE, DEMO)
    page.wait_for_url("**/records/*")
    page.locator("input[name=reference]").fill("Q-0141")
    page.locator("input[name=name]").fill("Ada Example")
    page.locator("input[name=birth_date]").fill("1968-03-09")
    page.locator("#ask-title").click()
    page.wait_for_timeout(800)
    page.screenshot(path=str(folder / f"{name}-open.png"))
    for key in "131":
        page.keyboard.press(key)
        page.wait_for_timeout(800)
    page.locator(".v", has_text="24 mmHg").hover()
    page.wait_for_timeout(300)
    page.screenshot(path=str(folder / f"{name}-settled.png"))
    page.locator("[data-do=sign]").click()
    page.keyboard.type("MK")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=version 1, signed MK")
    page.wait_for_timeout(800)
    page.keyboard.press("l")
    page.wait_for_url("**/letter/referral")
    page.locator("#to").fill("Dr Ines Placeholder\nEye clinic, Invented Hospital")
    page.locator("#letter-title").click()
    page.wait_for_timeout(1200)
    page.screenshot(path=str(folder / f"{name}-letter.png"))


def main(folder: Path) -> None:
    """All pictures."""
    for name, (width, height) in SIZES.items():
        place = Path(tempfile.mkdtemp())
        (place / "settings.toml").write_text(CLINIC, encoding="utf-8")
        os.environ["DICTATE_SETTINGS"] = str(place / "settings.toml")
        desk = Desk(place / "own" / "records.db").start()
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
            page = browser.new_page(viewport={"width": width, "height": height}, locale="en-GB")
            page.goto(desk.address)
            take(page, name, folder)
            browser.close()
        desk.stop()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

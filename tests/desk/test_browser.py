"""The desk as a clinician uses it: a real browser on a real server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dictate.store import open_store

from .conftest import DEMO, Desk, Shared, opened, wait_for

AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text(encoding="utf-8")
PAIR = "Pressures 17 and 24."
PASTE = """text => {
  const data = new DataTransfer();
  data.setData("text/plain", text);
  document.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
}"""


def paste(page: Any, text: str) -> None:
    """A note pasted on the list becomes a record."""
    ready(page)
    page.evaluate(PASTE, text)
    page.wait_for_url("**/records/*")
    ready(page)


def write(page: Any, text: str) -> None:
    """A new record with this note."""
    ready(page)
    page.keyboard.press("n")
    page.wait_for_url("**/records/*")
    ready(page)
    page.locator("#note").fill(text)
    saved(page)


def until(page: Any, what: str) -> None:
    """Wait until an expression is true; asked from outside, for the page itself may evaluate none."""
    wait_for(lambda: page.evaluate(what), 15)


def ready(page: Any) -> None:
    until(page, "document.documentElement.dataset.ready === 'yes'")
    page.wait_for_timeout(300)  # a question takes no answer before it can have been read


def saved(page: Any) -> None:
    until(page, "document.getElementById('saved').textContent === 'saved'")
    page.wait_for_timeout(100)
    until(page, "document.getElementById('saved').textContent === 'saved'")


def press(page: Any, key: str, then: str) -> None:
    page.keyboard.press(key)
    until(page, then)
    page.wait_for_timeout(300)


def open_questions(count: int) -> str:
    return f"document.querySelectorAll('.q').length === {count}"


def kept(desk: Desk, page: Any) -> str:
    """The note of the page's record as the store has it."""
    with open_store(str(desk.store)) as store:
        return store.load(page.url.rsplit("/", 1)[1]).text


def faults(page: Any) -> list[str]:
    """Serious and critical faults that axe-core finds."""
    page.wait_for_timeout(250)  # until colours have faded in
    found = page.evaluate(f"async () => {{ {AXE}; return (await axe.run()).violations; }}")
    return [
        f"{one['id']}: {node['target']} {node['failureSummary']}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


# ---- from paste to signed, by keyboard --------------------------------------------------------


def test_paste_settle_sign_and_amend_by_keyboard_only(page: Any) -> None:
    paste(page, DEMO)
    assert page.locator(".q").count() == 3
    press(page, "1", open_questions(2))
    press(page, "3", open_questions(1))
    press(page, "1", open_questions(0))
    assert page.locator(".is").inner_text() == "settled"
    page.keyboard.press("s")
    page.keyboard.type("MK")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=version 1, signed MK")
    assert page.locator("textarea").count() == 0
    ready(page)
    page.keyboard.press("a")
    page.wait_for_selector("text=Changed since version 1")
    ready(page)
    page.keyboard.press("a")  # a row by hand, now
    page.wait_for_selector("#else-new form")
    page.keyboard.press("Escape")
    assert page.locator("#else-new form").count() == 0
    page.locator("#note").focus()
    page.keyboard.press("Control+Home")
    page.keyboard.type("Seen again. ")
    saved(page)
    page.keyboard.press("Escape")
    page.keyboard.press("s")
    page.locator("#sign input").fill("AB")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=version 2, signed AB")
    assert page.locator("ins").inner_text().strip() == "Seen again."


def test_at_most_twelve_keystrokes_from_paste_to_signed(page: Any) -> None:
    strokes = 0

    def stroke(key: str) -> None:
        nonlocal strokes
        strokes += 1
        page.keyboard.press(key)

    strokes += 2  # Ctrl and V
    paste(page, DEMO)
    for left in (2, 1, 0):
        stroke("1")
        until(page, open_questions(left))
        page.wait_for_timeout(300)
    for key in ("s", "M", "K", "Enter"):
        stroke(key)
    page.wait_for_selector("text=version 1, signed MK")
    assert strokes <= 12


def test_a_key_pressed_twice_answers_one_question(page: Any) -> None:
    paste(page, DEMO)
    page.keyboard.press("1")
    page.keyboard.press("1")
    until(page, open_questions(2))
    page.keyboard.press("1")  # the next question has only just come up
    page.wait_for_timeout(400)
    assert page.locator(".q").count() == 2


def test_typing_in_the_note_triggers_no_key(page: Any) -> None:
    write(page, PAIR)
    page.locator("#note").focus()
    page.keyboard.press("Control+End")
    page.keyboard.type(" 1 0 e j k n r u s a x ?")
    saved(page)
    assert page.locator("#note").input_value() == PAIR + " 1 0 e j k n r u s a x ?"
    assert page.locator(".q").count() == 1
    assert page.locator("dialog[open]").count() == 0


def test_typing_in_a_field_triggers_no_key(page: Any) -> None:
    write(page, PAIR)
    page.locator("input[name=name]").focus()
    page.keyboard.type("us1s0")
    page.keyboard.press("Tab")
    page.wait_for_timeout(300)
    assert page.locator("dialog[open]").count() == 0 and page.locator(".q").count() == 1
    page.reload()
    assert page.locator("input[name=name]").input_value() == "us1s0"


def test_keys_can_be_switched_off(page: Any) -> None:
    write(page, PAIR)
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    page.keyboard.press("?")
    page.locator("#single-keys").uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("1")
    page.wait_for_timeout(300)
    assert page.locator(".q").count() == 1
    page.locator("[data-do=keys]").click()
    page.locator("#single-keys").check()


def test_next_before_note_and_record_by_keys(page: Any) -> None:
    paste(page, DEMO)
    visible = page.locator(".q:not([hidden]) h3")
    first = visible.inner_text()
    page.keyboard.press("j")
    assert visible.inner_text() != first and "2 of 3" in page.locator("#ask-title").inner_text()
    page.keyboard.press("k")
    assert visible.inner_text() == first
    page.keyboard.press("n")
    assert page.evaluate("document.activeElement.id") == "note"
    assert page.evaluate("note.value.slice(note.selectionStart, note.selectionEnd)").startswith("Pressures 17")
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "ask-title"
    page.keyboard.press("r")
    assert page.evaluate("document.activeElement.textContent") == "17 mmHg"


def test_every_key_has_a_visible_control(page: Any) -> None:
    paste(page, DEMO)
    press(page, "1", open_questions(2))
    for key in "1230ejknrua?":
        shown = page.locator(f'[data-key="{key}"]:visible')
        assert shown.count() >= 1, key
        assert key in shown.first.inner_text(), key


def test_undo_to_the_start(page: Any) -> None:
    paste(page, DEMO)
    for left in (2, 1, 0):
        press(page, "1", open_questions(left))
    for left in (1, 2, 3):
        press(page, "u", open_questions(left))
    assert page.locator("[data-key=u]").count() == 0


def test_something_else_by_keyboard(page: Any) -> None:
    paste(page, PAIR)
    page.keyboard.press("e")
    page.wait_for_selector(".else form")
    until(page, "document.activeElement.name === 'value.right'")
    page.keyboard.type("18")
    page.keyboard.press("Tab")
    page.keyboard.type("25")
    page.keyboard.press("Enter")
    until(page, open_questions(0))
    assert page.locator(".whose").first.inner_text() == "✎ yours"
    assert "18 mmHg" in page.locator("#sheet").inner_text()


def test_something_else_that_does_not_fit_keeps_the_form(page: Any) -> None:
    paste(page, PAIR)
    page.keyboard.press("e")
    until(page, "document.activeElement.name === 'value.right'")
    page.keyboard.type("high")
    page.keyboard.press("Enter")
    page.wait_for_selector("#notice .notice")
    assert "no number in mmHg" in page.locator("#notice").inner_text()
    assert page.locator("input[name='value.right']").input_value() == "high"


def test_a_value_is_changed_and_taken_out_by_hand(page: Any) -> None:
    write(page, "Pressure 16 right, 17 left.")
    page.locator(".v", has_text="17 mmHg").click()
    page.locator(".detail:not([hidden])").get_by_text("change or take out").click()
    page.wait_for_selector(".else form")
    page.locator("input[name='value.left']").fill("27")
    page.keyboard.press("Enter")
    page.wait_for_selector(".v:has-text('27 mmHg')")
    page.locator(".v", has_text="27 mmHg").click()
    detail = page.locator(".detail:not([hidden])")
    assert "entered by hand" in detail.inner_text()
    assert "17 mmHg" in detail.locator("del").inner_text()
    detail.get_by_text("change or take out").click()
    page.get_by_role("button", name="Take out", exact=True).click()
    until(page, "!document.getElementById('sheet').textContent.includes('27 mmHg')")
    page.keyboard.press("u")
    page.wait_for_selector(".v:has-text('27 mmHg')")


# ---- the note -----------------------------------------------------------------------------------


def test_marks_lie_under_their_words(page: Any) -> None:
    write(page, DEMO)
    for place in ("value", "ask", "loose", "aside"):
        assert page.locator(f"#marks .m.{place}").count() > 0, place
    boxes = page.evaluate(
        "[note, marks].map(e => { const b = e.getBoundingClientRect(); return [b.x, b.y, b.width, b.height]; })"
    )
    assert boxes[0] == pytest.approx(boxes[1], abs=0.6)
    styles = "[note, marks].map(e => { const s = getComputedStyle(e); return ['font','lineHeight','padding','letterSpacing','whiteSpaceCollapse','overflowWrap','tabSize'].map(k => s[k]); })"
    one, other = page.evaluate(styles)
    assert one == other
    assert page.locator(".margin").count() == 3


def test_marks_follow_an_edit_before_the_server_has_read_it(page: Any) -> None:
    write(page, f"Discs healthy. {PAIR}\n\nMaculae flat.")
    same = "marks.textContent === note.value + '\\n'"
    assert page.evaluate(same)
    page.evaluate(
        """() => {
          window.wrong = 0;
          note.addEventListener("input", () => { if (marks.textContent !== note.value + "\\n") window.wrong++; });
        }"""
    )
    page.locator("#note").focus()
    page.keyboard.press("Control+Home")
    page.keyboard.type("Seen 👁 today.\n")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Delete")
    page.keyboard.press("Control+End")
    page.keyboard.type("\n\nCorneas clear.")
    page.keyboard.press("Control+a")
    page.keyboard.press("Control+x")
    page.keyboard.type("Pressure 16 right.")
    assert page.evaluate("window.wrong") == 0
    saved(page)
    assert page.evaluate(same)


def test_words_and_values_light_each_other(page: Any) -> None:
    write(page, "Pupils 4 mm in room light. Pressure 16 right, 17 left.")
    page.locator(".v", has_text="17 mmHg").hover()
    lit = [t for t in page.locator(".m.on").all_inner_texts() if t.strip()]
    assert "17 left" in " ".join(lit)
    assert "read from the note" in page.locator("#peek").inner_text()
    page.locator("#note").focus()
    page.wait_for_timeout(500)  # the page does not jump while one types
    page.keyboard.press("Control+Home")
    for _ in range(9):
        page.keyboard.press("ArrowRight")
    until(page, "document.querySelectorAll('.v.on').length === 2")
    assert page.locator(".v.on").all_inner_texts() == ["4 mm", "4 mm"]


def test_what_was_opened_stays_open_while_one_types(page: Any) -> None:
    write(page, "Pressure 16 right, 28 left.")
    page.locator(".v", has_text="28 mmHg").click()
    page.locator(".told summary").first.click()
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Discs healthy.")
    saved(page)
    page.wait_for_selector(".v:has-text('normal')")
    assert page.locator(".detail:not([hidden])").count() == 1
    assert page.locator(".v[aria-expanded=true]").inner_text() == "28 mmHg"
    assert page.locator(".told[open]").count() == 1


def test_markup_in_a_note_is_text(page: Any) -> None:
    bad = '<script>window.hit = 1</script> "><img src=x onerror="window.hit = 1"> </textarea><b>Pressure 16 right</b>'
    write(page, bad)
    page.reload()
    ready(page)
    assert page.locator("#note").input_value() == bad
    assert page.evaluate("marks.textContent") == bad + "\n"
    assert page.evaluate("window.hit") is None
    assert page.locator("img").count() == 0 and page.locator("#marks script").count() == 0
    page.locator("input[name=name]").fill(bad)
    page.locator("input[name=name]").press("Tab")
    page.wait_for_timeout(400)
    page.goto(page.url.split("/records")[0])
    assert page.evaluate("window.hit") is None and page.locator("img").count() == 0


def test_a_note_may_begin_with_an_empty_line(page: Any) -> None:
    write(page, "\n\nPressure 16 right.\n")
    page.reload()
    ready(page)
    assert page.locator("#note").input_value() == "\n\nPressure 16 right.\n"
    assert page.evaluate("marks.textContent === note.value + '\\n'")


def test_an_edit_keeps_answers_and_asks_again_for_the_rest(page: Any) -> None:
    write(page, f"{PAIR} Corneal thickness 538.")
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    press(page, "2", open_questions(1))
    press(page, "1", open_questions(0))
    page.locator("#note").fill("Pressures 17 and 25. Corneal thickness 538.")
    until(page, open_questions(1))
    assert "apply no more" in page.locator("#ask").inner_text()
    assert "your answer" in page.locator("#sheet").inner_text()
    page.locator("#note").fill(f"{PAIR} Corneal thickness 538. Discs healthy.")
    until(page, open_questions(0))  # the words are back, and so is the answer
    assert "apply no more" not in page.locator("#ask").inner_text()


# ---- nothing lost ---------------------------------------------------------------------------------


def test_a_reload_loses_nothing(page: Any, shared: Shared) -> None:
    write(page, f"{PAIR} Discs healthy.")
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    press(page, "2", open_questions(0))
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    saved(page)
    page.reload()
    ready(page)
    assert page.locator("#note").input_value() == f"{PAIR} Discs healthy. Maculae flat."
    assert page.locator(".q").count() == 0
    assert "your answer" in page.locator("#sheet").inner_text()


def test_a_killed_server_loses_nothing(chromium: Any, desk: Desk) -> None:
    context = chromium.new_context()
    page = context.new_page()
    page.goto(desk.address)
    write(page, "Discs healthy.")
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    page.wait_for_timeout(1000)
    desk.kill()
    assert kept(desk, page) == "Discs healthy. Maculae flat."
    page.keyboard.type(" Corneas clear.")
    page.wait_for_selector("#notice :text('does not answer')")
    assert page.locator("#note").input_value() == "Discs healthy. Maculae flat. Corneas clear."
    assert page.locator("#saved").inner_text() == "not saved"
    desk.start()
    fresh = context.new_page()
    fresh.goto(desk.address)  # lets this browser in again; the page that was open goes on by itself
    wait_for(lambda: kept(desk, page) == "Discs healthy. Maculae flat. Corneas clear.")
    until(page, "document.getElementById('saved').textContent === 'saved'")
    with open_store(str(desk.store)) as store:
        assert store.verify() == []
    context.close()


def test_a_note_that_is_not_saved_is_not_left_unasked(chromium: Any, desk: Desk) -> None:
    context = chromium.new_context()
    page = context.new_page()
    page.goto(desk.address)
    write(page, "Discs healthy.")
    desk.kill()
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    page.wait_for_selector("#notice :text('does not answer')")
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    page.close(run_before_unload=True)
    other = context.new_page()
    for _ in range(100):
        other.wait_for_timeout(50)
        if asked:
            break
    assert asked == ["beforeunload"]
    context.close()


def test_two_windows_on_one_note(page: Any, shared: Shared) -> None:
    write(page, "Discs healthy.")
    other = page.context.new_page()
    other.goto(page.url)
    ready(other)
    other.locator("#note").press("Control+End")
    other.keyboard.type(" Maculae flat.")
    saved(other)
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Corneas clear.")
    page.wait_for_selector("[data-stale]")
    assert "changed elsewhere" in page.locator("#notice").inner_text()
    assert kept(shared.desk, page) == "Discs healthy. Maculae flat."
    page.wait_for_timeout(500)
    assert page.locator("#note").input_value() == "Discs healthy. Corneas clear."
    page.get_by_text("Put my text in its place").click()
    saved(page)
    assert kept(shared.desk, page) == "Discs healthy. Corneas clear."
    assert page.locator("[data-stale]").count() == 0
    page.keyboard.type(" Lids quiet.")
    saved(page)
    assert kept(shared.desk, page) == "Discs healthy. Corneas clear. Lids quiet."
    other.close()


def test_the_second_window_is_told_when_it_comes_to_the_front(page: Any) -> None:
    write(page, "Discs healthy.")
    other = page.context.new_page()
    other.goto(page.url)
    ready(other)
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    saved(page)
    other.evaluate("dispatchEvent(new Event('focus'))")
    other.wait_for_selector("[data-stale]")
    assert other.locator("[data-do=keep]").is_hidden()  # there is nothing of its own to put there
    other.locator("#note").press("Control+End")
    other.keyboard.type(" Mine.")
    assert other.locator("[data-do=keep]").is_visible()
    assert other.locator("#saved").inner_text() == "not saved"
    other.get_by_text("Show the record as it is saved").click()
    until(other, "note.value === 'Discs healthy. Maculae flat.'")
    other.close()


def test_a_window_on_a_record_that_was_signed_elsewhere_is_told(page: Any) -> None:
    write(page, "Discs healthy.")
    other = page.context.new_page()
    other.goto(page.url)
    ready(other)
    other.keyboard.press("s")
    other.locator("#sign input").fill("MK")
    other.keyboard.press("Enter")
    other.wait_for_selector("text=version 1, signed MK")
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    page.wait_for_selector("[data-stale]")
    assert "signed" in page.locator("#notice").inner_text()
    assert page.locator("#note").input_value() == "Discs healthy. Maculae flat."
    assert page.get_by_text("Copy my text").is_visible()
    page.get_by_text("Show the record as it is saved").click()
    page.wait_for_selector("text=version 1, signed MK")
    other.close()


def test_a_note_that_is_too_large_stays_in_the_page(page: Any, shared: Shared) -> None:
    write(page, "Discs healthy.")
    page.locator("#note").evaluate(
        "(note) => { note.value += 'x'.repeat(1200000); note.dispatchEvent(new Event('input')); }"
    )
    page.wait_for_selector("#notice .notice")
    assert "1 MB" in page.locator("#notice").inner_text()
    assert page.evaluate("note.value.length") == 1_200_014
    assert kept(shared.desk, page) == "Discs healthy."
    page.locator("#note").fill("Discs healthy. Maculae flat.")
    saved(page)


def test_a_full_disk_is_told_and_saving_tried_again(page: Any, shared: Shared) -> None:
    write(page, "Discs healthy.")
    told = '<hx-partial hx-target="#notice" hx-swap="innerMorph"><div class="notice"><p>The disk is full.</p></div></hx-partial>'
    page.route("**/note", lambda route: route.fulfill(status=507, content_type="text/html", body=told))
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Maculae flat.")
    page.wait_for_selector("#notice :text('The disk is full.')")
    until(page, "document.getElementById('saved').textContent === 'not saved'")
    assert page.locator("#note").input_value() == "Discs healthy. Maculae flat."
    page.unroute("**/note")
    saved(page)
    assert kept(shared.desk, page) == "Discs healthy. Maculae flat."
    until(page, "!document.getElementById('notice').textContent.includes('full')")


def test_half_an_answer_typed_survives_an_edit_of_the_note(page: Any) -> None:
    write(page, PAIR)
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    page.keyboard.press("e")
    until(page, "document.activeElement.name === 'value.right'")
    page.keyboard.type("18")
    page.locator("#note").press("Control+End")
    page.keyboard.type(" Discs healthy.")
    saved(page)
    assert page.locator("input[name='value.right']").input_value() == "18"
    page.locator("input[name='value.left']").fill("24")
    page.keyboard.press("Enter")
    until(page, open_questions(0))
    assert page.locator(".v", has_text="18 mmHg").count() == 1


def test_sketches_are_drawn_with_a_text_that_says_the_same(page: Any) -> None:
    paste(page, DEMO)
    assert page.locator("#sketches svg[role=img]").count() == 3
    told = page.locator("#sketches svg desc").all_text_contents()
    assert any("cup 0.7" in one for one in told)
    assert page.locator("#sketches svg [style], #sketches svg style, #sketches svg script").count() == 0


# ---- for everybody ----------------------------------------------------------------------------------


@pytest.fixture(params=["light", "dark"])
def scheme(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=[1280, 390])
def sized(request: pytest.FixtureRequest, chromium: Any, shared: Shared, scheme: str) -> Iterator[Any]:
    size = {"width": request.param, "height": 844}
    yield from opened(chromium, shared, viewport=size, color_scheme=scheme, reduced_motion="reduce")


def test_axe_finds_no_serious_fault_on_any_page(sized: Any) -> None:
    page = sized
    assert faults(page) == []
    page.keyboard.press("?")
    assert faults(page) == []
    page.keyboard.press("Escape")
    paste(page, DEMO)
    assert faults(page) == []
    page.locator(".v").first.click()
    page.locator(".q:not([hidden]) [data-key=e]").click()
    page.wait_for_selector(".else form")
    assert faults(page) == []
    page.keyboard.press("Escape")
    for left in (2, 1, 0):
        page.locator(".q:not([hidden]) .choices button").first.click()
        until(page, open_questions(left))
        page.wait_for_timeout(300)
    page.evaluate("document.getElementById('note-fold').open = true")
    assert faults(page) == []
    page.locator("[data-do=sign]").click()
    assert faults(page) == []
    page.keyboard.type("MK\n")
    page.wait_for_selector("text=version 1, signed MK")
    ready(page)
    assert faults(page) == []
    page.locator("[data-key=a]").first.click()
    page.wait_for_selector("text=Changed since")
    ready(page)
    page.evaluate("document.getElementById('note-fold').open = true")
    page.locator("#note").fill(DEMO.replace("17 and 24", "18 and 24"))
    until(page, open_questions(1))
    assert faults(page) == []
    page.goto(page.url.split("/records")[0] + "/records/nothing2")
    assert faults(page) == []


def test_nothing_is_wider_than_a_phone(chromium: Any, shared: Shared) -> None:
    for page in opened(chromium, shared, viewport={"width": 390, "height": 844}):
        wide = "document.documentElement.scrollWidth"
        assert page.evaluate(wide) == 390
        paste(page, DEMO)
        assert page.evaluate(wide) == 390
        order = page.evaluate(
            "['ask', 'sheet', 'note-fold'].map(id => document.getElementById(id).getBoundingClientRect().top)"
        )
        assert order == sorted(order)
        assert not page.evaluate("document.getElementById('note-fold').open")
        assert "46 values" in page.locator("#counts").inner_text()
        right, left = (page.locator(f".tests thead th >> nth={n}").bounding_box() for n in (0, 1))
        assert right["x"] < left["x"]
        page.locator(".q:not([hidden]) [data-key=e]").click()
        page.wait_for_selector(".else form")
        assert page.evaluate(wide) == 390
        page.locator("#note-fold summary").click()
        assert page.locator("#note").is_visible()


def test_the_focus_is_always_to_be_seen(page: Any) -> None:
    paste(page, DEMO)
    seen = """() => { const e = document.activeElement, s = getComputedStyle(e);
      return e === document.body || e.closest(".paper") !== null || e.matches(".out") || s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2; }"""
    for _ in range(60):
        page.keyboard.press("Tab")
        assert page.evaluate(seen), page.evaluate("document.activeElement.outerHTML.slice(0, 200)")


def test_the_print_is_the_record_alone(page: Any) -> None:
    paste(page, DEMO)
    page.emulate_media(media="print")
    assert page.locator(".tests").is_visible()
    assert not page.locator("#note").is_visible() and not page.locator("#ask").is_visible()
    assert not page.locator("[data-do=first]").is_visible()


def test_meaning_never_hangs_on_colour_alone(page: Any) -> None:
    paste(page, DEMO)
    marks = {
        kind: page.locator(f"#marks .m.{kind}").first.evaluate("e => getComputedStyle(e).textDecorationStyle")
        for kind in ("value", "ask", "loose")
    }
    assert marks == {"value": "solid", "ask": "dotted", "loose": "wavy"}
    assert all(t.strip() == "outside the usual" for t in page.locator(".v.outside ~ .out-words").all_inner_texts())
    press(page, "1", open_questions(2))
    assert page.locator(".whose").first.inner_text() == "✓ your answer"


def test_the_list_finds_records_while_one_types(page: Any) -> None:
    write(page, "Discs healthy.")
    page.locator("input[name=reference]").fill("Q-77123")
    page.locator("input[name=reference]").press("Tab")
    page.wait_for_timeout(300)
    record = page.url
    page.locator(".home").click()
    ready(page)
    page.locator("input[name=text][type=search]").fill("q-77123")
    until(page, "document.querySelectorAll('.heads tbody tr').length === 1")
    assert "q-77123" not in page.url.lower()
    page.locator(".heads a").click()
    assert page.url == record
    page.go_back()


def test_a_file_is_opened_from_the_list(page: Any, tmp_path: Path) -> None:
    file = tmp_path / "note.txt"
    file.write_text("Pressure 16 right.\n", encoding="utf-8")
    page.locator("input[type=file]").set_input_files(file)
    page.wait_for_url("**/records/*")
    assert page.locator("#note").input_value() == "Pressure 16 right.\n"


def test_no_address_in_the_history_has_the_secret(chromium: Any, desk: Desk) -> None:
    context = chromium.new_context()
    page = context.new_page()
    page.goto(desk.address)
    assert page.url == f"http://127.0.0.1:{desk.port}/"
    assert page.evaluate("history.length") <= 2
    assert page.evaluate("document.cookie") == ""
    context.close()

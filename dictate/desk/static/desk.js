// The desk's own script: marks that follow the typing, saving, keys, and the way between words and values.
// Requests and replacing parts of the page are htmx's work; the server decides what a page shows.

const byId = (id) => document.getElementById(id);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const note = byId("note");
const marks = byId("marks");

// ---- the note: marks that follow each edit ---------------------------------------------------

let shown = note ? note.value : ""; // the text that the marks are laid out for

/** Move the marks with an edit at once, before the server has read it. */
function followEdit() {
  const text = note.value;
  if (text === shown) return;
  let start = 0;
  const least = Math.min(text.length, shown.length);
  while (start < least && text[start] === shown[start]) start++;
  let end = 0;
  while (end < least - start && text[text.length - 1 - end] === shown[shown.length - 1 - end]) end++;
  splice(start, shown.length - end - start, text.slice(start, text.length - end));
  shown = text;
}

/** In the marks, take out `gone` characters from `at` on and put `come` there. */
function splice(at, gone, come) {
  const walker = document.createTreeWalker(marks, NodeFilter.SHOW_TEXT);
  let place = 0;
  let put = come;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const length = node.data.length;
    const from = Math.max(at - place, 0);
    if (from <= length && (gone > 0 || put)) {
      const cut = Math.min(gone, length - from);
      if (from < length || put) node.replaceData(from, cut, put);
      put = "";
      gone -= cut;
    }
    place += length;
    if (!gone && !put) return;
  }
}

/** The marks with the place of their words in the note. */
function places() {
  const out = [];
  let place = 0;
  for (const node of marks.childNodes) {
    const length = node.textContent.length;
    if (node.nodeType === Node.ELEMENT_NODE) out.push({ node, start: place, end: place + length });
    place += length;
  }
  return out;
}

// ---- the note: saving -------------------------------------------------------------------------

const PAUSE = 12; // ms after the last key; while one text is on its way, the next one waits
const AGAIN = 2000; // ms until a save that failed is tried again
let timer = 0;
let saved = note ? note.value : "";
let sending = null; // the text that is on its way
let typedAt = -Infinity;
let elsewhere = false; // another window has changed the record

const unsaved = () => note !== null && note.value !== saved;

function later(pause = PAUSE) {
  clearTimeout(timer);
  timer = setTimeout(save, pause);
}

function save() {
  clearTimeout(timer);
  if (!unsaved() || sending !== null || elsewhere) return;
  sending = note.value;
  say("saving");
  htmx.trigger(byId("note-form"), "save-note");
}

function say(words) {
  const place = byId("saved");
  if (place && place.textContent !== words) place.textContent = words;
}

function settleSave(ok) {
  if (ok) {
    saved = sending;
    sending = null;
    if (unsaved()) later(0);
    else say("saved");
  } else {
    sending = null;
    say("not saved");
    if (!elsewhere) later(AGAIN);
  }
}

/** Where another window was faster: what is in this page only can replace the other text, or be copied. */
function offerText() {
  const own = (note !== null && note.value !== saved) || (letter !== null && letter.value !== letterKept);
  if (own) say("not saved");
  for (const button of all("[data-unsaved]")) button.hidden = !own || (button.dataset.do === "keep" && !note);
}

let aboutSaving = false; // whether the notice that is shown is about saving the note

/** A sentence of the page itself, where the server cannot give one. */
function tell(sentence) {
  const place = byId("notice");
  const box = document.createElement("div");
  const words = document.createElement("p");
  box.className = "notice";
  words.textContent = sentence;
  box.append(words);
  place.replaceChildren(box);
  aboutSaving = true;
}

if (note) {
  note.addEventListener("input", () => {
    typedAt = performance.now();
    followEdit();
    if (elsewhere) offerText();
    later();
  });
  addEventListener("beforeunload", (event) => {
    if (unsaved()) event.preventDefault();
  });
  addEventListener("focus", () => {
    if (!unsaved() && sending === null && !elsewhere) ask("now");
  });
}

/** Ask the server something about this record, outside of forms. */
function ask(what, fields = {}) {
  const path = byId("note-form").getAttribute("hx-post").replace(/note$/, what);
  return htmx.ajax("POST", path, { source: document.body, swap: "none", values: fields });
}

// ---- a letter --------------------------------------------------------------------------------------

const letter = byId("body");
const WRITTEN = 250; // ms after the last key
let letterTimer = 0;
let letterKept = letter ? letter.value : ""; // the text that the server has
let letterSent = "";
let finishing = false;

function keepLetter(pause) {
  clearTimeout(letterTimer);
  say("saving");
  letterTimer = setTimeout(() => htmx.trigger(byId("letter-form"), "save-letter"), pause);
}

if (letter) {
  letter.addEventListener("input", () => keepLetter(WRITTEN));
  byId("to").addEventListener("change", () => keepLetter(0));
  addEventListener("beforeunload", (event) => {
    if (letter.value !== letterKept && !finishing) event.preventDefault();
  });
}

/** What goes along with a letter's requests: the text of this moment, on the record that it was drafted from. */
function withLetter(ctx) {
  const id = ctx.sourceElement?.id;
  if (!letter || (id !== "letter-form" && id !== "final-form")) return;
  clearTimeout(letterTimer);
  letterSent = letter.value;
  finishing = id === "final-form";
  for (const [name, value] of [["to", byId("to").value], ["body", letter.value], ["made_on", byId("made-on").value]]) {
    ctx.request.body.set(name, value);
  }
}

/** After a letter was kept: a greeting that follows whom it goes to comes back into the text, if nobody has typed on. */
function letterSaved(ok) {
  finishing = finishing && ok;
  say(ok ? "saved" : "not saved");
  if (!ok) return;
  letterKept = letterSent;
  const now = byId("body-now")?.textContent ?? letterSent;
  if (letter.value === letterSent && now !== letterSent) letter.value = letterKept = now;
  if (letter.value !== letterKept) keepLetter(WRITTEN);
}

// ---- requests ---------------------------------------------------------------------------------

const isNote = (ctx) => ctx?.sourceElement?.id === "note-form";
let answeredAt = 0; // when the questions on the page last changed

document.addEventListener("htmx:before:request", (event) => {
  const { ctx } = event.detail;
  const revision = byId("revision");
  // What waits in line was put together on an older page; all changes of this page are of its last revision.
  if (revision && ctx.request.body instanceof URLSearchParams) ctx.request.body.set("revision", ctx.over ?? revision.value);
  withLetter(ctx);
  if (isNote(ctx)) {
    sending = note.value;
    ctx.request.body.set("text", sending);
  }
});

document.addEventListener("htmx:before:swap", (event) => {
  const { ctx, tasks } = event.detail;
  const fresh = tasks.find((task) => task.target?.id === "marks");
  if (fresh && note && fresh.fragment.textContent !== note.value + "\n") tasks.splice(tasks.indexOf(fresh), 1);
  else if (fresh && note) shown = note.value;
  // A notice goes when the thing it was about has worked: saving the note leaves one about a form.
  const notice = tasks.find((task) => task.target?.id === "notice");
  if (!notice || !isNote(ctx)) return;
  if (ctx.response.status >= 400) aboutSaving = true;
  else if (aboutSaving) aboutSaving = false;
  else tasks.splice(tasks.indexOf(notice), 1);
});

document.addEventListener("htmx:after:swap", (event) => {
  const status = event.detail.ctx.response?.status ?? 0;
  if (byId("notice")?.querySelector("[data-stale]")) {
    elsewhere = true;
    offerText();
  }
  if (status < 400) arrange(event.detail.ctx);
});

document.addEventListener("htmx:finally:request", (event) => {
  const { ctx } = event.detail;
  busy = Math.max(0, busy - 1);
  const status = ctx.response?.status;
  if (status === undefined && !ctx.request.signal?.aborted) {
    tell("The desk does not answer. What is in this page stays in it, and is saved as soon as the desk answers again: in the terminal, dictate desk.");
  }
  if (letter && /^(letter|final)-form$/.test(ctx.sourceElement?.id)) letterSaved(status >= 200 && status < 300);
  if (isNote(ctx)) settleSave(status >= 200 && status < 300);
});

let busy = 0;
document.addEventListener("htmx:config:request", () => { busy++; });

// ---- questions: one at a time -------------------------------------------------------------------

let current = 0;
const questions = () => all(".q");
const question = () => questions()[current] ?? null;

function show(index) {
  const list = questions();
  if (!list.length) return;
  current = Math.min(Math.max(index, 0), list.length - 1);
  list.forEach((one, n) => { one.hidden = n !== current; });
  const now = document.querySelector("[data-now]");
  if (now) now.textContent = String(current + 1);
  light([], list[current].dataset.q);
}

function focusQuestion() {
  byId("ask-title")?.focus({ preventScroll: true });
  byId("ask")?.scrollIntoView({ block: "nearest" });
}

/** After parts of the page were replaced. */
function arrange(ctx) {
  const asked = questions().map((one) => one.id).join(" ");
  const changed = asked !== arrange.asked;
  arrange.asked = asked;
  show(current);
  if (changed) answeredAt = performance.now();
  for (const one of all("[aria-controls^='d-']")) {
    const detail = byId(one.getAttribute("aria-controls"));
    if (detail) detail.hidden = one.getAttribute("aria-expanded") !== "true";
  }
  for (const form of all(".else form")) if (!form.dataset.entered) {
    form.dataset.entered = "yes";
    form.querySelector("input:not([type=hidden]), select:not([name=item])")?.focus();
    if (!form.contains(document.activeElement)) form.querySelector("select")?.focus();
  }
  const path = ctx?.request?.action ?? "";
  noted(path);
  if (/\/(answer|row|take|undo)$/.test(path)) {
    for (const one of all(".else")) if (!one.closest(".q")) one.replaceChildren();
    if (document.activeElement === document.body || !document.activeElement) {
      if (questions().length) focusQuestion();
      else (document.querySelector("[data-do=sign]") ?? byId("record-title"))?.focus({ preventScroll: true });
    }
  }
}
/** On the page of referrals: what was sent is noted, and its form is as new. */
function noted(path) {
  const of = /\/referrals\/([^/]+)\/(set|reply)$/.exec(path)?.[1];
  const place = of && byId(`r-${of}`);
  for (const fold of place ? all(".fold:has(form)", place) : []) {
    fold.querySelector("form").reset();
    fold.open = false;
  }
  if (place && !place.contains(document.activeElement)) place.querySelector("a")?.focus({ preventScroll: true });
}

arrange.asked = questions().map((one) => one.id).join(" ");

// ---- between words and values -------------------------------------------------------------------

/** Show which words and values belong together. */
function light(names, asked = "") {
  if (!marks) return;
  const has = (told, wanted) => told && wanted.some((name) => told.split(" ").includes(name));
  for (const one of marks.querySelectorAll(".m")) {
    one.classList.toggle("on", Boolean(names.length ? has(one.dataset.e, names) : asked && has(one.dataset.q, [asked])));
  }
  for (const one of all(".v")) one.classList.toggle("on", names.length > 0 && Boolean(has(one.dataset.e, names)));
}

function peek(value) {
  const place = byId("peek");
  const detail = value && byId(value.getAttribute("aria-controls"));
  if (!place || !detail) return;
  const copies = all(".because", detail).map((one) => {
    const copy = document.createElement("div");
    copy.append(...all(":scope > .whence, :scope > .their, :scope > .was, :scope > .why", one).map((p) => p.cloneNode(true)));
    return copy;
  });
  place.replaceChildren(...copies);
}

function moveTo(value) {
  light(value.dataset.e.split(" "));
  peek(value);
}

const valueOf = (name) => all(".v").find((one) => one.dataset.e.split(" ").includes(name)) ?? null;

document.addEventListener("mouseover", (event) => {
  const value = event.target.closest?.(".v");
  if (value) moveTo(value);
  else if (event.target.closest?.("tbody") === null) light([], question()?.dataset.q);
});
document.addEventListener("focusin", (event) => {
  const value = event.target.closest?.(".v");
  if (value) moveTo(value);
});

const TYPING = 400; // ms after a key in which the caret moves because of the typing
let caretSeen = -1;
function followCaret() {
  if (document.activeElement !== note || note.selectionStart === caretSeen) return;
  if (performance.now() - typedAt < TYPING) return; // the page must not jump under somebody who types
  caretSeen = note.selectionStart;
  under(places().find((one) => one.start <= caretSeen && caretSeen < one.end)?.node);
}

/** Show the row that a mark's words gave. */
function under(mark) {
  const names = mark?.dataset.e?.split(" ") ?? [];
  const asked = mark?.dataset.q?.split(" ")[0] ?? "";
  if (asked) {
    const at = questions().findIndex((one) => one.dataset.q === asked);
    if (at >= 0) show(at);
  }
  if (!names.length) return light([], asked);
  light(names);
  const value = valueOf(names[0]);
  peek(value);
  if (value && matchMedia("(min-width: 900px)").matches) value.scrollIntoView({ block: "nearest" });
}

if (note) {
  document.addEventListener("selectionchange", followCaret);
  note.addEventListener("mousemove", (event) => {
    const { clientX: x, clientY: y } = event;
    for (const one of marks.querySelectorAll(".m[data-e]")) {
      for (const box of one.getClientRects()) {
        if (x >= box.left && x <= box.right && y >= box.top - 2 && y <= box.bottom + 2) {
          const names = one.dataset.e.split(" ");
          light(names);
          return peek(valueOf(names[0]));
        }
      }
    }
  });
}

// ---- what buttons and keys do ---------------------------------------------------------------------

/** A button tells for a moment what it has done. */
function said(button, words) {
  const before = button.textContent;
  button.textContent = words;
  setTimeout(() => { button.textContent = before; }, 2000);
}

/** Where the browser lets no script copy: the text, marked, to be copied by hand. */
function offerCopy(text) {
  const box = document.createElement("label");
  const words = document.createElement("span");
  const place = document.createElement("textarea");
  words.textContent = "The browser lets no page copy by itself. The text is marked: copy it with Ctrl C.";
  place.value = text;
  place.rows = 8;
  place.readOnly = true;
  box.className = "pulled";
  box.append(words, place);
  byId("pulled").replaceChildren(box);
  place.focus();
  place.select();
}

const deeds = {
  first() { show(0); focusQuestion(); },
  before() { show(current - 1); focusQuestion(); },
  after() { show(current + 1); focusQuestion(); },
  goto(button) { show(Number(button.dataset.n) - 1); focusQuestion(); },
  words() {
    const asked = question()?.dataset.q;
    const found = places().filter((one) => one.node.dataset.q?.split(" ").includes(asked));
    if (!found.length) return;
    byId("note-fold").open = true;
    note.focus({ preventScroll: true });
    note.setSelectionRange(found[0].start, found[0].end);
    found[0].node.scrollIntoView({ block: "center" });
  },
  leave() {
    save();
    if (questions().length) focusQuestion();
    else (document.querySelector("[data-do=sign]") ?? byId("record-title"))?.focus();
  },
  record() {
    const asked = question()?.dataset.q;
    const mark = asked && places().find((one) => one.node.dataset.q?.split(" ").includes(asked) && one.node.dataset.e);
    const value = (mark && valueOf(mark.node.dataset.e.split(" ")[0])) ?? document.querySelector(".v");
    value?.focus();
    value?.scrollIntoView({ block: "center" });
  },
  why(button) {
    const open = button.getAttribute("aria-expanded") !== "true";
    button.setAttribute("aria-expanded", String(open));
    byId(button.getAttribute("aria-controls")).hidden = !open;
  },
  fold(button) {
    const place = button.closest(".else");
    const opener = document.querySelector(`[hx-target="#${place.id}"]`);
    place.replaceChildren();
    opener?.focus();
  },
  sign() { byId("sign").showModal(); },
  finish() { byId("finish").showModal(); },
  leaveLetter() { (document.querySelector("[data-do=finish]") ?? byId("letter-title")).focus(); },
  keys() { byId("keys").showModal(); },
  close(button) { button.closest("dialog").close(); },
  dismiss() { byId("notice").replaceChildren(); },
  reload() {
    saved = note?.value ?? "";
    finishing = true; // nothing more is asked about leaving
    location.reload();
  },
  keep(button) {
    byId("revision").value = button.closest("[data-stale]").dataset.stale;
    elsewhere = false;
    byId("notice").replaceChildren();
    saved = "\u0000"; // whatever the other window saved, it is not this
    save();
    note.focus();
  },
  async pull(button) {
    const answer = await fetch(button.dataset.from).catch(() => null);
    if (!answer?.ok) return tell("The desk does not answer: nothing was copied. Try again in a moment.");
    const text = await answer.text();
    await navigator.clipboard.writeText(text).then(() => said(button, "Copied"), () => offerCopy(text));
  },
  copy(button) {
    const text = note ?? letter;
    navigator.clipboard.writeText(text?.value ?? "").then(() => { button.textContent = "Copied"; }, () => {
      text?.focus();
      text?.select();
    });
  },
};

document.addEventListener("click", (event) => {
  const button = event.target.closest?.("[data-do]");
  if (button) deeds[button.dataset.do]?.(button);
});

const TOO_SOON = 250; // ms in which nobody has read a question that has just come up

function keysWanted() {
  return localStorage.getItem("dictate-keys") !== "off";
}

const keyBox = byId("single-keys");
if (keyBox) {
  keyBox.checked = keysWanted();
  keyBox.addEventListener("change", () => localStorage.setItem("dictate-keys", keyBox.checked ? "on" : "off"));
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const inField = event.target.matches?.("input, textarea, select");
  if (event.key === "Escape") {
    if (note && event.target === note) deeds.leave();
    else if (event.target.matches?.("#body, #to")) deeds.leaveLetter();
    else if (event.target.closest?.(".else")) deeds.fold(event.target);
    return;
  }
  if (inField || document.querySelector("dialog[open]") || !keysWanted()) return;
  const scope = question();
  const selector = `[data-key="${CSS.escape(event.key)}"]`;
  const button = scope?.querySelector(selector) ?? all(selector).find((one) => !one.closest(".q"));
  if (!button) return;
  event.preventDefault();
  if (event.repeat) return;
  const answers = /^[0-9]$/.test(event.key);
  if (answers && (busy > 0 || performance.now() - answeredAt < TOO_SOON)) return;
  button.click();
});

// ---- the list: a note pasted anywhere ------------------------------------------------------------

const paste = byId("paste");
if (paste) {
  document.addEventListener("paste", (event) => {
    if (event.target.matches?.("input, textarea, select")) return;
    const text = event.clipboardData?.getData("text/plain") ?? "";
    if (!text.trim()) return;
    event.preventDefault();
    paste.elements.text.value = text;
    htmx.trigger(paste, "pasted");
  });
}

// ---- at the start ----------------------------------------------------------------------------------

const narrow = matchMedia("(max-width: 899px)");
function fold() {
  const place = byId("note-fold");
  if (place) place.open = !narrow.matches || !(note ? note.value : "x").trim();
}
narrow.addEventListener("change", fold);
fold();
show(0);
if (note && !note.value) note.focus();
else if (note && questions().length) focusQuestion();
if (location.hash === "#to-sign" && document.querySelector("[data-do=sign]")) deeds.sign();
setTimeout(() => { document.documentElement.dataset.ready = "yes"; }); // htmx begins in a task of its own, before this

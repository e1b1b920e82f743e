"""Writing a letter at the desk: drafted from the record, edited, kept as a draft, made final with its referral.

A letter is drafted anew from the record as it stands each time it is looked at, and what the user wrote is put into it:
no sentence about a finding outlives the finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from difflib import SequenceMatcher
from typing import Any, Literal

from dictate.desk.live import Standing
from dictate.desk.records import Records
from dictate.desk.referral_pages import today_here
from dictate.desk.taking import Needs, document
from dictate.errors import DictateError
from dictate.exports import Document
from dictate.letters import settings
from dictate.letters.body import from_body, left_out, own_words, to_body
from dictate.letters.content import draft, left_over
from dictate.letters.model import Letter, Said
from dictate.letters.render import MEDIA, render
from dictate.letters.text import to_text
from dictate.store import KeptLetter, LetterKind, Overtaken, RecordHead, Referral

Form = Literal["pdf", "docx", "eml", "text"]

FORMS: dict[Form, str] = {"pdf": "PDF", "docx": "DOCX", "eml": "Mail draft", "text": "Text"}
"""What a letter can be downloaded as, and how a page calls it."""
CALLED: dict[LetterKind, str] = {"referral": "Referral letter", "patient": "Patient’s report"}
"""What a page calls the kinds of letters."""
USUAL = "routine"
"""How soon a referral is due if nobody said how soon."""


class NoLetter(DictateError):  # noqa: N818
    """A letter that cannot be written or made final; the sentence says why."""


@dataclass(frozen=True)
class Written:
    """A letter as it is being written.

    `base` is the letter as the record drafts it, `letter` the same with the user's edits. `revision` is that of the kept draft, 0 if
    none is kept; `made_on` the record's. `anew`: the record has changed since the draft was edited, and the user's lines were put
    into the new one. `left_out` are sentences on the record that the user took out, `unplaced` words of the note that no row holds.
    """

    head: RecordHead
    kind: LetterKind
    base: Letter
    letter: Letter
    body: str
    to: str
    revision: int
    made_on: int
    due: date
    anew: bool
    left_out: tuple[Said, ...]
    unplaced: tuple[str, ...]

    @property
    def own(self) -> tuple[Said, ...]:
        """The sentences in the user's own words."""
        return own_words(self.letter)

    @property
    def edited(self) -> bool:
        """Whether the text is not as it was drafted."""
        return _lines(self.body) != _lines(to_body(self.base))


class Writing:
    """Letters of the desk's records."""

    def __init__(self, records: Records) -> None:
        self.records = records

    def waiting(self, record_id: str) -> Standing | None:
        """The record, if anything in it keeps a letter from being written."""
        signed = self.records.store.head(record_id).state == "signed"
        if signed and self.records.present(record_id).record.entries:
            return None
        standing = self.records.standing(record_id)
        if signed:  # what was read of it since does not count
            return replace(standing, questions=())
        return standing if standing.waiting or not standing.settled.record.entries else None

    def now(self, record_id: str, kind: LetterKind) -> Written:
        """The letter as it stands: drafted from the record, with what was kept of the user's edits. Raises OpenQuestions."""
        head, whole = self._document(record_id)
        kept = self.records.store.letter_draft(record_id, kind)
        if kept is None:
            base = self._drafted(whole, kind, "")
            return self._written(head, whole, kind, base, to_body(base), "", 0)
        to = str(kept.letter["to"])
        base, before = self._drafted(whole, kind, to), Letter.from_dict(kept.letter["letter"])
        same = _lines(to_body(before)) == _lines(to_body(base))
        body = kept.body if same else carried(kept.body, to_body(before), to_body(base))
        untouched = _lines(kept.body) == _lines(to_body(before))
        return self._written(head, whole, kind, base, body, to, kept.revision, anew=not same and not untouched)

    def save(self, record_id: str, kind: LetterKind, fields: Mapping[str, str]) -> Written:
        """Keep what was edited: `to`, `body`, on the `made_on` and `revision` that the page shows. Raises Overtaken."""
        one = self._edited(record_id, kind, fields)
        kept = self.records.store.save_letter(
            record_id, kind, _kept(one.to, one.base), one.body, self.records.operator, revision=one.revision
        )
        return self._written(one.head, self._document(record_id)[1], kind, one.base, one.body, one.to, kept.revision)

    def anew(self, record_id: str, kind: LetterKind) -> Written:
        """The letter as the record drafts it; the edits are given up."""
        self.records.store.drop_letter_draft(record_id, kind)
        return self.now(record_id, kind)

    def finish(self, record_id: str, kind: LetterKind, fields: Mapping[str, str], due: date | None) -> KeptLetter:
        """Make the letter final; a referral letter begins its referral. Raises Overtaken, NotSettled, NoLetter."""
        one = self._edited(record_id, kind, fields)
        store, by = self.records.store, self.records.operator
        whom = one.letter.recipient.name
        if kind == "referral" and not whom:
            raise NoLetter("the letter goes to nobody yet: it is not final; say to whom, then make it final")
        referral = (whom, one.letter.urgency, due or one.due) if kind == "referral" else None
        letter = one.letter.to_dict()
        return store.save_letter(
            record_id, kind, letter, one.body, by, final=True, revision=one.revision, referral=referral
        )

    def final(self, record_id: str, number: int) -> KeptLetter:
        """A final letter. Raises NoLetter."""
        for one in self.records.store.letters(record_id):
            if one.number == number:
                return one
        raise NoLetter(f"record {record_id} has no letter {number}; its page shows those it has")

    def referral_of(self, kept: KeptLetter) -> Referral | None:
        """The referral that a final letter began."""
        found = self.records.store.referrals(kept.record_id)
        return next((one for one in found if one.letter == kept.number), None)

    # ---- inside ---------------------------------------------------------------------------------

    def _document(self, record_id: str) -> tuple[RecordHead, Document]:
        return self.records.store.head(record_id), document(self.records, record_id).settled()

    def _drafted(self, whole: Document, kind: LetterKind, to: str) -> Letter:
        return draft(
            whole,
            self.records.lexicon,
            settings.load(),
            kind=kind,
            to=to,
            suggestions=self.records.suggestions(whole.record),
            folder=self.records.folder,
        )

    def _edited(self, record_id: str, kind: LetterKind, fields: Mapping[str, str]) -> Written:
        head, whole = self._document(record_id)
        if str(head.revision) != fields.get("made_on"):
            raise Overtaken
        kept = self.records.store.letter_draft(record_id, kind)
        if str(kept.revision if kept else 0) != fields.get("revision"):
            raise Overtaken
        before_to = str(kept.letter["to"]) if kept else ""
        to = "\n".join(line.strip() for line in fields.get("to", "").splitlines() if line.strip())
        base, body = self._drafted(whole, kind, to), fields.get("body", "")
        if to != before_to:
            body = carried(body, to_body(self._drafted(whole, kind, before_to)), to_body(base))
        return self._written(head, whole, kind, base, body, to, kept.revision if kept else 0)

    def _written(
        self,
        head: RecordHead,
        whole: Document,
        kind: LetterKind,
        base: Letter,
        body: str,
        to: str,
        revision: int,
        *,
        anew: bool = False,
    ) -> Written:
        letter = from_body(body, base)
        days = settings.load().due_days
        return Written(
            head,
            kind,
            base,
            letter,
            body,
            to,
            revision,
            head.revision,
            today_here() + timedelta(days=days[base.urgency or USUAL]),
            anew,
            left_out(base, letter),
            tuple(words for why, words in left_over(whole) if why == "unplaced"),
        )


def file_of(letter: Letter, form: Form, name: str) -> tuple[bytes, str, str]:
    """A letter as a file: its bytes, media type and name. Raises Needs, TemplateError."""
    if form == "text":
        return to_text(letter).encode("utf-8", "backslashreplace"), "text/plain; charset=utf-8", f"{name}.txt"
    mine = settings.load()
    media, ending = MEDIA[form]
    try:
        data = render(letter, form, templates=mine.templates, name_in_subject=mine.name_in_subject)
    except ModuleNotFoundError as error:
        raise Needs(f"this needs {error.name}, which is not installed: pip install 'dictate[letters]'") from None
    return data, media, f"{name}{ending}"


def letter_of(kept: KeptLetter) -> Letter:
    """A final letter."""
    return Letter.from_dict(kept.letter)


def carried(edited: str, before: str, after: str) -> str:
    """The user's edits of a letter's text, made on the text `before`, put into the text `after` that was drafted anew.

    Where both have changed the same lines, the new ones come first and the user's follow: nothing of either is lost.
    """
    old, mine, new = before.splitlines(), edited.splitlines(), after.splitlines()
    drafted: list[list[str] | None] = [None] * (len(old) + 1)  # what is drafted in place of a line that has changed
    coming: list[list[str]] = [[] for _ in range(len(old) + 1)]  # what is drafted before a line
    for tag, start, end, from_, to in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag == "insert":
            coming[start] = new[from_:to]
        elif tag != "equal":
            drafted[start:end] = [new[from_:to], *([] for _ in range(start + 1, end))]
    out: list[str] = []
    for tag, start, end, from_, to in SequenceMatcher(None, old, mine, autojunk=False).get_opcodes():
        for n in range(start, end):
            fresh = drafted[n]
            out += coming[n]
            out += fresh if fresh is not None else [old[n]] if tag == "equal" else []
        if tag in ("insert", "replace"):
            out += mine[from_:to]
    return "\n".join([*out, *coming[len(old)]]) + "\n"


def _lines(text: str) -> Sequence[str]:
    return [told for line in text.splitlines() if (told := " ".join(line.split()))]


def _kept(to: str, letter: Letter) -> dict[str, Any]:
    """What a draft keeps beside its text: whom the user named, and the letter whose text was edited."""
    return {"to": to, "letter": letter.to_dict()}

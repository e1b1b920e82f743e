"""The questions of a record, asked one after the other at the terminal; every answer is saved at once."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Sequence

from dictate.commands.filling import choose_item, fill
from dictate.commands.keys import Keys, tell, title, visible
from dictate.desk.live import Standing
from dictate.desk.records import Records
from dictate.desk.view import decision_text
from dictate.errors import DictateError
from dictate.settling import Decision, Line, Question, Quote, Row, answer, answer_rows, drop
from dictate.store import Signed, Stale, StoreError

_WORDS = {
    "0": "not said",
    "e": "something else",
    "x": "one of these by itself",
    "j": "next question",
    "k": "question before",
    "u": "undo",
    "q": "leave; answers are kept",
    "?": "the keys",
}
_ALONE = {"heard": "was not said", "order": "is the other way round"}
_INDENT = "    "


class Interview:
    """Asks until nothing is open, or until somebody leaves (`Left` is raised by the keys, `q` ends `run`)."""

    def __init__(self, records: Records, record_id: str, keys: Keys) -> None:
        self.records = records
        self.record_id = record_id
        self.keys = keys
        self.place = 0

    def run(self) -> Standing:
        """Ask what is open; gives the record as it then stands."""
        while True:
            standing = self.records.standing(self.record_id)
            if standing.head.state == "signed":
                raise Signed(f"record {self.record_id} was signed in the meantime: it does not change any more")
            if not standing.waiting:
                return standing
            try:
                going = self._lapsed(standing) if standing.settled.lapsed else self._question(standing)
            except Signed:
                raise
            except Stale:
                tell("\nThe record was changed elsewhere: this answer is not saved. Here is how it stands now.")
                continue
            if not going:
                return self.records.standing(self.record_id)

    # ---- a question ------------------------------------------------------------------------

    def _question(self, standing: Standing) -> bool:
        """Ask one question and act on the answer; False to leave."""
        self.place %= len(standing.questions)
        asked = standing.questions[self.place]
        tell()
        tell(f"{self.place + 1} of {len(standing.questions)}")
        title(asked.prompt)
        tell()
        for line in _shown(asked, _width()):
            tell(line)
        tell()
        for choice in asked.choices:
            tell(f"  {choice.key}  {choice.label}")
        tell(f"  {self._help(asked)}")
        told = self.keys.key(self._keys(asked))
        if told == "q":
            return False
        if told in ("j", "k"):
            self.place += 1 if told == "j" else -1
        elif told == "?":
            self._explain(asked)
        elif told == "u":
            self._undo(standing)
        elif told == "e":
            self._something_else(standing, asked)
        elif told == "x":
            self._one_line(standing, asked)
        elif told == "0":
            self._decide(standing, drop(standing.settled, asked.flags, self.records.operator))
        else:
            choice = next(c for c in asked.choices if c.key == told)
            self._decide(standing, answer(standing.settled, asked.flags, choice.sets, self.records.operator))
        return True

    def _keys(self, asked: Question) -> list[str]:
        return [*(c.key for c in asked.choices), *(k for k in _WORDS if k != "x" or asked.lines)]

    def _help(self, asked: Question) -> str:
        told = ["0 not said", "e something else", "u undo", "q leave", "? keys"]
        if asked.lines:
            told.insert(2, f"x one that {_ALONE.get(asked.reason, 'was not said')}")
        return "   ".join(told)

    def _explain(self, asked: Question) -> None:
        tell()
        for key in self._keys(asked):
            if key in _WORDS:
                tell(f"  {key}  {_WORDS[key]}")

    def _decide(self, standing: Standing, decision: Decision) -> None:
        self.records.decide(standing, [decision], standing.head.revision)
        tell(f"saved: {decision_text(decision, self.records.lexicon)}")

    def _undo(self, standing: Standing) -> None:
        last = self.records.last_decision(self.record_id)
        if last is None:
            tell("there is nothing to undo")
            return
        self.records.undo(self.record_id, standing.head.revision)
        tell(f"undone: {decision_text(last, self.records.lexicon)}")

    def _something_else(self, standing: Standing, asked: Question) -> None:
        flags: Sequence[str] = asked.flags
        item = asked.item
        if asked.lines:
            line = self._pick_line(asked)
            if line is None:
                return
            flags, item = (line.flag,), ""
        before = self._rows(standing, flags)
        try:
            key = choose_item(self.keys, item or (before[0].item if before else ""), self.records.lexicon)
            rows = fill(self.keys, key, before, self.records.lexicon) if key else []
        except StoreError:
            raise
        except DictateError as error:
            tell(f"{error} Nothing was changed.")
            return
        if not rows:
            tell("nothing was changed")
            return
        self._decide(standing, answer_rows(standing.settled, flags, rows, self.records.operator))

    def _one_line(self, standing: Standing, asked: Question) -> None:
        """Strike one line of a gathered question, or take a pair the other way round."""
        line = self._pick_line(asked)
        if line is None:
            return
        by = self.records.operator
        if asked.reason == "order":
            decision = answer(standing.settled, (line.flag,), asked.choices[-1].sets, by)
        else:
            decision = drop(standing.settled, (line.flag,), by)
        self._decide(standing, decision)

    def _pick_line(self, asked: Question) -> Line | None:
        numbers = [str(n) for n in range(1, len(asked.lines) + 1)]
        told = self.keys.key([*numbers, "q", ""], f"Which line, 1 to {len(numbers)} (Enter: none)? ")
        return None if told in ("q", "") else asked.lines[int(told) - 1]

    def _rows(self, standing: Standing, flags: Iterable[str]) -> list[Row]:
        entries = [e for f in standing.settled.record.flags if f.id in flags for e in f.entries]
        return [Row.of(standing.settled.record.entry(e)) for e in dict.fromkeys(entries)]

    # ---- answers whose words are gone -------------------------------------------------------

    def _lapsed(self, standing: Standing) -> bool:
        """Tell of an answer that applies no more; False to leave."""
        one = standing.settled.lapsed[0]
        tell()
        title("An answer applies no more: its words in the note are gone or were changed.")
        tell(f"{_INDENT}{decision_text(one, self.records.lexicon)}")
        tell("  1  let it go; what is still open is asked")
        tell("  q leave")
        if self.keys.key(["1", "q"]) == "q":
            return False
        self.records.undo(self.record_id, standing.head.revision, one.id)
        return True


def _width() -> int:
    return max(40, min(shutil.get_terminal_size().columns, 100))


def _shown(asked: Question, width: int) -> list[str]:
    """The words in their sentences; of a gathered question a numbered line each."""
    if not asked.lines:
        return _quoted(asked.quotes, width, _INDENT)
    out = []
    for n, one in enumerate(asked.lines, 1):
        label = f"{n}. “{visible(one.said)}” → {visible(one.read)}"
        out += textwrap.wrap(label, width, initial_indent="  ", subsequent_indent="     ")
        if one.quote.before.strip() or one.quote.after.strip(" .;,"):
            out += _quoted([one.quote], width, "     ")
    return out


def _quoted(quotes: Sequence[Quote], width: int, indent: str) -> list[str]:
    """Each sentence once, with the words in question in square brackets."""
    sentences: dict[str, list[tuple[int, int]]] = {}
    for quote in quotes:
        start = len(quote.before)
        sentence = f"{quote.before}{quote.words}{quote.after}"
        sentences.setdefault(sentence, []).append((start, start + len(quote.words)))
    out = []
    for sentence, spans in sentences.items():
        text, end = "", 0
        for start, stop in sorted(spans):
            if start >= end:
                text += f"{sentence[end:start]}[{sentence[start:stop]}]"
                end = stop
        told = visible(text + sentence[end:]).strip()
        out += textwrap.wrap(told, width, initial_indent=indent, subsequent_indent=indent)
    return out


def listed(standing: Standing) -> list[str]:
    """What is open, in lines: the prompt, and the words."""
    out = []
    for n, asked in enumerate(standing.questions, 1):
        words = ", ".join(dict.fromkeys(f"“{q.words}”" for q in asked.quotes))
        out.append(visible(f"  {n}. {asked.prompt}  {words}".rstrip()))
    if standing.settled.lapsed:
        count = len(standing.settled.lapsed)
        out.append(f"  {count} answer{'s' * (count != 1)} whose words are gone")
    return out

"""A record as it stands at this moment: its note read, the decisions applied, the questions that are open."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dictate.errors import DictateError
from dictate.lexicon import Lexicon
from dictate.pipeline import read
from dictate.record import Record
from dictate.settling import Decision, Question, Settled, questions, settle
from dictate.store import Loaded, RecordHead, Store

LONGEST = 100_000
"""Characters that a note can have at the desk: some hundred times an examination."""
_KEPT = 32
_READING = threading.Lock()
"""One note at a time: two would each take twice as long."""


class TooLong(DictateError):  # noqa: N818
    """A note with more characters than the desk reads while it is typed."""


@dataclass(frozen=True)
class Standing:
    """A record with all that follows from its note and decisions."""

    head: RecordHead
    text: str
    settled: Settled
    questions: tuple[Question, ...]
    decisions: tuple[Decision, ...] = ()

    @property
    def waiting(self) -> int:
        """How much keeps the record from being signed: open questions, and answers that apply no more."""
        return len(self.questions) + len(self.settled.lapsed)


class Live:
    """Reads notes, each text once."""

    def __init__(self, store: Store, lexicon: Lexicon) -> None:
        self.store = store
        self.lexicon = lexicon
        self._read: OrderedDict[str, Record] = OrderedDict()
        self._lock = threading.Lock()

    def read(self, text: str) -> Record:
        """The reading of a text. Raises TooLong."""
        if len(text) > LONGEST:
            raise TooLong(
                f"A note can have {LONGEST:,} characters here, and this one has {len(text):,}."
                " It is not saved; the text is still in the page. Shorten it or divide it."
            )
        with self._lock:
            found = self._read.get(text)
            if found is not None:
                self._read.move_to_end(text)
                return found
        with _READING:
            record = read(text, lexicon=self.lexicon)
        with self._lock:
            self._read[text] = record
            while len(self._read) > _KEPT:
                self._read.popitem(last=False)
        return record

    def standing(self, record_id: str) -> Standing:
        """The record of that id as it is saved."""
        return self.of(self.store.load(record_id))

    def of(self, loaded: Loaded) -> Standing:
        """A loaded record, read and settled."""
        decisions = [Decision.from_dict(one) for one in loaded.decisions]
        return self.settled(loaded.head, loaded.text, decisions, loaded.texts)

    def settled(self, head: RecordHead, text: str, decisions: Sequence[Decision], texts: dict[str, str]) -> Standing:
        """A note with decisions, read and settled."""
        record = replace(self.read(text), name=head.id)
        settled = settle(record, text, decisions, texts, self.lexicon)
        return Standing(head, text, settled, questions(settled, text, self.lexicon), tuple(decisions))

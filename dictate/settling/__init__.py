"""A record and the clinician's decisions on it: what is still to be asked, and what then stands.

Nothing here reads or writes a file. `settle` applies decisions to a reading, `questions` says what
is open, `decide` makes a decision out of an answer, `forms` checks what is typed in by hand.
"""

from dictate.settling.apply import settle
from dictate.settling.decide import add, answer, answer_rows, change, drop, remove
from dictate.settling.forms import Form, SettleError, form, parse
from dictate.settling.model import Anchor, Decision, Row, Settled, SettledEntry, Target
from dictate.settling.questions import Choice, Line, Question, Quote, questions

__all__ = [
    "Anchor",
    "Choice",
    "Decision",
    "Form",
    "Line",
    "Question",
    "Quote",
    "Row",
    "SettleError",
    "Settled",
    "SettledEntry",
    "Target",
    "add",
    "answer",
    "answer_rows",
    "change",
    "drop",
    "form",
    "parse",
    "questions",
    "remove",
    "settle",
]

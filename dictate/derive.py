"""What follows from a record by published rules: computed values, nerves, gaps, contradictions.

Everything rests on what the entries hold; rules, sources and sentences are in the norms. Values
about which a question is open are not computed from.
"""

from __future__ import annotations

from dictate.derived.compute import compute
from dictate.derived.contradictions import contradictions
from dictate.derived.facts import stated, told
from dictate.derived.nerves import nerve_states, tests_not_mentioned
from dictate.lexicon import Lexicon
from dictate.norms import load
from dictate.record import Derived, Entry


def derive(entries: tuple[Entry, ...], lexicon: Lexicon) -> tuple[Derived, ...]:
    """Everything computed from the stated entries, each with its entries and its source.

    Acuities as logMAR and decimal, plate counts, differences between the sides (mm, ratio,
    mm[Hg]), measurements against published limits, Rinne with Weber, and the state of every
    cranial nerve. `outside` marks what lies outside a published range; it is no diagnosis.
    """
    norms = load()
    computed = compute(stated(entries, norms), norms)
    return tuple(c.derived for c in computed) + tuple(nerve_states(entries, computed, lexicon, norms))


def not_documented(entries: tuple[Entry, ...], lexicon: Lexicon) -> tuple[str, ...]:
    """Titles of the tests that no entry mentions, nerves I to XII and then the eye."""
    return tuple(tests_not_mentioned(entries, lexicon, load()))


def computed_conflicts(entries: tuple[Entry, ...]) -> list[tuple[str, tuple[str, ...]]]:
    """Statements that cannot all stand: the question to ask, and the ids of the entries.

    Entries about another question is open take part with the value they hold, except where
    their side is the question. Two different values of one and the same item and side are
    no matter of this function.
    """
    norms = load()
    return contradictions(told(entries, norms), norms)

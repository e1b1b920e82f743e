"""All computed values of some entries, in the order of the examination."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.derived.acuity import acuities
from dictate.derived.facts import Computed
from dictate.derived.forks import rinne_weber
from dictate.derived.measures import differences, grades, greater_in, limits
from dictate.derived.plates import plates
from dictate.norms import Norms
from dictate.record import Entry


def compute(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """Every value that follows from the entries given; they must hold values."""
    every = list(entries)
    differing = differences(every, norms)
    return [
        *acuities(every, norms),
        *plates(every, norms),
        *differing,
        *greater_in(differing, norms),
        *grades(every, norms),
        *limits(every, norms),
        *rinne_weber(every, norms),
    ]

"""The state of each cranial nerve, and the tests that a note does not mention."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from dictate.derived.facts import Computed, stated, told
from dictate.derived.judging import Judging
from dictate.lexicon import Lexicon
from dictate.norms import ExamTest, Norms
from dictate.record import Derived, Entry


@dataclass
class _Nerve:
    """The entries that bear on one nerve, by what they say of it."""

    normal: list[Entry] = field(default_factory=list)
    abnormal: list[Entry] = field(default_factory=list)
    unclear: list[Entry] = field(default_factory=list)
    neutral: list[Entry] = field(default_factory=list)
    not_done: list[Entry] = field(default_factory=list)
    whole: list[Entry] = field(default_factory=list)
    overall: list[Entry] = field(default_factory=list)


def _listed(entry: Entry, lexicon: Lexicon) -> list[str]:
    item = lexicon.items.get(entry.item)
    return item.nerve if item else []


def _titles(entries: list[Entry], lexicon: Lexicon, norms: Norms) -> str:
    """The titles of the tests behind some entries, each once."""
    keys = dict.fromkeys(e.item for e in entries if e.item not in (norms.nerves.status, norms.nerves.overall))
    return ", ".join(lexicon.items[key].title if key in lexicon.items else key for key in keys)


def _whole_nerves(entry: Entry, nerves: dict[str, _Nerve], norms: Norms) -> None:
    rules = norms.nerves
    intact = str(entry.value) in rules.intact
    if entry.item == rules.status:
        nerve = nerves.get(str(entry.context.get(rules.context, "")))
        if nerve is not None:
            (nerve.whole if intact else nerve.abnormal).append(entry)
    elif entry.item == rules.overall and intact:
        for name, nerve in nerves.items():
            if name not in rules.not_overall:
                nerve.overall.append(entry)


def _sorted(
    entries: Iterable[Entry], computed: Iterable[Computed], lexicon: Lexicon, norms: Norms
) -> dict[str, _Nerve]:
    every = list(entries)
    sure = {e.id for e in stated(every, norms)}
    having = {e.id for e in told(every, norms)}
    judging = Judging([e for e in every if e.id in sure], computed, norms)
    nerves = {name: _Nerve() for name in norms.nerves.order}
    for entry in every:
        listed = [n for n in _listed(entry, lexicon) if n in nerves]
        if entry.value == norms.nerves.not_done:
            for name in listed:
                nerves[name].not_done.append(entry)
        elif entry.id not in sure or entry.id not in having:
            for name in listed:
                nerves[name].unclear.append(entry)
        elif entry.item in (norms.nerves.status, norms.nerves.overall):
            _whole_nerves(entry, nerves, norms)
        else:
            _share(entry, listed, judging, nerves)
    return nerves


def _share(entry: Entry, listed: list[str], judging: Judging, nerves: dict[str, _Nerve]) -> None:
    found = judging.verdict(entry)
    bearing = judging.bears_on(entry, listed)
    blamed = judging.blamed(entry, bearing) if found == "abnormal" else bearing
    for name in bearing:
        nerve = nerves[name]
        if found == "neutral":
            nerve.neutral.append(entry)
        elif name not in blamed or found == "unclear":
            nerve.unclear.append(entry)
        else:
            (nerve.normal if found == "normal" else nerve.abnormal).append(entry)


def _state(nerve: _Nerve) -> tuple[str, str, list[Entry], list[Entry]]:
    """The state, the sentence to use, the entries it names, and those it leaves open."""
    open_ends = nerve.unclear + nerve.not_done
    if nerve.abnormal:
        return "abnormal", "abnormal", nerve.abnormal, []
    if nerve.normal and not open_ends:
        return "normal", "normal", nerve.normal + nerve.whole, []
    if nerve.normal:
        return "partly", "partly_normal", nerve.normal + nerve.whole, open_ends
    if nerve.whole and not nerve.unclear:
        return "normal", "stated", nerve.whole, []
    if nerve.unclear or nerve.neutral:
        return "partly", "partly", nerve.whole, open_ends + nerve.neutral
    if nerve.overall:
        return "partly", "overall", nerve.overall, []
    return "not_tested", "not_done" if nerve.not_done else "not_tested", nerve.not_done, []


def nerve_states(
    entries: Iterable[Entry], computed: Iterable[Computed], lexicon: Lexicon, norms: Norms
) -> list[Derived]:
    """One row for each nerve I to XII: "normal", "abnormal", "partly" or "not_tested".

    "normal" says that everything tested was normal, never that everything was tested. Entries
    about which a question is open are not judged.
    """
    rules = norms.nerves
    out: list[Derived] = []
    for name, nerve in _sorted(entries, computed, lexicon, norms).items():
        value, form, named, left_open = _state(nerve)
        tests, still_open = (_titles(part, lexicon, norms) for part in (named, left_open))
        if form == "abnormal" and not tests:
            form = "impaired"
        text = rules.text[form].format(nerve=name, tests=tests, open=still_open)
        ids = tuple(dict.fromkeys(e.id for e in [*named, *left_open]))
        out.append(Derived(rules.key + name, None, value, "", text, ids, norms.cite(rules.source), value == "abnormal"))
    return out


def _covered(test: ExamTest, nerves: list[str], entries: list[Entry], norms: Norms) -> bool:
    rules = norms.nerves
    if not test.statement or not nerves:
        return False
    said = {str(e.context.get(rules.context, "")) for e in entries if e.item == rules.status}
    if any(e.item == rules.overall for e in entries):
        said |= set(rules.order) - set(rules.not_overall)
    return set(nerves) <= said


def tests_not_mentioned(entries: Iterable[Entry], lexicon: Lexicon, norms: Norms) -> list[str]:
    """Titles of the tests that no entry shows, in the order of the examination.

    A test declared not done is mentioned. A statement about a whole nerve covers its bedside
    tests; measurements (acuity, plates, pressure) are covered only by themselves.
    """
    every = list(entries)
    items = {e.item for e in every}
    order = {test.lead: test for test in norms.test}
    leads = [k for k in order if k in lexicon.items] + [
        k for k, item in lexicon.items.items() if item.lead and k not in order
    ]
    out: list[str] = []
    for lead in leads:
        test = order.get(lead, ExamTest(lead=lead))
        item = lexicon.items[lead]
        if not items & {lead, *test.also} and not _covered(test, item.nerve, every, norms):
            out.append(item.title)
    return list(dict.fromkeys(out))

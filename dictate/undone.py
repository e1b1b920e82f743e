"""Stage 5d: tests declared not done, before anything is bound to their names."""

from __future__ import annotations

from dictate.lexicon import Item, Lexicon, Sense
from dictate.marks import Mark
from dictate.modes import Modes
from dictate.nerves import NAMES, NerveRef, nerve_item
from dictate.note import Tokens
from dictate.rows import Observation
from dictate.segments import Segments

_LINKS = frozenset({"and", "or", "nor", "&", "+", ",", "/", "of", "in", "no"})
_SILENT = ("history", "other", "quoted", "purpose", "warning", "plan")
_VERB_FIRST = frozenset(
    {
        "did",
        "didn",
        "do",
        "won",
        "will",
        "haven",
        "have",
        "unabl",
        "cannot",
        "could",
        "couldn",
        "skip",
        "skipped",
        "omit",
        "omitted",
        "not",
        "leave",
        "leaving",
        "no",
        "ran",
        "decline",
        "refuse",
        "refus",
        "declin",
        "let",
        "i",
        "defer",
        "deferr",
        "spar",
        "forbor",
        "saw",
        "don",
        "would",
        "wouldn",
        "never",
        "meant",
        "intend",
        "want",
        "hope",
        "dispens",
        "gave",
        "give",
        "forwent",
        "unkind",
        "unwiz",
        "unsaf",
        "unfair",
        "pointless",
    }
)


def lead_items(lexicon: Lexicon, sense: Sense) -> list[Item]:
    """The items that stand for the test a name belongs to, when it was not done."""
    if sense.item:
        item = lexicon.items[sense.item]
        if item.not_done:
            return [lexicon.items[k] for k in item.not_done]
        if item.lead:
            return [item]
        prefix = sense.item.split(".")[0] + "."
        for key in lexicon.topic_items.get(item.topic, []):
            if lexicon.items[key].lead and key.startswith(prefix):
                return [lexicon.items[key]]
        for key, other in lexicon.items.items():
            if other.lead and key.startswith(prefix):
                return [other]
        return []
    topic = lexicon.topics.get(sense.topic)
    if topic is None:
        return []
    if topic.not_done:
        return [lexicon.items[k] for k in topic.not_done]
    if topic.default and lexicon.items[topic.default].lead:
        return [lexicon.items[topic.default]]
    for key in lexicon.topic_items.get(sense.topic, []):
        if lexicon.items[key].lead:
            return [lexicon.items[key]]
    return []


def find(
    tokens: Tokens, lexicon: Lexicon, marks: list[Mark], segments: Segments, modes: Modes, refs: list[NerveRef]
) -> tuple[list[Observation], set[int]]:
    """Rows of tests not done, and the tokens of names and cues they used up."""
    rows: list[Observation] = []
    used: set[int] = set()
    by_sentence: dict[int, list[Mark]] = {}
    for mark in marks:
        by_sentence.setdefault(segments.sentence_of[mark.start], []).append(mark)
    refs_of: dict[int, list[NerveRef]] = {}
    for ref in refs:
        refs_of.setdefault(segments.sentence_of[ref.start], []).append(ref)
    _no_name_done(tokens, marks, segments, modes, lexicon, rows, used)
    _left_out(tokens, marks, modes, lexicon, rows, used)
    for cue in marks:
        kinds = {s.data for s in cue.of("cue")}
        broken = "out_of_order" in kinds
        silent = _SILENT if not broken else tuple(m for m in _SILENT if m != "plan")
        if not kinds & {"not_done", "out_of_order"} or modes.mode[cue.start] in silent or _worsened(tokens, cue):
            continue
        if cue.end - cue.start == 1 and tokens[cue.start].key == "unabl" and not _ends(tokens, cue.end):
            continue
        sentence = segments.sentence_of[cue.start]
        names = [
            m
            for m in by_sentence[sentence]
            if m.has("name", "topic") or any(s.data == "finding" for s in m.of("alone"))
        ]
        nerve_rows = _nerves(tokens, lexicon, cue, refs_of.get(sentence, []), segments)
        if nerve_rows:
            rows += nerve_rows
            used.update(range(cue.start, cue.end))
            continue
        if tokens[cue.end - 1].key in _OTHER_DAY:
            names = [m for m in names if m.has("name", "topic") and not m.has("alone")]
        own = _own_side(tokens, cue, by_sentence[sentence])
        chosen = _other_side(tokens, lexicon, cue, own, by_sentence[sentence], modes) if own is not None else []
        behind = _side_behind(tokens, cue, by_sentence[sentence])
        if not chosen and behind is not None:
            chosen = _other_side(tokens, lexicon, cue, behind, by_sentence[sentence], modes)
        chosen = chosen or _chosen(tokens, cue, names, segments.sentences[sentence].end, by_sentence[sentence])
        if not chosen and not names and sentence:
            chosen = _spoken_of(tokens, lexicon, cue, own, by_sentence, sentence, modes)
        if not chosen:
            before = [m for m in by_sentence.get(sentence - 1, ()) if m.has("name", "topic")]
            chosen = _meant_by_it(tokens, cue, names or before)
        if not chosen:
            continue
        used.update(range(cue.start, cue.end))
        chosen = [*chosen, *_nor_these(tokens, cue, behind, by_sentence[sentence], used)]
        for mark in chosen:
            if not mark.has("name", "topic"):
                used.update(range(mark.start, mark.end))
            sides = [
                m
                for m in by_sentence[sentence]
                if m.has("side")
                and (abs(m.start - (mark.end if names else cue.end)) <= 3 or names and 0 <= mark.start - m.end <= 1)
            ]
            if own is not None and chosen[0].end <= own.start:
                sides = [own]
            close = [m for m in sides if m.end <= mark.start and not _signs(tokens, m.end, mark.start)]
            if close and not _after_preposition(tokens, close[-1]):
                sides = close[-1:]
            if behind is not None:
                sides = [behind]
            else:
                sides = [m for m in sides if not _of_value_before(tokens, m, mark, by_sentence[sentence])]
            cell = segments.cell_side.get(cue.start)
            side = sides[0].of("side")[0].value if len(sides) == 1 and not _joined(tokens, sides[0]) else None
            if cell is not None:
                side = cell[0]
            for item in _items(lexicon, mark):
                one = side if side in ("right", "left") and item.sided else None
                low, high = min(cue.start, mark.start), max(cue.end, mark.end)
                if not names:
                    low, high = cue.start, max([cue.end, *(m.end for m in sides)])
                if own is not None and chosen[0].end <= own.start and behind is None:
                    low, high = own.start, cue.end
                if behind is not None and mark.end <= cue.start:
                    high = max(high, behind.end)
                spans = [(low, high)] if high - low < 16 else [(mark.start, mark.end), (cue.start, cue.end)]
                why = [
                    f"{tokens.words(cue.start, cue.end)!r} says that {tokens.words(mark.start, mark.end)!r} was not done"
                ]
                row = Observation(item.key, one, "not_done", _way(item, mark), spans, [], why, mark.start)
                if mark.heard:
                    row.doubt("heard", tokens.words(mark.start, mark.end))
                rows.append(row)
    return rows, used


_TO_SIDE = frozenset("on in at to of for from with".split())
_NOR = frozenset({"nor", "neither"})
_NOR_LINKS = frozenset({",", "and", "nor", "neither", "or", "either"})
_AFTER_SIDE = frozenset("and but becaus as due for sinc so today though whil".split())


def _joined(tokens: Tokens, side: Mark) -> bool:
    """Whether a side is the last of a list of sides ("right and left")."""
    i = side.start - 1
    while i >= 0 and (tokens[i].kind == "space" or tokens[i].skipped):
        i -= 1
    return i >= 0 and tokens[i].key in ("and", "&", "/") and i < side.start


def _side_behind(tokens: Tokens, cue: Mark, marks: list[Mark]) -> Mark | None:
    """ "... was not tested on the left": the side that stands right behind a cue, and closes its clause."""
    for mark in marks:
        if mark.start < cue.end or not mark.has("side"):
            continue
        gap = _signs(tokens, cue.end, mark.start)
        if mark.of("side")[0].value not in ("right", "left") or any(g not in _TO_SIDE for g in gap):
            return None
        i = mark.end
        while i < len(tokens) and (tokens[i].kind == "space" or tokens[i].skipped):
            i += 1
        closes = i >= len(tokens) or tokens[i].kind in ("punct", "break") or tokens[i].key in _AFTER_SIDE
        return mark if gap and closes or i >= len(tokens) or tokens[i].kind == "break" else None
    return None


def _of_value_before(tokens: Tokens, side: Mark, name: Mark, marks: list[Mark]) -> bool:
    """ "V1 down on the right corneals left alone": the side was told with a preposition of what stands before."""
    if side.end > name.start or tokens[side.start].key in ("right", "left") and not _after_preposition(tokens, side):
        return False
    return any(m.end <= side.start and m.has("name", "topic", "word", "generic", "complete", "alone") for m in marks)


def _after_preposition(tokens: Tokens, side: Mark) -> bool:
    i = side.start - 1
    while i >= 0 and (tokens[i].kind == "space" or tokens[i].skipped):
        i -= 1
    return i >= 0 and tokens[i].key in _TO_SIDE or tokens[side.start].key in _TO_SIDE


def _nor_these(tokens: Tokens, cue: Mark, behind: Mark | None, marks: list[Mark], used: set[int]) -> list[Mark]:
    """ "Smell not tested, nor taste", "and neither were the corneals": what a second denial adds to the first."""
    out: list[Mark] = []
    end = behind.end if behind is not None else cue.end
    for mark in marks:
        if mark.start < end or not mark.has("name", "topic"):
            continue
        gap = _signs(tokens, end, mark.start)
        if any(g not in _NOR_LINKS for g in gap) or not out and not _NOR & set(gap) or out and not gap:
            break
        out.append(mark)
        used.update(range(end, mark.start))
        end = mark.end
    return out


_BESIDE = frozenset("i we he she it could was is were not be the one eye side and but just".split())


def _own_side(tokens: Tokens, cue: Mark, marks: list[Mark]) -> Mark | None:
    """ "... left not done": the side right before a cue is the one that was not done."""
    sides = [m for m in marks if m.has("side") and m.end <= cue.start and m.of("side")[0].value in ("right", "left")]
    if not sides or any(s not in _BESIDE for s in _signs(tokens, sides[-1].end, cue.start)):
        return None
    return sides[-1]


def _other_side(tokens: Tokens, lexicon: Lexicon, cue: Mark, own: Mark, marks: list[Mark], modes: Modes) -> list[Mark]:
    """ "Right 16, left not done": the test that was told of the other side in the same sentence."""
    value = own.of("side")[0].value
    before = [m for m in marks if m.end <= own.start and modes.mode[m.start] == "finding"]
    others = [m for m in before if m.has("side")]
    if not others or others[-1].of("side")[0].value not in ("right", "left") or others[-1].of("side")[0].value == value:
        return []
    named = [m for m in before if m.has("name", "topic") and not m.has("side")]
    named = named or [m for m in before if any(s.data == "finding" for s in m.of("alone"))]
    return [m for m in named[-1:] if any(i.sided for i in _items(lexicon, m))]


def _spoken_of(
    tokens: Tokens,
    lexicon: Lexicon,
    cue: Mark,
    own: Mark | None,
    by_sentence: dict[int, list[Mark]],
    sentence: int,
    modes: Modes,
) -> list[Mark]:
    """ "I couldn't get a view of the left one", "L no view": the test just told of the other side."""
    sides = [
        m
        for m in by_sentence[sentence]
        if m.has("side")
        and all(s in ("of", "on", "in", "at") for s in _signs(tokens, cue.end, m.start))
        and 0 <= m.start - cue.end <= 3
    ]
    sides = sides or ([own] if own is not None else [])
    if not sides or sides[0].of("side")[0].value not in ("right", "left"):
        return []
    earlier = by_sentence.get(sentence - 1, [])
    if {m.of("side")[0].value for m in earlier if m.has("side")} & {sides[0].of("side")[0].value, "both"}:
        return []
    names = [m for m in earlier if m.has("name", "topic") and modes.mode[m.start] == "finding"]
    tests = {i.key for m in names for i in _items(lexicon, m)}
    return [m for m in names[:1] if len(tests) == 1 and any(i.sided for i in _items(lexicon, m))]


_COURSE = frozenset("to from by over sinc further in after with slow gradual rapid progressiv".split())
_PATIENT = frozenset("him her he she patient mum mother family parents".split())
_OTHER_DAY = frozenset({"today", "morning", "afternoon", "evening", "time", "visit"})
_IT = frozenset({"it", "that", "this", "them", "those"})


def _worsened(tokens: Tokens, cue: Mark) -> bool:
    """ "Acuity declined to 6/60": what went down was measured, nobody refused it."""
    if tokens[cue.start].key != "declin":
        return False
    after = [t.key for t in tokens.tokens[cue.end : cue.end + 4] if t.kind != "space"]
    return bool(after) and after[0] in _COURSE and not set(after[1:]) & _PATIENT


def _meant_by_it(tokens: Tokens, cue: Mark, names: list[Mark]) -> list[Mark]:
    """ "..., but I did not get to it": the test named last before a cue that points back."""
    after = [t.key for t in tokens.tokens[cue.end : cue.end + 3] if t.kind == "word"]
    before = [m for m in names if m.end <= cue.start]
    return before[-1:] if after and after[0] in _IT else []


_DONE = frozenset(
    """done test perform attempt taken check measur record today assess examin tri explor evaluat inspect
    undertaken""".split()
)
_VIEWED = frozenset({"seen", "view", "visualiz", "visualis", "see"})
_COULD = frozenset({"could", "can"})
_EITHER = frozenset({"neither", "either"})


def _no_name_done(
    tokens: Tokens,
    marks: list[Mark],
    segments: Segments,
    modes: Modes,
    lexicon: Lexicon,
    rows: list[Observation],
    used: set[int],
) -> None:
    """ "no Rinne and no Weber done": denied names before a word of doing."""
    for n, mark in enumerate(marks):
        if (
            not any(s.data == "negation" for s in mark.of("cue"))
            or modes.mode[mark.start] in _SILENT
            or mark.start in used
        ):
            continue
        names: list[Mark] = []
        end = mark.end
        for other in marks[n + 1 : n + 8]:
            gap = _signs(tokens, end, other.start)
            if any(g not in ("and", "or", "nor", ",", "no") for g in gap):
                break
            if other.has("name", "topic"):
                names.append(other)
            elif tokens[other.start].key in _EITHER and other.has("side"):
                pass
            elif not any(s.data == "negation" for s in other.of("cue")):
                break
            end = max(end, other.end)
        at = end
        while at < len(tokens) and (tokens[at].kind == "space" or tokens[at].skipped or tokens[at].key in _COULD):
            at += 1
        within = bool(names) and tokens[names[-1].end - 1].key in _DONE
        behind = at < len(tokens) and (
            tokens[at].key in _DONE or tokens[at].key in _VIEWED and _only_looked_at(lexicon, names)
        )
        said = within or behind
        if not names or not said and not _mere_tests(tokens, lexicon, names, marks, at):
            continue
        at = at if behind else end - 1
        used.update(range(mark.start, at + 1))
        for name in names:
            for item in _items(lexicon, name):
                why = [f"{tokens.words(mark.start, at + 1)!r} says that it was not done"]
                rows.append(Observation(item.key, None, "not_done", {}, [(mark.start, at + 1)], [], why, name.start))


def _only_looked_at(lexicon: Lexicon, names: list[Mark]) -> bool:
    """Whether names stand for parts of the eye, of which "could not be seen" tells no finding."""
    items = [i for name in names for i in _items(lexicon, name)]
    return bool(items) and all("abnormal" in i.values for i in items) and not any(n.has("alone") for n in names)


def _mere_tests(tokens: Tokens, lexicon: Lexicon, names: list[Mark], marks: list[Mark], at: int) -> bool:
    """ "No Rinne and no Weber": tests of which nothing can be absent, and nothing more is said of them."""
    if not _ends(tokens, at) and not any(m.start == at and m.has("name", "topic") for m in marks):
        return False
    for name in names:
        items = _items(lexicon, name)
        senses = [s for s in name.of("name") if s.item]
        if not senses or not items or any(s.item not in {i.key for i in items} for s in senses):
            return False
        if any(i.kind not in ("category", "score") or "absent" in (*i.values, *i.generic) for i in items):
            return False
    return True


def _left_out(
    tokens: Tokens,
    marks: list[Mark],
    modes: Modes,
    lexicon: Lexicon,
    rows: list[Observation],
    used: set[int],
) -> None:
    """ "We left the gag and the corneals out": names between the verb and its adverb."""
    for n, mark in enumerate(marks):
        verb = tokens[mark.start].key
        if verb not in ("left", "leav") or mark.end - mark.start > 1 or modes.mode[mark.start] in _SILENT:
            continue
        names: list[Mark] = []
        end = mark.end
        for other in marks[n + 1 : n + 8]:
            gap = _signs(tokens, end, other.start)
            if any(g not in _LINKS for g in gap) or not other.has("name", "topic"):
                break
            names.append(other)
            end = other.end
        at = end
        while at < len(tokens) and tokens[at].kind == "space":
            at += 1
        out = at < len(tokens) and tokens[at].key in ("out", "alon", "asid", "undone", "untest")
        if not (names and out) and _by_us(tokens, mark):
            names = names if names and _ends(tokens, end) else _just_named(tokens, marks[:n], mark)
            end, out = max(end, mark.end), False
            if not names:
                continue
        elif not (names and out):
            continue
        used.update(range(mark.start, mark.end))
        used.update(range(at, at + 1) if out else ())
        start, end = min([mark.start, *(m.start for m in names)]), at + 1 if out else end
        for name in names:
            for item in _items(lexicon, name):
                why = [f"{tokens.words(start, end)!r} says that it was not done"]
                rows.append(Observation(item.key, None, "not_done", {}, [(start, end)], [], why, name.start))


def _by_us(tokens: Tokens, mark: Mark) -> bool:
    """ "I've left ...", "we left ...": the examiner did the leaving, and it is no side."""
    before = [t.key for t in tokens.tokens[max(0, mark.start - 8) : mark.start] if t.kind != "space"]
    while before and before[-1] in ("ve", "have", "ha", "had", "'", "’", "d", "ll", "will"):
        before.pop()
    return bool(before) and before[-1] in ("i", "we")


def _ends(tokens: Tokens, i: int) -> bool:
    """Whether a clause ends at a place."""
    while i < len(tokens) and tokens[i].kind == "space":
        i += 1
    return i >= len(tokens) or tokens[i].kind in ("punct", "break") or tokens[i].key in _CLAUSE_WORDS


_CLAUSE_WORDS = frozenset("for until till because as sinc he she it they today becaus and so to".split())


def _just_named(tokens: Tokens, marks: list[Mark], verb: Mark) -> list[Mark]:
    """The names right before "... I've left", with those listed with them."""
    names: list[Mark] = []
    end = verb.start
    for mark in reversed(marks):
        gap = [s for s in _signs(tokens, mark.end, end) if names or s not in _PRONOUNS]
        if any(g not in _LINKS for g in gap) or not mark.has("name", "topic"):
            if not mark.has("name", "topic", "cue"):
                break
            if mark.has("cue") and not mark.has("name", "topic"):
                continue
            break
        names.insert(0, mark)
        end = mark.start
    return names


_PRONOUNS = frozenset({"i", "we", "ve", "'", "’", "have", "had", "ha", "ll", "will", ","})


def _way(item: Item, mark: Mark) -> dict[str, str | int]:
    """The circumstances that a name tells besides the test ("non contact")."""
    return {k: v for s in mark.of("name") if s.item == item.key for k, v in s.context if k in item.soft_context}


def _items(lexicon: Lexicon, mark: Mark) -> list[Item]:
    senses = mark.of("name") or mark.of("topic") or tuple(s for s in mark.of("alone") if s.data == "finding")
    for sense in senses:
        if sense.item:
            item = lexicon.items[sense.item]
            if item.role != "finding" or any(key not in item.soft_context for key, _ in sense.context):
                continue
        found = lead_items(lexicon, sense)
        if found:
            return found
    return []


def _signs(tokens: Tokens, a: int, b: int) -> list[str]:
    return [t.key for t in tokens.tokens[a:b] if t.kind != "space" and not t.skipped]


def _chosen(tokens: Tokens, cue: Mark, names: list[Mark], end: int, marks: list[Mark]) -> list[Mark]:
    """The names a cue speaks of: a list after it, else the list before it in the clause."""
    after = [m for m in names if m.start >= cue.end]
    before = [m for m in names if m.end <= cue.start]
    values = [m for m in marks if m.has("generic", "word", "complete") and not m.has("name")]
    first_word = tokens[cue.start].key
    forward: list[Mark] = []
    if after and first_word in _VERB_FIRST:
        signs = _signs(tokens, cue.end, after[0].start)
        if len(signs) <= 4 and not any(s in (",", ":", ".", ";", "-", "but", "because", "as") for s in signs):
            forward = [after[0]]
            for mark in after[1:]:
                gap = _signs(tokens, forward[-1].end, mark.start)
                if gap and all(g in _LINKS for g in gap) and len(gap) <= 3:
                    forward.append(mark)
                    continue
                break
    if before:
        last = before[-1]
        signs = _signs(tokens, last.end, cue.start)
        blocked = any(last.end <= v.start and v.end <= cue.start for v in values)
        near = len(signs) <= 8 and not blocked and not any(s in (";", ".") for s in signs)
        if near and not (forward and len(signs) > 0 and any(s in (",", "and", "but") for s in signs)):
            chosen = [last]
            for mark in reversed(before[:-1]):
                gap = _signs(tokens, mark.end, chosen[0].start)
                if gap and all(g in _LINKS for g in gap) and len(gap) <= 3:
                    chosen.insert(0, mark)
                    continue
                break
            if not forward:
                return chosen
            if not signs:
                return chosen
    return forward


def _nerves(tokens: Tokens, lexicon: Lexicon, cue: Mark, refs: list[NerveRef], segments: Segments) -> list[Observation]:
    for ref in refs:
        if segments.sentence_of[ref.start] != segments.sentence_of[cue.start] or ref.end > cue.start:
            continue
        if len([s for s in _signs(tokens, ref.end, cue.start) if s not in (":", "-", ".", ")")]) > 1:
            continue
        rows = []
        for nerve in ref.nerves:
            name = NAMES[nerve - 1]
            leads = [i for i in lexicon.items.values() if i.lead and i.nerve[:1] == [name]] if nerve == 1 else []
            why = [f"{tokens.words(ref.start, cue.end)!r}: not done"]
            if leads:
                rows.append(Observation(leads[0].key, None, "not_done", {}, [(ref.start, cue.end)], [], why, ref.start))
            else:
                item = nerve_item(lexicon)
                if item is not None:
                    rows.append(
                        Observation(
                            item.key, None, "not_done", {"nerve": name}, [(ref.start, cue.end)], [], why, ref.start
                        )
                    )
        return rows
    return []

"""Stage 7b: impressions and plans: what the examiner concludes and what is still to be done."""

from __future__ import annotations

import itertools
from bisect import bisect_left

from dictate import values
from dictate.lexicon import Sense
from dictate.marks import Mark
from dictate.numbers import Group
from dictate.offers import Scene
from dictate.rows import Observation

_TITLE = 2  # sentences at the head of a note that may name the visit
_OPENING = 3  # sentences after the salutation in which a letter says to whom it is written
_HARD = frozenset({",", ";", ":", "(", ")", ".", "|"})


def conclude(scene: Scene, nerve_tokens: set[int]) -> list[Observation]:
    """Rows of the items with role impression and plan."""
    rows: list[Observation] = []
    sides = _all_sides(scene)
    place = scene.segments.sentence_of
    sides_of: dict[int, list[tuple[int, int, str]]] = {}
    for one in sides:
        sides_of.setdefault(place[one[0]], []).append(one)
    for kind, marks in (("cue", scene.cues), ("mark", scene.marks), ("context", scene.contexts)):
        for one_mark in marks:
            scene.index.setdefault((kind, place[one_mark.start]), []).append(one_mark)
    named: dict[int, set[str]] = {}
    for head in scene.heads:
        named.setdefault(head.sentence, set()).update(s.item for s in head.senses if s.role == "name")
    for mark in scene.marks:
        if any(i in nerve_tokens for i in range(mark.start, mark.end)):
            continue
        mode = scene.modes.mode[mark.start]
        impression = [s for s in mark.of("alone") if s.data == "impression"]
        if not impression and (mode == "impression" or mode == "finding" and mark.of("word") and _this_is(scene, mark)):
            impression = [s for s in mark.of("word") if s.data == "impression"]
            if impression and mode == "finding":
                mode = "impression"
        finding = [s for s in mark.of("alone", "complete") if s.data in ("finding", "") or s.role == "complete"]
        if impression and mode == "finding" and not finding:
            finding = _answers_test(named.get(place[mark.start], set()), mark)
        plan = [s for s in mark.of("alone") if s.data == "plan"]
        if impression and (
            mode == "impression" or mode == "finding" and not finding or mode == "plan" and _in_doubt(scene, mark)
        ):
            rows += _impression(scene, mark, impression[0], _near_sides(sides_of, place[mark.start]), mode)
        elif plan and (mode == "plan" or mode == "impression" and not impression and not _grounds(scene, mark)):
            rows += _plan(scene, mark, plan[0])
        for sense in mark.of("name"):
            item = scene.lexicon.items[sense.item]
            if item.role == "plan" and item.kind == "text" and mode in ("plan", "impression", "finding"):
                rows += _review(scene, mark, sense, mode)
                break
    return rows + _requests(scene)


def _addressee(scene: Scene) -> Mark | None:
    """The service that a letter is written to ("Dear ENT colleague", "see, as her neurologist, ...")."""
    opening = scene.segments.sentences[: _OPENING + 1]
    if not opening or not any(t.key == "dear" for t in scene.tokens.tokens[: opening[0].end]):
        return None
    for mark in scene.marks:
        if mark.start >= opening[-1].end:
            break
        if any("urgency" in scene.lexicon.items[s.item].context for s in mark.of("alone") if s.item):
            before = _all_words(scene, mark)[-3:]
            if {"dear", "as"} & set(before):
                return mark
    return None


def _requests(scene: Scene) -> list[Observation]:
    """ "I should be grateful if you would see him soon": a referral to whom the letter is for."""
    asked = [c for c in scene.cues if any(s.data == "request" for s in c.of("cue"))]
    service = _addressee(scene) if asked else None
    if service is None:
        return []
    sense = next(s for s in service.of("alone") if s.item and "urgency" in scene.lexicon.items[s.item].context)
    rows = []
    for cue in asked[:1]:
        context: dict[str, str | int] = {}
        spans = [(cue.start, cue.end)]
        why = [f"{scene.tokens.words(cue.start, cue.end)!r} asks the {sense.value} written to ({sense.source})"]
        found = _urgency(scene, cue)
        if found is not None:
            context["urgency"] = str(found[1])
            spans = [(min(cue.start, found[0].start), max(cue.end, found[0].end))]
        rows.append(Observation(sense.item, None, sense.value, context, spans, [], why, cue.start, many=True))
    return rows


def _answers_test(named: set[str], mark: Mark) -> list[Sense]:
    """The senses in which a condition's name is the result of a test named in its sentence."""
    return [s for s in mark.of("word") if s.item in named and s.data != "impression"]


def _near_sides(sides_of: dict[int, list[tuple[int, int, str]]], sentence: int) -> list[tuple[int, int, str]]:
    """The sides of a sentence and of the few before it."""
    return [s for n in range(max(0, sentence - 4), sentence + 1) for s in sides_of.get(n, ())]


def _all_sides(scene: Scene) -> list[tuple[int, int, str]]:
    out = [(s.start, s.end, str(s.value)) for s in scene.sides]
    known = {s[0] for s in out}
    for mark in scene.marks:
        if mark.has("side") and mark.start not in known:
            value = mark.of("side")[0].value
            out.append((mark.start, mark.end, value))
    return sorted(out)


def _signs(scene: Scene, a: int, b: int) -> list[str]:
    return [t.key for t in scene.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]


def _cue(scene: Scene, mark: Mark, kind: str, *, before: bool, reach: int) -> Mark | None:
    sentence = scene.segments.sentence_of[mark.start]
    best: Mark | None = None
    for cue in scene.index.get(("cue", sentence), ()):
        if not any(s.data == kind for s in cue.of("cue")):
            continue
        a, b = (cue.end, mark.start) if before else (mark.end, cue.start)
        if a > b:
            continue
        signs = _signs(scene, a, b)
        if kind == "negation" and ("and" in signs or _other_between(scene, a, b) and not {"or", "nor"} & set(signs)):
            continue
        if kind == "suspected_after" and _opens_next(scene, cue, signs):
            continue
        if len(signs) > reach or any(s in _HARD or s in ("but", "with", "although", "though") for s in signs):
            continue
        best = cue if best is None or before else best
    return best


_THINKS = frozenset({"i", "we", "to", "probably", "possibly", "perhaps", "presumably"})


def _set_off_doubt(scene: Scene, mark: Mark) -> Mark | None:
    """ "There is, I suspect, a palsy", "..., I think.": a doubt between commas is of the whole clause."""
    tokens = scene.tokens
    for cue in scene.index.get(("cue", scene.segments.sentence_of[mark.start]), ()):
        if not any(s.data in ("suspected", "suspected_after", "opinion") for s in cue.of("cue")):
            continue
        start = cue.start
        lead = _beside(scene, start, -1)
        if lead >= 0 and tokens[lead].key in ("i", "we"):
            start = lead
            lead = _beside(scene, start, -1)
        if tokens[start].key not in _THINKS:
            continue
        after = _beside(scene, cue.end - 1, 1)
        before_it = lead >= 0 and tokens[lead].key == ","
        closed = after >= len(tokens) or tokens[after].key in (",", ".") or tokens[after].kind == "break"
        gap = _signs(scene, cue.end, mark.start) if cue.end <= mark.start else _signs(scene, mark.end, start)
        if before_it and closed and len(gap) <= 7 and gap.count(",") <= 1 and not {";", "but", "no", "not"} & set(gap):
            return cue
    return None


def _beside(scene: Scene, i: int, step: int) -> int:
    i += step
    while 0 <= i < len(scene.tokens) and scene.tokens[i].kind == "space":
        i += step
    return i


def _opens_next(scene: Scene, cue: Mark, signs: list[str]) -> bool:
    """ "... palsy and I suspect a ...": the doubt is of the condition that follows."""
    if {"and", "i", "we", "so"} & set(signs):
        return True
    marks = scene.index.get(("mark", scene.segments.sentence_of[cue.start]), ())
    return any(
        0 <= m.start - cue.end <= 4
        and any(s.data == "impression" for s in m.of("alone"))
        and not {",", "no", "not", "and"} & set(_signs(scene, cue.end, m.start))
        for m in marks
    )


_VERBS = frozenset(
    {"is", "has", "have", "was", "diagnosed", "diagnos", "confirm", "be", "are", "with", "show", "shows", "got"}
)


def _this_is(scene: Scene, mark: Mark) -> bool:
    """ "This is a right sixth": a conclusion in so many words."""
    words = [t.key for t in scene.tokens.tokens[max(0, mark.start - 12) : mark.start] if t.kind == "word"][-7:]
    return any(
        (x, y) in (("this", "is"), ("that", "is"), ("that", "s"), ("it", "is")) for x, y in itertools.pairwise(words)
    )


def _concluded(scene: Scene, mark: Mark) -> bool:
    """Whether a condition outside a summary is said as a statement and not as a title."""
    sentence = scene.segments.sentences[scene.segments.sentence_of[mark.start]]
    return any(scene.tokens[i].key in _VERBS for i in range(max(sentence.start, mark.start - 6), mark.start))


def _other_between(scene: Scene, a: int, b: int) -> bool:
    marks = scene.index.get(("mark", scene.segments.sentence_of[b - 1 if b else 0]), ())
    return any(
        a <= m.start and m.end <= b and any(s.data in ("impression", "plan") for s in m.of("alone")) for m in marks
    )


def _in_doubt(scene: Scene, mark: Mark) -> bool:
    return _cue(scene, mark, "suspected", before=True, reach=3) is not None


def _impression(
    scene: Scene, mark: Mark, sense: Sense, sides: list[tuple[int, int, str]], mode: str
) -> list[Observation]:
    certainty = str(dict(sense.context).get("certainty", "stated"))
    why = [f"{scene.tokens.words(mark.start, mark.end)!r} is a conclusion ({sense.source})"]
    spans = [(mark.start, mark.end)]
    doubt = _cue(scene, mark, "suspected", before=True, reach=7) or _cue(
        scene, mark, "suspected_after", before=False, reach=6
    )
    doubt = doubt or _set_off_doubt(scene, mark)
    denial = _cue(scene, mark, "negation", before=True, reach=7)
    denial_after = _cue(scene, mark, "negation_after", before=False, reach=5)
    if doubt is not None and not (
        denial is not None and (denial.start > doubt.start or _denied_doubt(scene, denial, doubt, mark))
    ):
        certainty = "suspected"
        why.append(f"in doubt by {scene.tokens.words(doubt.start, doubt.end)!r}")
        if doubt.end <= mark.start and mark.start - doubt.end < 6:
            spans = [(doubt.start, mark.end)]
    elif denial is not None or denial_after is not None:
        certainty = "excluded"
        why.append("negated")
        if denial is not None and mark.start - denial.end < 8:
            spans = [(denial.start, mark.end)]
    value = sense.value
    side = _side_near(scene, mark, sides)
    if mode == "finding" and certainty == "stated" and side is None and not _concluded(scene, mark):
        return []
    item = scene.lexicon.items[sense.item]
    said: list[str | None] = [None]
    if side is not None:
        said = [side[2]] if side[2] in ("right", "left") else ["right", "left"]
        low, high = min(spans[0][0], side[0]), max(spans[0][1], side[1])
        if high - low < 14:
            spans = [(low, high)]
        why.append(f"side from {scene.tokens.words(side[0], side[1])!r}")
    out = []
    for one in said:
        context: dict[str, str | int] = {**dict(sense.context), "certainty": certainty}
        row = Observation(item.key, one, value, context, list(spans), [], list(why), mark.start, many=True)
        if mark.heard:
            row.doubt("heard", scene.tokens.words(mark.start, mark.end))
        out.append(row)
    return out


def _denied_doubt(scene: Scene, denial: Mark, doubt: Mark, mark: Mark) -> bool:
    """ "nothing here to suggest ...": the doubt itself is denied."""
    return denial.end <= doubt.start <= mark.start and not any(
        s in _HARD for s in _signs(scene, denial.end, doubt.start)
    )


def _side_near(scene: Scene, mark: Mark, sides: list[tuple[int, int, str]]) -> tuple[int, int, str] | None:
    sentence = scene.segments.sentence_of[mark.start]
    others = [
        m
        for m in scene.index.get(("mark", sentence), ())
        if m is not mark and any(s.data == "impression" for s in m.of("alone"))
    ]
    best: tuple[float, tuple[int, int, str]] | None = None
    merged = _merged(scene, sides)
    for side in merged:
        if scene.segments.sentence_of[side[0]] != sentence or side[2] in ("both_open", "unclear"):
            continue
        if side[2] == "same" or side[2] == "other":
            value = _referred(scene, side, sides)
            if value is None:
                continue
            side = (side[0], side[1], value)
        if side[1] <= mark.start:
            a, b, weight = side[1], mark.start, 0.0
        else:
            a, b, weight = mark.end, side[0], 0.1
        signs = _signs(scene, a, b)
        if weight == 0.0 and any(s in ("not", "no", "without", "nor") for s in signs):
            if not _opens_with(scene, side, signs):
                continue
        if weight > 0 and ("but" in signs or _next_statement(signs)):
            continue
        hard = sum(1 for s in signs if s in _HARD)
        between = sum(1 for m in others if a <= m.start and m.end <= b)
        joined = between and all(s in ("and", ",", "or", "&", "+") or True for s in signs) and weight > 0 and not hard
        set_off = hard == signs.count(",") and (hard == 1 or hard == 2 and not between)
        if set_off and weight > 0 and _closes(scene, side[1]):
            hard = 0
        joined = joined or between == 1 and not hard and bool({"+", "&"} & set(signs))
        cost = weight + 0.12 * len(signs) + 1.3 * hard + (0.4 if joined else 1.2) * between
        if weight == 0.0 and any(s in ("and", "but", "with") for s in signs):
            cost += 0.6
        if cost < 1.35 and (best is None or cost < best[0]):
            best = (cost, side)
    return best[1] if best else None


_STATES = frozenset("it look i we this that she he there seem".split())


def _next_statement(signs: list[str]) -> bool:
    """ "Not a Bell's and it looks like ...": what stands behind is said of something else."""
    return any(a == "and" and b in _STATES for a, b in itertools.pairwise(signs))


def _opens_with(scene: Scene, side: tuple[int, int, str], signs: list[str]) -> bool:
    """ "R no glaucoma.": a side that opens its clause is what the denial is told of."""
    before = _beside(scene, side[0], -1)
    opens = before < 0 or scene.tokens[before].kind in ("punct", "break")
    return opens and signs in (["no"], ["not"], [":", "no"])


def _closes(scene: Scene, i: int) -> bool:
    """Whether nothing but an end follows token i ("..., right.")."""
    tokens = scene.tokens
    while i < len(tokens) and tokens[i].kind == "space":
        i += 1
    return i >= len(tokens) or tokens[i].kind == "break" or tokens[i].key in (".", ";", ")", ",")


def _merged(scene: Scene, sides: list[tuple[int, int, str]]) -> list[tuple[int, int, str]]:
    out: list[tuple[int, int, str]] = []
    for side in sides:
        if out and {out[-1][2], side[2]} == {"right", "left"} and side[0] - out[-1][1] <= 4:
            signs = _signs(scene, out[-1][1], side[0])
            if signs in (["and"], ["+"], ["&"], ["/"]):
                out[-1] = (out[-1][0], side[1], "both")
                continue
        out.append(side)
    return out


def _referred(scene: Scene, side: tuple[int, int, str], sides: list[tuple[int, int, str]]) -> str | None:
    last = None
    for start, _, value in sides:
        if start >= side[0]:
            break
        if value in ("right", "left"):
            last = value
    if last is None or side[2] == "same":
        return last
    return "left" if last == "right" else "right"


# Words before a test that make it the grounds of a conclusion ("confirmed on the scan").
_GROUNDS = frozenset({"on", "by", "from", "given", "of", "despite", "with", "per", "in", "his", "her", "their"})
_TOLD = frozenset(
    """show showed shown reveal demonstrat confirm disclos detect exhibit indicat identif suggest report
    result film""".split()
)
_AIM = frozenset("lower reduc decreas improv preserv protect control maintain keep normaliz stabiliz reliev".split())
_CONDITION = frozenset({"if", "for", "to", "unless", "when", "once", "until", "befor", "after"})


def _grounds(scene: Scene, mark: Mark) -> bool:
    """Whether a test named in a conclusion is what the conclusion rests on, and not to be done."""
    before = _words_before(scene, mark, 1)
    plans = [m for m in scene.index.get(("mark", scene.segments.sentence_of[mark.start]), ()) if _is_plan(m)]
    follows = any(m.end <= mark.start <= m.end + 8 for m in plans)
    if before and before[-1] in _GROUNDS and not follows:
        return True
    return _has_value(scene, mark)


def _is_plan(mark: Mark) -> bool:
    return any(s.data == "plan" for s in mark.of("alone"))


def _has_value(scene: Scene, mark: Mark) -> bool:
    """Whether a value of the test follows it in its clause ("pressures 26", "MRI normal")."""
    sentence = scene.segments.sentence_of[mark.start]
    named = mark.has("name", "topic")
    starts = [
        m.start
        for m in scene.index.get(("mark", sentence), ())
        if m.start >= mark.end and m.has("generic", "word", "alone") and not _is_plan(m)
    ]
    if named:
        starts += [g.start for g in _groups_in(scene, mark.end, mark.end + 9)]
    for start in starts:
        signs = _signs(scene, mark.end, start)
        if len(signs) <= 4 and not any(k in _HARD or k in _CONDITION or k == "and" for k in signs):
            return True
    return False


def _words_before(scene: Scene, mark: Mark, count: int) -> list[str]:
    """The last words and signs before a mark in its sentence, small words left out."""
    start = scene.segments.sentences[scene.segments.sentence_of[mark.start]].start
    return _signs(scene, max(start, mark.start - 4 * count), mark.start)[-count:]


_CHANGES = frozenset(
    "up down rise risen climb drop fall fell wors worsen deteriorat above below over under exceed go creep spike".split()
)


def _watched(scene: Scene, mark: Mark) -> bool:
    """ "If the pressure rises again, ...": what is watched for in a test of the examination is no test to do."""
    before = _words_before(scene, mark, 3)
    after = _signs(scene, mark.end, mark.end + 8)[:3]
    told = any(k in _CHANGES for k in itertools.takewhile(lambda k: k not in (",", "then"), after))
    return mark.has("name", "topic") and told and bool({"if", "should", "unless"} & set(before))


def _done_already(scene: Scene, mark: Mark) -> bool:
    """Whether a test named in a plan is told as done, or as what a treatment is to change."""
    end = scene.segments.sentences[scene.segments.sentence_of[mark.start]].end
    after = _signs(scene, mark.end, min(end, mark.end + 8))[:2]
    before = _words_before(scene, mark, 3)
    if any(k in _HARD for k in after[:1]):
        after = []
    if set(before) & _CONDITION - {"for", "to"}:
        return False
    return bool(after and set(after[:1]) & _TOLD) or bool(set(before[-2:]) & _AIM)


_VISITS = frozenset("seen review assess examin attend consult investigat treat admit follow refer".split())
_FUTURE = frozenset("will should shall must need needs want ask like would plan arrang request".split())
_BEHEST = frozenset({"request", "suggestion", "advic", "instanc"})
_PLACES = frozenset({"in", "at", "from", "by", "under", "of", "with"})


def _visited(scene: Scene, mark: Mark) -> bool:
    """Whether a service is where the patient was seen, or who saw or sent them."""
    before = _words_before(scene, mark, 9)
    near = before[-3:]
    words = _all_words(scene, mark)
    if "of" in near and set(near) & _BEHEST:
        return True
    if not set(near) & _PLACES or set(before) & _FUTURE or ("to", "be") in itertools.pairwise(words):
        return False
    went = bool(set(before) & {"consult", "attend"}) and "to" not in before
    return went or bool(set(before) & _VISITS) and bool(set(words) & {"was", "were", "been", "had", "having"})


def _all_words(scene: Scene, mark: Mark) -> list[str]:
    """The words of the sentence up to a mark, small ones too."""
    start = scene.segments.sentences[scene.segments.sentence_of[mark.start]].start
    return [t.key for t in scene.tokens.tokens[max(start, mark.start - 24) : mark.start] if t.kind == "word"]


def _plan(scene: Scene, mark: Mark, sense: Sense) -> list[Observation]:
    denial = _cue(scene, mark, "negation", before=True, reach=4)
    denial = (
        denial
        or _cue(scene, mark, "not_done", before=False, reach=3)
        or _cue(scene, mark, "negation_after", before=False, reach=3)
    )
    following = _signs(scene, mark.end, min(mark.end + 6, len(scene.tokens)))[:1]
    if denial is not None or _watched(scene, mark):
        return []
    item = scene.lexicon.items[sense.item]
    if _visited(scene, mark) if "urgency" in item.context else _done_already(scene, mark):
        return []
    context: dict[str, str | int] = dict(sense.context)
    spans = [(mark.start, mark.end)]
    why = [f"{scene.tokens.words(mark.start, mark.end)!r} is planned ({sense.source})"]
    if "urgency" in item.context and following == ["if"] and not _if_result(scene, mark):
        return []  # what the patient is told to do if it gets worse
    if "urgency" in item.context:
        found = _urgency(scene, mark)
        if found is not None:
            context["urgency"] = str(found[1])
            low, high = min(mark.start, found[0].start), max(mark.end, found[0].end)
            if high - low < 12:
                spans = [(low, high)]
            why.append(f"how soon from {scene.tokens.words(found[0].start, found[0].end)!r}")
    out = []
    for side in _plan_sides(scene, mark, item.sided):
        row = Observation(item.key, side, sense.value, dict(context), list(spans), [], list(why), mark.start, many=True)
        if mark.heard:
            row.doubt("heard", scene.tokens.words(mark.start, mark.end))
        out.append(row)
    return out


_RESULTS = frozenset("abnormal normal positiv negativ confirm persist result equivocal inconclusiv".split())


def _if_result(scene: Scene, mark: Mark) -> bool:
    """ "ENT if the audiogram is abnormal": what a test shows decides, nothing that the patient is to watch for."""
    after = {t.key for t in scene.tokens.tokens[mark.end : mark.end + 12]}
    return bool(after & _RESULTS)


def _plan_sides(scene: Scene, mark: Mark, sided: bool) -> list[str | None]:
    """The sides of a planned test, if one stands right beside it ("gonioscopy LE")."""
    if not sided:
        return [None]
    for other in scene.index.get(("mark", scene.segments.sentence_of[mark.start]), ()):
        if not other.has("side"):
            continue
        value = other.of("side")[0].value
        gap = _signs(scene, mark.end, other.start) if other.start >= mark.end else _signs(scene, other.end, mark.start)
        near = other.start - mark.end if other.start >= mark.end else mark.start - other.end
        if 0 <= near <= 4 and all(g in ("of", "in", "on", "for") for g in gap):
            if value in ("right", "left"):
                return [value]
            if value == "both":
                return ["right", "left"]
    return [None]


def _urgency(scene: Scene, mark: Mark) -> tuple[Mark, str | int] | None:
    sentence = scene.segments.sentence_of[mark.start]
    best: tuple[float, Mark, str | int] | None = None
    services = [
        m
        for m in scene.index.get(("mark", sentence), ())
        if m is not mark and any("urgency" in scene.lexicon.items[s.item].context for s in m.of("alone") if s.item)
    ]
    services += [
        c
        for c in scene.index.get(("cue", sentence), ())
        if c is not mark and any(s.data == "request" for s in c.senses)
    ]
    for context in scene.index.get(("context", sentence), ()):
        values_ = [v for s in context.of("context") for k, v in s.context if k == "urgency"]
        if not values_:
            continue
        if _of_other_plan(scene, context, mark, sentence):
            continue
        a, b = (context.end, mark.start) if context.end <= mark.start else (mark.end, context.start)
        signs = _signs(scene, a, b)
        shared = mark.end <= context.start and _listed_up_to(scene, mark, services, context)
        between = 0 if shared else sum(1 for m in services if a <= m.start and m.end <= b)
        stops = sum(1 for s in signs if s in (".", ";", ":"))
        cost = 0.05 * len(signs) + 2.0 * between + 1.0 * stops + 0.2 * signs.count(",")
        cost += 0.6 * sum(1 for x, y in itertools.pairwise(signs) if (x, y) == (",", "and"))
        if cost < 1.6 and (best is None or cost < best[0]):
            best = (cost, context, values_[0])
    return (best[1], best[2]) if best else None


_NEW_CLAUSE = frozenset("refer i we send ask arrang see review she he they will to".split())


def _clause_cuts(scene: Scene, a: int, b: int) -> list[int]:
    """The places between two tokens where a new statement of a plan begins."""
    out: list[int] = []
    tokens = [t for t in scene.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]
    for n, token in enumerate(tokens):
        after = tokens[n + 1].key if n + 1 < len(tokens) else ""
        if token.key in (",", ";", "then") or token.key in ("and", "&", "+") and after in _NEW_CLAUSE:
            out.append(token.i)
    return out


def _of_other_plan(scene: Scene, context: Mark, mark: Mark, sentence: int) -> bool:
    """ "OCT within two weeks, refer to ENT": how soon is told of another plan of its own clause."""
    forward = context.end <= mark.start
    a, b = (context.end, mark.start) if forward else (mark.end, context.start)
    cuts = _clause_cuts(scene, a, b)
    if not cuts:
        return False
    whole = scene.segments.sentences[sentence]
    if forward:
        low, high = max([whole.start, *_clause_cuts(scene, whole.start, context.start)]), cuts[0]
    else:
        low, high = cuts[-1], min([whole.end, *_clause_cuts(scene, context.end, whole.end)])
    return any(
        m is not mark and low <= m.start and m.end <= high and _is_any_plan(scene, m)
        for m in scene.index.get(("mark", sentence), ())
    )


def _is_any_plan(scene: Scene, mark: Mark) -> bool:
    """Whether a mark is a test to do, a service or the next visit."""
    named = (scene.lexicon.items[s.item] for s in mark.of("name") if s.item)
    return _is_plan(mark) or any(item.role == "plan" for item in named)


def _listed_up_to(scene: Scene, mark: Mark, services: list[Mark], context: Mark) -> bool:
    """ "ENT and neurology within two weeks": nothing but "and" stands between the services of one list."""
    end = mark.end
    for other in sorted(services, key=lambda m: m.start):
        if other.start < end or other.end > context.start:
            continue
        if any(s not in ("and", "&", "+", "/", "to") for s in _signs(scene, end, other.start)):
            return False
        end = other.end
    return end > mark.end


def _titles(scene: Scene, mark: Mark) -> bool:
    """Whether a mark stands at the head of a note that goes on from there."""
    return scene.segments.sentence_of[mark.start] < _TITLE and len(scene.segments.sentences) > 2 * _TITLE


def _review(scene: Scene, mark: Mark, sense: Sense, mode: str) -> list[Observation]:
    sentence = scene.segments.sentences[scene.segments.sentence_of[mark.start]]
    if mode == "finding" and _titles(scene, mark):
        return []  # "3-month follow-up" as the title of the note
    item = scene.lexicon.items[sense.item]
    tokens = scene.tokens
    best: tuple[int, values.Reading] | None = None
    for group in _groups_in(scene, sentence.start, sentence.end):
        reading = values.duration(tokens, group)
        if reading is None or not sentence.start <= group.start < sentence.end:
            continue
        gap = group.start - mark.end if group.start >= mark.end else mark.start - group.end
        if mode == "finding" and "/" in group.signs and gap > 2:
            continue
        if 0 <= gap <= (14 if group.start >= mark.end else 4) and (best is None or gap < best[0]):
            best = (gap, reading)
    if best is None:
        for i in range(mark.end, min(sentence.end, mark.end + 8)):
            reading = values.word_interval(tokens, i)
            if reading is not None:
                best = (i - mark.end, reading)
                break
    if best is None or _cue(scene, mark, "negation", before=True, reach=2) is not None or _by_service(scene, mark):
        return []
    low, high = min(mark.start, best[1].start), max(mark.end, best[1].end)
    why = [f"{tokens.words(low, high)!r} is the next visit ({sense.source})"]
    return [Observation(item.key, None, best[1].value, {}, [(low, high)], [], why, mark.start, many=True)]


_SERVICE_VERBS = frozenset({"to", "will", "can", "should", "would", "must", "shall", "team", "clinic"})


def _by_service(scene: Scene, mark: Mark) -> bool:
    """ "ENT to see you within two weeks": the service sees the patient, no visit here is meant."""
    for other in scene.index.get(("mark", scene.segments.sentence_of[mark.start]), ()):
        if not 0 <= mark.start - other.end <= 6:
            continue
        if any(s.item and "urgency" in scene.lexicon.items[s.item].context for s in other.of("alone")):
            signs = _signs(scene, other.end, mark.start)
            sees = bool(signs) or scene.tokens[mark.start].key == "see"
            return sees and all(s in _SERVICE_VERBS for s in signs)
    return False


def _groups_in(scene: Scene, start: int, end: int) -> list[Group]:
    """The scene's groups of numbers between two tokens."""
    if not scene.group_starts:
        scene.group_starts = [g.start for g in scene.groups]
    return scene.groups[bisect_left(scene.group_starts, start) : bisect_left(scene.group_starts, end)]

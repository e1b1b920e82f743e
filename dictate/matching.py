"""Stage 3: lexicon phrases found in the tokens -> marks (exact words, by their keys).

spaCy's PhraseMatcher runs over a document of word keys. Trade words are matched with articles,
fillers and forms of "be" left out, so one phrase covers them all; cues (negation, history,
corrections) are matched on every word. Where matches overlap the longer one stands; of two
equally long the earlier. Senses that share the same words stay together in one mark.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

from dictate.lexicon import Lexicon, Sense
from dictate.marks import Mark
from dictate.note import Tokens
from dictate.wording import is_plural, plain

_Phrase = tuple[str, ...]
_NEVER_SPELT = frozenset(
    {
        "rl",
        "lr",
        "re",
        "le",
        "in",
        "it",
        "no",
        "so",
        "to",
        "at",
        "on",
        "is",
        "of",
        "as",
        "or",
        "be",
        "an",
        "am",
        "us",
        "he",
        "we",
        "me",
        "do",
        "by",
        "if",
        "let",
    }
)


# Abbreviations that are everyday words in small letters.
_WORDS_TOO = frozenset({"safe", "let"})

_GROWING = threading.Lock()
"""A note read in another thread must not find a matcher that lacks phrases which are just being added."""


class _Grown:
    """A PhraseMatcher that holds the phrases whose rarest word some note has used so far.

    A phrase can only match where its rarest word stands, so the matches are those of the whole
    lexicon, and a single note does not wait for tens of thousands of phrases to be compiled.
    """

    def __init__(self, phrases: list[_Phrase]) -> None:
        from spacy.matcher import PhraseMatcher
        from spacy.vocab import Vocab

        self.vocab = Vocab()  # a bare one: words need no attributes here
        self.matcher = PhraseMatcher(self.vocab, attr="ORTH")
        self.keys = phrases
        counts: dict[str, int] = {}
        for phrase in phrases:
            for word in phrase:
                counts[word] = counts.get(word, 0) + 1
        self.waiting: dict[str, list[int]] = {}
        for number, phrase in enumerate(phrases):
            self.waiting.setdefault(min(phrase, key=counts.__getitem__), []).append(number)

    def over(self, words: list[str]) -> Any:
        """The matcher, with every phrase that these words could hold."""
        from spacy.tokens import Doc

        with _GROWING:
            for word in set(words) & self.waiting.keys():
                for number in self.waiting[word]:
                    self.matcher.add(str(number), [Doc(self.vocab, words=list(self.keys[number]))])
                del self.waiting[word]
        return self.matcher


def _matcher(lexicon: Lexicon, name: str, words: list[str]) -> tuple[Any, list[_Phrase]]:
    if name not in lexicon.cache:
        keys = [*(lexicon.phrases if name == "trade" else lexicon.cues)]
        if name == "trade":
            keys += [heard for heard in lexicon.misheard if heard not in lexicon.phrases]
        lexicon.cache[name] = _Grown(keys)
    grown: _Grown = lexicon.cache[name]
    return grown.over(words), grown.keys


def _every_word(tokens: Tokens) -> tuple[list[str], list[tuple[int, int]]]:
    """All words, skipped ones too; blanks, apostrophes and hyphens inside words are left out."""
    words: list[str] = []
    places: list[tuple[int, int]] = []
    for token in tokens.tokens:
        if token.kind == "space" or token.skipped and token.kind != "word" or token.spoken == "skip":
            continue
        words.append(token.key or " ")
        places.append((token.i, token.i + 1))
    return words, places


def _trade_words(tokens: Tokens, lexicon: Lexicon) -> tuple[list[str], list[tuple[int, int]]]:
    """Word keys without skipped words; letters told one by one are joined."""
    words: list[str] = []
    places: list[tuple[int, int]] = []
    i, size = 0, len(tokens)
    while i < size:
        token = tokens[i]
        if token.kind == "space" and "\t" in token.text:
            words.append("\t")  # no phrase runs from one cell of a table into the next
            places.append((i, i + 1))
        if token.kind == "word" and len(token.text) == 1:
            joined = _letters(tokens, i, lexicon.abbreviations) if _one_letter(tokens, i) else []
            if joined:
                for word, start, end in joined:
                    words.append(word)
                    places.append((start, end))
                i = joined[-1][2]
                continue
        if token.key == "-" and i + 1 < size and tokens[i + 1].key == ">" and tokens[i + 1].start == token.end:
            words.append("->")
            places.append((i, i + 2))
            i += 2
            continue
        if not token.skipped:
            words.append("and" if _joins_words(tokens, i) else token.key or " ")
            places.append((i, i + 1))
        i += 1
    return words, places


def _joins_words(tokens: Tokens, i: int) -> bool:
    """ "down + in", "pink & flat": a sign between two words of more than a letter, read as "and"."""
    if tokens[i].key not in ("&", "+"):
        return False
    if tokens.note.text[tokens[i].start - 1 : tokens[i].start].isspace() != (
        tokens.note.text[tokens[i].end : tokens[i].end + 1].isspace()
    ):
        return False  # "PL+ PR", "Rinne +ve"
    before, after = i - 1, i + 1
    while before >= 0 and tokens[before].kind == "space":
        before -= 1
    while after < len(tokens) and tokens[after].kind == "space":
        after += 1
    return (
        before >= 0
        and after < len(tokens)
        and tokens[before].kind == tokens[after].kind == "word"
        and min(len(tokens[before].text), len(tokens[after].text)) > 1
    )


def _one_letter(tokens: Tokens, i: int) -> bool:
    """A letter by itself; one with a number joined to it ("V2") is none."""
    if tokens[i].kind != "word" or len(tokens[i].text) != 1:
        return False
    joined = i + 1 < len(tokens) and tokens[i + 1].kind == "number" and tokens[i + 1].start == tokens[i].end
    return not joined


def _letters(tokens: Tokens, i: int, abbreviations: frozenset[str]) -> list[tuple[str, int, int]]:
    """Letters told one by one ("o c t", "R.A.P.D.") as the known abbreviations they spell."""
    letters: list[tuple[str, int, int]] = []
    at = i
    while at < len(tokens) and _one_letter(tokens, at) and len(letters) < 24:
        if letters and tokens.mixed_case and tokens[at].text.isupper() != tokens[i].text.isupper():
            break
        end = at + 1
        if (
            end + 1 < len(tokens)
            and tokens[end].text == "."
            and len(tokens[end + 1].text) == 1
            and tokens[end + 1].kind == "word"
        ):
            end += 1
        letters.append((plain(tokens[at].text), at, end))
        at = end
    capitals = all(tokens[start].text.isupper() for _, start, _ in letters)
    spaced = letters[0][2] - letters[0][1] == 1
    if len(letters) < 2 or capitals and spaced and tokens.mixed_case and len(letters) < 3:
        return []
    out: list[tuple[str, int, int]] = []
    n = 0
    found = False
    while n < len(letters):
        for length in range(min(6, len(letters) - n), 1, -1):
            word = "".join(x[0] for x in letters[n : n + length])
            if word in abbreviations and word not in _NEVER_SPELT:
                out.append((word, letters[n][1], letters[n + length - 1][2]))
                n += length
                found = True
                break
        else:
            out.append(letters[n])
            n += 1
    return out if found else []


def _fits_case(sense: Sense, text: str, tokens: Tokens) -> bool:
    if not sense.cased:
        return True
    if text == sense.cased:
        verb_apart = sense.role == "side" and text == "BE"  # the verb is left out before matching
        return tokens.mixed_case or verb_apart or text.casefold() not in _NEVER_SPELT
    if sense.role == "side" and not tokens.mixed_case:
        return text.casefold() == sense.cased.casefold() and text.casefold() not in _NEVER_SPELT
    short = len(sense.cased.replace(" ", "")) <= 2
    if tokens.mixed_case or short:
        return not short and text.casefold() == sense.cased.casefold() and text.isupper()
    return text.casefold() == sense.cased.casefold() and (text.isupper() or text not in _WORDS_TOO)


def _longest(matcher: Any, words: list[str]) -> list[tuple[int, int, int]]:
    """Matches (start, end, phrase number), longest first and none overlapping."""
    from spacy.tokens import Doc

    vocab = matcher.vocab
    found = [(start, end, int(vocab.strings[key])) for key, start, end in matcher(Doc(vocab, words=words))]
    found.sort(key=lambda f: (f[0] - f[1], f[0]))
    return found


def match(tokens: Tokens, lexicon: Lexicon) -> list[Mark]:
    """Marks of trade words, in order of place."""
    words, places = _trade_words(tokens, lexicon)
    if not words:
        return []
    matcher, keys = _matcher(lexicon, "trade", words)
    found = _longest(matcher, words)
    by_start: dict[int, list[tuple[int, int, int]]] = {}
    for one in found:
        by_start.setdefault(one[0], []).append(one)

    def choose(candidates: list[tuple[int, int, int]], taken: set[int]) -> list[Mark]:
        marks: list[Mark] = []
        for start, end, number in candidates:
            if any(i in taken for i in range(start, end)):
                continue
            mark = _mark(tokens, lexicon, keys[number], places[start][0], places[end - 1][1])
            if mark is None:
                continue
            taken.update(range(start, end))
            if end - start > 1 and all(s.role in ("word", "direction") for s in mark.senses):
                nested = [
                    c
                    for place in range(start, end)
                    for c in by_start.get(place, ())
                    if c[1] <= end and c[1] - c[0] < end - start
                ]
                nested.sort(key=lambda f: (f[0] - f[1], f[0]))
                mark = replace(mark, inner=tuple(choose(nested, set())))
            marks.append(mark)
        marks.sort(key=lambda m: m.start)
        return marks

    return _shared_noun(tokens, lexicon, _shared_first(tokens, lexicon, choose(found, set())))


_JOINS = ("and", "&", "+", "or", ",", "/")


def _shared_noun(tokens: Tokens, lexicon: Lexicon, marks: list[Mark]) -> list[Mark]:
    """ "The second and third divisions", "divisions two and three": circumstances that share their noun."""
    at = {i: m for m in marks for i in range(m.start, m.end)}
    found: dict[int, Mark] = {}
    for mark in marks:
        if not mark.has("context") or _next_word(tokens, mark.start + 1) >= mark.end:
            continue
        keys = [t.key for t in tokens.tokens[mark.start : mark.end] if t.kind != "space" and not t.skipped]
        if len(keys) != 2:
            continue
        kinds = {s.data for s in mark.of("context")}
        for step in (-1, 1):
            place = mark.start if step < 0 else mark.end - 1
            while True:
                sign = _word_beside(tokens, place, step)
                other = _word_beside(tokens, sign, step) if sign >= 0 and tokens[sign].key in _JOINS else -1
                if other < 0 or tokens[other].kind not in ("word", "number"):
                    break
                over = at.get(other)
                word = tokens[other].key
                phrase = (word, keys[1]) if step < 0 else (keys[0], word)
                senses = tuple(s for s in lexicon.phrases.get(phrase, ()) if s.data in kinds and not s.cased)
                if not senses or over is not None and (over.end - over.start > 1 or over.has("side", "name", "word")):
                    break
                found[other] = Mark(other, other + 1, senses)
                place = other
    kept = [m for m in marks if m.start not in found]
    return sorted([*kept, *found.values()], key=lambda m: m.start) if found else marks


def _word_beside(tokens: Tokens, i: int, step: int) -> int:
    """The next token that is no blank, before or behind token i; -1 at the ends."""
    i += step
    while 0 <= i < len(tokens) and (tokens[i].kind == "space" or tokens[i].skipped):
        i += step
    return i if 0 <= i < len(tokens) else -1


def _shared_first(tokens: Tokens, lexicon: Lexicon, marks: list[Mark]) -> list[Mark]:
    """ "Facial sensation and power": the second name shares the first word of the one before it."""
    by_start = {m.start: m for m in marks}
    taken = {i for m in marks for i in range(m.start, m.end)}
    out: list[Mark] = []
    opened: set[int] = set()
    for mark in marks:
        if mark.start in opened:
            continue
        out.append(mark)
        at = _next_word(tokens, mark.end)
        if mark.end - mark.start < 2 or not mark.has("name") or at >= len(tokens) or tokens[at].key not in ("and", "&"):
            continue
        second = _next_word(tokens, at + 1)
        if second >= len(tokens) or tokens[second].kind != "word":
            continue
        over = by_start.get(second)
        if second in taken and (over is None or not over.inner):
            continue
        phrase = (tokens[mark.start].key, tokens[second].key)
        senses = tuple(s for s in lexicon.phrases.get(phrase, ()) if s.role in ("name", "topic") and not s.cased)
        if senses:
            out.append(Mark(second, second + 1, senses, is_plural(tokens[second].text)))
            if over is not None:
                opened.add(over.start)
                out += [m for m in over.inner if m.start > second]
    return out


def _next_word(tokens: Tokens, i: int) -> int:
    while i < len(tokens) and (tokens[i].kind == "space" or tokens[i].skipped):
        i += 1
    return i


def open_up(marks: list[Mark], sentence_of: list[int]) -> list[Mark]:
    """Words of a test that is not in hand give way to the shorter phrases inside them."""
    topics: dict[int, set[str]] = {}
    for mark in marks:
        for sense in mark.of("name", "topic", "alone"):
            if sense.topic:
                topics.setdefault(sentence_of[mark.start], set()).add(sense.topic)
    out: list[Mark] = []
    for mark in marks:
        if not mark.inner:
            out.append(mark)
            continue
        sentence = sentence_of[mark.start]
        wanted = {s.topic for s in mark.senses}
        in_hand: set[str] = set()
        for at in range(sentence, max(-1, sentence - 4), -1):
            in_hand |= topics.get(at, set())
        if wanted & in_hand:
            out.append(mark)
        else:
            out += open_up(list(mark.inner), sentence_of)
    return out


def share_words(tokens: Tokens, lexicon: Lexicon, marks: list[Mark]) -> list[Mark]:
    """ "Corneal and gag reflexes": the first name shares the words behind the second."""
    firm = {i for m in marks if m.has("name", "topic", "alone", "complete", "side") for i in range(m.start, m.end)}
    out: list[Mark] = []
    taken: set[int] = set()
    for mark in marks:
        if not mark.has("name", "topic", "alone"):
            continue
        words = [t for t in tokens.tokens[mark.start : mark.end] if t.kind == "word" and not t.skipped]
        if len(words) < 2:
            continue
        before = _listed(tokens, mark.start, -1)
        if before is not None and before not in firm:
            phrase = (tokens[before].key, *(w.key for w in words[1:]))
            out += _shared(tokens, lexicon, phrase, before, mark, ("name", "topic", "alone"))
    taken = {m.start for m in out}
    return sorted([*(m for m in marks if not (m.start in taken and m.end - m.start == 1)), *out], key=lambda m: m.start)


def _listed(tokens: Tokens, i: int, step: int) -> int | None:
    """The word on the other side of an "and" beside token i."""
    at = i + step
    seen = False
    while 0 <= at < len(tokens):
        token = tokens[at]
        if token.kind == "space" or token.skipped and not seen:
            at += step
        elif not seen and token.key in ("and", "&"):
            seen = True
            at += step
        else:
            return at if seen and token.kind == "word" and not token.skipped else None
    return None


def _shared(
    tokens: Tokens, lexicon: Lexicon, phrase: _Phrase, at: int, mark: Mark, roles: tuple[str, ...]
) -> list[Mark]:
    senses = tuple(s for s in lexicon.phrases.get(phrase, ()) if s.role in roles and not s.cased)
    known = {(s.item, s.topic) for s in mark.senses}
    if not senses or all((s.item, s.topic) in known for s in senses):
        return []
    return [Mark(at, at + 1, senses, mark.plural or is_plural(tokens[at].text))]


def match_cues(tokens: Tokens, lexicon: Lexicon) -> list[Mark]:
    """Marks of cues, modes, corrections and visits, each sort for itself, in order of place."""
    words, places = _every_word(tokens)
    if not words:
        return []
    matcher, keys = _matcher(lexicon, "cues", words)
    taken = {role: bytearray(len(words)) for role in ("cue", "mode", "correction", "visit")}
    marks: list[Mark] = []
    for start, end, number in _longest(matcher, words):
        first, last = places[start][0], places[end - 1][1]
        text = tokens.words(first, last)
        senses = [s for s in lexicon.cues[keys[number]] if _fits_case(s, text, tokens)]
        if words[start] in ("left", "right") and _told_as_side(tokens, first):
            continue  # "on the left out of focus"
        for role, used in taken.items():
            own = tuple(s for s in senses if s.role == role)
            if own and not any(used[start:end]):
                used[start:end] = b"\x01" * (end - start)
                marks.append(Mark(first, last, own))
    marks.sort(key=lambda m: m.start)
    return marks


def reconcile(trade: list[Mark], cues: list[Mark]) -> tuple[list[Mark], list[Mark]]:
    """Where a cue and a trade phrase share words, the longer one stands ("no response")."""
    spans = sorted((m.start, m.end) for m in trade)
    kept_cues: list[Mark] = []
    covered: set[int] = set()
    inside: dict[int, tuple[int, int]] = {i: s for s in spans for i in range(s[0], s[1])}
    for cue in cues:
        if not cue.has("cue"):
            kept_cues.append(cue)
            continue
        span = inside.get(cue.start) or inside.get(cue.end - 1)
        if span is not None and span[1] - span[0] > cue.end - cue.start:
            continue
        if (
            span is not None
            and any(s.data in ("not_done", "exception", "doubled") for s in cue.senses)
            and cue.end - cue.start > 1
        ):
            covered.update(range(cue.start, cue.end))
        kept_cues.append(cue)
    changes = {i for c in kept_cues if any(s.data == "negation_after" for s in c.senses) for i in range(c.start, c.end)}
    kept_trade = [
        m
        for m in trade
        if not (m.start in covered and m.end - 1 in covered)
        and not (m.start in changes and m.end - 1 in changes and m.has("word") and not m.has("generic"))
    ]
    return kept_trade, kept_cues


def _over_full_stop(tokens: Tokens, first: int, last: int) -> bool:
    """Whether a stretch runs over the end of a sentence ("down R. V2 normal")."""
    return any(
        tokens[i].key == "."
        and not tokens[i].spoken
        and tokens[i + 1].start > tokens[i].end
        and tokens[i + 1].text[:1].isupper()
        and i + 2 < len(tokens)
        and tokens[i + 2].key != "."
        for i in range(first, last - 1)
    )


def _mark(tokens: Tokens, lexicon: Lexicon, phrase: _Phrase, first: int, last: int) -> Mark | None:
    if last - first > 2 and _over_full_stop(tokens, first, last):
        return None
    text = tokens.words(first, last)
    plural = is_plural(tokens[last - 1].text)
    senses = tuple(s for s in lexicon.phrases.get(phrase, ()) if _fits_case(s, text, tokens))
    if senses and all(s.role == "mask" and s.data == "often" for s in senses) and _told_as_side(tokens, first):
        return None
    if phrase[-1] == "right" and len(phrase) > 1 and all(s.role == "generic" for s in senses):
        near = {t.text.casefold() for t in tokens.tokens[max(0, first - 8) : last - 1]}
        if near & {"left", "the", "l"}:
            return None  # "ptosis left, not right"
    if senses:
        return Mark(first, last, senses, plural)
    read = lexicon.misheard.get(phrase)
    if read is None:
        return None
    senses = tuple(s for s in lexicon.phrases.get(read, ()) if not s.cased or s.role != "side")
    if not senses:
        return None
    return Mark(first, last, senses, plural or any(is_plural(w) for w in read), heard=True, read_as=" ".join(read))


_TELLS_SIDE = frozenset({"on", "in", "of", "over", "the", "his", "her", "their"})


def _told_as_side(tokens: Tokens, first: int) -> bool:
    """ "On the right across the forehead": a preposition or an article before "right" makes it a side."""
    before = first - 1
    while before >= 0 and tokens[before].kind == "space":
        before -= 1
    return before >= 0 and tokens[before].text.casefold() in _TELLS_SIDE


def without(marks: list[Mark], role: str) -> list[Mark]:
    """The marks with the senses of one role taken out."""
    return [
        replace(m, senses=tuple(s for s in m.senses if s.role != role))
        for m in marks
        if any(s.role != role for s in m.senses)
    ]

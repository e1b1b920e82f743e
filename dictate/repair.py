"""Stage 3b: words that exact matching left over, read as trade terms by spelling and sound.

Two kinds of repair. A plain typing slip (one letter wrong, missing or doubled, two exchanged) in a
word that is no English word is read as stated. A stretch that sounds and looks like a trade term is
read as that term and marked `heard`, so that every row resting on it is put to the clinician.

A stretch may be a whole term ("nigh stag mus") or one word of a phrase whose other words are said aright
("coronal reflex"). What a candidate is worth is a log odds: a weighted sum of its likeness in sound, consonants and
letters, of how rare the words heard and the word read are in English, and of whether the subject is named nearby.
The weights were fitted (logistic regression) to candidates from recognised speech against candidates from notes
without recogniser errors. A note in which other terms are surely misheard needs less odds for the next.
How common a word is in English comes from `english`.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from rapidfuzz import process
from rapidfuzz.distance import OSA, Levenshtein

from dictate import english
from dictate.lexicon import Lexicon, Sense
from dictate.marks import Mark, Marks
from dictate.note import Token, Tokens
from dictate.wording import is_plural, key, plain

_Phrase = tuple[str, ...]
_What = frozenset[tuple[str, str, str]]

_NAME = 5_000  # from this rank a word may mark a term of several words
_TARGETS = frozenset({"name", "alone", "word", "topic", "context"})
_NOT_TARGETS = frozenset({"generic", "side", "unit", "direction", "complete"})
_PLAIN = frozenset({"generic", "side", "unit"})
# What it costs to read a word that was matched by itself as part of a longer misheard term.
_PRICE = {"generic": 0.1, "unit": 0.1, "mask": 0.1, "hint": 0.1, "context": 0.2, "cue": 1.0}
_PRICE_TRADE = 0.5
_TITLES = frozenset({"mr", "mrs", "ms", "miss", "dr", "doctor", "prof", "professor", "sister", "nurse", "mister"})
_NUMBERS = frozenset(
    """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen
    seventeen eighteen nineteen twenty thirty forty fifty sixty seventy eighty ninety hundred half quarter point
    nought first second third fourth fifth sixth seventh eighth ninth tenth over plus minus""".split()
)
_EVERYDAY = 1_500  # words that are hardly ever a misheard term
_SMALL_WORD = 200  # the commonest words, no misheard part of a phrase
_REMEMBERED = 50_000  # stretches whose candidates are kept
_SURNAME = 10_000  # from here words are names and rarities, which one doubled letter may bring about
_COMMON = 20_000  # an everyday word
_ROWS = ("qwertyuiop", "asdfghjkl", "zxcvbnm")
_KEYS = {  # a letter -> those beside it on a keyboard
    letter: set(row[max(0, i - 1) : i + 2]) | set(below[max(0, i - 1) : i + 1]) | set(above[i : i + 2])
    for above, row, below in (("", _ROWS[0], _ROWS[1]), _ROWS, (_ROWS[1], _ROWS[2], ""))
    for i, letter in enumerate(row)
}
_VOWEL_LETTERS = frozenset("aeiouy")
_WEAKEST, _SURE = -1.5, 1.6  # odds below which a reading is dropped, and above which the term is surely misheard
_AHEAD_BY = 0.15  # odds by which a reading must be ahead of one that speaks of something else
_TOO_WEAK = 4.3  # likeness that no circumstance makes up for
_NEED = (0.3, -0.5, -0.8, -1.1)  # least odds of a repair, by the number of terms surely misheard in the note
_LONGEST = 30  # letters beyond which a word is left alone
_LONG = 9  # letters from which a generic word ("symmetrical") is told by its sound
_CIRCUMSTANCE = 7  # letters from which a circumstance ("unaided") is told by its sound
_WINDOW = 5  # most words, small ones included, that one term is looked for in
_GAP = 4  # most words that stand for one word of a phrase


# -- sound

# Spelling -> sound, in order: silent letters, Greek and Latin groups, soft and hard consonants.
_SOUND = tuple(
    (re.compile(pattern), into)
    for pattern, into in (
        (r"^u(?=v|ni[^nmd])", "yu"),
        (r"^ps", "s"),
        (r"^p(?=[nt])|^[kg](?=n)|^w(?=r)|^m(?=n)", ""),
        (r"^x", "s"),
        (r"sch", "sk"),
        (r"ph", "f"),
        (r"rh+", "r"),
        (r"th", "T"),
        (r"sh|tch", "S"),
        (r"ch(?=[lr])|ch(?=or|oi|ia|y|ii|oa)", "k"),
        (r"ch", "S"),
        (r"igh", "i"),
        (r"^gh", "g"),
        (r"gh", ""),
        (r"[cst]ion", "Sn"),
        (r"(?:t|sc|c)ious", "SAs"),
        (r"[ct]ia(?=[^s])", "SA"),
        (r"ture?$", "SA"),
        (r"cc(?=[eiy])", "ks"),
        (r"s?c(?=[eiy])|(?<=[nu])c$", "s"),
        (r"ck|cqu|c", "k"),
        (r"qu?", "kw"),
        (r"x", "ks"),
        (r"dge?(?=[eiy]|$)|g(?=[iey])|(?<=r)g$", "j"),
        (r"gn$", "n"),
        (r"[gm]m$|mb$|mn$", "m"),
        (r"bt$", "t"),
        (r"z", "s"),
        (r"h", ""),
        (r"(?<=[a-zA-Z])y(?![aeiou])", "i"),
        (r"(?<=[^aeiouy])e$", ""),
        (r"(?<=[aeiou])w(?![aeiou])", "u"),
        (r"(?<=[aeiouA])r(?![aeiouyr])", ""),
        (r"oe|ae|ee|ea|ie|ei|ey|ay|ai|[ei]|y(?![aeiou])", "I"),
        (r"oo|ou|oa|oi|oy|au|aw|o", "O"),
        (r"[au]", "A"),
    )
)
_TWICE = re.compile(r"(.)\1+")
_VOWELS = re.compile(r"(?<=[AIO])[AIO]+(?=[AIO])")
# Sounds that are confused -> one sign; vowels go.
_CLASS = str.maketrans("bpfvtdTkgsSjcmnlr", "PPPPTTTKKSSSSNNLR", "AIOwyh")
_SHAPE = str.maketrans("bpfvtdTkgsSjcmnlrAIO", "PPPPTTTKKSSSSNNLRVVV")
_LETTERS = dict(
    zip(
        "abcdefghijklmnopqrstuvwxyz",
        "A bI sI dI I If jI IS I jI kI Il Im In O pI kyO A Is tI yO vI dAblyO Iks wI sId".split(),
        strict=True,
    )
)


@lru_cache(maxsize=65536)
def _word_sound(word: str) -> str:
    if len(word) == 1:
        return _LETTERS.get(word, "")
    linking = word.endswith("r")
    for pattern, into in _SOUND:
        word = pattern.sub(into, word)
    return word + "*" if linking else word


def sound(words: Iterable[str]) -> str:
    """The words run together as they sound: three vowel classes, no silent letters, no doubles."""
    run = "".join(map(_word_sound, words))
    if "*" in run:
        run = re.sub(r"\*(?=[AIO])", "r", run).replace("*", "")
    return _TWICE.sub(r"\1", _VOWELS.sub("", run))


def skeleton(heard: str) -> str:
    """The consonants of a `sound`, with those that are easily confused made one."""
    first = heard[:1]
    lead = "A" if first in ("A", "I", "O") else "P" if first == "w" else "S" if first == "y" else ""
    return lead + heard.translate(_CLASS)


_similar = Levenshtein.normalized_similarity


class _Form(NamedTuple):
    """A stretch as it sounds, its consonants, its consonants with vowels kept as one sign, its letters."""

    heard: str
    bones: str
    shape: str
    letters: str


@lru_cache(maxsize=65536)
def _form(words: tuple[str, ...]) -> _Form:
    heard = sound(words)
    return _Form(heard, skeleton(heard), heard.translate(_SHAPE), "".join(words))


# -- what the lexicon offers


@dataclass(frozen=True, slots=True)
class _Term:
    """A phrase of the lexicon that is looked for as a whole."""

    phrase: _Phrase
    form: _Form
    topics: frozenset[str]
    rank: int
    target: bool  # else it only keeps its place: sides, sectors, generic words are not told by sound


@dataclass
class _Index:
    """The lexicon as repair needs it, made once for a lexicon."""

    lexicon: Lexicon
    vocabulary: frozenset[str]  # every word of a phrase or a cue
    targets: frozenset[str]  # words of phrases that may be told by their sound
    words: list[str]  # the vocabulary's words of some length
    edges: dict[str, list[_Term]] = field(default_factory=dict)
    pools: dict[tuple[str, int], tuple[list[str], list[_Term]]] = field(default_factory=dict)
    bones: dict[str, list[_Term]] = field(default_factory=dict)
    gaps: dict[_Phrase, dict[_Phrase, list[tuple[str, _Phrase]]]] = field(default_factory=dict)
    deletions: dict[str, set[str]] = field(default_factory=dict)
    spoken: dict[str, tuple[list[str], list[_Term]]] = field(default_factory=dict)
    alike: dict[tuple[bool, frozenset[str], _Phrase], list[tuple[float, _Term]]] = field(default_factory=dict)
    slips: dict[tuple[str, str], set[str]] = field(default_factory=dict)
    subjects: dict[_Phrase | tuple[int, ...], frozenset[str]] = field(default_factory=dict)

    def pool(self, edge: str, size: int) -> tuple[list[str], list[_Term]]:
        """The terms of that edge that sound about `size` signs long, and their sounds."""
        known = self.pools.get((edge, size))
        if known is None:
            terms = [t for t in self.edges.get(edge, ()) if 0.7 * size <= len(t.form.heard) <= size / 0.7]
            known = self.pools[edge, size] = ([t.form.heard for t in terms], terms)
        return known

    def of_topic(self, topic: str) -> tuple[list[str], list[_Term]]:
        """The terms that speak of a topic or group, and their sounds."""
        return self.spoken.get(topic, ([], []))

    def topics(self, phrase: _Phrase) -> frozenset[str]:
        """The subjects of a phrase: its topics and the groups that these belong to."""
        known = self.subjects.get(phrase)
        if known is None:
            known = self.subjects[phrase] = _topics(self.lexicon.phrases[phrase], self.lexicon)
        return known

    def topics_of(self, mark: Mark) -> frozenset[str]:
        """The subjects of a mark."""
        key = tuple(map(id, mark.senses))  # the lexicon keeps its senses alive
        known = self.subjects.get(key)
        if known is None:
            senses = [s for s in mark.of("name", "topic", "alone", "word") if s.topic or s.item]
            plain_word = mark.has("generic", "side")
            known = self.subjects[key] = frozenset() if plain_word else _topics(senses, self.lexicon)
        return known


def _without_one(word: str) -> Iterator[str]:
    for i in range(len(word)):
        yield word[:i] + word[i + 1 :]


def _edges(bones: str) -> tuple[str, str]:
    """How a term begins and how it ends; one of the two is mostly heard aright."""
    return "^" + bones[:1], bones[-2:] + "$"


def _what(senses: Sequence[Sense]) -> _What:
    return frozenset((s.item or s.topic, s.value, str(s.context) if s.role != "name" else "") for s in senses)


def _topics(senses: Sequence[Sense], lexicon: Lexicon) -> frozenset[str]:
    """The subjects of the senses: their topics and the groups that these belong to."""
    found = set()
    for sense in senses:
        topic = sense.topic
        item = sense.item or next(iter(lexicon.topic_items.get(topic, ())), "")
        found.update({topic, lexicon.item_group.get(item, "")} - {""})
    return frozenset(found)


def _usable(phrase: _Phrase, senses: Sequence[Sense]) -> bool:
    roles = {s.role for s in senses}
    if len(phrase) == 1 and len(phrase[0]) >= _LONG:
        roles = {"word" if role == "generic" else role for role in roles}
    if "context" in roles and not roles & {"name", "topic"} and (len(phrase) > 1 or len(phrase[0]) < _CIRCUMSTANCE):
        return False
    return bool(roles & _TARGETS) and not roles & _NOT_TARGETS and not all(s.cased for s in senses)


@lru_cache(maxsize=65536)
def _stem_rank(word: str) -> int:
    return min(english.rank(word), english.rank(word + "e"))


def _index(lexicon: Lexicon) -> _Index:
    known = lexicon.cache.get("repair")
    if known is None:
        known = lexicon.cache["repair"] = _build(lexicon)
    index: _Index = known
    return index


def _build(lexicon: Lexicon) -> _Index:
    phrases = lexicon.phrases
    vocabulary = lexicon.vocabulary()
    single = {p[0] for p in phrases if len(p) == 1}
    trivial = {w for w in single if any(s.role in _PLAIN for s in phrases[(w,)])}
    trivial |= {p[0] for p in lexicon.cues if len(p) == 1} | _NUMBERS
    words = sorted(w for w in vocabulary if w.isalpha() and len(w) > 3)
    index = _Index(lexicon, vocabulary, vocabulary - trivial, words)
    for phrase, senses in phrases.items():
        size = len(phrase)
        usable = _usable(phrase, senses)
        if size > 5 or not usable and (size > 1 or all(s.cased for s in senses)):
            continue
        if size > 1:
            for i, word in enumerate(phrase):
                beside = (*phrase[:i], *phrase[i + 1 :])
                if len(word) > 2 and any(len(w) > 3 and w in index.targets for w in beside):
                    index.gaps.setdefault(phrase[:i], {}).setdefault(phrase[i + 1 :], []).append((word, phrase))
        letters = "".join(phrase)
        if size > 3 or len(letters) < 5 or not letters.isalpha():
            continue
        # A term of several words is looked for as a whole if one of them is a name that never stands alone.
        if (
            size == 1
            or not trivial.intersection(phrase)
            and min(map(len, phrase)) > 2
            and any(w not in single and _stem_rank(w) >= _NAME for w in phrase)
        ):
            term = _Term(phrase, _form(phrase), _topics(senses, lexicon), min(map(_stem_rank, phrase)), usable)
            for edge in _edges(term.form.bones):
                index.edges.setdefault(edge, []).append(term)
            for topic in sorted(term.topics):
                names, terms = index.spoken.setdefault(topic, ([], []))
                names.append(term.form.heard)
                terms.append(term)
            for bones in {term.form.bones, *_without_one(term.form.bones)}:
                index.bones.setdefault(bones, []).append(term)
    for word in index.words:
        index.deletions.setdefault(word, set()).add(word)
        for shorter in _without_one(word):
            index.deletions.setdefault(shorter, set()).add(word)
    return index


# -- what the note leaves over

_FREE, _SMALL, _SOFT, _HELD, _STOP = range(5)
_OPEN = (_FREE, _SMALL, _SOFT)


class _Word(NamedTuple):
    """A word of the note: its tokens, its form, and what exact matching made of it."""

    start: int
    end: int
    key: str
    text: str
    state: int
    rank: int
    price: float = 0.0


_Side = tuple[_Phrase, int]  # the words beside a gap and the place of the outermost, -1 for none


class _Found(NamedTuple):
    """A reading of tokens `start` up to `end`; an empty phrase only keeps the place."""

    start: int
    end: int
    phrase: _Phrase
    heard: bool
    odds: float


_BE = frozenset({"is", "are", "was", "were", "be", "been"})
_LETTER_NAMES = {
    "our": "r",
    "are": "r",
    "ar": "r",
    "see": "c",
    "sea": "c",
    "tea": "t",
    "tee": "t",
    "pea": "p",
    "pee": "p",
    "dee": "d",
    "bee": "b",
    "be": "b",
    "oh": "o",
    "eye": "i",
    "you": "u",
    "why": "y",
    "jay": "j",
    "kay": "k",
    "ex": "x",
    "gee": "g",
    "el": "l",
    "em": "m",
    "en": "n",
    "es": "s",
    "ess": "s",
    "ef": "f",
    "eff": "f",
    "vee": "v",
    "ay": "a",
    "eh": "a",
}
_ARTICLES = frozenset({"the", "an", "it", "his", "her", "its", "their"})
_QUOTES = frozenset('"“”«»')
_JOINED = frozenset({"s", "ve", "t", "re", "ll", "d", "m"})


def _glued(run: Sequence[Token]) -> bool:
    """Whether tokens follow each other with no blank between."""
    return all(a.end == b.start for a, b in pairwise(run))


def _words(tokens: Tokens, marks: Sequence[Mark], taken: frozenset[int], vocabulary: frozenset[str]) -> list[_Word]:
    held: dict[int, Mark] = {i: m for m in marks for i in range(m.start, m.end)}
    out: list[_Word] = []
    every = tokens.tokens
    i, size = 0, len(every)
    titled = False
    while i < size:
        token = every[i]
        quoted = token.text in _QUOTES
        if not quoted and (token.kind == "space" or token.skipped and token.kind == "punct" or token.spoken == "skip"):
            i += 1
            continue
        end = i + 1
        if token.kind != "word" or token.spoken or i in taken and not token.skipped or not token.text.isalpha():
            out.append(_Word(i, end, token.key, "", _STOP, 0))
            titled = token.key == "." and titled
            i = end
            continue
        text = token.text.lower() if token.text.isascii() else plain(token.text)
        if end + 1 < size and every[end].key == "'" and every[end + 1].text in _JOINED and _glued(every[i : end + 2]):
            text += every[end + 1].text
            end += 2
        mark = held.get(i)
        price = 0.0
        if mark is not None:
            state = _HELD
            short = len(text) <= (10 if mark.has("context") else 6)
            if mark.end - mark.start == 1 and short and not mark.heard and not mark.has("side", "complete"):
                state = _SOFT
                price = max(_PRICE.get(s.role, _PRICE_TRADE) for s in mark.senses)
        elif token.skipped:
            state = _SMALL
        elif titled or text in _NUMBERS or len(text) > _LONGEST or not _VOWEL_LETTERS.intersection(text):
            state = _STOP
        else:
            state = _FREE
        rank = english.rank(text) if state == _FREE else 0
        if rank > english.WORDS and token.key in vocabulary:
            rank = english.WORDS
        out.append(_Word(i, end, token.key, text, state, rank, price))
        titled = text in _TITLES
        i = end
    return out


class _Near:
    """The subjects named around a place."""

    def __init__(self, marks: Sequence[Mark], index: _Index) -> None:
        told = [(mark.start, topics) for mark in marks if (topics := index.topics_of(mark))]
        self.places = [place for place, _ in told]
        self.topics = [topics for _, topics in told]

    def at(self, start: int, end: int) -> frozenset[str]:
        """Topics told around and in tokens `start` up to `end`; blanks between words are no tokens."""
        low, high = bisect_left(self.places, start - _BACK), bisect_right(self.places, end + _AHEAD)
        return frozenset().union(*self.topics[low:high])

    def beside(self, start: int, end: int) -> frozenset[str]:
        """Topics told close by, not in the tokens themselves."""
        low, high = bisect_left(self.places, start - _CLOSE), bisect_right(self.places, end + _CLOSE)
        first, last = bisect_left(self.places, start), bisect_left(self.places, end)
        return frozenset().union(*self.topics[low:first], *self.topics[last:high])


_BACK, _AHEAD = 40, 20  # tokens that a subject may be away
_CLOSE = 10  # tokens that a subject may be away from a word that says something of it
_TIES = frozenset("and or nor with but on in at to of for than has had shows shown see saw seen there no any".split())


def _one_edit(word: str, index: _Index) -> set[str]:
    found: set[str] = set(index.deletions.get(word, ()))
    for shorter in _without_one(word):
        found |= index.deletions.get(shorter, set())
    return {w for w in found if w != word and OSA.distance(word, w, score_cutoff=1) <= 1}


def _near_english(word: str, vocabulary: frozenset[str]) -> bool:
    """Whether an everyday word that the lexicon does not hold is one letter away."""
    known = english.words()
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    for i in range(len(word) + 1):
        head, tail = word[:i], word[i:]
        forms = [head + tail[1:], head + tail[1:2] + tail[:1] + tail[2:]]
        forms += [head + c + rest for c in alphabet for rest in (tail, tail[1:])]
        if any(known.get(f, english.WORDS) < _COMMON and key(f) not in vocabulary for f in forms):
            return True
    return False


def _is_slip(form: str, near: str, vocabulary: Sequence[str]) -> bool:
    """Whether `form` is `near` with one letter wrong, missing or too many, or two exchanged, and surely so."""
    if len(near) > len(form):
        return len(form) >= 5
    differ = next((i for i, (a, b) in enumerate(zip(form, near, strict=False)) if a != b), len(near))
    inside = 0 < differ < len(form) - 1
    if len(near) < len(form):
        if form[differ] == form[differ - 1]:
            return True
        return inside and len(near) >= 6 and _alone(form, near, vocabulary)
    if sorted(near) == sorted(form):
        return len(form) >= 4
    if len(form) < 6 or not inside:
        return False
    wrong, meant = form[differ], near[differ]
    if wrong in _KEYS[meant] or wrong in _VOWEL_LETTERS and meant in _VOWEL_LETTERS:
        return True
    return _alone(form, near, vocabulary)


def _alone(form: str, near: str, vocabulary: Sequence[str]) -> bool:
    """Whether the slip has nothing to do with what tells `near` from other words of the lexicon."""
    twins = process.extract(form, vocabulary, scorer=OSA.distance, score_cutoff=2, limit=None)
    return all(distance == OSA.distance(near, twin) + 1 for twin, distance, _ in twins if twin != near)


def _doubled(form: str, near: str) -> bool:
    """Whether the two differ in one letter told twice ("Webber")."""
    long, short = sorted((form, near), key=len, reverse=True)
    return len(long) == len(short) + 1 and _TWICE.sub(r"\1", long) == _TWICE.sub(r"\1", short)


def _slips(word: _Word, index: _Index) -> set[str]:
    """The lexicon words that this one is a plain typing slip of."""
    if word.state != _FREE or word.end - word.start != 1 or word.rank < _SURNAME or len(word.text) < 4:
        return set()
    known = index.slips.get((word.text, word.key))
    if known is None:
        known = {
            near
            for form in {word.text, word.key}
            for near in _one_edit(form, index)
            if len(near) >= 4 and not word.text.startswith(near) and _is_slip(form, near, index.words)
        }
        if word.rank < english.WORDS:
            known = {near for near in known if _doubled(word.text, near)}
        elif known and _near_english(word.text, index.vocabulary):
            known = set()
        if len(index.slips) > _REMEMBERED:
            index.slips.clear()
        index.slips[word.text, word.key] = known
    return known


def _derived(word: str, other: str) -> bool:
    """Whether two words differ in their ending or beginning only ("fluorescence", "reattachment")."""
    short = min(len(word), len(other))
    shared = next((i for i, (a, b) in enumerate(zip(word, other, strict=False)) if a != b), short)
    behind = next((i for i, (a, b) in enumerate(zip(word[::-1], other[::-1], strict=False)) if a != b), short)
    return shared >= 4 and shared >= 0.7 * short or behind >= 6 and behind >= 0.6 * short


def _rarity(rank: int) -> float:
    """1 for the commonest words to 6 for what is no word."""
    return math.log10(rank + 10)


def _alike_odds(form: _Form, term: _Term, several: int) -> float:
    """What the likeness of a stretch and a term adds to the log odds."""
    its, size = term.form, len(term.form.bones)
    by_sound = _similar(form.heard, its.heard)
    if by_sound < 0.5:
        return -math.inf
    return (
        3.5 * by_sound
        + 3.1 * _similar(form.letters, its.letters)
        + 2.3 * _similar(form.bones, its.bones)
        + 0.13 * size * (form.bones == its.bones)
        - 0.2 * size
        + 0.16 * _rarity(term.rank)
        - 0.8 * (several == 1 and _derived(form.letters, its.letters))
    )


@lru_cache(maxsize=65536)
def _gap_odds(gap: _Form, word: str) -> float:
    """What the likeness of a stretch and one word of a phrase adds to the log odds."""
    its = _form((word,))
    by_sound, by_letters = _similar(gap.heard, its.heard), _similar(gap.letters, its.letters)
    by_bones = _similar(gap.bones, its.bones)
    if by_sound + by_letters + by_bones < 1.35:
        return -math.inf
    return (
        3.0 * by_sound
        + 0.9 * by_bones
        + 1.2 * by_letters
        + 1.7 * max(by_sound, by_letters)
        + 1.1 * _similar(gap.shape, its.shape)
        + 0.2 * len(its.bones) * (gap.bones == its.bones)
        - 0.09 * len(its.bones)
        + 0.42 * _rarity(_stem_rank(word))
        - 11.3
    )


class _Repairer:
    def __init__(self, tokens: Tokens, lexicon: Lexicon, marks: Sequence[Mark], taken: frozenset[int]) -> None:
        self.tokens = tokens
        self.lexicon = lexicon
        self.index = _index(lexicon)
        self.words = _words(tokens, marks, taken, self.index.vocabulary)
        self.near = _Near(marks, self.index)
        self.covering: dict[int, tuple[int, int]] = {}  # token -> the reach of the marks on it
        for mark in marks:
            for i in range(mark.start, mark.end):
                start, end = self.covering.get(i, (mark.start, mark.end))
                self.covering[i] = (min(start, mark.start), max(end, mark.end))
        self.found: list[_Found] = []
        self.misheard = sum(1 for m in marks if m.heard)

    def run(self) -> list[Mark]:
        self._read_slips()
        self._read_letters()
        self._read_gaps()
        self._read_stretches()
        self.found.sort(key=lambda f: (f.heard, -f.odds, f.start))
        chosen: list[_Found] = []
        owner: dict[int, _Found] = {}
        unclear: set[_Found] = set()
        for one in self.found:
            before = {owner[i] for i in range(one.start, one.end) if i in owner}
            if not before:
                chosen.append(one)
                owner.update(dict.fromkeys(range(one.start, one.end), one))
            unclear.update(b for b in before if b.heard and b.odds - one.odds < _AHEAD_BY and self._differ(b, one))
        sure = self.misheard + sum(1 for f in chosen if f.heard and f.phrase and f.odds > _SURE)
        need = _NEED[min(sure, len(_NEED) - 1)]
        kept = [f for f in chosen if f.phrase and (not f.heard or f.odds >= need and f not in unclear)]
        return sorted((m for f in kept if (m := self._mark(f)) is not None), key=lambda m: m.start)

    def _differ(self, one: _Found, other: _Found) -> bool:
        """Whether two readings of a stretch speak of quite different things."""
        if not one.phrase or not other.phrase:
            return False
        return self.index.topics(one.phrase).isdisjoint(self.index.topics(other.phrase))

    def _mark(self, one: _Found) -> Mark | None:
        senses = tuple(s for s in self.lexicon.phrases[one.phrase] if not s.cased)
        if not senses:
            return None
        plural = is_plural(self.tokens[one.end - 1].text)
        return Mark(one.start, one.end, senses, plural, heard=one.heard, read_as=" ".join(one.phrase))

    def _whole_marks(self, start: int, end: int) -> bool:
        """Whether no mark lies partly inside the stretch."""
        first, last = self.covering.get(start), self.covering.get(end - 1)
        return not (first is not None and first[0] < start or last is not None and last[1] > end)

    # -- slips

    def _read_slips(self) -> None:
        options: dict[int, set[str]] = {}
        for n, word in enumerate(self.words):
            if found := _slips(word, self.index):
                options[n] = found
        for n in options:
            self._read_slip(n, options)

    def _read_slip(self, n: int, options: dict[int, set[str]]) -> None:
        """The longest phrase through the corrected word; one reading only, or none."""
        places = [k for k in range(max(0, n - 8), min(len(self.words), n + 9)) if self.words[k].state != _SMALL]
        at = places.index(n)
        best: dict[_Phrase, tuple[int, int]] = {}
        for size in range(6, 0, -1):
            for first in range(max(0, at - size + 1), at + 1):
                run = places[first : first + size]
                if len(run) < size:
                    continue
                phrases: list[_Phrase] = [()]
                for k in run:
                    forms = options.get(k) or {self.words[k].key}
                    phrases = [(*p, f) for p in phrases for f in forms][:16]
                for phrase in phrases:
                    senses = self.lexicon.phrases.get(phrase)
                    if senses and any(not s.cased for s in senses):
                        start, end = self.words[run[0]].start, self.words[run[-1]].end
                        if self._whole_marks(start, end):
                            best[phrase] = (start, end)
            if best:
                break
        if len({_what(self.lexicon.phrases[p]) for p in best}) == 1:
            phrase, (start, end) = next(iter(best.items()))
            self.found.append(_Found(start, end, phrase, False, 1.0 + len(phrase)))

    # -- letters told one by one

    def _read_letters(self) -> None:
        """ "our APD", "eye oh pea": names of letters written as words, with the letters beside them."""
        letters = [_LETTER_NAMES.get(w.text, w.text if len(w.text) == 1 else "") for w in self.words]
        for n, word in enumerate(self.words):
            if not letters[n] or len(word.text) == 1:
                continue
            name = letters[n]
            for last in range(n + 1, min(n + 5, len(self.words))):
                name += letters[last] or self.words[last].text
                if len(name) > 5 or self.words[last].state == _STOP:
                    break
                senses = self.lexicon.phrases.get((name,))
                start, end = word.start, self.words[last].end
                if len(name) > 2 and senses and _usable((name,), senses) and english.rank(name) >= _SURNAME:
                    if (name[len(letters[n]) :],) in self.lexicon.phrases or all(letters[n : last + 1]):
                        if self._whole_marks(start, end):
                            self.found.append(_Found(start, end, (name,), True, _SURE))

    # -- one word of a known phrase

    def _read_gaps(self) -> None:
        words = self.words
        behind, ahead = self._sides()
        for n, word in enumerate(words):
            if word.state not in _OPEN:
                continue
            start = [
                (known, first)
                for before, first in behind[n]
                if (known := self.index.gaps.get(before)) is not None and not (before and word.text in _BE)
            ]
            rank = -1
            for last in range(n, min(n + _GAP, len(words))):
                if words[last].state not in _OPEN:
                    break
                if words[last].state == _FREE:
                    rank = max(rank, words[last].rank)
                if rank >= _SMALL_WORD:
                    for known, first in start:
                        for after, place in ahead[last + 1]:
                            if options := known.get(after):
                                self._read_gap(n, last + 1, first, place, options)

    def _sides(self) -> tuple[list[list[_Side]], list[list[_Side]]]:
        """What stands before and after each word: nothing, one, two or three words, with the outermost."""
        size = len(self.words)
        nothing: list[_Side] = [((), -1)]
        behind, ahead = [nothing] * (size + 1), [nothing] * (size + 1)
        for n, word in enumerate(self.words):
            if word.state == _SMALL:
                behind[n + 1] = behind[n]
            elif word.state != _STOP:
                more = [((*keys, word.key), n if first < 0 else first) for keys, first in behind[n][:3]]
                behind[n + 1] = nothing + more
        for n in range(size - 1, -1, -1):
            word = self.words[n]
            if word.state == _SMALL:
                ahead[n] = ahead[n + 1]
            elif word.state != _STOP:
                ahead[n] = nothing + [((word.key, *keys), n if last < 0 else last) for keys, last in ahead[n + 1][:3]]
        return behind, ahead

    def _read_gap(self, n: int, end: int, first: int, last: int, options: list[tuple[str, _Phrase]]) -> None:
        """The word of a known phrase that words `n` up to `end` stand for; `first` and `last` are its other ends."""
        gap = self.words[n:end]
        start = self.words[first if first >= 0 else n].start
        stop = self.words[last if last >= 0 else end - 1].end
        if not self._whole_marks(start, stop):
            return
        form = _form(tuple(w.text for w in gap))
        said = {form.letters, "".join([w.key for w in gap if w.state != _SMALL])}
        near = self.near.at(start, stop)
        base = 0.6 * (len(gap) > 1) - 0.45 * (len(gap) > 2) - sum(w.price for w in gap)
        base += 0.47 * _rarity(max(w.rank for w in gap if w.state == _FREE))
        best: tuple[float, _Phrase] = (_WEAKEST, ())
        for word, phrase in options:
            if word in said:
                return
            odds = base + _gap_odds(form, word) - 0.8 * (len(gap) == 1 and _derived(form.letters, word))
            if odds + 1.7 > best[0]:
                odds += 1.7 * (not near.isdisjoint(self.index.topics(phrase)))
                if odds > best[0]:
                    best = (odds, phrase if word in self.index.targets else ())
        if best[1]:
            self.found.append(_Found(start, stop, best[1], True, best[0]))

    # -- whole terms

    def _read_stretches(self) -> None:
        words = self.words
        begins, ends = self._slots()
        for n, word in enumerate(words):
            if word.state not in _OPEN or word.state == _SOFT and word.price >= _PRICE["cue"]:
                continue
            if word.text in _ARTICLES and word.text != "an":
                continue
            rank = soft = -1
            for last in range(n, min(n + _WINDOW, len(words))):
                if words[last].state not in _OPEN or words[last].text in _ARTICLES:
                    if words[last].state not in _OPEN:
                        break
                    continue
                slot = begins[n] and ends[last] and word.text not in _TIES and words[last].text not in _TIES
                if words[last].state == _FREE:
                    rank = max(rank, words[last].rank)
                elif words[last].state == _SOFT and (common := english.rank(words[last].text)) < _SURNAME:
                    soft = max(soft, common)
                known = max(rank, soft) if slot else rank
                if known >= (_SMALL_WORD if slot else _EVERYDAY) and (last == n or word.text not in _BE):
                    self._read_stretch(words[n : last + 1], known, slot)

    def _slots(self) -> tuple[list[bool], list[bool]]:
        """Which words begin and which end a place that a term of its own may fill.

        It lies between what was read, signs, small words that tie sentences together, and the note's ends.
        """
        size = len(self.words)
        begins, ends = [True] * size, [True] * size
        for n in range(1, size):
            before = n - 1
            while before > 0 and self.words[before].state == _SMALL:
                before -= 1
            begins[n] = self._bounds(before)
        for n in range(size - 2, -1, -1):
            after = n + 1
            while after < size - 1 and self.words[after].state == _SMALL:
                after += 1
            ends[n] = self._bounds(after)
        return begins, ends

    def _bounds(self, n: int) -> bool:
        word = self.words[n]
        return word.state != _FREE or word.text in _TIES

    def _read_stretch(self, stretch: list[_Word], rank: int, slot: bool) -> None:
        several, odd = len(stretch), rank >= english.UNKNOWN
        texts = tuple(w.text for w in stretch)
        start, end = stretch[0].start, stretch[-1].end
        close = self.near.beside(start, end) if slot else frozenset()
        forms = [texts] if stretch[-1].key == texts[-1] else [texts, (*texts[:-1], stretch[-1].key)]
        near_by = [found for form in forms for found in self._alike(form, odd, close)]
        if not near_by or not self._unread(stretch, close) or not self._whole_marks(start, end):
            return
        near = self.near.at(start, end)
        base = 0.47 * _rarity(rank) + 0.6 * odd - 12.1
        base += 0.75 * (several > 1) + 0.75 * (several > 2) - sum(w.price for w in stretch)
        keys = {w.key for w in stretch}
        for alike, term in near_by:
            if keys.issuperset(term.phrase):
                continue
            odds = base + alike + 1.4 * (not term.target or not term.topics or not near.isdisjoint(term.topics))
            odds += 1.2 * (not close.isdisjoint(term.topics))
            if odds > _WEAKEST:
                self.found.append(_Found(start, end, term.phrase if term.target else (), True, odds))

    def _unread(self, stretch: list[_Word], close: frozenset[str]) -> bool:
        """Whether a stretch is no phrase of its own, or a value that has nothing to do with the subject in hand."""
        phrase = tuple(w.key for w in stretch if w.state != _SMALL)
        senses = self.lexicon.phrases.get(phrase)
        if senses is None:
            return True
        values = all(s.role in ("word", "context") for s in senses)
        return bool(close) and values and close.isdisjoint(self.index.topics(phrase))

    def _alike(self, words: tuple[str, ...], odd: bool, close: frozenset[str]) -> list[tuple[float, _Term]]:
        """Terms that may have been said, with their share of the odds.

        Any that sound alike for what holds no English word, else those of nearly the same consonants; and those of
        the subjects close by.
        """
        index = self.index
        known = index.alike.get((odd, close, words))
        if known is not None:
            return known
        form = _form(words)
        near_by: dict[_Phrase, _Term] = {}
        if len(form.letters) >= (4 if len(words) > 1 or odd or close else 6):
            if odd:
                for edge in _edges(form.bones):
                    near_by |= _sounding(form, *index.pool(edge, len(form.heard)))
            else:
                forms = {form.bones, *_without_one(form.bones)} if len(form.bones) >= 4 else {form.bones}
                near_by = {t.phrase: t for bones in forms for t in index.bones.get(bones, ())}
            for topic in sorted(close):
                near_by |= _sounding(form, *index.of_topic(topic))
        known = [
            (alike, term) for term in near_by.values() if (alike := _alike_odds(form, term, len(words))) > _TOO_WEAK
        ]
        if len(index.alike) > _REMEMBERED:
            index.alike.clear()
        index.alike[odd, close, words] = known
        return known


def _sounding(form: _Form, names: list[str], terms: list[_Term]) -> dict[_Phrase, _Term]:
    """The few terms that sound most like the form."""
    found = process.extract(form.heard, names, scorer=_similar, score_cutoff=0.5, limit=8)
    return {terms[i].phrase: terms[i] for _, _, i in found}


def find(tokens: Tokens, lexicon: Lexicon, marks: Sequence[Mark], taken: frozenset[int] = frozenset()) -> list[Mark]:
    """Marks for what exact matching left over; `taken` are tokens that are spoken for otherwise."""
    return _Repairer(tokens, lexicon, marks, taken).run()


def mend(tokens: Tokens, lexicon: Lexicon, marks: Marks, cues: Sequence[Mark]) -> list[Mark]:
    """The note's marks with the repairs in place of what they cover, in order of place.

    Numbers, clock times and the words of `cues` (modes and corrections) are left alone.
    """
    taken = {i for g in marks.groups for i in range(g.start, g.end)}
    taken.update(i for start, end, _ in marks.times for i in range(start, end))
    taken.update(i for m in cues for i in range(m.start, m.end))
    repairs = find(tokens, lexicon, marks.marks, frozenset(taken))
    covered = {i for m in repairs for i in range(m.start, m.end)}
    kept = [m for m in marks.marks if m.start not in covered]
    return sorted([*kept, *repairs], key=lambda m: (m.start, m.end))

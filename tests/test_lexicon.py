"""The lexicon's promises: files add items, wrong files are refused with place and reason."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

import dictate
from dictate import lexicon as lexicon_module
from dictate.errors import LexiconError
from dictate.lexicon import Lexicon, default_folder, load, load_folders, phrase_keys, variants

CONTRACT = Path(__file__).resolve().parents[2] / "shared" / "contract" / "items.toml"

INVENTED = """
group = "grelling"
title = "Grelling test"

[[topic]]
key = "grelling"
names = ["grelling test", "grelling"]
default = "grelling.sign"
numbers = ["grelling.count"]

[[item]]
key = "grelling.count"
topic = "grelling"
title = "Grelling count"
nerve = ["VII"]
kind = "quantity"
unit = "mm"
sides = "face"
lead = true
plausible = [2, 30]
possible = [0, 90]
source = "invented"
names = ["grelling count"]

[[item]]
key = "grelling.sign"
topic = "grelling"
title = "Grelling sign"
kind = "finding"
sides = "face"
[item.alone]
present = ["grellingoid"]
[item.words]
present = ["flabby", "floppier"]
[item.generic]
normal = "absent"
abnormal = "present"

[misheard]
"growling counter" = "grelling count"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "grelling.toml").write_text(INVENTED, encoding="utf-8")
    return tmp_path


def told(text: str, folder: Path) -> set[tuple[str, str | None, object, str]]:
    record = dictate.read(text, lexicon=folder)
    return {(e.item, e.side, e.value, e.state) for e in record.entries if e.item.startswith("grelling")}


# ---- one file adds an item -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("Grelling count right 12 mm, left 9.", [("count", "right", 12), ("count", "left", 9)]),
        ("grelling test twelve on the right nine on the left", [("count", "right", 12), ("count", "left", 9)]),
        ("Pupils 4 mm. Grelling count R 12 L 9. Palate symmetrical.", [("count", "right", 12), ("count", "left", 9)]),
        ("Right side grellingoid.", [("sign", "right", "present")]),
        ("Grelling test: left flabby, right normal.", [("sign", "left", "present"), ("sign", "right", "absent")]),
        ("Not grellingoid on either side.", [("sign", "right", "absent"), ("sign", "left", "absent")]),
        ("Plan: repeat the grelling test next week.", []),
        ("Mother was grellingoid.", []),
    ],
)
def test_an_invented_item_is_read_by_one_file(text: str, rows: list[tuple[str, str, object]], folder: Path) -> None:
    assert told(text, folder) == {(f"grelling.{item}", side, value, "stated") for item, side, value in rows}


def test_an_invented_item_is_asked_about(folder: Path) -> None:
    assert told("Grelling count twelve.", folder) == {("grelling.count", None, 12, "confirm")}
    reasons = {f.reason for f in dictate.read("Right grelling count 70 mm.", lexicon=folder).flags}
    assert reasons == {"range"}
    reasons = {f.reason for f in dictate.read("Right growling counter 12 mm.", lexicon=folder).flags}
    assert "heard" in reasons


def test_an_invented_item_is_explained_by_its_file(folder: Path) -> None:
    record = dictate.read("Grelling count right 12 mm.", lexicon=folder)
    assert any("grelling.toml" in why for why in record.entries[0].why)
    assert record.entries[0].unit == "mm"


def test_without_the_file_nothing_is_known_of_it() -> None:
    assert not [e for e in dictate.read("Right side grellingoid.").entries if e.item.startswith("grelling")]


def test_the_folder_may_be_named_in_the_environment(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DICTATE_LEXICON", str(folder))
    assert "grelling.count" in load().items
    monkeypatch.delenv("DICTATE_LEXICON")
    assert "grelling.count" not in load().items


def test_no_item_is_spelled_in_the_program() -> None:
    """Item keys belong to the lexicon; a rule for one item would be a missing field there."""
    package = Path(lexicon_module.__file__).parent
    keys = set(load().items) - {"impression"}
    for path in sorted(package.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        named = sorted(k for k in keys if f'"{k}"' in text or f"'{k}'" in text)
        assert not named, f"{path.name} spells {', '.join(named)}"


# ---- wrong files are refused -------------------------------------------------------------------

ITEM = '[[item]]\nkey = "a.b"\ntitle = "A"\nkind = "finding"\nsides = "none"\n'

WRONG = {
    "no TOML": ("group = \n", "mine.toml: "),
    "no group": ('title = "A"\n', "mine.toml: group: "),
    "unknown key": ('group = "mine"\nitme = 3\n', "mine.toml: itme: "),
    "unknown key of an item": (f'group = "mine"\n{ITEM}colour = "red"\n', "mine.toml: item.0.colour: "),
    "unknown kind": ('group = "mine"\n' + ITEM.replace("finding", "fnding"), "mine.toml: item.0.kind: "),
    "unknown sides": ('group = "mine"\n' + ITEM.replace("none", "nose"), "mine.toml: item.0.sides: "),
    "no title": ('group = "mine"\n' + ITEM.replace('title = "A"\n', ""), "mine.toml: item.0.title: "),
    "range of one number": (f'group = "mine"\n{ITEM}plausible = [1]\n', "mine.toml: item.0.plausible"),
    "wordings that are no list": (f'group = "mine"\n{ITEM}names = "a"\n', "mine.toml: item.0.names"),
    "a value that the item lacks": (
        'group = "mine"\n' + ITEM.replace('"finding"', '"category"\nvalues = ["x"]') + '[item.words]\ny = ["z"]\n',
        "mine.toml#a.b: value 'y' is none of x",
    ),
    "a finding's value": (f'group = "mine"\n{ITEM}[item.generic]\nnormal = "fine"\n', "mine.toml#a.b: value 'fine'"),
    "an unknown topic": (f'group = "mine"\n{ITEM}topic = "nowhere"\n', "a.b: topic 'nowhere' is in no file"),
    "a topic of an unknown item": (
        'group = "mine"\n[[topic]]\nkey = "t"\nnames = ["tee"]\ndefault = "no.item"\n',
        "topic t: item 'no.item' is in no file",
    ),
    "a bundle of an unknown item": (
        'group = "mine"\n[[complete]]\nsay = ["zzq"]\nrows = [{item="no.item", value="present"}]\n',
        "item 'no.item' is in no file",
    ),
    "an item twice": ('group = "mine"\n' + ITEM.replace("a.b", "pupil.size"), "pupil.size: the item is already in"),
    "misheard for nothing": ('group = "mine"\n[misheard]\n"zzq" = "no such term"\n', "misheard 'zzq': "),
}


@pytest.mark.parametrize(("text", "reason"), WRONG.values(), ids=WRONG.keys())
def test_a_wrong_file_is_refused_with_its_place(text: str, reason: str, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(LexiconError) as error:
        load_folders([default_folder(), tmp_path])
    assert reason in str(error.value)


def test_a_file_that_is_not_utf8(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(b'group = "caf\xe9"\n')
    with pytest.raises(LexiconError, match=r"mine\.toml: not UTF-8"):
        load_folders([tmp_path])


def test_all_faults_come_in_one_report(tmp_path: Path) -> None:
    for n, (text, _) in enumerate(list(WRONG.values())[:6]):
        (tmp_path / f"f{n}.toml").write_text(text, encoding="utf-8")
    with pytest.raises(LexiconError) as error:
        load_folders([tmp_path])
    assert all(f"f{n}.toml" in str(error.value) for n in range(6))


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(LexiconError, match="no such folder"):
        load(tmp_path / "none")


# ---- the shipped files -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shipped() -> Lexicon:
    return load_folders([default_folder()])


@pytest.mark.skipif(not CONTRACT.exists(), reason="the exam dictionary is not beside the project")
def test_items_are_those_of_the_exam_dictionary(shipped: Lexicon) -> None:
    wanted = {i["key"]: i for i in tomllib.loads(CONTRACT.read_text(encoding="utf-8"))["item"]}
    assert set(shipped.items) == set(wanted)
    defaults: dict[str, object] = {
        "unit": "",
        "values": [],
        "side_optional": False,
        "both_eyes": False,
        "context": [],
        "soft_context": [],
        "lead": False,
        "certainty": [],
    }
    for key, want in wanted.items():
        have = shipped.items[key]
        for name in ("nerve", "kind", "sides", *defaults):
            assert getattr(have, name) == want.get(name, defaults.get(name)), f"{key}: {name}"


def test_every_quantity_has_limits_and_their_source(shipped: Lexicon) -> None:
    for item in shipped.items.values():
        if item.kind == "quantity":
            assert item.plausible or item.allowed, item.key
            assert item.source, item.key
        if item.plausible and item.possible:
            assert item.possible[0] <= item.plausible[0] <= item.plausible[1] <= item.possible[1], item.key


def test_every_item_can_be_said(shipped: Lexicon) -> None:
    said = {s.item for senses in shipped.phrases.values() for s in senses} | {
        r.item for b in shipped.bundles for r in b.rows
    }
    numbered = {key for topic in shipped.topics.values() for key in (*topic.numbers, topic.default)}
    assert set(shipped.items) <= said | numbered


def test_one_group_a_file(shipped: Lexicon) -> None:
    for path in default_folder().iterdir():
        if path.name.endswith(".toml"):
            group = tomllib.loads(path.read_text(encoding="utf-8"))["group"]
            assert path.name == f"{group}.toml"


def test_phrases_spread() -> None:
    assert list(variants("disc|disk swelling?")) == ["disc swelling", "disc", "disk swelling", "disk"]
    assert list(variants("pseudo_exfoliation")) == ["pseudoexfoliation", "pseudo exfoliation"]
    assert phrase_keys("the optic discs") == phrase_keys("optic disk")


def test_a_folder_adds_words_to_an_item_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "lids.toml").write_text(
        'group = "my_lids"\n[[add]]\nkey = "lid.ptosis"\nalone = { present = ["sleepy shutter"] }\n'
    )
    record = dictate.read("Right sleepy shutter.", lexicon=load_folders([default_folder(), tmp_path]))
    assert [(e.item, e.side, e.value) for e in record.entries] == [("lid.ptosis", "right", "present")]


def test_words_for_an_item_that_no_file_describes_are_refused(tmp_path: Path) -> None:
    (tmp_path / "lids.toml").write_text('group = "my_lids"\n[[add]]\nkey = "lid.unheard"\nnames = ["x ray"]\n')
    with pytest.raises(LexiconError, match=r"lids\.toml#add\.lid\.unheard"):
        load_folders([default_folder(), tmp_path])


def test_a_phrase_that_spreads_too_far_is_refused(tmp_path: Path) -> None:
    words = " ".join(["able|baker|charlie|dog"] * 7)
    (tmp_path / "lids.toml").write_text(
        f'group = "my_lids"\n[[add]]\nkey = "lid.ptosis"\nalone = {{ present = ["{words}"] }}\n'
    )
    with pytest.raises(LexiconError, match="stands for 16384 phrases, more than 4096"):
        load_folders([default_folder(), tmp_path])

"""The rules: what they may name, and how a wrong file is refused."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import pytest

from dictate.advice.advise import advise
from dictate.advice.rules import Advice, RedFlag, Rules, load
from dictate.advice.side import filled
from dictate.errors import LexiconError
from dictate.lexicon import REFERRAL, Lexicon, default_folder, load_folders
from dictate.lexicon import load as load_lexicon
from dictate.pipeline import read

CONTRACT = Path(__file__).resolve().parents[3] / "shared" / "contract" / "items.toml"

ROW = """
[[advice]]
key = "tear_test_low"
title = "Little tear fluid"
when = [["few_tears"]]
suggests = "may suggest a dry {side:eye}"
ask = "optometrist"
tests = ["slit_lamp"]
urgency = "routine"
letter = "little tear fluid of {side:eye}"
source = ["invented"]
"""
OWN = f"""group = "referral"
[source.invented]
cite = "an invented limit"
basis = "practice"
[sign]
few_tears = [{{ item = "lid.lagophthalmos", above = 5 }}]
{ROW}"""


@pytest.fixture(scope="module")
def lexicon() -> Lexicon:
    return load_lexicon()


@pytest.fixture(scope="module")
def rules(lexicon: Lexicon) -> Rules:
    return load(lexicon)


def written(folder: Path, text: str) -> str:
    (folder / REFERRAL).write_text(text, encoding="utf-8")
    return str(folder)


# ---- the shipped file ---------------------------------------------------------------------------


def test_every_source_is_named_and_used(rules: Rules) -> None:
    data = tomllib.loads((default_folder() / REFERRAL).read_bytes().decode("utf-8"))
    cited = {s for row in rules.advice for s in [*row.source, *(s for f in row.red_flag for s in f.source)]}
    assert cited <= set(rules.source)
    assert set(data["source"]) <= cited
    assert all(source.cite and source.basis for source in rules.source.values())
    assert all(flag.source for row in rules.advice for flag in row.red_flag)


def test_every_sign_is_used(rules: Rules) -> None:
    said = {s for r in rules.advice for way in [*r.when, *r.unless, r.also] for s in way}
    said |= {s for r in rules.advice for flag in r.red_flag for way in flag.when for s in way}
    assert set(rules.signs) == {s.partition("@")[0] for s in said}


@pytest.mark.skipif(not CONTRACT.exists(), reason="needs the contract beside the project")
def test_whom_to_ask_and_what_to_do_are_the_contracts(rules: Rules) -> None:
    contract = tomllib.loads(CONTRACT.read_text(encoding="utf-8"))
    values = {item["key"]: set(item.get("values", ())) for item in contract["item"]}
    for row in rules.advice:
        asked = {row.ask, *row.or_ask} | {a for f in row.red_flag for a in (f.ask, *f.or_ask) if a}
        assert asked <= values[rules.plan.referral]
        assert {*row.tests, *row.again} <= values[rules.plan.test]
        assert {row.urgency, *(f.urgency for f in row.red_flag)} <= set(contract["context"]["urgency"])
    assert set(rules.done) <= values[rules.plan.test]


def test_a_red_flag_is_never_later_than_its_row(rules: Rules) -> None:
    rank = list(rules.plan.urgencies).index
    for row in rules.advice:
        for flag in row.red_flag:
            assert rank(flag.urgency) < rank(row.urgency) or (flag.when and flag.urgency == row.urgency), row.key


def test_the_lexicon_leaves_the_file_aside(tmp_path: Path, lexicon: Lexicon) -> None:
    written(tmp_path, OWN)
    assert load_folders([default_folder(), tmp_path]).phrases == lexicon.phrases


def test_the_head_of_the_file_tells_every_key() -> None:
    head = (default_folder() / REFERRAL).read_text(encoding="utf-8").split("group = ")[0]
    for model in (Advice, RedFlag):
        for key in model.model_fields:
            assert re.search(rf"\b{key}\b", head), key


@pytest.mark.parametrize(
    ("side", "said"),
    [("right", "the right eye, the left side"), ("both", "both eyes, both sides"), (None, "one eye, one side")],
)
def test_sides_in_sentences(side: str | None, said: str) -> None:
    assert filled("{side:eye}, {other:side}", side) == said


# ---- a folder of one's own ------------------------------------------------------------------------


def test_a_folder_adds_a_row(tmp_path: Path) -> None:
    own = load_lexicon(written(tmp_path, OWN))
    rules = load(own, tmp_path)
    found = advise(read("Left lagophthalmos 6 mm.", lexicon=own), own, rules)
    assert ("tear_test_low", "left", "may suggest a dry the left eye") in [(s.key, s.side, s.suggests) for s in found]
    assert "tear_test_low" not in [r.key for r in load(load_lexicon()).advice]


def test_a_folder_leaves_a_row_out_and_writes_it_anew(tmp_path: Path) -> None:
    text = 'leave_out = ["pressure_raised"]\n' + OWN.replace("tear_test_low", "pressure_raised")
    own = load_lexicon(written(tmp_path, text))
    rules = load(own, tmp_path)
    assert [r.title for r in rules.advice if r.key == "pressure_raised"] == ["Little tear fluid"]
    assert not advise(read("GAT right 26, left 24.", lexicon=own), own, rules)


def test_the_folder_may_be_named_in_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DICTATE_LEXICON", written(tmp_path, OWN))
    assert load(load_lexicon()).row("tear_test_low")


def test_a_folder_without_the_file_adds_nothing(tmp_path: Path, rules: Rules) -> None:
    assert load(load_lexicon(tmp_path), tmp_path).advice == rules.advice


# ---- wrong files are refused ------------------------------------------------------------------------

WRONG = {
    "no TOML": ("group = \n", "referral.toml: "),
    "another group": ('group = "lids"\n', "group: Input should be 'referral'"),
    "unknown key": ('group = "referral"\nadvise = 3\n', "advise: Extra inputs"),
    "unknown key of a row": (OWN + 'urgent = "yes"\n', "advice.0.urgent: Extra inputs"),
    "no urgency": (OWN.replace('urgency = "routine"\n', ""), "advice.0.urgency: Field required"),
    "unknown urgency": (
        OWN.replace("routine", "someday"),
        "advice.tear_test_low.urgency: 'someday' is none of same_day",
    ),
    "unknown person": (OWN.replace('"optometrist"', '"optician"'), "advice.tear_test_low.ask: 'optician' is none of"),
    "unknown test": (OWN.replace('"slit_lamp"', '"lamp"'), "advice.tear_test_low.tests: 'lamp' is none of"),
    "unknown source": (OWN.replace('["invented"]', '["nobody"]'), "source: source 'nobody' is not listed"),
    "no source": (OWN.replace('["invented"]', "[]"), "advice.0.source: List should have at least 1 item"),
    "unknown basis": (OWN.replace('"practice"', '"hearsay"'), "source.invented.basis: Input should be"),
    "unknown sign": (OWN.replace('[["few_tears"]]', '[["no_tears"]]'), "tear_test_low: sign 'no_tears' is not listed"),
    "unknown relation": (OWN.replace('[["few_tears"]]', '[["few_tears@near"]]'), "'near' is none of same, other, any"),
    "nothing asked for": (OWN.replace('[["few_tears"]]', "[]"), "advice.0.when: List should have at least 1 item"),
    "an empty way": (OWN.replace('[["few_tears"]]', "[[]]"), "advice.0.when.0: List should have at least 1 item"),
    "unknown item": (OWN.replace("lid.lagophthalmos", "lid.gap"), "few_tears: item 'lid.gap' is in no file"),
    "unknown computed value": (
        OWN.replace('item = "lid.lagophthalmos"', 'derived = "lid.gap"'),
        "few_tears: nothing computes 'lid.gap'",
    ),
    "a value that the item lacks": (
        OWN.replace('"lid.lagophthalmos", above = 5', '"lid.ptosis", values = ["a bit"]'),
        "few_tears: 'a bit' is none of present, absent, suspected",
    ),
    "a circumstance that the item lacks": (
        OWN.replace("above = 5", 'context = { light = ["dim"] }'),
        "few_tears: 'light' is none of",
    ),
    "a suggestion that claims": (OWN.replace("may suggest", "is"), "advice.0.suggests: String should match"),
    "a brace of another kind": (OWN.replace("{side:eye}", "{eye}"), "suggests: braces hold {side:noun}"),
    "unknown row to replace": (OWN + 'replaces = ["nothing"]\n', "replaces: row 'nothing' is not listed"),
    "unknown row to leave out": ('leave_out = ["nothing"]\n' + OWN, "leave_out: row 'nothing' is not listed"),
    "unknown conclusion": (OWN + 'concludes = ["bad luck"]\n', "concludes: 'bad luck' is none of"),
    "a row that is there": (OWN.replace("tear_test_low", "rapd"), "advice.rapd: is already in another file"),
    "a row twice": (OWN + ROW, "advice.tear_test_low: is there twice"),
    "a sign that is there": (OWN.replace("few_tears", "rapd"), "sign.rapd: is already in another file"),
    "a red flag without a source": (
        OWN + '[[advice.red_flag]]\nsay = "x"\nurgency = "urgent"\n',
        "advice.0.red_flag.0.source: Field required",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_is_refused_with_file_key_and_reason(name: str, tmp_path: Path, lexicon: Lexicon) -> None:
    text, reason = WRONG[name]
    folder = written(tmp_path, text)
    with pytest.raises(LexiconError) as refused:
        load(lexicon, folder)
    assert reason in str(refused.value)
    assert str(tmp_path / REFERRAL) in str(refused.value)


def test_all_faults_come_in_one_report(tmp_path: Path, lexicon: Lexicon) -> None:
    text = OWN.replace("routine", "someday").replace('"optometrist"', '"optician"')
    with pytest.raises(LexiconError) as refused:
        load(lexicon, written(tmp_path, text))
    assert len(str(refused.value).splitlines()) == 2


def test_the_shipped_file_alone_must_say_where_the_plan_is(tmp_path: Path, lexicon: Lexicon) -> None:
    from dictate.advice.rules import load_folders as load_rules

    shutil.copy(default_folder() / REFERRAL, tmp_path / REFERRAL)
    assert load_rules([("here", tmp_path)], lexicon).advice
    written(tmp_path, OWN)
    with pytest.raises(LexiconError, match="here: plan and caution are missing"):
        load_rules([("here", tmp_path)], lexicon)

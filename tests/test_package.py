"""The package as installed: its data, its entry points, its face, its imports."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from importlib import metadata, resources
from pathlib import Path

import pytest
import spacy

import dictate
from dictate import demo, norms
from dictate.component import Dictation
from dictate.lexicon import default_folder
from dictate.record import Record

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = Path(inspect.getfile(dictate)).parent
TEXT = "Pupils 4 mm right, 5 mm left. Pressure sixteen. No RAPD.\n"


def installed() -> bool:
    """Whether the package under test is an installed one."""
    try:
        return bool(metadata.distribution("dictate"))
    except metadata.PackageNotFoundError:
        return False


needs_install = pytest.mark.skipif(
    not installed(), reason="the source tree is tested; pip install '.[test]' tests this"
)


def test_the_face_of_the_library() -> None:
    record = dictate.read(TEXT, name="n")
    assert isinstance(record, Record)
    assert record.open
    assert record == dictate.read(TEXT, name="n")
    assert set(dictate.__all__) >= {"read", "Record", "Entry", "Flag", "Evidence", "Derived"}


def test_the_lexicon_and_the_norms_are_all_there() -> None:
    shipped = {p.name for p in default_folder().iterdir()}
    assert {p.name for p in (ROOT / "lexicon").iterdir()} <= shipped
    assert {p.name for p in (ROOT / "lexicon" / "norms").iterdir()} <= {
        p.name for p in (default_folder() / "norms").iterdir()
    }
    assert norms.load().source


def test_the_demo_notes_are_all_there() -> None:
    assert demo.names() == sorted(p.stem for p in (ROOT / "demo_notes").glob("*.txt"))
    assert len(demo.names()) >= 6
    assert demo.FIRST in demo.names()


def test_types_are_shipped() -> None:
    assert (resources.files("dictate") / "py.typed").is_file()


@needs_install
def test_the_entry_points() -> None:
    (script,) = metadata.entry_points(group="console_scripts", name="dictate")
    assert script.value == "dictate.cli:main"
    (factory,) = metadata.entry_points(group="spacy_factories", name="dictate")
    assert factory.value == "dictate.component:make"


@needs_install
def test_spacy_finds_the_component_by_itself() -> None:
    code = f"import spacy; n = spacy.blank('en'); n.add_pipe('dictate'); print(len(n({TEXT!r})._.dictation.entries))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(done.stdout) == len(dictate.read(TEXT).entries)


@needs_install
def test_the_version() -> None:
    assert metadata.version("dictate") == dictate.__version__


# ---- the component --------------------------------------------------------------------------


def test_the_record_is_on_the_document() -> None:
    nlp = spacy.blank("en")
    nlp.add_pipe("dictate")
    doc = nlp(TEXT)
    assert doc._.dictation == dictate.read(TEXT)
    assert spacy.blank("en")("Hello")._.dictation is None


def test_the_record_outlives_storing_the_document() -> None:
    nlp = spacy.blank("en")
    nlp.add_pipe("dictate")
    doc = nlp(TEXT)
    again = spacy.tokens.Doc(nlp.vocab).from_bytes(doc.to_bytes())
    assert again._.dictation == doc._.dictation


def test_documents_in_several_processes() -> None:
    nlp = spacy.blank("en")
    nlp.add_pipe("dictate")
    docs = list(nlp.pipe([TEXT, "Uvula midline."], n_process=2))
    assert [d._.dictation for d in docs] == [dictate.read(TEXT), dictate.read("Uvula midline.")]


def test_a_pipeline_is_stored_and_loaded(tmp_path: Path) -> None:
    nlp = spacy.blank("en")
    nlp.add_pipe("dictate")
    nlp.to_disk(tmp_path)
    again = spacy.load(tmp_path)
    assert again(TEXT)._.dictation == dictate.read(TEXT)


def test_the_component_takes_a_folder(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        'group = "mine"\n[[complete]]\nsay = ["zzq"]\nrows = [{item="uvula.position", value="midline"}]\n'
    )
    nlp = spacy.blank("en")
    component = nlp.add_pipe("dictate", config={"lexicon": str(tmp_path)})
    assert isinstance(component, Dictation)
    assert [e.item for e in nlp("zzq")._.dictation.entries] == ["uvula.position"]


# ---- imports --------------------------------------------------------------------------------


def _modules() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def _imported(path: Path, known: dict[str, Path]) -> set[str]:
    """Modules of the package that a module imports when it is itself imported."""
    out: set[str] = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("dictate"):
            names = {f"{node.module}.{a.name}" for a in node.names}
            out |= (names & set(known)) or {node.module}
        elif isinstance(node, ast.Import):
            out |= {a.name for a in node.names} & set(known)
    return out


def test_imports_go_one_way() -> None:
    known = _modules()
    graph = {name: _imported(path, known) - {name} for name, path in known.items()}
    done: set[str] = set()
    while left := [m for m in graph if m not in done]:
        free = [m for m in left if graph[m] <= done]
        assert free, f"these import each other: {', '.join(left)}"
        done.update(free)


def test_only_the_command_line_prints() -> None:
    for name, path in _modules().items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
        assert "print" not in calls, name

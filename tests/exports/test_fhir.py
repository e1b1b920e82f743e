"""FHIR R4: read back to the same record, valid by the R4 models, and by the invariants that the models let through."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from fhirclient.models.bundle import Bundle
from fhirclient.models.fhirabstractbase import FHIRValidationError
from fhirpathpy import evaluate
from fhirpathpy.models import models
from hypothesis import given, settings
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

from dictate import demo
from dictate.exports import OpenQuestions, back, fhir
from dictate.pipeline import read
from dictate.record import Evidence, Record

from .making import AT, CODES, LEXICON, document, entry, every, of_entries, of_note, settled, texts, unsigned

Json = dict[str, Any]
KINDS = sorted({item.kind for item in LEXICON.items.values()})
TEXT = "GAT right 16, left 24. Rinne positive right, negative left at 512. Refer ENT urgently."


def written(one: Any) -> Json:
    """The Bundle as it is in a file."""
    out: Json = json.loads(json.dumps(fhir.bundle(one, LEXICON, CODES), ensure_ascii=False))
    return out


def plain(record: Record) -> tuple[Any, ...]:
    """What must come back: how an entry came about is not in a record's print."""
    entries = tuple(replace(one, why=(), flags=()) for one in record.entries)
    return record.name, record.characters, record.sha256, entries, record.derived, record.not_documented


def resources(bundle: Json, *kinds: str) -> list[Json]:
    """The resources of some kinds, or all."""
    every = [one["resource"] for one in bundle["entry"]]
    return [one for one in every if not kinds or one["resourceType"] in kinds]


def observation(bundle: Json, item: str, side: str | None = None) -> Json:
    """The one Observation of an item, on a side if one is given."""
    found = [
        one
        for one in resources(bundle, "Observation")
        if any(c["code"] == item for c in one["code"]["coding"])
        and (side is None or one["bodySite"]["coding"][0]["code"] == side)
    ]
    assert len(found) == 1, f"{len(found)} of {item} {side}"
    return found[0]


# ---- the same record --------------------------------------------------------------------------

WHOLE = list(texts())


@pytest.mark.parametrize(("name", "text"), WHOLE, ids=[name for name, _ in WHOLE])
def test_a_note_comes_back_the_same(name: str, text: str) -> None:
    record = settled(text, name)
    bundle = written(document(record, text))
    assert plain(back.record(bundle, LEXICON, CODES)) == plain(record)
    Bundle(bundle)
    assert dangling(bundle) + empty(bundle) == []


@pytest.mark.parametrize("name", demo.names())
def test_a_demo_note_is_valid(name: str) -> None:
    assert faults(written(of_note(demo.note(name).text))) == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_item_of_a_kind_comes_back_the_same(kind: str) -> None:
    made = of_entries(*every(kind))
    assert plain(back.record(written(made), LEXICON, CODES)) == plain(made.record)


def test_an_entry_added_by_hand_has_no_words_and_comes_back() -> None:
    made = of_entries(entry("lid.ptosis", "left", "present"))
    bare = replace(made, record=replace(made.record, entries=(replace(made.record.entries[0], evidence=()),)))
    bundle = written(bare)
    assert plain(back.record(bundle, LEXICON, CODES)) == plain(bare.record)
    assert "entity" not in resources(bundle, "Provenance")[0]


def test_a_bundle_of_another_kind_is_refused_in_a_sentence() -> None:
    for strange in ({"entry": []}, {"resourceType": "Patient"}, {"entry": [{"resource": {"resourceType": "Patient"}}]}):
        with pytest.raises(back.BundleError, match="does not hold a record"):
            back.record(strange, LEXICON, CODES)


# ---- the invariants of R4 that the models do not check ----------------------------------------------
# HL7 FHIR R4 4.0.1, the definitions of the resources and data types named; texts from memory.

ON_BUNDLE = {
    "bdl-7": "entry.where(fullUrl.exists()).select(fullUrl & iif(resource.meta.versionId.exists(), resource.meta.versionId, '')).isDistinct()",
    "bdl-9": "type = 'document' implies (identifier.system.exists() and identifier.value.exists())",
    "bdl-10": "type = 'document' implies timestamp.exists()",
    "bdl-11": "type = 'document' implies entry.first().resource.is(Composition)",
}
ON_RESOURCE = {
    "Observation": {
        "obs-3": "referenceRange.empty() or referenceRange.all(low.exists() or high.exists() or text.exists())",
        "obs-6": "dataAbsentReason.empty() or value.empty()",
        "obs-7": "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
        "rng-2": "value.ofType(Range).all(low.value <= high.value)",
        "rat-1": "value.ofType(Ratio).all(numerator.exists() and denominator.exists())",
        "qty-3": "value.ofType(Quantity).all(code.empty() or system.exists())",
    },
    "Composition": {
        "cmp-1": "repeat(section).all(text.exists() or entry.exists() or section.exists())",
        "cmp-2": "repeat(section).all(emptyReason.empty() or entry.empty())",
    },
    "ServiceRequest": {"prr-1": "orderDetail.empty() or code.exists()"},
    "Provenance": {"agent": "agent.exists() and agent.all(who.exists())"},
    "DocumentReference": {"att-1": "content.attachment.all(data.empty() or contentType.exists())"},
}
# Required value sets of R4 4.0.1 (from memory), which the models do not check either.
REQUIRED = {
    "Observation.status": "registered preliminary final amended corrected cancelled entered-in-error unknown",
    "DiagnosticReport.status": "registered partial preliminary final amended corrected appended cancelled entered-in-error unknown",
    "Composition.status": "preliminary final amended entered-in-error",
    "DocumentReference.status": "current superseded entered-in-error",
    "DocumentReference.docStatus": "preliminary final amended entered-in-error",
    "ServiceRequest.status": "draft active on-hold revoked completed entered-in-error unknown",
    "ServiceRequest.intent": "proposal plan directive order original-order reflex-order filler-order instance-order option",
    "ServiceRequest.priority": "routine urgent asap stat",
}
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def holds(node: Json, expression: str) -> bool:
    """Whether a rule in FHIRPath holds of a resource."""
    return bool(evaluate(node, expression, {"resource": node}, models["r4"]) == [True])


def faults(bundle: Json) -> list[str]:
    """Every rule that a Bundle breaks."""
    Bundle(bundle)
    out = [name for name, rule in ON_BUNDLE.items() if not holds(bundle, rule)]
    for one in resources(bundle):
        kind = one["resourceType"]
        out += [f"{name} {one['id']}" for name, rule in ON_RESOURCE.get(kind, {}).items() if not holds(one, rule)]
        out += [f"two values {one['id']}" for _ in [0] if len([k for k in one if k.startswith("value")]) > 1]
        for place, allowed in REQUIRED.items():
            key = place.removeprefix(f"{kind}.")
            if key in one and key != place and one[key] not in allowed.split():
                out.append(f"{place} {one[key]}")
        for element, system, known in (
            ("category", CATEGORY, {"exam"}),
            ("interpretation", INTERPRETATION, {"N", "A"}),
            ("dataAbsentReason", ABSENT, {"not-performed", "unknown"}),
        ):
            for concept in [one[element]] if isinstance(one.get(element), dict) else one.get(element, []):
                if {(c["system"], c["code"]) for c in concept["coding"]} - {(system, code) for code in known}:
                    out.append(f"{element} {one['id']}")
    return out + dangling(bundle) + empty(bundle)


def dangling(bundle: Json) -> list[str]:
    """References to what is not in the document (R4, Documents: it holds all that it refers to)."""
    known = {one["fullUrl"] for one in bundle["entry"]}
    out: list[str] = []

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            if "reference" in node and node["reference"] not in known:
                out.append(f"no {node['reference']}")
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(bundle)
    return out


def empty(bundle: Json) -> list[str]:
    """Elements without content, which R4 does not allow (ele-1)."""
    out: list[str] = []

    def walk(node: Any, place: str) -> None:
        if node in ("", [], {}, None):
            out.append(f"nothing at {place}")
        for key, value in node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ():
            walk(value, f"{place}.{key}")

    walk(bundle, "Bundle")
    return out


@pytest.mark.parametrize("kind", KINDS)
def test_a_bundle_of_every_kind_of_item_is_valid(kind: str) -> None:
    made = of_entries(*every(kind))
    assert faults(written(made)) == []
    assert faults(written(unsigned(made))) == []


def test_the_checks_find_what_is_wrong() -> None:
    good = written(of_note(TEXT))
    assert faults(good) == []

    def broken(change: Any) -> list[str]:
        bundle = json.loads(json.dumps(good))
        change(bundle)
        return [fault.split()[0] for fault in faults(bundle)]

    def first(bundle: Json) -> Json:
        return resources(bundle, "Observation")[0]

    absent = {"coding": [{"system": ABSENT, "code": "unknown"}]}
    assert broken(lambda b: b.pop("identifier")) == ["bdl-9"]
    assert broken(lambda b: b.pop("timestamp")) == ["bdl-10"]
    assert "bdl-11" in broken(lambda b: b["entry"].pop(0))
    assert "bdl-7" in broken(lambda b: b["entry"].append(b["entry"][-1]))
    assert broken(lambda b: first(b).update(dataAbsentReason=absent)) == ["obs-6"]
    assert broken(lambda b: first(b).update(component=[{"code": first(b)["code"], "valueInteger": 1}])) == ["obs-7"]
    assert broken(lambda b: first(b).update(valueInteger=3)) == ["two"]
    assert broken(lambda b: first(b).update(status="done")) == ["Observation.status"]
    assert "cmp-1" in broken(lambda b: resources(b, "Composition")[0]["section"].append({"title": "Nothing"}))
    with pytest.raises(FHIRValidationError):
        broken(lambda b: first(b).pop("code"))


# ---- what stands where ---------------------------------------------------------------------------


def test_a_measurement_has_its_side_its_method_its_unit_and_its_code() -> None:
    bundle = written(of_note(TEXT))
    left = observation(bundle, "pressure.eye", "left")
    assert left["bodySite"]["text"] == "left eye"
    assert left["method"]["text"] == "applanation"
    assert left["valueQuantity"] == {
        "value": 24,
        "unit": "mmHg",
        "system": "http://unitsofmeasure.org",
        "code": "mm[Hg]",
    }
    assert left["code"]["coding"][0] == {
        "system": "http://loinc.org",
        "code": "79893-4",
        "display": "Left eye Intraocular pressure",
    }
    assert left["code"]["text"].startswith("Eye pressure, left eye")


def test_rinne_positive_is_a_normal_result() -> None:
    bundle = written(of_note(TEXT))
    right, left = (observation(bundle, "hearing.rinne", side) for side in ("right", "left"))
    assert right["valueCodeableConcept"]["text"] == "positive"
    assert [c["code"] for c in right["interpretation"][0]["coding"]] == ["N"]
    assert [c["code"] for c in left["interpretation"][0]["coding"]] == ["A"]
    everything = written(of_entries(*every("category"), *every("finding")))
    assert "POS" not in json.dumps(everything) and '"NEG"' not in json.dumps(everything)


def test_a_worse_acuity_is_not_called_normal_because_the_eye_sees_well_otherwise() -> None:
    bundle = written(of_note("VA right 6/60 unaided, 6/6 with glasses."))
    marks = {
        one["valueString"]: one.get("interpretation")
        for one in resources(bundle, "Observation")
        if any(c["code"] == "acuity.distance" for c in one["code"]["coding"])
    }
    assert marks["6/60"] is None
    assert marks["6/6"][0]["coding"][0]["code"] == "N"


def test_what_was_not_done_has_a_reason_and_no_value_and_what_nobody_mentioned_is_not_there() -> None:
    bundle = written(of_note("Fields not done. No RAPD."))
    found = observation(bundle, "fields.confrontation")
    assert found["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert not [key for key in found if key.startswith("value")]
    assert "pressure.eye" not in json.dumps(bundle)
    titles = {one["title"] for one in resources(bundle, "Composition")[0]["section"]}
    assert "Not documented" in titles


def test_computed_values_name_what_they_come_from() -> None:
    bundle = written(of_note("VA right 6/12 unaided."))
    source = observation(bundle, "acuity.distance", "right")
    logmar = observation(bundle, "acuity.logmar", "right")
    assert logmar["derivedFrom"] == [{"reference": f"urn:uuid:{source['id']}"}]
    assert logmar["valueQuantity"]["value"] == 0.3
    assert logmar["valueQuantity"]["code"] == "{logMAR}"
    assert [note["text"] for note in logmar["note"]][1].startswith("Rule: ")


def test_a_computed_value_outside_its_limit_marks_the_measurement() -> None:
    bundle = written(of_note(TEXT))
    assert observation(bundle, "pressure.eye", "left")["interpretation"][0]["coding"][0]["code"] == "A"
    assert "interpretation" not in observation(bundle, "pressure.eye", "right")


@pytest.mark.parametrize(
    ("urgency", "priority"), [("routine", "routine"), ("soon", "urgent"), ("urgent", "asap"), ("same_day", "stat")]
)
def test_a_referral_is_a_request_with_its_priority_and_the_word_that_was_said(urgency: str, priority: str) -> None:
    made = of_entries(entry("plan.referral", None, "neurologist", urgency=urgency))
    (request,) = resources(written(made), "ServiceRequest")
    assert (request["status"], request["intent"], request["priority"]) == ("active", "plan", priority)
    assert request["code"]["text"] == f"Referral ({urgency.replace('_', ' ')}): neurologist"
    assert request["orderDetail"][0]["text"] == f"urgency: {urgency.replace('_', ' ')}"
    (draft,) = resources(written(unsigned(made)), "ServiceRequest")
    assert draft["status"] == "draft"


def test_a_planned_test_has_its_side_and_no_priority_of_its_own() -> None:
    made = of_entries(entry("plan.test", "left", "oct"), entry("plan.test", None, "not_done"))
    bundle = written(made)
    (request,) = resources(bundle, "ServiceRequest")
    assert request["bodySite"][0]["text"] == "left eye"
    assert "priority" not in request
    assert observation(bundle, "plan.test")["dataAbsentReason"]


def test_provenance_holds_the_words_and_their_place() -> None:
    text = "Right pupil 4 mm.\r\nLeft pupil 5 mm — ptosis."
    one = of_note(text)
    bundle = written(one)
    (entry_,) = [e for e in one.record.entries if e.item == "pupil.size" and e.side == "left"]
    found = observation(bundle, "pupil.size", "left")
    (source,) = [p for p in resources(bundle, "Provenance") if p["target"][0]["reference"] == f"urn:uuid:{found['id']}"]
    spans = [part["what"]["identifier"]["value"] for part in source["entity"]]
    assert spans == [f"{e.start}-{e.end}" for e in entry_.evidence]
    assert source["entity"][0]["what"]["display"] == " ".join(entry_.evidence[0].text.split())
    assert {a["type"]["text"] for a in source["agent"]} == {"author", "assembler"}


def test_the_status_tells_draft_signed_and_amended() -> None:
    one = of_note(TEXT)
    statuses = {
        "preliminary": unsigned(one),
        "final": one,
        "amended": replace(one, version=2),
    }
    for status, made in statuses.items():
        bundle = written(made)
        told = resources(bundle, "Composition", "Observation", "DiagnosticReport")
        assert {r["status"] for r in told} == {status}
        assert {r["docStatus"] for r in resources(bundle, "DocumentReference")} == {status}
    before, after = written(one), written(replace(one, version=2))
    assert resources(after, "Composition")[0]["relatesTo"] == [
        {"code": "replaces", "targetIdentifier": before["identifier"]}
    ]
    draft = resources(written(unsigned(one)), "Composition")[0]
    assert draft["title"].endswith("unsigned draft")
    assert "attester" not in draft and "not signed" in draft["author"][0]["display"]


def test_the_same_document_is_written_the_same_each_time_and_another_one_not() -> None:
    one = of_note(TEXT)
    assert written(one) == written(of_note(TEXT))
    assert written(one)["identifier"] != written(replace(one, version=2))["identifier"]
    assert written(one)["id"] != written(replace(one, id="another"))["id"]
    later = replace(unsigned(one), at=datetime(2026, 4, 1, tzinfo=AT.tzinfo))
    assert written(later)["identifier"] != written(unsigned(one))["identifier"]


def test_nothing_is_exported_while_a_question_is_open() -> None:
    text = "Pressure sixteen."
    with pytest.raises(OpenQuestions, match="1 question"):
        fhir.bundle(document(read(text, lexicon=LEXICON), text), LEXICON, CODES)


def test_a_note_without_findings_and_a_patient_without_a_name() -> None:
    one = replace(
        document(settled("Nothing seen today."), "Nothing seen today."), reference="", name="", birth_date=None
    )
    assert faults(written(one)) == []
    assert resources(written(one), "Patient")[0].keys() == {"resourceType", "id"}


def test_every_ucum_code_is_one() -> None:
    """Parsed by ucumvert, whose grammar is that of UCUM 2.2."""
    registry = PintUcumRegistry()
    units = {item.unit for item in LEXICON.items.values() if item.unit} | {"logMAR", "log units"}
    for unit in units:
        assert registry.from_ucum(CODES.unit(unit).ucum), unit
    used = {
        quantity["code"]
        for kind in KINDS
        for one in resources(written(of_entries(*every(kind))), "Observation")
        for quantity in [one.get("valueQuantity", {}), *one.get("valueRange", {}).values()]
        if "code" in quantity
    }
    assert used <= {one.ucum for one in CODES.shipped.unit.values()}
    assert "mmHg" not in used


# ---- any text -------------------------------------------------------------------------------------

ANY = st.text(st.characters(), max_size=40)


@settings(max_examples=40, deadline=None)
@given(note=ANY, name=ANY, reference=ANY, said=st.lists(ANY, max_size=3))
def test_any_words_any_name_come_out_valid_and_the_words_come_back(
    note: str, name: str, reference: str, said: list[str]
) -> None:
    text = note + "".join(said)
    made = of_entries(*(entry("lid.ptosis", "left", "present", sample=n) for n, _ in enumerate(said)))
    place, entries = len(note), []
    for one, words in zip(made.record.entries, said, strict=True):
        entries.append(replace(one, evidence=(Evidence(place, place + len(words), words),)))
        place += len(words)
    record = replace(made.record, entries=tuple(entries), characters=len(text))
    bundle = written(replace(made, record=record, text=text, name=name, reference=reference))
    assert [e.evidence for e in back.record(bundle, LEXICON, CODES).entries] == [e.evidence for e in entries]
    Bundle(bundle)
    assert dangling(bundle) == []


@pytest.mark.parametrize("name", ["Zoë Ångström-Ćosić", "מרים לוי", "نور الهدى", "O'Neil <b>&", "Ng, 吳"])
def test_names_stay_as_they_are(name: str) -> None:
    assert resources(written(of_note(TEXT, name=name)), "Patient")[0]["name"] == [{"text": name}]


def test_markup_in_a_note_is_text_in_the_narrative() -> None:
    text = 'Ptosis left <script>alert(1)</script> & "more". Something <img onerror=x> unheard of.'
    composition = json.dumps(resources(written(of_note(text)), "Composition"))
    assert "<script" not in composition and "<img" not in composition

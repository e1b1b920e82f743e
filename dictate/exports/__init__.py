"""A settled record for other programs: JSON, CSV, HL7 FHIR R4 and HL7 v2.5.1.

Each form takes a `Document` and the lexicon and gives plain data or text; nothing here reads or writes files,
except that `codes` loads the tables of codes. FHIR and HL7 v2 need the extra `exchange`.
"""

from dictate.exports.document import Document, OpenQuestions

__all__ = ["Document", "OpenQuestions"]

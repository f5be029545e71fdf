"""What registers and documents of certificates say."""

REGISTERS = "What registers and certificates' documents say"
REGISTERS_INTRO = (
    "Entries of the registers of instruments, laboratories and people that the month's results "
    "name, the conditions that readings state, and the documents of certificates beside the "
    "table's results. Pairs against which one of them speaks have it in the column 'doubts' of "
    "pairs.csv; they stay in, for a person to judge."
)
REGISTER_HEADINGS = ("Of", "Name", "What is said")
REGISTER_KINDS = {
    "instrument": "instrument",
    "laboratory": "laboratory",
    "person": "person",
    "readings": "readings",
    "certificate": "certificate",
}
REGISTER_FACTS = {
    "make": "make",
    "model": "model",
    "software": "software",
    "calibration": "calibration",
    "calibration_due": "calibration due",
    "licence": "licence",
    "lab_method": "method",
    "scope": "scope",
    "accreditation": "accreditation",
    "valid_until": "valid until",
    "role": "role",
    "authorised_for": "authorised for",
    "authorised_until": "authorised until",
    "technique": "technique",
    "last_day": "last reading",
    "temperature": "temperature",
    "filter": "filter",
    "gas_purge": "gas",
    "count_time_s": "seconds counted",
    "coordinates": "coordinates",
    "document": "document",
    "pages": "pages",
    "agreeing": "results that agree",
    "differing": "results that differ",
    "absent": "samples not named there",
    "scales": "power of ten by which it differs",
    "problem": "not compared",
}
REGISTER_DIFFERS = "{sample} {element}: {table} in the table, {document} on page {page}"
REGISTER_NO_NUMBER = "no number"
REGISTER_EITHER = " or "
REGISTER_FACT = "{name}: {value}"
REGISTER_SENTENCE = "{kind} {name}: {facts}"
REGISTER_SAYS_NOTHING = "the register says no more"
REGISTERS_COLUMNS = {"kind": "Of", "name": "Name", "fact": "Fact", "value": "What is said"}

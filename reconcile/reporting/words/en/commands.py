"""Strings that single commands print, and headings of what they write."""

RECORD_CORRECTION_FACTORS = "Correction factors"
RECORD_FIELD_METHOD = "field method"
RECORD_FIELD_VALUES_MG = "field values, mg/kg"
RECORD_ERROR_BEFORE = "error before"
RECORD_SHARE_OF_MEAN = "{share} of the mean"
RECORD_COMPARED_READ_AGAIN = (
    "Compared {count}, {count_2} ({read_again} read again), {count_3} of the store, "
    "{count_4} with {count_5} and {count_6} with {count_7}."
)
RECORD_SIGNATURE_HOLDS = "signature holds"
RECORD_SIGNATURES_HOLD = "signatures hold"
RECORD_TIME_STAMP_TOKEN = "time-stamp token holds"
RECORD_TIME_STAMP_TOKENS = "time-stamp tokens hold"
RECORD_HEAD_KEPT = "{holding} and {verb} a head of the record."
RECORD_VALID = "{start} to {end}"
RECORD_WHO = "{author}; approved: {approver}"
RECORD_FACTOR_HAS = "factor has"
RECORD_FACTORS_HAVE = "factors have"
RECORD_ERRORS_ROOT_MEAN = (
    "Errors are root mean squares on held-out groups. Every change is a line of the "
    "record; keep its head in another's hands: {head}"
)
RECORD_FACTOR_FORM_REASON = (
    "Factor {factor_id} ({label}, form {form}) is {state}. Reason kept: {reason}"
)
RECORD_NOTHING_WAS_FOUND = "Nothing was found altered."
RECORD_EVENT_WAS = "event was"
RECORD_EVENTS_WERE = "events were"
RECORD_PERSONS_SIGNED_WITH = (
    "{count} of persons: {acts_signed} signed with a registered key; {unsigned} by a "
    "name that somebody typed, which rests on honesty."
)
RECORD_NAME_STANDS_REGISTER = (
    "The name stands in the register of people ({path}); that it was this person rests "
    "on honesty, for the act is not signed (--key)."
)
RECORD_THERE_NO_REGISTER = (
    "There is no register of people ({path}): name and person rest on honesty."
)
RECORD_ENDED_ALL_SHOWS = "{have} ended: --all shows them."
RECORD_IT_MAY_CORRECT = (
    "It may correct field values from {interval_of_numbers}, measured {value} to "
    "{value_2}, {basis}. Results given out before stay as they are."
)
RECORD_HEAD_STANDS_RECORD = (
    "The head {head} stands in the record: everything up to it ({count}) is unchanged; "
    "{added} added since."
)
VERIFY_ARCHIVED_FILES_WERE = (
    "The archived files were read again and give what the store holds and what the "
    "releases rest on. Each line of the record holds the hash of the line before, each "
    "release and result sheet the head of the record before it, and the record the "
    "SHA-256 of each of them. This finds bytes that were altered, and lines that were "
    "dropped while their mark, a release, a sheet, a signature or a token still speaks "
    "of them. It does not find that the whole folder was put back to an earlier state or "
    "written anew by somebody who can write all of it: only a head that another keeps "
    "shows that ('reconcile verify --head'). It does not prove that what was recorded is "
    "true."
)
VERIFY_RECORD_DOES_NOT = (
    "The record does not hold this head: it was shortened or altered after this head was "
    "printed, or the head is another record's."
)
VERIFY_RELEASE_RECORDED_BUT = "The release is recorded but not there."
VERIFY_THIS_HEAD_CUSTODY = (
    "This is the head of the custody chain of release {custody_of}, and no head of the record."
)
VERIFY_RESTORE_IT_FROM = (
    "Restore it from a copy that is known to be good, and find out who had access."
)
VERIFY_FILE_WAS_NOT = "The file was not part of the release."
VERIFY_INPUT_GONE = "{name}, input {path}"
VERIFY_ITS_ARCHIVED_COPY = "Its archived copy is missing."
VERIFY_INPUT_OTHER = "{name}, input {path}"
VERIFY_RELEASE_WAS_MADE = "The release was made from other values than the archived copy gives."
VERIFY_COMPARE_HEAD_RECORD = "Compare the head of the record, which stands beside it."
VERIFY_CUSTODY_EVENT = "custody event"
VERIFY_MANIFEST_MISSING = "The manifest is missing."
VERIFY_RELEASE_NOT_RECORD = "The release is not in the record."
VERIFY_FILE_MISSING = "The file is missing."
VERIFY_MANIFEST_NOT_WHAT = "The manifest is not what was recorded."
VERIFY_MANIFEST_CAN_BE = "The manifest can't be read."
VERIFY_FILE_NOT_WHAT = "The file is not what was released."
TRY_DECISIONS_TRIED_INVENTED = (
    "Decisions tried: {studies} invented studies of {n} samples for each truth, seed {seed}"
)
TRY_ACCEPTED_WRONGLY_INTERVAL = "accepted wrongly (95 % interval)"
TRY_BY_BIAS = "by bias"
TRY_FALSE_ALARMS = "false alarms"
TRY_ACCEPTED_RIGHTLY_INTERVAL = "accepted rightly (95 % interval)"
TRY_OF = "{i} of {n}: {name}"
TRY_TRIED_PROMISED_WRONG = (
    "{count} tried. Promised are wrong acceptances in at most {allowed:.0%} of the "
    "studies of each; "
)
TRY_NOTHING_FOUND_CONTRADICTS = "nothing found contradicts it."
TRY_CONTRADICTED_FOR_WHOLE = (
    "contradicted for {count}: the whole interval lies above. Report it with this table."
)
RECEIVE_EVENT_ID = "Event ID"
RECEIVE_SAMPLE_ID = "Sample ID"
RECEIVE_DISPATCH = "Dispatch"
RECEIVE_EVENT = "Event"
RECEIVE_AT = "At"
RECEIVE_BY = "By"
RECEIVE_TO = "To"
RECEIVE_SEAL = "Seal"
RECEIVE_SEAL_INTACT = "Seal intact"
RECEIVE_CONTAINERS = "Containers"
RECEIVE_MASS = "Mass g"
RECEIVE_PLACE = "Place"
RECEIVE_NOTE = "Note"
RECEIVE_NO_RUN_WILL = (
    "No run will find it: no [[table]] of kind 'custody' names the file. Add to "
    'reconcile.toml: [[table]] kind = "custody", files = ["{received}"].'
)
RECEIVE_NO_RUN_WILL_FIND = "No run will find it: {problem} Give the file a [[table]] of its own."
RECEIVE_A_SAMPLE_ID = "a sample id"
RECEIVE_COLLECTION = "the collection of {sample}"
RECEIVE_ITS_TABLE_READS = "its [[table]] reads the file, and not this event as it was written."
RECEIVE_ITS_TABLE_CAN = "its [[table]] can't read the file: {message}"
RECEIVE_COLLECTION_ROW = "the collection in {path}, row {row}"
DISPATCH_DISPATCH_SHEET = "Dispatch {dispatch} of sheet {sheet}: {count}."
DISPATCH_TOO_CLOSE_CALL = (
    "{count} are too close to call, {count_2} have no decision, {drawn} are drawn at "
    "random to check the calls{value}."
)
ACCEPT_IN = "{label}: {here}, {now} in {source}"
ACCEPT_ITS_FACTOR_WAS = "{label}: its factor was {factor_state} ({source})"
CONFORM_CONFORMITY_WITH_SPECIFICATION = "Conformity with specification limits"
CONFORM_SPECIFICATION_LIMITS = "specification limits"

"""Parts place by place, ordered grades and profiles."""

PARTS_ORDERED = "Ordered grades"
PARTS_ORDERED_INTRO = (
    "What each part was ordered as, and what its results say of that grade alone. A grade that is "
    "not excluded is not shown to be the part's grade."
)
PARTS_ORDERED_HEADINGS = ("Specimen", "Results by", "Ordered as", "Outcome", "Speaks against")
PARTS_ORDERED_CALLS = {
    "every limit decided within": "every limit decided within",
    "consistent": "not excluded",
    "not this grade": "excluded",
    "not judged": "not judged",
    "not in the table of limits": "not in the table of limits",
}
PARTS_PLACES = "Place by place"
PARTS_PLACES_INTRO = (
    "Parts whose readings state where they were taken are judged at each place, and the part is "
    "what its worst place is; the mean over places decides nothing. U is that of one place."
)
PARTS_PLACES_HEADINGS = ("Specimen", "Results by", "Place", "Consistent with", "Speaks against")
PARTS_APART = "Places that differ from their part"
PARTS_APART_INTRO = (
    "Each element over the places of a part, or over its spots where no place is stated: against "
    "the median of the base metal, or of all places, by a t test with the replicates within "
    "places; without replicates by the generalised extreme Studentised deviate (Rosner 1983), and "
    "where none stands out as two groups by the ratio of the mean squares between and within them "
    "(Engelman and Hartigan 1969), each look with half of the level. "
    "Level {level} for each element of a part (conformity.place_level); told from a difference of "
    "{size} on (conformity.place_size)."
)
PARTS_APART_HEADINGS = ("Specimen", "Element", "Place", "Found", "Others", "Difference", "p", "n")
PARTS_APART_NONE = "No place differs."
PARTS_GROUPS = (
    "{sample}, {element}: the places fall into two groups, possibly two materials (p {p}); see the "
    "finding."
)
PARTS_APART_UNTESTED = "Parts with too few places and replicates to be tested: {parts}."
PARTS_PROFILES = "Profiles along the line"
PARTS_PROFILE_TITLE = "{element} of {sample}"
PARTS_POSITION = "Position, mm"
PARTS_CONTENT = "{element}, {unit}"
PARTS_ROLE_NONE = "role not stated"
PARTS_LIMIT = "ordered"

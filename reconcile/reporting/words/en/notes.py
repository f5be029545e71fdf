"""Notes that stand above the figures of a stratum; a pair of texts is of one and of many."""

NOTE_SCALE = "The page leads with {rule}."
NOTE_PARTIAL = (
    "The laboratory's digestion is partial: it leaves part of the element undissolved, so "
    "laboratory results below field results are expected and are no calibration fault of the "
    "field instrument. Any factor is to that basis, not to the total."
)
NOTE_MOISTURE = "The two sides do not share a moisture basis ({basis}); nothing was recalculated."
NOTE_RE_ASSAYS = (
    "{n} laboratory value is a re-assay of a result above the range of this method; the pair "
    "table names both.",
    "{n} laboratory values are re-assays of results above the range of this method; the pair "
    "table names both.",
)
NOTE_PARTLY_ABOVE = (
    "In {n} sample only some shots were above their limit; the mean is known between two bounds "
    "and is treated as censored.",
    "In {n} samples only some shots were above their limit; the mean is known between two bounds "
    "and is treated as censored.",
)
NOTE_NO_RATIO = (
    "{n} of {used} pairs has a result of zero or below, and so no ratio: differences speak of "
    "all pairs, ratios of none.",
    "{n} of {used} pairs have a result of zero or below, and so no ratio: differences speak of "
    "all pairs, ratios of none.",
)
NOTE_CUSTODY_BROKEN = (
    "Custody of {n} sample is broken; left out, and shown with and without.",
    "Custody of {n} samples is broken; left out, and shown with and without.",
)
NOTE_ERROR_RATIO = "Ratio of error variances, field to laboratory: {ratio} ({source})."
NOTE_NO_ERROR_RATIO = "Ratio of error variances {source}; it is never assumed."

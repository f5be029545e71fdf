"""Factors of earlier months on this month's pairs: the chart over months and its sentences."""

SCORES_INTRO = (
    "Each factor that an earlier release proposed, and whose dates hold this month, was tried on "
    "this month's pairs before anything was fitted again: pairs that it had not seen. Point: mean "
    "of corrected over laboratory result (or their difference), with its interval, the factor's "
    "own uncertainty and the spread between the months before included. Dotted: half the agreed "
    "margin; a proved shift beyond it, or a "
    "proved shift with larger errors than stated, says withdraw; one of both alone says watch. "
    "The rate of false alarms is the setting factor_alarm_rate. Points of earlier months are those "
    "of the factor that stood then."
)
SCORES_NONE = (
    "No factor of an earlier month has pairs in this one; nothing could be tried on new pairs."
)
SCORE_CALLS = {
    "keep": "Keep",
    "watch": "Watch",
    "withdraw": "Withdraw",
    "not judged": "Not judged",
}
SCORE_TITLE = "{call}: {factor}"
AXIS_CORRECTED = "Corrected / lab"
AXIS_CORRECTED_DIFFERENCE = "Corrected − lab, {unit}"
SCORE_HEADINGS = ("Stratum", "Call", "What the month's pairs say of the factor")

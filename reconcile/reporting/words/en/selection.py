"""How the samples for the laboratory were chosen."""

SELECTION = "How the samples were chosen"
SELECTION_INTRO = (
    "Samples sent for an extreme field value read lower, or for a low one higher, when they are "
    "measured again: part of the value was chance. Pairs of such samples show a bias that the "
    "others need not have. Where the chance of being chosen is known of every pair, the bias is "
    "also given weighted by its inverse (Hájek 1971), for all samples of the stratum."
)
SELECTION_UNSTATED = (
    "The register does not say how samples were chosen (column 'Selection': random, near a level, "
    "extreme, suspicion; 'reconcile plan' writes it with the chance of each sample)."
)
SELECTION_ENDS = "only extremes were sent: no mean bias is claimed"
SELECTION_NOT_STATED = "not stated"
SELECTION_HEADINGS = (
    "Stratum", "Chosen", "Bias", "Interval", "Weighted", "Interval", "Mean RPD", "Agreed",
)  # fmt: skip
SELECTION_SENT = "Share sent to the laboratory"
SELECTION_SENT_INTRO = (
    "Samples of each kind that the field read, and those that the laboratory has answered for, "
    "beside the share that was planned (confirmation_share)."
)
SELECTION_SENT_HEADINGS = ("Samples of", "Read", "Answered", "Share", "Planned")
SELECTION_RPD = (
    "Mean RPD: mean of |field − laboratory| over the mean of both; at most {most} is agreed "
    "(confirmation_rpd)."
)
SELECTION_COLUMNS = {
    "of": "Of",
    "name": "Name",
    "figure": "Figure",
    "selection": "Selection",
    "n": "n",
    "value": "Value",
    "low": "Interval from",
    "high": "Interval to",
    "unit": "Unit",
    "agreed": "Agreed",
}

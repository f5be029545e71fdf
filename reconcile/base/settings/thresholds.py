"""Every threshold by its name, its default and its meaning, and the errors that are known."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from reconcile.base.settings.parts import Count, Fraction, Level, Part, Positive, number, ordered


class Thresholds(Part):
    """Every number that a verdict or a flag rests on."""

    confidence: Annotated[float, number(ge=0.5, le=0.9999)] = Field(
        0.95, description="confidence level of every interval"
    )
    bias_margin: Fraction = Field(
        0.10, description="largest bias (field/lab - 1) accepted as equal, agreed before the data"
    )
    equivalence_alpha: Level = Field(
        0.05,
        description="largest chance that a method that is not within what was agreed is accepted: "
        "size of each one-sided test of bias, spread, missed and false alarms",
    )
    share_margin: Fraction = Field(
        0.20, description="share of pairs within this fraction of the lab value is reported"
    )
    agreement_span: Annotated[float, number(gt=0, le=100)] = Field(
        0.40,
        description="widest accepted half width of the relative limits of agreement, fraction",
    )
    minimum_pairs: Annotated[int, number(ge=3, le=1_000_000)] = Field(
        20, description="fewest used pairs on which a verdict other than 'insufficient' rests"
    )
    pairs_per_third: Annotated[int, number(ge=0, le=1_000_000)] = Field(
        3, description="fewest used pairs in each third of the range between lowest and highest"
    )
    censored_share: Fraction = Field(
        0.40, description="largest share of censored pairs at which a verdict is given"
    )
    lab_limit_multiple: Annotated[float, number(ge=0, le=1e6)] = Field(
        0.0,
        description="pairs enter the statistics from this multiple of the lab's lower limit",
    )
    least_range_share: Fraction = Field(
        0.50,
        description="least share of the used pairs inside the part of their range in which the "
        "bias is shown to lie within the margin",
    )
    grey_region: Fraction = Field(
        0.20,
        description="half width of the grey region around a decision level, as a fraction of it: "
        "inside it no right call is promised, at its edges the two rates below hold (US EPA "
        "QA/G-4)",
    )
    false_negative_rate: Level = Field(
        0.05,
        description="largest accepted chance that a sample at the far edge of the grey region, on "
        "the side on which someone acts, is missed",
    )
    false_alarm_rate: Level = Field(
        0.10,
        description="largest accepted chance that a sample at the other edge of the grey region "
        "is called for nothing",
    )
    level_samples: Annotated[int, number(ge=0, le=1_000_000)] = Field(
        3, description="fewest used pairs near a decision level on each side of it"
    )
    level_reach: Annotated[float, number(gt=1, le=1000)] = Field(
        3.0, description="pairs up to this factor away count as near a decision level"
    )
    false_negative_bound: Fraction | None = Field(
        None,
        description="largest accepted upper end of the interval of missed samples as counted, over "
        "all samples on the acting side; empty: counted and told, not asked for",
    )
    pooling_alpha: Fraction = Field(
        0.05,
        description="strata named under pool stay apart where slopes or offsets differ with a "
        "p-value below this (analysis of covariance)",
    )
    lab_error_ratio_flag: Positive = Field(
        0.20, description="ordinary least squares is flagged above this error/spread of the lab"
    )
    recovery_low: Annotated[float, number(gt=0, le=1)] = Field(
        0.80, description="lowest accepted recovery, field control"
    )
    recovery_high: Annotated[float, number(ge=1, le=100)] = Field(
        1.20, description="highest accepted recovery, field control"
    )
    lab_zeta: Positive = Field(
        3.0, description="largest accepted |zeta| of a lab reference material"
    )
    metal_recovery_low: Fraction = Field(
        0.90,
        description="lowest recovery of a reference material of metal (moisture basis 'not "
        "applicable'); common practice in checking alloys, no source",
    )
    metal_recovery_high: Annotated[float, number(gt=1, le=10)] = Field(
        1.10, description="highest recovery of a reference material of metal; same source"
    )
    blank_multiple: Positive = Field(
        3.0, description="a blank may not exceed this multiple of the lower limit"
    )
    field_blank_multiple: Positive = Field(
        1.0,
        description="a blank of the field may not exceed this multiple of the lower limit (nothing "
        "above the detection limit: US EPA Method 6200, section 9.3)",
    )
    field_blank_daily: bool = Field(
        True,
        description="a day on which XRF read soil or rock without a blank is told (same section: "
        "a method blank at least daily)",
    )
    duplicate_cv: Fraction = Field(
        0.15, description="largest accepted CV_RMS of lab duplicates, fraction"
    )
    duplicate_field: Fraction = Field(
        0.20,
        description="90 % of field duplicates must be within this half relative difference "
        "(convention of the mining trade)",
    )
    duplicate_coarse: Fraction = Field(
        0.15, description="the same of coarse duplicates; same convention"
    )
    confirmation_share: Annotated[float, number(ge=0, le=1)] = Field(
        0.10,
        description="planned share of the samples that the laboratory confirms (at least 10 %: "
        "guidance of a US state's environment department on screening soil by XRF)",
    )
    confirmation_rpd: Fraction = Field(
        0.35,
        description="largest mean absolute relative difference of confirmation samples, over the "
        "mean of both (same source, after the US EPA National Functional Guidelines for "
        "Inorganic Data Review, 2004)",
    )
    lead_to_arsenic: Positive = Field(
        10.0, description="from this Pb:As ratio on, an XRF arsenic value is not used"
    )
    fault_far: Annotated[float, number(ge=2, le=1000)] = Field(
        10.0,
        description="a median field/lab ratio further from 1 than this factor, either way, is "
        "never taken for a calibration bias: another unit is suspected",
    )
    fault_odds: Annotated[float, number(ge=2, le=1e9)] = Field(
        300.0,
        description="a fault is suspected where it makes the median ratio this many times likelier "
        "than a bias of the size that the method's other elements have",
    )
    fault_elements: Annotated[int, number(ge=3, le=100)] = Field(
        5, description="fewest other elements from which the usual size of a bias is taken"
    )
    usual_bias: Annotated[float, number(ge=0.01, le=0.9)] = Field(
        0.40,
        description="usual size (standard deviation) of a calibration bias where fewer elements "
        "show it (common practice, no source)",
    )
    least_usual_bias: Annotated[float, number(ge=0.01, le=0.9)] = Field(
        0.10, description="the usual size of a bias is never taken to be below this"
    )
    fault_spread: Fraction = Field(
        0.20,
        description="an oxide read as the element is suspected only where the ratios scatter no "
        "more than this (robust relative standard deviation)",
    )
    fault_tolerance: Fraction = Field(
        0.005,
        description="and, where the odds do not decide, only where the whole 95 % interval of the "
        "median ratio lies this near to the factor of the oxide",
    )
    moisture_tolerance: Fraction = Field(
        0.03,
        description="stated moisture is suspected where it brings the median ratio this near to 1",
    )
    common_elements: Annotated[int, number(ge=3, le=100)] = Field(
        4, description="fewest elements at one common factor for which it is told"
    )
    common_share: Fraction = Field(
        0.80, description="share of a method's elements that stand at a common factor"
    )
    common_tolerance: Fraction = Field(
        0.05, description="how near to the common factor their median ratios lie"
    )
    common_least: Fraction = Field(0.10, description="a common factor this near to 1 is not told")
    factor_valid_months: Annotated[int, number(ge=1, le=120)] = Field(
        3, description="months for which a correction factor stands"
    )
    controls_required: bool = Field(
        True,
        description="no verdict but 'insufficient' where no reference material was in control on "
        "both sides; if false, the verdict's reason and the first page say so",
    )
    many_verdicts: Literal["none", "family-wise", "false discovery"] = Field(
        "none",
        description="none: each verdict of acceptance is wrong with a chance of at most "
        "equivalence_alpha; family-wise: any of the period's (Holm); false discovery: the "
        "expected share of wrong ones among the accepted (Benjamini and Hochberg)",
    )
    least_quality_level: Literal[
        "", "qualitative screening", "quantitative screening", "definitive"
    ] = Field(
        "",
        description="least data-quality level (US EPA, level table) on which field results are "
        "accepted; empty: shown, does not decide",
    )
    spots_required: bool = Field(
        False,
        description="LIBS: no verdict but 'insufficient' where the samples of the pairs have "
        "fewer spots than libs_spots (median); otherwise they are shown",
    )
    least_gain: Annotated[float, number(ge=0, lt=1)] = Field(
        0.10,
        description="a factor is proposed only where the error of unseen samples falls by this "
        "fraction, or where a bias is proved (interval at the confidence level)",
    )
    least_change: Fraction = Field(
        0.25,
        description="a new fit is proposed in the place of the factor in force only where "
        "corrected values would differ by more than this fraction of the margin, or the range "
        "would grow by more than this share; also where that factor has drifted or ends within "
        "the coming month",
    )
    power_range: Annotated[float, number(ge=1.5, le=1e6)] = Field(
        5.0,
        description="least highest/lowest laboratory value for a factor of the form 'power': over "
        "a narrower range noise passes for one",
    )
    power_pairs: Annotated[int, number(ge=8, le=1_000_000)] = Field(
        30, description="fewest pairs for a factor of the form 'power'"
    )
    held_out_pairs: Annotated[int, number(ge=100, le=1_000_000)] = Field(
        500,
        description="most pairs to which a factor's forms are fitted for held-out samples, evenly "
        "spaced by laboratory value; the factor itself is fitted to all pairs. With 500 the error "
        "of unseen samples comes out at most 0.4 % larger than with all",
    )
    slope_room: Annotated[float, number(ge=0, le=1)] = Field(
        0.05,
        description="where the laboratory's error is not known, no factor of the form 'line' or "
        "'power' if the two least-squares slopes differ by more than this fraction: the slope "
        "would hang on an error that nobody measured",
    )
    factor_alarm_rate: Level = Field(
        0.05, description="largest rate of false alarms when a factor meets next month's pairs"
    )
    factor_cusum_k: Annotated[float, number(ge=0, le=3)] = Field(
        0.5,
        description="reference value of the CUSUM over a factor's months, in standard deviations "
        "of the monthly mean error: half the shift that matters",
    )
    factor_cusum_h: Annotated[float, number(ge=1, le=20)] = Field(
        4.5,
        description="decision interval of that CUSUM, same unit; with k 0.5 the mean time to a "
        "false alarm is about 280 months at 4.5, 168 at 4 and 465 at 5 (Brook & Evans 1972)",
    )
    holding_days: Annotated[int, number(ge=1, le=36_500)] = Field(
        180, description="longest time from collection to analysis, days"
    )
    handover_hours: Annotated[float, number(gt=0, le=876_000)] = Field(
        24.0, description="longest time between relinquished and received, hours"
    )
    mass_tolerance: Fraction = Field(
        0.05, description="largest loss of mass between dispatch and receipt, fraction"
    )
    shot_trend_level: Fraction = Field(
        0.01,
        description="LIBS: shots within the spots are told to rise or fall below this p-value "
        "(over all samples of one method and element together)",
    )
    shot_trend_size: Fraction = Field(
        0.10, description="LIBS: and only where last and first shots differ by this fraction"
    )
    rejected_share: Fraction = Field(
        0.25, description="LIBS: largest share of a sample's shots that may be rejected"
    )
    libs_spots: Count = Field(
        5, description="LIBS: fewest spots of a sample (common practice, no source)"
    )
    count_time_s: Annotated[float, number(gt=0, le=86_400)] = Field(
        30.0, description="XRF: shortest count time of a reading, s (common practice, no source)"
    )
    detection_sigma: Positive = Field(
        3.0,
        description="XRF: a result below this many of its own standard deviations is not detected "
        "(US EPA Method 6200, section 9.6)",
    )
    quantitation_sigma: Positive = Field(
        10.0,
        description="XRF: below this many it is detected and not quantified (same source)",
    )
    moisture_pct: Annotated[float, number(gt=0, le=100)] = Field(
        20.0,
        description="XRF: highest moisture of a specimen read moist, % (US EPA Method 6200, "
        "section 4.3: little error from 5 to 20 %)",
    )
    check_every_samples: Count = Field(
        20, description="most samples between two checks of a field instrument"
    )
    check_every_hours: Annotated[float, number(gt=0, le=876_000)] = Field(
        2.0, description="longest time between two checks of a field instrument, hours"
    )
    certificate_level: Level = Field(
        0.01,
        description="certificates of one laboratory are told to differ against the field below "
        "this p-value (one-way analysis of variance of the pairs, and their trend by date)",
    )
    certificate_size: Fraction = Field(
        0.10,
        description="and only where one lies this fraction from the others, or moves so in 30 days",
    )
    operator_level: Level = Field(
        0.01,
        description="operators of one method are told to read differently below this p-value "
        "(one-way analysis of variance of the pairs of one stratum)",
    )
    operator_size: Fraction = Field(
        0.05, description="and only where one reads this fraction from the others"
    )
    drift_size: Fraction = Field(
        0.05, description="largest mean change of a control from first to last check of the day"
    )
    # the three rates: common practice, no source
    rate_reference_materials: Annotated[float, number(ge=0, lt=1)] = Field(
        0.06,
        description="planned share of reference materials among samples and controls, each side",
    )
    rate_blanks: Annotated[float, number(ge=0, lt=1)] = Field(
        0.04, description="planned share of blanks, laboratory"
    )
    rate_duplicates: Annotated[float, number(ge=0, lt=1)] = Field(
        0.06, description="planned share of duplicates, laboratory"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Thresholds:
        ordered(self, "recovery_low", "recovery_high")
        ordered(self, "detection_sigma", "quantitation_sigma")
        ordered(self, "false_negative_rate", "false_negative_bound")
        if self.rate_reference_materials + self.rate_blanks + self.rate_duplicates >= 1:
            raise ValueError(
                "rate_reference_materials, rate_blanks and rate_duplicates leave no samples: "
                "together they must be below 1"
            )
        return self


class ErrorSettings(Part):
    """Measurement errors where replicates cannot show them; never assumed silently."""

    lab_rsd: Fraction | None = Field(
        None, description="relative SD of a lab result, where no lab duplicates stand"
    )
    field_rsd: Fraction | None = Field(
        None, description="relative SD of a field mean, where no replicate shots stand"
    )

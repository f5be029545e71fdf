"""Words of proposed settings: what a line was found from, and what is asked."""

from __future__ import annotations

#: By code of ``proposing.because``; braces are filled in order.
BECAUSE = {
    "both sides": "the table holds both sides: results marked '{0}' here, '{1}' there",
    "one sheet": "the only sheet that can be read among several",
    "word": "'{0}' stands in the file's name or headings",
    "ids meet": "{0} of {1} ids then stand on the other side too; {2} as written",
    "ids of the other side": "{0} of its {1} ids stand on the other side",
    "ids differ": "no column says that it holds the sample id; this one differs most: {0} "
    "different texts in {1} rows",
    "lab ids": "{0} of its {1} ids are laboratory numbers of the register; {2} are ids of the "
    "field's table",
    "holds lab ids": "it holds {0} of the {1} ids that the laboratory wrote",
    "counts rows": "it only counts the rows",
    "kinds": "texts such as {0}",
    "own ids": "its cells are ids of other rows of this table",
    "methods": "the headings name several methods; these results are by {0}",
    "cells": "each of its cells is one of {0}",
    "times": "every such table states '{0}'",
    "no times": "no table states a time for each of its rows",
    "unit by ratio": "; read as mg/kg they are {0} times the other side's ({1} samples), which {2} "
    "would explain",
    "no unit by ratio": "; read as mg/kg they are {0} times the other side's ({1} samples)",
    "unit by sums": "; the results of a row add up to about 100, as those in % do",
    "another unit": "; as it stands the field reads {0} times the laboratory ({1}), which looks "
    "like {2} and no bias",
    "oxides": "; as it stands the field reads {0} times the laboratory ({1}), each by the factor "
    "of its oxide: is one side in oxides?",
    "counted": "{0}",
    "as it was read": "{0}",
}

#: By code of ``proposing.seen.Clue``: from what a kind of table was seen.
CLUES = {
    "name": "by the file's name",
    "heading": "by headings such as '{0}'",
    "errors": "by error columns such as '{0}'",
    "intensity": "by columns of intensities such as '{0}'",
    "facts": "by the columns {0}",
    "lab ids": "by the laboratory's numbers of samples that it holds",
}

#: By code of ``proposing.questions``: what stands in the settings until it is answered.
#: {0} is what it is about, {1} what the tables show.
QUESTION = {
    "kind": "is '{0}' the field's or the laboratory's? write field or lab",
    "technique": "technique of every reading, such as LIBS or XRF",
    "lab technique": "technique of the laboratory, such as ICP-OES or fire assay",
    "instrument": "serial number of the instrument",
    "calibration": "name and version of the instrument's calibration",
    "laboratory": "name of the laboratory",
    "digestion": "digestion or preparation, such as four acids, aqua regia, fused bead, none",
    "digestion class": "what the digestion reaches: partial, near-total or total",
    "moisture basis": "results on which basis: dry, as received, wet, or not applicable (metal)",
    "unit": "unit of results whose headings name none{1}",
    "unit again": "unit of this column{1}",
    "zero": "what a nought means: below limit, no result or measured ({1})",
    "limit": "is the number in the error column beside '<LOD' the limit of detection? error "
    "column, or nothing ({1} such cells)",
    "sigma": "how many standard deviations the error columns hold ('{0}'): 1, 2 or 3",
    "column": "what '{0}' holds, or ignore (it looks like {1})",
    "mass": "is '{0}' the mass in g of what was digested? sample_mass_g, or ignore",
    "volume": "volume of the digest in mL, by which mg/L becomes mg/kg",
    "time": "what the times in '{0}' say: measured_at, received_at, analysed_at, reported_at or "
    "ignore",
    "seconds": "does '{0}' hold the seconds of counting? count_time_s, or ignore",
    "kind of rows": "what rows such as {0} are: blank, reference material, duplicate, check "
    "standard or leave out",
    "element": "symbol of the element whose results '{0}' holds (where it holds none, write ignore "
    "in place of all that stands behind the column)",
    "sample": "the sample that every row is of (where a column names samples, take this line out "
    "and name that column)",
    "use": "what field-only results are meant for: screening, choosing samples, sorting, process "
    "control, grade control, site assessment, resource or reserve estimate",
    "margin": "largest bias that is as good as none, as a fraction (0.10 is 10 %)",
}
START_HEAD = """\
# Settings that 'reconcile start' proposed from the tables that it found. Behind each line stands
# from what it was found. A text '{open}' is a question that only a person can answer: write the
# answer in its place, with quotes as it stands (numbers without), or let
# 'reconcile start FOLDER --ask' ask you. Until then every command stops and names them.
# 'reconcile settings --show' lists all that may be set."""
START_TABLE = "# {rows} of {all} rows can be read so."
START_FAULT = "# Not read yet: {fault}"
START_ELEMENTS = "# elements = {elements}   # both sides report these; take out the '#' to choose"
START_UNREAD = "# Left alone, as it is no table that can be read:"
START_OTHER = "# No tables: {files}"

START_SURE = "{kind}: {files}, {rows} of {all} rows can be read"
START_BARE = "{kind}: {files}, its headings say nothing: see its questions"
START_MET = "{met} of {of} sample ids stand on both sides"
START_NOT_MET = "No sample id stands on both sides: are these tables of the same samples?"
START_NO_SIDE = "No table of the {side} was found."
START_QUESTIONS = "{n} questions are left for you:"
START_NONE_LEFT = "No question is left."
START_TAKE_OUT = "empty: not stated"
START_NOT_ONE_OF = "Write one of: {choices}."
START_KIND = "Is '{name}' the field's or the laboratory's?"
START_COPIED = "Copied {n} files into {folder}"
START_NEXT = "Next: answer them in {path}, or run 'reconcile start {folder} --ask'."
START_CHECK = "Next: 'reconcile check PERIOD {folder}'."
START_UNREAD_SHORT = (
    "Left alone: {n} files or sheets that can't be read as tables; the settings name them."
)
START_MORE = "  … and {n} more, in the settings"
START_SEVERAL = "{name} and {n} patterns in all"
START_ANSWERED = "{n} answers written into {path}"

"""One heading in words: which species, unit, method and kind of figure it names."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache

import periodictable

from reconcile.base.characters import fold_name
from reconcile.base.quantities import (
    Species,
    Unit,
    element_by_name,
    parse_species,
    parse_unit,
    species_by_capitals,
    unit_question,
)
from reconcile.intake.vocabulary import (
    ERROR_WORDS,
    FLAG_WORDS,
    IGNORED_WORDS,
    INTENSITY_WORDS,
    LIMIT_WORDS,
    METHOD_WORDS,
    RATIO_WORDS,
    RELATIVE_WORDS,
    SD_WORDS,
    VALUE_WORDS,
)
from reconcile.techniques import element_called


def plain(text: str) -> str:
    """A heading on one line, without outer and double blanks."""
    return re.sub(r"\s+", " ", text).strip()


def words(text: str) -> str:
    """A heading as lower-case words, for look-up among usual words."""
    text = fold_name(text.replace("º", "o")).lower()
    text = re.sub(r"[_\-.,;:/\\()\[\]?!]+", " ", text)
    return re.sub(r"\s+", " ", text).strip()


@dataclass(frozen=True, slots=True)
class Reading:
    """What the words of one heading say, before the table around it is looked at."""

    species: Species | None = None
    role: str = ""  # value | error | limit | ignored | unclear | asked
    unit: Unit | None = None
    sigma: float = math.nan
    method: str = ""
    question: str = ""
    why: str = ""
    bare: bool = False  # nothing but the symbol stands there
    capitals: bool = False  # the symbol was written in one case
    isotope: int = 0  # mass number that the heading names; 0: none


#: The mass number of an isotope, as in '⁶³Cu'; raised behind a symbol it may mark a footnote.
_RAISED_MASS = re.compile(r"(?<!\S)[⁰¹²³⁴-⁹]{1,3}(?=[A-Z])")
_BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]")
_TOTAL_MARK = re.compile(r"\b(Fe|FeO|Fe2O3)[\s_]*\((?:t|T|tot|Tot|total|Total)\.?\)")
_SIGMA = re.compile(r"([1-3](?:\.[0-9]+)?)\s*(?:s|sd|sig|sigma|σ)", re.I)
_K = re.compile(r"k\s*=\s*([0-9](?:\.[0-9]+)?)", re.I)
METHOD_CODE = re.compile(
    r"[A-Z0-9]{1,6}(?:[-_/][A-Z0-9]{1,8}){1,3}[a-z]?|[A-Z]{2,5}[0-9]{1,4}[A-Za-z]?"
    r"|[A-Z][a-z]?[-_/][A-Z]{1,5}[0-9]{0,4}[A-Za-z]?"
)
_ISOTOPE = re.compile(r"([0-9]{1,3})([A-Z][a-z]?)|([A-Z][a-z]?)([0-9]{2,3})")


@lru_cache(8192)
def read_heading(text: str) -> Reading:
    """Read a heading as a column of results: species, unit, method, kind of figure."""
    if len(text) > 200:
        return Reading(role="", why="the heading is too long")
    source = _RAISED_MASS.sub(lambda m: unicodedata.normalize("NFKC", m[0]), fold_name(text))
    source = source.replace("μ", "µ")
    source = _TOTAL_MARK.sub(r"\1T", source)
    unit: Unit | None = None
    question = ""
    sigma = math.nan
    extra: list[str] = []
    for inner in _BRACKETS.findall(source):
        found = parse_unit(inner)
        if found is not None:
            unit = found
        elif unit_question(inner):
            question = f"unit '{inner}': {unit_question(inner)}"
        elif _SIGMA.fullmatch(inner.strip()):
            sigma = float(_SIGMA.fullmatch(inner.strip())[1])  # type: ignore[index]
        elif _K.fullmatch(inner.strip()):
            sigma = float(_K.fullmatch(inner.strip())[1])  # type: ignore[index]
        else:
            extra.append(inner)
    body = _BRACKETS.sub(" ", source)
    body = re.sub(r"(?<=[A-Za-z0-9])%", " %", body)
    for sign in ("+/-", "±"):
        body = body.replace(sign, " error ")
    tokens = [t for t in re.split(r"[\s_,;:|]+", " ".join([body, *extra])) if t]
    tokens, unit, question = _take_unit(tokens, unit, question)
    tokens = [element_called(t) or t for t in _split_joined(tokens)]
    tokens, unit, question = _take_unit(tokens, unit, question)
    return _classify(tokens, unit, question, sigma, bool(_BRACKETS.search(source)))


def _take_unit(
    tokens: list[str], unit: Unit | None, question: str
) -> tuple[list[str], Unit | None, str]:
    """Take the words that name a unit out of the others (the longest run first)."""
    for length in (4, 3, 2, 1):
        for start in range(len(tokens) - length, -1, -1):
            run = tokens[start : start + length]
            text = "".join(run) if length == 1 else " ".join(run)
            if length == 1 and parse_species(text):
                continue
            found = parse_unit(text)
            if found is not None and (unit is None or found == unit):
                return tokens[:start] + tokens[start + length :], found, question
            if found is None and unit_question(text):
                return (
                    tokens[:start] + tokens[start + length :],
                    unit,
                    f"unit '{text}': {unit_question(text)}",
                )
    return tokens, unit, question


def _split_joined(tokens: list[str]) -> list[str]:
    """'Fe.WDXRF', 'Cu-ppm', 'Cu/63' -> their parts, where one part is a species."""
    alone = {t for t in tokens if parse_species(t)}
    result: list[str] = []
    for token in tokens:
        if parse_species(token) or parse_unit(token) or _is_number(token):
            result.append(token)
            continue
        parts = [p for p in re.split(r"[.\-/]+", token) if p]
        species = [p for p in parts if parse_species(p)]
        if len(parts) > 1 and len(species) == 1 and not alone:
            result.extend(parts)
        else:
            result.append(token)
    return result


def _is_number(token: str) -> bool:
    return re.fullmatch(r"[0-9]+(\.[0-9]+)?", token) is not None


def _classify(
    tokens: list[str], unit: Unit | None, question: str, sigma: float, bracketed: bool
) -> Reading:
    species: list[Species] = []
    mass = 0
    capitals = False
    method: list[str] = []
    roles: set[str] = set()
    unknown: list[str] = []
    relative = False
    only = len(tokens) == 1
    for position, token in enumerate(tokens):
        low = token.lower().strip(".")
        found = parse_species(token)
        if found is not None and not (species and low in VALUE_WORDS):
            species.append(found)
            continue
        isotope = _ISOTOPE.fullmatch(token)
        if isotope:
            symbol, number = isotope[2] or isotope[3], int(isotope[1] or isotope[4])
            named = parse_species(symbol)
            if named is not None and _mass_number(symbol, number):
                species.append(named)
                method.append(f"isotope {number}")
                mass = number
                continue
        if _is_number(token):
            number_value = float(token)
            if position + 1 < len(tokens) and re.fullmatch(
                r"(s|sd|sigma|σ)", tokens[position + 1], re.I
            ):
                sigma = number_value
            elif 150 <= number_value <= 1000 and (
                "." in token or "nm" in [t.lower() for t in tokens]
            ):
                method.append(f"{token} nm")
            elif (
                species
                and number_value.is_integer()
                and _mass_number(species[0].element, int(number_value))
            ):
                method.append(f"isotope {token}")
                mass = int(number_value)
            else:
                unknown.append(token)
            continue
        sigmas = _SIGMA.fullmatch(token)
        if sigmas:
            sigma = float(sigmas[1])
            roles.add("error")
        elif low in RELATIVE_WORDS:
            relative = True
        elif low in RATIO_WORDS:
            roles.add("ratio")
        elif low in INTENSITY_WORDS:
            roles.add("intensity")
        elif low in IGNORED_WORDS:
            roles.add("ignored")
        elif low in FLAG_WORDS:
            roles.add("flag")
        elif low in LIMIT_WORDS:
            roles.add("limit")
        elif low in ERROR_WORDS:
            roles.add("error")
            if low in SD_WORDS and math.isnan(sigma):
                sigma = 1.0
        elif low in {"nm", "µm", "k"}:
            continue
        elif low in VALUE_WORDS:
            roles.add("value")
        elif low in METHOD_WORDS or METHOD_CODE.fullmatch(token):
            method.append(token)
        elif not species and element_by_name(token) and (unit or question or not only):
            species.append(parse_species(element_by_name(token)))  # type: ignore[arg-type]
        elif not species and token.isupper() != token.islower() and species_by_capitals(token):
            species.append(species_by_capitals(token))  # type: ignore[arg-type]
            capitals = True
        else:
            unknown.append(token)
    reading = _reading(
        species, capitals, method, roles, unknown, relative, unit, question, sigma, only
    )
    return replace(reading, isotope=mass)


def _reading(
    species: list[Species],
    capitals: bool,
    method: list[str],
    roles: set[str],
    unknown: list[str],
    relative: bool,
    unit: Unit | None,
    question: str,
    sigma: float,
    only: bool,
) -> Reading:
    named = list(dict.fromkeys(species))
    if not named:
        return Reading(unit=unit, question=question)
    chosen = named[0]
    common = Reading(
        chosen, "value", unit, sigma, " ".join(method), question, "heading", only, capitals
    )
    if "flag" in roles:
        asked = (
            "looks like a flag of the element, and nothing says what it does to its results: name "
            "it \"ignore\" in 'columns' if it does nothing"
        )
        return replace(common, role="asked", question=asked)
    if "ignored" in roles:
        return replace(common, role="ignored", why="not a mass fraction of the element")
    if "ratio" in roles:
        return replace(common, role="ignored", why="a ratio, not a mass fraction")
    if "intensity" in roles:
        return replace(common, role="ignored", why="an intensity, not a mass fraction")
    if relative:
        return replace(common, role="ignored", why="a relative spread; not read")
    if len(named) > 1:
        names = " and ".join(s.formula for s in named)
        return replace(common, role="unclear", question=f"names {names}")
    if unknown:
        shown = ", ".join(f"'{u}'" for u in unknown[:4])
        return replace(common, role="unclear", question=f"has words that are not known: {shown}")
    if "limit" in roles:
        return replace(common, role="limit")
    if "error" in roles:
        return replace(common, role="error")
    return replace(common, sigma=math.nan)


def _mass_number(symbol: str, number: int) -> bool:
    return number in getattr(periodictable, symbol).isotopes

"""Elements, oxides and units: everything that turns a reported figure into mg/kg.

Atomic weights come from the library ``periodictable``, which carries the abridged standard
atomic weights of Prohaska et al. (2022), Pure Appl. Chem. 94(5), 573-600 (IUPAC technical
report "Standard atomic weights of the elements 2021").
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

import periodictable

from reconcile.base.characters import fold_name
from reconcile.statistics.equality import equal_with_nan

#: Edition of the atomic weights in use, as the report prints it.
ATOMIC_WEIGHTS_EDITION = (
    "abridged standard atomic weights 2021 (Prohaska et al. 2022), "
    f"as carried by periodictable {periodictable.__version__}"
)

#: Symbol -> name, up to uranium; heavier elements are never reported in field or lab tables.
ELEMENTS: dict[str, str] = {e.symbol: e.name for e in periodictable.elements if 1 <= e.number <= 92}

#: Grams in one avoirdupois-based ton and in one troy ounce; exact by definition
#: (NIST Handbook 44, appendix C: troy ounce 31.1034768 g, pound 453.59237 g).
TROY_OUNCE_G = 31.1034768
SHORT_TON_G = 2000 * 453.59237
LONG_TON_G = 2240 * 453.59237
TONNE_G = 1_000_000.0


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of reported results.

    ``to_mg_kg`` is the factor to mg/kg; NaN where it depends on the row (mg/L of digest
    needs sample mass and volume: mg/L x mL / g). ``per_litre`` is then the
    factor to mg/L.
    """

    name: str
    to_mg_kg: float
    per_litre: float = float("nan")

    @property
    def is_solution(self) -> bool:
        """True for a concentration in the digest, not in the sample."""
        return self.per_litre == self.per_litre


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Species:
    """An element as reported: by itself or as an oxide (or other compound).

    ``element_per_species`` is the mass of the element in one mass unit of the species.
    ``total`` says that all of the element is expressed as this species (FeOT, Fe2O3T).
    """

    element: str
    formula: str
    element_per_species: float
    total: bool = False


_UNITS = {
    "%": Unit("%", 1e4),
    "g/kg": Unit("g/kg", 1e3),
    "per mille": Unit("per mille", 1e3),
    "mg/kg": Unit("mg/kg", 1.0),
    "ppm": Unit("ppm", 1.0),
    "g/t": Unit("g/t", 1.0),
    "ug/g": Unit("ug/g", 1.0),
    "mg/g": Unit("mg/g", 1e3),
    "kg/t": Unit("kg/t", 1e3),
    "ppb": Unit("ppb", 1e-3),
    "ug/kg": Unit("ug/kg", 1e-3),
    "ng/g": Unit("ng/g", 1e-3),
    "mg/t": Unit("mg/t", 1e-3),
    "ng/kg": Unit("ng/kg", 1e-6),
    "oz/short ton": Unit("oz/short ton", TROY_OUNCE_G / SHORT_TON_G * 1e6),
    "oz/long ton": Unit("oz/long ton", TROY_OUNCE_G / LONG_TON_G * 1e6),
    "oz/tonne": Unit("oz/tonne", TROY_OUNCE_G / TONNE_G * 1e6),
    "mg/L": Unit("mg/L", float("nan"), 1.0),
    "ug/L": Unit("ug/L", float("nan"), 1e-3),
    "g/L": Unit("g/L", float("nan"), 1e3),
}

#: Spellings, after ``_plain``: lower case, no blanks, 'u' for micro.
_SPELLINGS = {
    "%": "%", "pct": "%", "percent": "%", "wt%": "%", "wt.%": "%", "wtpct": "%", "%wt": "%",
    "mass%": "%", "%mass": "%", "m%": "%", "%m/m": "%", "m/m%": "%", "%w/w": "%", "w/w%": "%",
    "weight%": "%", "%(m/m)": "%", "%(w/w)": "%", "wtpercent": "%", "weightpercent": "%",
    "masspercent": "%", "mass-%": "%", "wt-%": "%", "ma%": "%", "ma.%": "%", "gew%": "%",
    "gew.%": "%", "g/100g": "%",
    "‰": "per mille", "permille": "per mille",
    "g/kg": "g/kg", "g*kg-1": "g/kg", "gkg-1": "g/kg",
    "mg/kg": "mg/kg", "mgkg-1": "mg/kg", "mg*kg-1": "mg/kg", "mg.kg-1": "mg/kg",
    "mg/kgdw": "mg/kg", "mg/kgdry": "mg/kg", "mgperkg": "mg/kg", "mg-kg": "mg/kg",
    "ppm": "ppm", "ppmw": "ppm", "p.p.m.": "ppm", "partspermillion": "ppm",
    "g/t": "g/t", "gpt": "g/t", "g/tonne": "g/t", "g/mt": "g/t",
    "ug/g": "ug/g", "ugg-1": "ug/g", "ug.g-1": "ug/g", "mcg/g": "ug/g",
    "mg/g": "mg/g", "kg/t": "kg/t",
    "ppb": "ppb", "ppbw": "ppb", "partsperbillion": "ppb",
    "ug/kg": "ug/kg", "ugkg-1": "ug/kg", "ug.kg-1": "ug/kg", "mcg/kg": "ug/kg",
    "ng/g": "ng/g", "mg/t": "mg/t", "ng/kg": "ng/kg", "pg/g": "ng/kg",
    "oz/shortton": "oz/short ton", "troyoz/shortton": "oz/short ton", "opt(short)": "oz/short ton",
    "oz/st": "oz/short ton", "ozt/shortton": "oz/short ton",
    "oz/longton": "oz/long ton", "troyoz/longton": "oz/long ton", "oz/lt": "oz/long ton",
    "oz/tonne": "oz/tonne", "oz/metricton": "oz/tonne", "troyoz/tonne": "oz/tonne",
    "oz/metrictonne": "oz/tonne", "ozt/tonne": "oz/tonne",
    "mg/l": "mg/L", "mgl-1": "mg/L", "mg.l-1": "mg/L", "ug/ml": "mg/L", "ppm(solution)": "mg/L",
    "ug/l": "ug/L", "ugl-1": "ug/L", "ng/ml": "ug/L", "g/l": "g/L", "mg/ml": "g/L",
}  # fmt: skip

#: Spellings that name no one unit, with the question to ask.
AMBIGUOUS_UNITS = {
    "oz/t": "which ton? write 'oz/short ton', 'oz/long ton' or 'oz/tonne' (troy ounces)",
    "opt": "which ton? write 'oz/short ton', 'oz/long ton' or 'oz/tonne' (troy ounces)",
    "oz/ton": "which ton? write 'oz/short ton', 'oz/long ton' or 'oz/tonne' (troy ounces)",
    "ozt/t": "which ton? write 'oz/short ton', 'oz/long ton' or 'oz/tonne' (troy ounces)",
    "troyoz/ton": "which ton? write 'oz/short ton', 'oz/long ton' or 'oz/tonne' (troy ounces)",
    "g/ton": "which ton? write 'g/t' for grams in a tonne of 1000 kg",
    "ppt": "parts per thousand or per trillion? write 'per mille' or 'ng/kg'",
    "mol%": "a share of atoms, not of mass; recalculate to mass %",
    "at%": "a share of atoms, not of mass; recalculate to mass %",
    "at.%": "a share of atoms, not of mass; recalculate to mass %",
    "vol%": "a share of volume, not of mass; recalculate to mass %",
}


def _plain(text: str) -> str:
    # raised digits belong to units ('mg kg⁻¹'), and none that a digit more makes is known
    text = unicodedata.normalize("NFKC", text).replace("μ", "u").replace("µ", "u")
    text = text.replace("−", "-").replace("⁻", "-").replace("·", ".").replace("^", "")
    return re.sub(r"\s+", "", text).lower()


@lru_cache(maxsize=4096)
def parse_unit(text: str) -> Unit | None:
    """The unit that a text names; None where it names none or more than one.

    'oz/t', 'ppt' and shares of atoms are never guessed: see ``unit_question``.
    """
    plain = _plain(text).strip("()[]{}")
    name = _SPELLINGS.get(plain) or _SPELLINGS.get(_plain(text))
    return _UNITS[name] if name else None


def unit_question(text: str) -> str:
    """What to ask about a unit that can't be taken as it stands; '' where none."""
    return AMBIGUOUS_UNITS.get(_plain(text).strip("()[]{}"), "")


def display_factor(unit: str) -> float:
    """Multiply mg/kg by this to show it in ``unit``. Raises ValueError for an unknown unit."""
    found = parse_unit(unit)
    if found is None or found.is_solution:
        question = unit_question(unit) or "write %, mg/kg, ug/kg or g/t"
        raise ValueError(f"'{unit}' can't be used to show a mass fraction: {question}")
    return 1.0 / found.to_mg_kg


_FORMULA = re.compile(r"(?:[A-Z][a-z]?\d{0,2}){1,4}")
_PART = re.compile(r"([A-Z][a-z]?)(\d{0,2})")
_TOTAL = re.compile(r"(Fe|FeO|Fe2O3)(?:[\s_\-]*\(?(?:[Tt]ot(?:al)?\.?|[Tt])\)?|\*)")
#: Compounds that tables report besides oxides (element first named is the one meant).
_OTHER = {"CaCO3": "Ca", "BaSO4": "Ba", "SO4": "S", "NaCl": "Na", "CaF2": "Ca", "MgCO3": "Mg"}


@lru_cache(maxsize=4096)
def parse_species(text: str) -> Species | None:
    """The element or oxide that a symbol names, exactly as chemists write it; else None.

    Knows 'FeOT', 'FeO(T)', 'Fe2O3T', 'Fe2O3*' and alike as total iron expressed as oxide.
    """
    text = fold_name(text).strip()
    total = _TOTAL.fullmatch(text)
    if total:
        text = total[1]
    if text in ELEMENTS:
        return Species(text, text, 1.0, bool(total))
    if not _FORMULA.fullmatch(text):
        return None
    parts = [(symbol, int(count or 1)) for symbol, count in _PART.findall(text)]
    symbols = [symbol for symbol, _ in parts]
    if any(s not in ELEMENTS or not count for s, count in parts):
        return None
    if len(set(symbols)) != len(symbols):
        return None
    element = _OTHER.get(text)
    if element is None:
        if len(parts) != 2 or symbols[1] != "O" or symbols[0] in {"O", "H", "F", "He"}:
            return None
        if parts[0][1] > 3 or parts[1][1] > 8 or text in {"CO", "NO", "HO", "OO"}:
            return None
        element = symbols[0]
    mass = sum(_weight(symbol) * count for symbol, count in parts)
    share = sum(_weight(s) * c for s, c in parts if s == element) / mass
    return Species(element, text + ("T" if total else ""), share, bool(total))


def _weight(symbol: str) -> float:
    return float(getattr(periodictable, symbol).mass)


_OTHER_SPELLINGS = {"aluminium": "Al", "sulphur": "S", "caesium": "Cs", "cesium": "Cs",
                    "aluminum": "Al", "sulfur": "S"}  # fmt: skip
_NAMES = {name.lower(): symbol for symbol, name in ELEMENTS.items()} | _OTHER_SPELLINGS


def element_by_name(text: str) -> str:
    """The symbol of an element called by its English name; '' where none."""
    return _NAMES.get(text.strip().lower(), "")


def species_by_capitals(text: str) -> Species | None:
    """The species meant where a table writes symbols in one case ('FE2O3', 'cu').

    'CO', 'NO' and 'HF' stay unclear: they are compounds of their own.
    """
    letters = text.upper()
    if letters in {"CO", "NO", "HF"}:
        return None
    found: list[Species] = []
    for symbol in sorted(ELEMENTS, key=lambda s: (-len(s), s)):
        if letters == symbol.upper():
            return Species(symbol, symbol, 1.0)
        if letters.startswith(symbol.upper()):
            rest = letters[len(symbol) :]
            oxide = re.fullmatch(r"(\d?)O(\d?)(T?)", rest)
            if oxide:
                species = parse_species(f"{symbol}{oxide[1]}O{oxide[2]}{oxide[3]}")
                if species is not None:
                    found.append(species)
    return found[0] if len(found) == 1 else None

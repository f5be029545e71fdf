"""Numbers for readers: digits from the uncertainty, units, intervals, counts.

Digits follow one rule: an interval is shown to one significant digit of its half width,
to two where the first digit is 1 or 2; the value gets the same number of decimals, and
never fewer than two nor more than five significant digits.
"""

from __future__ import annotations

import math

from reconcile.reporting import words
from reconcile.reporting.manner import marked
from reconcile.statistics.result import Estimate

#: Shown where there is no number.
NONE = "–"
_ABSURD = 1e15
_MOST_DECIMALS = 24
_NOTHING = 1e-300  # below it arithmetic loses digits
_SPACE = "\N{NO-BREAK SPACE}"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_UNITS = {"%": f"mass{_SPACE}%", "ug/kg": "µg/kg", "1": "", "": ""}


def unit_name(unit: str) -> str:
    """The unit as printed: ``%`` of mass is told apart from a percentage of a value."""
    return _UNITS.get(unit, unit)


def _power(value: float) -> str:
    """Three digits and a power of ten, such as "1.20 × 10¹⁶"."""
    digits, _, power = f"{value:.2e}".partition("e")
    raised = str(int(power)).translate(_RAISED)
    return f"{digits}{_SPACE}×{_SPACE}10{raised}"


def _leading(value: float) -> int:
    """Power of ten of the first significant digit."""
    return math.floor(math.log10(abs(value)))


def decimals_for(value: float, half_width: float = math.nan, others: tuple[float, ...] = ()) -> int:
    """Decimals to show for ``value`` (negative: round to tens, hundreds, …).

    ``half_width`` is half the interval, or the standard error; NaN or zero where there is
    none: then three significant digits. ``others`` are the ends of the interval, shown with
    the same decimals.
    """
    if not others and half_width != half_width:  # a number by itself, as most are
        size = abs(value)
        top = _leading(size) if _NOTHING < size < math.inf else 2
        return max(1 - top, min(2 - top, 9))
    sizes = [abs(v) for v in (value, *others) if math.isfinite(v) and abs(v) > _NOTHING]
    if not sizes:
        return 0
    top = _leading(max(sizes))
    if math.isfinite(half_width) and half_width > _NOTHING:
        power = _leading(half_width)
        # 0.96 would round up to one digit more than it has
        first = half_width / 10.0**power
        wanted = -power + (1 if first < 2.95 else 0)
    else:
        wanted = 2 - top
    return max(1 - top, min(wanted, 4 - top, 9))


def plain(value: float, decimals: int) -> str:
    """``value`` with fixed ``decimals``, thousands parted from five figures on, never 1e-05.

    Only what no mass fraction can be (1e15 and above, or with more than 24 decimals) is
    given as a power of ten.
    """
    return marked(_pointed(value, decimals))


def _pointed(value: float, decimals: int) -> str:
    """``plain`` with a point, whatever the reader's decimal mark."""
    if math.isnan(value):
        return NONE
    if math.isinf(value):
        return "-∞" if value < 0 else "∞"
    if abs(value) >= _ABSURD or (value and decimals > _MOST_DECIMALS):
        return _power(value)
    rounded = round(value, decimals)
    text = f"{abs(rounded):.{max(decimals, 0)}f}"
    whole, _, rest = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", _SPACE)
    sign = "-" if rounded < 0 else ""
    return f"{sign}{whole}{'.' + rest if rest else ''}"


def show(value: float, unit: str = "", half_width: float = math.nan) -> str:
    """``value`` with its unit, digits from ``half_width`` (see ``decimals_for``)."""
    text = plain(value, decimals_for(value, half_width) if math.isfinite(value) else 0)
    name = unit_name(unit)
    return f"{text}{_SPACE}{name}" if name and text != NONE else text


def half_width(low: float, high: float) -> float:
    """Half the width of an interval; NaN where an end is missing or infinite."""
    width = (high - low) / 2
    return width if math.isfinite(width) else math.nan


def estimate_parts(
    value: float,
    low: float,
    high: float,
    factor: float = 1.0,
    signed: bool = False,
    most_decimals: int | None = None,
    positive: bool = False,
) -> tuple[str, str, str]:
    """The value and both ends of its interval in the same decimals, without units.

    Where there is no interval, both ends are ``NONE``.

    All are multiplied by ``factor``; ``signed`` puts a plus before positive numbers;
    ``most_decimals`` bounds the decimals; on a ``positive`` scale (ratios) no number is
    rounded to fewer than two significant digits, as nothing on it is zero.
    """
    value, low, high = value * factor, low * factor, high * factor
    ends = tuple(v for v in (low, high) if math.isfinite(v))
    decimals = decimals_for(value, half_width(low, high), ends)
    if most_decimals is not None:
        decimals = min(decimals, most_decimals)

    def one(number: float) -> str:
        places = decimals
        if positive and math.isfinite(number) and number > 0:
            places = max(decimals, 1 - _leading(number))
        text = _pointed(number, places)
        text, nothing = marked(text), not text.strip("0.")
        return f"+{text}" if signed and number > 0 and not nothing else text

    if not ends:
        return one(value), NONE, NONE
    return one(value), one(low), one(high)


def interval_text(low: str, high: str) -> str:
    """ "low to high", or a dash where there is no interval."""
    return NONE if low == high == NONE else words.TO.format(low=low, high=high)


def estimate_texts(
    value: float, low: float, high: float, factor: float = 1.0, signed: bool = False
) -> tuple[str, str]:
    """The value and its interval "low to high" (see ``estimate_parts``)."""
    shown, *ends = estimate_parts(value, low, high, factor, signed)
    return shown, interval_text(*ends)


def of_estimate(estimate: Estimate, factor: float = 1.0, signed: bool = False) -> tuple[str, str]:
    """``estimate_texts`` of an Estimate."""
    return estimate_texts(estimate.value, estimate.low, estimate.high, factor, signed)


def interval_of_numbers(low: float, high: float, unit: str = "") -> str:
    """A range such as "12 to 830 mg/kg": both ends to three significant digits."""
    if not (math.isfinite(low) or math.isfinite(high)):
        return NONE
    name = unit_name(unit)
    text = words.TO.format(low=plain_sig(low), high=plain_sig(high))
    return f"{text}{_SPACE}{name}" if name else text


def plain_sig(value: float, digits: int = 3) -> str:
    """``value`` to ``digits`` significant digits, without trailing zeros after the point."""
    if not math.isfinite(value):
        return plain(value, 0)
    if value == 0:
        return "0"
    text = _pointed(value, digits - 1 - _leading(value))
    if "." in text and "×" not in text:
        text = text.rstrip("0").rstrip(".")
    return marked(text)


def exact(value: float, unit: str = "", digits: int = 6) -> str:
    """A stated value such as a decision level, as it was stated."""
    name = unit_name(unit)
    return f"{plain_sig(value, digits)}{_SPACE}{name}" if name else plain_sig(value, digits)


def percent(fraction: float, digits: int = 3) -> str:
    """A setting such as 0.1 as "10 %"."""
    return f"{plain_sig(fraction * 100, digits)}{_SPACE}%"


def p_text(p: float) -> str:
    """A p value: three decimals, "< 0.001" below."""
    if not math.isfinite(p):
        return NONE
    return marked("< 0.001") if p < 0.001 else marked(f"{p:.3f}")


def count(number: int, one: str, many: str = "") -> str:
    """ "1 sample", "41 samples", "no samples"."""
    word = one if number == 1 else (many or f"{one}s")
    figure = words.NO if number == 0 else plain(float(number), 0)
    return f"{figure} {word}"

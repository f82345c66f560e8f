"""How probable it is that a measured property conforms (JCGM 106:2012)."""

import math


def conformance_probability(
    value: float, standard_uncertainty: float, low: float | None = None, high: float | None = None
) -> float:
    """The probability that the true value lies in `[low, high]`, for a normal distribution (JCGM 106:2012,
    7.2-7.4).

    Either bound may be None or infinite. With an uncertainty of zero it is 1 or 0. NaN for a value or an
    uncertainty that is NaN. Raises `ValueError` for a negative uncertainty or low above high.
    """
    lower = -math.inf if low is None else float(low)
    upper = math.inf if high is None else float(high)
    if standard_uncertainty < 0:
        raise ValueError(f"a standard uncertainty cannot be negative: {standard_uncertainty}")
    if lower > upper:
        raise ValueError(f"the low limit {low} is above the high limit {high}")
    if any(math.isnan(number) for number in (value, standard_uncertainty, lower, upper)):
        return math.nan
    if standard_uncertainty == 0 or math.isinf(value):
        return 1.0 if lower <= value <= upper else 0.0
    if math.isinf(standard_uncertainty):
        return math.nan
    below = _upper_tail((value - lower) / standard_uncertainty)
    above = _upper_tail((upper - value) / standard_uncertainty)
    inside = 1.0 - below - above
    if inside > 0.1:
        return inside
    # far outside both tails are near 1 and 0, and the difference of the two cumulative values keeps its
    # digits
    if value > upper:
        return _upper_tail((value - upper) / standard_uncertainty) - below
    if value < lower:
        return _upper_tail((lower - value) / standard_uncertainty) - above
    return 0.5 * (
        math.erf((value - lower) / standard_uncertainty / math.sqrt(2))
        + math.erf((upper - value) / standard_uncertainty / math.sqrt(2))
    )


def _upper_tail(z: float) -> float:
    """P(Z > z) of the standard normal distribution, accurate far out."""
    return 0.5 * math.erfc(z / math.sqrt(2))

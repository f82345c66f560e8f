"""Uncertainty budgets after JCGM 100:2008: combined and expanded uncertainty, effective degrees of
freedom."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

DEFAULT_PROBABILITY = 0.9545  # of a normal distribution within k = 2


@dataclass(frozen=True, slots=True)
class Input:
    """One input quantity: its estimate, standard uncertainty, sensitivity coefficient and degrees of freedom.

    `degrees_of_freedom` infinite: known surely, as most type B evaluations are taken to be (JCGM 100, G.4.3).
    """

    value: float
    standard_uncertainty: float
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    name: str = ""

    @property
    def contribution(self) -> float:
        """u_i(y) = |c_i| u(x_i), JCGM 100, 5.1.3."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """Inputs -> value, combined and expanded uncertainty, effective degrees of freedom.

    `inputs`: `Input`s, or tuples or mappings in the order and with the names of its fields. `correlations`:
    estimated correlation coefficients by pairs of input indices. `estimate`: the value of the measurand;
    None: the sum of sensitivity times value, right for a linear model. `second_order`: variance from terms of
    higher order (see `of_model`). `probability`: level of confidence of the expanded uncertainty.
    Raises `ValueError` for numbers that make no budget.
    """

    inputs: Sequence[Input]
    correlations: Mapping[tuple[int, int], float] = field(default_factory=dict)
    estimate: float | None = None
    probability: float = DEFAULT_PROBABILITY
    second_order: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "inputs", tuple(_input(given) for given in self.inputs))
        if not self.inputs:
            raise ValueError("a budget needs at least one input")
        if not 0 < self.probability < 1:
            raise ValueError(f"the level of confidence must lie between 0 and 1: {self.probability}")
        for pair, r in self.correlations.items():
            if len(pair) != 2 or pair[0] == pair[1] or not all(0 <= i < len(self.inputs) for i in pair):
                raise ValueError(f"{pair} is no pair of inputs")
            if not -1 <= r <= 1:
                raise ValueError(f"the correlation of inputs {pair} is not between -1 and 1: {r}")

    @property
    def value(self) -> float:
        """The estimate of the measurand."""
        if self.estimate is not None:
            return self.estimate
        return math.fsum(given.sensitivity * given.value for given in self.inputs)

    @property
    def combined_uncertainty(self) -> float:
        """u_c(y), the law of propagation of uncertainty (JCGM 100, 5.1.2; with correlations 5.2.2)."""
        # in parts of the largest contribution, so that squares of very small or large ones do not vanish
        scale = max(*(given.contribution for given in self.inputs), math.sqrt(abs(self.second_order)), 0.0)
        if scale == 0:
            return 0.0
        signed = [given.sensitivity * (given.standard_uncertainty / scale) for given in self.inputs]
        terms = [part * part for part in signed]
        terms += [2 * r * signed[i] * signed[j] for (i, j), r in self._pairs().items()]
        variance = math.fsum([*terms, self.second_order / scale / scale])
        return scale * math.sqrt(max(0.0, variance))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """By Welch-Satterthwaite (JCGM 100, G.4.1, G.2b); infinite where every input's are, or u_c is zero.

        The formula holds for independent inputs; with correlations among inputs of finite degrees of freedom
        it is an approximation.
        """
        combined = self.combined_uncertainty
        below = math.fsum(
            (given.contribution / combined) ** 4 / given.degrees_of_freedom
            for given in self.inputs
            if combined > 0 and math.isfinite(given.degrees_of_freedom)
        )
        return 1.0 / below if below > 0 else math.inf

    @property
    def coverage_factor(self) -> float:
        """k at this budget's level of confidence."""
        return coverage_factor(self.effective_degrees_of_freedom, self.probability)

    @property
    def expanded_uncertainty(self) -> float:
        """U = k u_c(y) (JCGM 100, 6.2.1)."""
        return self.coverage_factor * self.combined_uncertainty

    def expanded(self, probability: float) -> float:
        """U at another level of confidence."""
        return replace(self, probability=probability).expanded_uncertainty

    def rows(self) -> list[tuple[str, float, float, float, float, float]]:
        """For a report: name, value, u, sensitivity, contribution, share of the variance of independent
        inputs."""
        total = math.fsum(given.contribution**2 for given in self.inputs)
        return [
            (
                given.name or f"input {index}",
                given.value,
                given.standard_uncertainty,
                given.sensitivity,
                given.contribution,
                given.contribution**2 / total if total else 0.0,
            )
            for index, given in enumerate(self.inputs, 1)
        ]

    def _pairs(self) -> dict[tuple[int, int], float]:
        """Each pair once, whichever way round it was given."""
        return {(min(pair), max(pair)): r for pair, r in self.correlations.items()}

    @classmethod
    def of_model(
        cls,
        model: Callable[..., float],
        inputs: Iterable["Input | Sequence[float] | Mapping[str, float]"],
        correlations: Mapping[tuple[int, int], float] | None = None,
        probability: float = DEFAULT_PROBABILITY,
        higher_order: bool = False,
    ) -> "Budget":
        """The budget of `y = model(x1, x2, ...)`: sensitivities by central differences over one standard
        uncertainty.

        (JCGM 100, 5.1.3 note 2.) `higher_order` adds the terms of the note to 5.1.2, for models that are bent
        over the width of an uncertainty (as in H.1.7).
        """
        given = [_input(each) for each in inputs]
        at = [each.value for each in given]
        steps = [each.standard_uncertainty or max(abs(each.value), 1.0) * 1e-6 for each in given]

        def slope(point: list[float], i: int) -> float:
            # Richardson's extrapolation of two central differences: exact up to the fourth power
            h = steps[i]
            wide = (model(*_moved(point, i, h)) - model(*_moved(point, i, -h))) / (2 * h)
            close = (model(*_moved(point, i, h / 2)) - model(*_moved(point, i, -h / 2))) / h
            return float((4 * close - wide) / 3)

        slopes = [slope(at, i) for i in range(len(given))]
        extra = 0.0
        if higher_order:
            for i, a in enumerate(given):
                for j, b in enumerate(given):
                    if not a.standard_uncertainty or not b.standard_uncertainty:
                        continue
                    up, down = slope(_moved(at, j, steps[j]), i), slope(_moved(at, j, -steps[j]), i)
                    second = (up - down) / (2 * steps[j])
                    third = (up - 2 * slopes[i] + down) / steps[j] ** 2
                    variances = a.standard_uncertainty**2 * b.standard_uncertainty**2
                    extra += (0.5 * second**2 + slopes[i] * third) * variances
        return cls(
            [replace(each, sensitivity=c) for each, c in zip(given, slopes, strict=True)],
            dict(correlations or {}),
            float(model(*at)),
            probability,
            extra,
        )


def coverage_factor(degrees_of_freedom: float, probability: float = DEFAULT_PROBABILITY) -> float:
    """k = t_p(nu) of the t distribution, two-sided, nu cut to the next lower whole number (JCGM 100, G.4.1,
    G.6.4)."""
    from scipy.special import ndtri, stdtrit

    if math.isnan(degrees_of_freedom) or degrees_of_freedom <= 0:
        raise ValueError(f"degrees of freedom must be positive: {degrees_of_freedom}")
    upper = 0.5 + probability / 2
    if math.isinf(degrees_of_freedom):
        # the trade writes k = 2 for 95.45 %, whose quantile is 2.00002
        return 2.0 if probability == DEFAULT_PROBABILITY else float(ndtri(upper))
    # to a tenth first, as the examples quote it: 18.999 in G.4.1 is 19.0, and must not be cut to 18
    whole = max(1.0, math.floor(round(degrees_of_freedom, 1)))
    return float(stdtrit(whole, upper))


def type_a(readings: Sequence[float]) -> Input:
    """The mean of independent readings as an input: u = s / sqrt(n), n - 1 degrees of freedom (JCGM 100,
    4.2)."""
    count = len(readings)
    if count < 2:
        raise ValueError("a type A evaluation needs at least two readings")
    mean = math.fsum(readings) / count
    variance = math.fsum((reading - mean) ** 2 for reading in readings) / (count - 1)
    return Input(mean, math.sqrt(variance / count), 1.0, count - 1.0)


_DIVISORS = {"normal": 1.0, "rectangular": math.sqrt(3), "triangular": math.sqrt(6), "arcsine": math.sqrt(2)}


def type_b(half_width: float, shape: str = "rectangular") -> float:
    """Standard uncertainty of a distribution of that half-width (JCGM 100, 4.3.7, 4.3.9; arcsine H.1.3.4)."""
    if shape not in _DIVISORS:
        raise ValueError(f"{shape!r} is no distribution; there are {', '.join(_DIVISORS)}")
    if not half_width >= 0:
        raise ValueError(f"a half-width cannot be negative: {half_width}")
    return half_width / _DIVISORS[shape]


def _moved(point: list[float], index: int, by: float) -> list[float]:
    moved = list(point)
    moved[index] += by
    return moved


def _input(given: "Input | Sequence[float] | Mapping[str, float]") -> Input:
    if isinstance(given, Input):
        made = given
    elif isinstance(given, Mapping):
        made = Input(**given)  # type: ignore[arg-type]
    else:
        made = Input(*given)  # type: ignore[arg-type]
    if not all(math.isfinite(number) for number in (made.value, made.sensitivity)):
        raise ValueError(f"value and sensitivity must be finite: {made}")
    if not (math.isfinite(made.standard_uncertainty) and made.standard_uncertainty >= 0):
        raise ValueError(f"a standard uncertainty must be finite and not negative: {made}")
    if math.isnan(made.degrees_of_freedom) or made.degrees_of_freedom <= 0:
        raise ValueError(f"degrees of freedom must be positive: {made}")
    return made

"""The small arithmetic of procedures: `101 % * pairing.battery.charge_voltage_limit`, `min(load, 2 kW) + 0.1 kW`.

Owns the text, its bounds and its dimensions: numbers with units, names, + - * /, parentheses, min() and max().
There are no powers, no comparisons, no text and no calls beyond those two; nothing is ever executed. Length, number of
terms and depth are bounded before any work is done, so that a hostile text costs no time.
"""

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

LONGEST = 400  # characters; the longest sensible limit is about a hundred
DEEPEST = 24  # nested brackets and calls
LARGEST = 1e30  # any unit; nothing on a bench comes near it

Dimension = tuple[int, int, int, int, int, int]  # exponents of V, A, s, K, m, rad
NONE: Dimension = (0, 0, 0, 0, 0, 0)

_DIMENSIONS: dict[str, Dimension] = {
    "1": NONE,
    "V": (1, 0, 0, 0, 0, 0),
    "A": (0, 1, 0, 0, 0, 0),
    # Active, apparent and reactive power share a dimension: a rating in VA bounds a load in W.
    "W": (1, 1, 0, 0, 0, 0),
    "VA": (1, 1, 0, 0, 0, 0),
    "var": (1, 1, 0, 0, 0, 0),
    "Hz": (0, 0, -1, 0, 0, 0),
    "s": (0, 0, 1, 0, 0, 0),
    "J": (1, 1, 1, 0, 0, 0),
    "K": (0, 0, 0, 1, 0, 0),
    "m": (0, 0, 0, 0, 1, 0),
    "rad": (0, 0, 0, 0, 0, 1),
    "W/m^2": (1, 1, 0, 0, -2, 0),
    "Hz/s": (0, 0, -2, 0, 0, 0),
    "ohm": (1, -1, 0, 0, 0, 0),
    "C": (0, 1, 1, 0, 0, 0),
    "V/s": (1, 0, -1, 0, 0, 0),
    "A/s": (0, 1, -1, 0, 0, 0),
    "W/s": (1, 1, -1, 0, 0, 0),
    "VA/s": (1, 1, -1, 0, 0, 0),
    "var/s": (1, 1, -1, 0, 0, 0),
    "K/s": (0, 0, -1, 1, 0, 0),
    "V/K": (1, 0, 0, -1, 0, 0),
    "V s": (1, 0, 1, 0, 0, 0),
    "1/s": (0, 0, -1, 0, 0, 0),
    "m^2": (0, 0, 0, 0, 2, 0),
    "F": (-1, 1, 1, 0, 0, 0),
    "H": (1, -1, 1, 0, 0, 0),
}
_SYMBOLS = ("V", "A", "s", "K", "m", "rad")


class ArithmeticFault(ValueError):  # noqa: N818 - a fault in a text, not in the program
    """What is wrong with a text and how to mend it; the caller adds file, line and key."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(f"{what}; {mend}")


@dataclass(frozen=True, slots=True)
class Value:
    """A number in SI with its dimension; `dimension` None: not known yet (a bench value while only reading a file).

    A number that is not known yet is NaN. `bare`: a plain number or percentage without any unit in it.
    """

    number: float
    dimension: Dimension | None
    bare: Literal["", "number", "percentage"] = ""


class Literal_(NamedTuple):  # noqa: N801 - `Literal` is taken by typing
    """A number with its unit as written."""

    text: str
    value: Value


class Name(NamedTuple):
    """A parameter, loop variable, `pairing.*` or `bench.*`."""

    text: str


class Negative(NamedTuple):
    """A minus before a term."""

    of: "Node"


class Binary(NamedTuple):
    """Two terms joined by + - * /."""

    sign: str
    left: "Node"
    right: "Node"


class Call(NamedTuple):
    """min(...) or max(...)."""

    name: str
    terms: tuple["Node", ...]


Node = Literal_ | Name | Negative | Binary | Call
Lookup = Callable[[str], Value]


def dimension_of(unit: str) -> Dimension:
    """The dimension of one of the program's unit strings. Raises `KeyError` for another."""
    return _DIMENSIONS[unit]


def unit_text(dimension: Dimension | None) -> str:
    """A unit string for a dimension: "W", "V*s^-2", "1"."""
    if dimension is None:
        return "unknown"
    for unit, known in _DIMENSIONS.items():
        if known == dimension:
            return unit
    return "*".join(
        symbol if power == 1 else f"{symbol}^{power}"
        for symbol, power in zip(_SYMBOLS, dimension, strict=True)
        if power
    )


_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"(?:[ \t]*(?P<unit>%|(?:°?[A-Za-zµμΩ]+)(?:/(?:m\^2|m²|s|h)(?![\w.(]))?))?"
    r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*)"
    r"|(?P<sign>[-+*/(),]))"
)


class _Token(NamedTuple):
    kind: Literal["number", "name", "sign", "end"]
    text: str
    number: str
    unit: str
    at: int


def _tokens(text: str) -> list[_Token]:
    found: list[_Token] = []
    position, end = 0, len(text.rstrip())
    while position < end:
        match = _TOKEN.match(text, position)
        if match is None:
            at = position + len(text[position:]) - len(text[position:].lstrip())
            character = text[at]
            if character == "^":
                raise ArithmeticFault("uses a power (^)", "there are no powers; write the product out")
            raise ArithmeticFault(
                f"holds {character!r} at character {at + 1}",
                "use numbers with units, names, + - * / ( ), min() and max() only",
            )
        if match["number"] is not None:
            found.append(
                _Token(
                    "number",
                    match.group(0).strip(),
                    match["number"],
                    match["unit"] or "",
                    match.start("number"),
                )
            )
        elif match["name"] is not None:
            found.append(_Token("name", match["name"], "", "", match.start("name")))
        else:
            found.append(_Token("sign", match["sign"], "", "", match.start("sign")))
        position = match.end()
    found.append(_Token("end", "", "", "", end))
    return found


class _Parser:
    """Precedence climbing over the tokens; `depth` counts what is open, so recursion is bounded."""

    def __init__(self, text: str) -> None:
        self.tokens = _tokens(text)
        self.position = 0
        self.depth = 0

    @property
    def now(self) -> _Token:
        return self.tokens[self.position]

    def take(self) -> _Token:
        token = self.now
        self.position += 1
        return token

    def whole(self) -> Node:
        node = self.sum()
        if self.now.kind != "end":
            self.unexpected()
        return node

    def unexpected(self) -> None:
        token = self.now
        if token.kind == "end":
            raise ArithmeticFault("ends too early", "complete it or remove the last sign")
        if token.text == "(":
            raise ArithmeticFault(
                f"has a call at character {token.at + 1}", "only min() and max() can be called"
            )
        if token.text == "*":
            raise ArithmeticFault("uses a power (**)", "there are no powers; write the product out")
        raise ArithmeticFault(
            f"has {token.text!r} at character {token.at + 1} where a sign such as * or + was expected",
            "join terms by + - * /",
        )

    def sum(self) -> Node:
        node = self.product()
        while self.now.text in ("+", "-") and self.now.kind == "sign":
            sign = self.take().text
            node = Binary(sign, node, self.product())
        return node

    def product(self) -> Node:
        node = self.term()
        while self.now.text in ("*", "/") and self.now.kind == "sign":
            sign = self.take().text
            if self.now.text == "*":
                self.unexpected()
            node = Binary(sign, node, self.term())
        return node

    def term(self) -> Node:
        self.depth += 1
        if self.depth > DEEPEST:
            raise ArithmeticFault(
                f"is nested more than {DEEPEST} deep", "simplify it, or name parts of it under [values]"
            )
        try:
            return self.one()
        finally:
            self.depth -= 1

    def one(self) -> Node:
        token = self.take()
        if token.kind == "number":
            return _literal(token, "")
        if token.kind == "name":
            if self.now.text == "(":
                return self.call(token)
            return Name(token.text)
        if token.text == "-":
            # The sign belongs to the number: -10 degC is 263 K, not minus 283 K.
            if self.now.kind == "number":
                return _literal(self.take(), "-")
            return Negative(self.term())
        if token.text == "+":
            return self.term()
        if token.text == "(":
            node = self.sum()
            self.close()
            return node
        self.position -= 1
        if token.kind == "sign" and token.text != "*":
            raise ArithmeticFault(
                f"has {token.text!r} at character {token.at + 1} where a value was expected",
                "complete it or remove the sign",
            )
        self.unexpected()
        raise AssertionError("unreachable")

    def call(self, token: _Token) -> Node:
        if token.text not in ("min", "max"):
            raise ArithmeticFault(f"calls {token.text!r}", "only min() and max() can be called")
        self.take()
        terms = [self.sum()]
        while self.now.text == ",":
            self.take()
            terms.append(self.sum())
        self.close()
        return Call(token.text, tuple(terms))

    def close(self) -> None:
        if self.now.text != ")":
            if self.now.kind == "end":
                raise ArithmeticFault("has a bracket that is not closed", "add )")
            self.unexpected()
        self.take()


def _literal(token: _Token, sign: str) -> Literal_:
    from benchrunner import units

    text = f"{sign}{token.number} {token.unit}".strip()
    if not token.unit:
        return Literal_(text, Value(_bounded(float(sign + token.number)), NONE, "number"))
    try:
        quantity = units.parse(text)
        dimension = dimension_of(quantity.unit)
    except units.UnitError as error:
        raise ArithmeticFault(error.what, error.mend) from error
    except KeyError as error:
        raise ArithmeticFault(
            f"uses the unit {token.unit!r}", "no channel has such a unit; use V, A, W, Hz, s, K, ohm, Ah, ..."
        ) from error
    return Literal_(
        text, Value(_bounded(quantity.value), dimension, "percentage" if token.unit == "%" else "")
    )


def parse(text: str) -> Node:
    """The text as a tree. Raises `ArithmeticFault`."""
    if len(text) > LONGEST:
        raise ArithmeticFault(
            f"is {len(text):,} characters long",
            f"at most {LONGEST} are read; name parts of it under [values]",
        )
    if not text.strip():
        raise ArithmeticFault("is empty", "give a value with its unit, such as '2.4 kW'")
    return _Parser(text).whole()


def names(node: Node) -> Iterator[str]:
    """Every name in the tree, in order, repeats included."""
    match node:
        case Name(text):
            yield text
        case Negative(of):
            yield from names(of)
        case Binary(_, left, right):
            yield from names(left)
            yield from names(right)
        case Call(_, terms):
            for term in terms:
                yield from names(term)


def evaluate(node: Node, lookup: Lookup) -> Value:
    """The value of the tree. `lookup` gives the value of a name or raises `ArithmeticFault`."""
    match node:
        case Literal_(_, value):
            return value
        case Name(text):
            return lookup(text)
        case Negative(of):
            inner = evaluate(of, lookup)
            return Value(-inner.number, inner.dimension, inner.bare)
        case Binary(sign, left, right):
            return _join(sign, evaluate(left, lookup), evaluate(right, lookup))
        case Call(name, terms):
            return _least(name, [evaluate(term, lookup) for term in terms])


def _join(sign: str, left: Value, right: Value) -> Value:
    bare: Literal["", "number", "percentage"] = ""
    if left.bare and right.bare:
        bare = "percentage" if "percentage" in (left.bare, right.bare) else "number"
    if sign in "+-":
        dimension = _same(left, right, "added" if sign == "+" else "subtracted")
        number = left.number + right.number if sign == "+" else left.number - right.number
        return Value(_bounded(number), dimension, bare)
    if sign == "/" and right.number == 0:
        raise ArithmeticFault("divides by zero", "check the divisor")
    number = left.number * right.number if sign == "*" else left.number / right.number
    if left.dimension is None or right.dimension is None:
        return Value(_bounded(number), None)
    turn = 1 if sign == "*" else -1
    a, b = left.dimension, right.dimension
    product = (
        a[0] + turn * b[0], a[1] + turn * b[1], a[2] + turn * b[2],
        a[3] + turn * b[3], a[4] + turn * b[4], a[5] + turn * b[5],
    )  # fmt: skip
    return Value(_bounded(number), product, bare)


def _least(name: str, terms: list[Value]) -> Value:
    dimension = terms[0].dimension
    for other in terms[1:]:
        dimension = _same(Value(0.0, dimension), other, "compared")
    numbers = [term.number for term in terms]
    if any(math.isnan(number) for number in numbers):
        return Value(math.nan, dimension)
    return Value(min(numbers) if name == "min" else max(numbers), dimension)


def _same(left: Value, right: Value, verb: str) -> Dimension | None:
    if left.dimension is None or right.dimension is None:
        return left.dimension or right.dimension
    if left.dimension == right.dimension:
        return left.dimension
    if "percentage" in (left.bare, right.bare):
        raise ArithmeticFault(
            f"a percentage and a value in {unit_text(right.dimension if left.bare else left.dimension)} cannot be {verb}",
            "a percentage is a factor: write 110 % * x",
        )
    raise ArithmeticFault(
        f"{unit_text(left.dimension)} and {unit_text(right.dimension)} cannot be {verb}",
        "make both sides the same quantity",
    )


def _bounded(number: float) -> float:
    """NaN stands for 'not known yet' and passes; an overflow does not."""
    if math.isinf(number) or abs(number) > LARGEST:
        raise ArithmeticFault("comes to a number beyond 1e30", "check the digits and the unit")
    return number

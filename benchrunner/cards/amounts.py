"""Quantities as the fields of a card: text with a unit in the file, a bounded SI float in the model."""

import dataclasses
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from benchrunner.cards.quantities import si
from benchrunner.cards.reading import Mended

WEEK = 604_800.0  # s; no setting of an inverter or a battery waits longer


@dataclasses.dataclass(frozen=True)
class Amount:
    """Marks a field as a quantity: read from text with its unit, held as a float in `unit`."""

    unit: str
    example: str
    least: float | None = None  # None: more than 0
    most: float = 1e9  # far beyond any pairing: what lies above is a slip

    def read(self, value: Any) -> float:
        """The value in SI. Raises `Mended`."""
        number = si(value, self.unit)
        if self.least is not None and number < self.least:
            raise Mended(f"is {value!r}, which is too small", f"give at least {self.least:g} {self.unit}")
        if self.least is None and number <= 0.0:
            raise Mended(f"is {value!r}, which is too small", f"give more than 0 {self.unit}")
        if number > self.most:
            raise Mended(f"is {value!r}, which is too large", f"give at most {self.most:g} {self.unit}")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"type": ["string", "number"] if self.unit == "1" else "string", "examples": [self.example]}


Volts = Annotated[float, Amount("V", "56 V")]
VoltsOrNone = Annotated[float, Amount("V", "10 mV", 0.0)]
Amperes = Annotated[float, Amount("A", "60 A")]
AmperesOrNone = Annotated[float, Amount("A", "0 A", 0.0)]
Watts = Annotated[float, Amount("W", "6 kW")]
WattsOrNone = Annotated[float, Amount("W", "35 W", 0.0)]
VoltAmperes = Annotated[float, Amount("VA", "5 kVA")]
Hertz = Annotated[float, Amount("Hz", "50.7 Hz")]
HertzPerSecond = Annotated[float, Amount("Hz/s", "3 Hz/s")]
PerSecond = Annotated[float, Amount("1/s", "2 1/s")]
Time = Annotated[float, Amount("s", "60 s", most=WEEK)]
TimeOrNone = Annotated[float, Amount("s", "0 s", 0.0, WEEK)]
Charge = Annotated[float, Amount("C", "200 Ah")]
Ohms = Annotated[float, Amount("ohm", "12 mohm")]
OhmsOrNone = Annotated[float, Amount("ohm", "0 ohm", 0.0)]
Farads = Annotated[float, Amount("F", "20 mF")]
Joules = Annotated[float, Amount("J", "60 kJ")]
Kelvins = Annotated[float, Amount("K", "25 degC")]
KelvinsOrNone = Annotated[float, Amount("K", "2400 K", 0.0)]
Ratio = Annotated[float, Amount("1", "99 %", 0.0, 1000.0)]
Share = Annotated[float, Amount("1", "99 %", 0.0, 1.0)]
VoltsPerKelvin = Annotated[float, Amount("V/K", "4 mV/K", 0.0, 0.02)]


def units_of(part: type[BaseModel]) -> dict[str, str]:
    """Key -> SI unit of each quantity of a part (single ones, not windows)."""
    found: dict[str, str] = {}
    for name, info in part.model_fields.items():
        marks = list(info.metadata)
        for alternative in get_args(info.annotation):  # `Volts | None` keeps its mark on the inside
            marks += getattr(alternative, "__metadata__", ())
        if get_origin(info.annotation) is not tuple:
            for mark in marks:
                if isinstance(mark, Amount):
                    found[name] = mark.unit
    return found

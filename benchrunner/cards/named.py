"""Parts of a pairing card as it was written, each under one name, wherever they stand in the card.

For whoever reads the card of a record, which may be of another version of the program: nothing here needs it to be valid.
"""

from collections.abc import Iterator, Mapping
from typing import Any

FURTHER = {
    "inverter": "pv_inverter",
    "array": "array",
}  # keys of one further PV inverter, as the first has them
MOST_FURTHER = 8  # a record is somebody else's file


def parts(card: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Name and table of each part: `battery_inverter`, `pv_inverter`; those of further PV inverters by number
    (`pv_inverter_2`, `array_2`), those of an array on the battery side as `dc_pv_charger`, `dc_pv_array`."""
    for name, value in card.items():
        if name == "further_pv" and isinstance(value, list):
            for number, more in enumerate(value[:MOST_FURTHER], 2):
                for key, table in _tables(more):
                    yield f"{FURTHER.get(key, key)}_{number}", table
        elif name == "dc_pv":
            for key, table in _tables(value):
                yield f"dc_pv_{key}", table
        elif isinstance(value, Mapping):
            yield name, value


def alike(name: str) -> tuple[str, ...]:
    """The names of all parts of this kind: `pv_inverter`, `pv_inverter_2` ... for `pv_inverter`."""
    return (name, *(f"{name}_{number}" for number in range(2, 2 + MOST_FURTHER)))


def _tables(value: object) -> Iterator[tuple[str, Mapping[str, Any]]]:
    if isinstance(value, Mapping):
        yield from ((str(key), table) for key, table in value.items() if isinstance(table, Mapping))

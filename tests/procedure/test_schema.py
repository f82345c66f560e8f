"""The JSON Schema is the model's: up to date, accepts what the reader accepts, rejects what it rejects in form."""

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from small_procedure import SMALL, bent, problems

from benchrunner.data import folder
from benchrunner.procedure.schema import NAME, procedure_schema, procedure_schema_text

SCHEMA = procedure_schema()
VALIDATOR = jsonschema.Draft4Validator(SCHEMA)
SHIPPED = sorted(folder("procedures").glob("*.toml"))


def test_the_exported_file_is_up_to_date() -> None:
    path = folder("resources") / "schemas" / NAME
    assert path.read_text(encoding="utf-8") == procedure_schema_text(), "run `benchrunner schema`"


def test_it_is_draft_4() -> None:
    jsonschema.Draft4Validator.check_schema(SCHEMA)
    later = {"$defs", "const", "if", "then", "prefixItems", "propertyNames", "examples", "exclusiveMinimum"}

    def keys(value: Any, names: bool = False) -> set[str]:
        if isinstance(value, list):
            return set().union(*(keys(one) for one in value)) if value else set()
        if not isinstance(value, dict):
            return set()
        found = set() if names else set(value)
        for key, inner in value.items():
            found |= keys(
                inner, names=key in ("properties", "definitions", "patternProperties") and not names
            )
        return found

    assert not keys(SCHEMA) & later


@pytest.mark.parametrize("path", [*SHIPPED, Path(__file__).parent / "example.toml"], ids=lambda p: p.stem)
def test_it_accepts_what_is_right(path: Path) -> None:
    VALIDATOR.validate(tomllib.loads(path.read_text(encoding="utf-8")))


FORM = [
    ('title = "Small"', 'titel = "Small"'),
    ('title = "Small"', 'title = " "'),
    ('title = "Small"', "title = 3"),
    ("format = 1", "format = 2"),
    ("format = 1", 'format = "1"'),
    ('basis = ["common practice"]', ""),
    ('cautions = ["None of this is real."]', "cautions = []"),
    ('load = "ac_load"', 'load = "ac_laod"'),
    ('load = "ac_load"', 'Load = "ac_load"'),
    ('load = "ac_load"', "load = []"),
    ("range = [1, 7]", "range = [1]"),
    ('says = "Repeats"', ""),
    ('says = "Repeats"', 'says = "Repeats"\nunit = "1"'),
    ('["load.power", "size"]', '["load.power"]'),
    ('["load.power", "size"]', '["loadpower", "size"]'),
    ('["load.power", "size"]', '{ set = "load.power" }'),
    ('["load.power", "size"]', '{ set = "load.power", to = "1 W", profile = "day.csv" }'),
    ('["load.power", "size"]', '{ set = "load.power", profile = "../day.csv" }'),
    ('settled = "bus.frequency"', 'settle = "bus.frequency"'),
    ('settled = "bus.frequency"', 'settled = "bus.frequency", above = "bus.voltage"'),
    ('for = "5 s" }', 'for = [5] }'),
    ('at_most = "30 s"', "at_most = true"),
    ('at_most = "30 s"', 'at_most = "30 s"\nif_not = "halt"'),
    ('high = "limit"', ""),
    ('high = "limit"', "high = true"),
    ('high = "limit"', 'high = ""'),
    ('high = "limit"', 'high = "limit"\nk = 9.0'),
    ('high = "limit"', 'high = "limit"\nrule = "strict"'),
    ('id = "peak"', 'id = "Peak!"'),
    ('over = "worst"', 'over = "mean"'),
    ('high = "53 Hz"', ""),
]  # fmt: skip


@pytest.mark.parametrize("change", FORM, ids=lambda c: c[1][:24] or f"no {c[0][:20]}")
def test_it_rejects_in_form_what_the_reader_rejects(change: tuple[str, str]) -> None:
    text = bent(change)
    assert problems(text), "the reader takes it"
    assert not VALIDATOR.is_valid(tomllib.loads(text))


def test_it_accepts_the_small_one() -> None:
    assert VALIDATOR.is_valid(tomllib.loads(SMALL))


def test_it_is_plain_json() -> None:
    assert json.loads(procedure_schema_text()) == SCHEMA

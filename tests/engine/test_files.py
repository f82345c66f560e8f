"""The schemas of all kinds of file are up to date and hold for what is shipped."""

import datetime
import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from benchrunner import data
from benchrunner.engine.files import check_any, schemas

SCHEMAS = data.folder("resources") / "schemas"
CARDS = [
    *(("pairing", path) for path in sorted((data.folder("resources") / "pairings").glob("*.toml"))),
    *(("bench", path) for path in sorted((data.folder("resources") / "benches").glob("*.toml"))),
    *(("driver", path) for path in sorted(data.folder("drivers").glob("*.toml"))),
]


def as_json(value: Any) -> Any:
    """TOML's dates as JSON writes them."""
    if isinstance(value, dict):
        return {key: as_json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [as_json(inner) for inner in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


@pytest.mark.parametrize("name", sorted(schemas()))
def test_the_exported_file_is_up_to_date(name: str) -> None:
    text = (SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")
    assert text == schemas()[name], "run `benchrunner schema --out resources/schemas --replace`"


@pytest.mark.parametrize(
    ("kind", "path"), CARDS, ids=lambda value: value.stem if isinstance(value, Path) else value
)
def test_every_shipped_card_fits_its_schema_and_its_model(kind: str, path: Path) -> None:
    card = as_json(tomllib.loads(path.read_text(encoding="utf-8")))
    schema = json.loads(schemas()[kind])
    jsonschema.validate(card, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**card, "unknown_key": 1}, schema)
    problems, found, _ = check_any(path)
    assert problems == []
    assert found == f"{kind} card"

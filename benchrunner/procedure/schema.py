"""The JSON Schema of a procedure file, for editors: exported to `resources/schemas/procedure.schema.json`.

Kept to what JSON Schema draft 4 knows, since common TOML editors read no later one. It holds the form; what needs
arithmetic, classes or measures is checked by the reader alone.
"""

import json
from typing import Any

from benchrunner.cards.classes import CLASSES
from benchrunner.procedure.model import Order, Procedure

NAME = "procedure.schema.json"


def procedure_schema() -> dict[str, Any]:
    """The schema as data (JSON Schema draft 4)."""
    schema = Procedure.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = schema.pop("$defs")
    definitions["Order"] = _order(definitions["Order"])
    classes = {"enum": sorted(CLASSES)}
    roles = schema["properties"]["roles"]["patternProperties"]
    for pattern in roles:
        roles[pattern] = {
            "anyOf": [classes, {"type": "array", "items": classes, "minItems": 1, "maxItems": 6}]
        }
    definitions["Condition"] |= _exactly_one_kind()
    for name in ("Check", "Overall", "Guard"):
        definitions[name]["anyOf"] = [{"required": ["low"]}, {"required": ["high"]}]
    whole = {
        "$schema": "http://json-schema.org/draft-04/schema#",
        "title": "A benchrunner procedure",
        **{key: value for key, value in schema.items() if key != "title"},
        "definitions": definitions,
    }
    result = _plain(whole)
    assert isinstance(result, dict)
    return result


def procedure_schema_text() -> str:
    """The exported file's text."""
    return json.dumps(procedure_schema(), indent=2, sort_keys=False, ensure_ascii=False) + "\n"


def _order(table: dict[str, Any]) -> dict[str, Any]:
    """An order is a pair or a table."""
    properties = Order.model_json_schema(by_alias=True)["properties"]
    value_or_profile = {"oneOf": [{"required": ["to"]}, {"required": ["profile"]}]}
    pair = {
        "type": "array",
        "items": [properties["set"], properties["to"]],
        "minItems": 2,
        "maxItems": 2,
        "additionalItems": False,
    }
    return {
        "description": table["description"],
        "anyOf": [pair, {k: v for k, v in table.items() if k != "description"} | value_or_profile],
    }


def _exactly_one_kind() -> dict[str, Any]:
    from benchrunner.procedure.model import KINDS

    return {"oneOf": [{"required": [kind]} for kind in KINDS]}


def _plain(value: Any) -> Any:
    """Draft 4: `definitions`, `enum` of one instead of `const`, no null defaults, no titles made from key names."""
    if isinstance(value, list):
        return [_plain(one) for one in value]
    if not isinstance(value, dict):
        return value.replace("#/$defs/", "#/definitions/") if isinstance(value, str) else value
    plain: dict[str, Any] = {}
    for key, inner in value.items():
        if key == "const":
            plain["enum"] = [inner]
        elif (key == "default" and inner is None) or key == "propertyNames":
            continue  # the patterns of the keys say the same
        elif (
            key == "title"
            and isinstance(inner, str)
            and "properties" not in value
            and "definitions" not in value
        ):
            continue
        elif key == "anyOf" and isinstance(inner, list) and {"type": "null"} in inner:
            # TOML has no null: an optional key is left out.
            kept = [_plain(one) for one in inner if one != {"type": "null"}]
            plain |= kept[0] if len(kept) == 1 else {"anyOf": kept}
        elif key == "patternProperties":
            plain[key], plain["additionalProperties"] = _plain(inner), False
        else:
            plain[key] = _plain(inner)
    return plain

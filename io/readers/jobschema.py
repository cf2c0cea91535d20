"""The keys of job.toml as schemas for pydantic's core.

Its model classes would do the same and cost three times as much to start; so would frozen dataclasses, in part.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from hubtack.io.readers.jobkeys import LISTS, NAMED, QUANTITIES, SECTIONS, IncludeKeys, TogetherKeys
from hubtack.io.units import Unreadable


def schema_of(section: type, whole: bool = True) -> Any:
    """The core schema of one section: a table with these keys and no others; not `whole`: none of them is needed."""
    fields = {}
    for f in dataclasses.fields(section):
        required = whole and f.default is dataclasses.MISSING
        schema = _schema(f.metadata["kind"], f.metadata["choices"])
        fields[f.name] = {"type": "typed-dict-field", "schema": schema, "required": required}
    return {"type": "typed-dict", "fields": fields, "extra_behavior": "forbid"}


def job_schema() -> Any:
    """The core schema of the whole of job.toml."""
    name = {"type": "str", "strict": True}
    fields: dict[str, Any] = {"format": {"type": "literal", "expected": [1]}}
    fields |= {section: schema_of(keys) for section, keys in SECTIONS.items()}
    for section, keys in NAMED.items():
        fields[section] = {"type": "dict", "keys_schema": name, "values_schema": schema_of(keys)}
    return _document(fields, LISTS)


def include_schema() -> Any:
    """The core schema of an included file: devices, which the job may complete."""
    name = {"type": "str", "strict": True}
    fields: dict[str, Any] = {
        "format": {"type": "literal", "expected": [1]},
        "include": schema_of(IncludeKeys),
    }
    for section, keys in NAMED.items():
        fields[section] = {"type": "dict", "keys_schema": name, "values_schema": schema_of(keys, whole=False)}
    return _document(fields, {"together": TogetherKeys})


def _document(fields: dict[str, Any], lists: dict[str, type]) -> Any:
    for section, keys in lists.items():
        one = {"type": "nullable", "schema": schema_of(keys)}
        fields[section] = {"type": "list", "items_schema": one, "strict": True}
    return {
        "type": "typed-dict",
        "extra_behavior": "forbid",
        "fields": {
            name: {"type": "typed-dict-field", "schema": schema, "required": name == "format"}
            for name, schema in fields.items()
        },
    }


def _schema(kind: str, choices: tuple[str, ...]) -> Any:
    text = {"type": "str", "strict": True, "min_length": 1, "max_length": 1000, "strip_whitespace": True}
    if kind == "choice":
        return {"type": "literal", "expected": list(choices)}
    if kind == "choices":
        one = {"type": "literal", "expected": list(choices)}
        return {"type": "list", "strict": True, "items_schema": one}
    if kind == "number":
        return {"type": "float", "strict": True, "allow_inf_nan": False}
    if kind == "names":
        return {"type": "list", "strict": True, "items_schema": text}
    if kind == "rows of numbers":
        row = {"type": "list", "strict": True, "items_schema": _schema("number", ())}
        return {"type": "list", "strict": True, "items_schema": row}
    if kind == "pairs":
        pair = {"type": "list", "strict": True, "min_length": 2, "max_length": 2, "items_schema": text}
        return {"type": "list", "strict": True, "items_schema": pair}
    if kind == "text or count":
        choices_of = [text, {"type": "int", "strict": True}]
        return {
            "type": "union",
            "choices": choices_of,
            "custom_error_type": "text_or_count",
            "custom_error_message": "-",
        }
    if kind == "text":
        return text
    return {
        "type": "function-plain",
        "function": {"type": "no-info", "function": _quantity(*QUANTITIES[kind])},
    }


def _quantity(parse: Callable[[str], Any], example: str) -> Callable[[Any], Any]:
    def convert(value: Any) -> Any:
        from pydantic_core import PydanticCustomError

        try:
            if isinstance(value, str):
                return parse(value)
            found, wanted = f"{value!r} has no unit", f'Write a text with its unit: "{example}".'
        except Unreadable as error:
            found, wanted = error.found, error.wanted
        raise PydanticCustomError("quantity", "{found}. {wanted}", {"found": found, "wanted": wanted})

    return convert

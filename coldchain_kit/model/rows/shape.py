"""From the rows' annotations: the JSON Schema of the results, and a glossary of every field."""

from __future__ import annotations

from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NamedTuple, NotRequired, Union, get_args, get_origin, get_type_hints, is_typeddict

from coldchain_kit.model.rows.fields import Of, Pattern, Quantity, T
from coldchain_kit.model.rows.goods import Results

TIME = {"type": "string", "pattern": "^\\d{4}-\\d{2}-\\d{2}T\\d{2}:\\d{2}:\\d{2}(\\.\\d{1,6})?Z$"}
PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


class Field(NamedTuple):
    """A field of a row as the glossary has it."""

    place: str
    meaning: str
    unit: str
    source: str


def json_schema(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of results of that name; every described row is closed to fields that are not described.

    Examples
    --------
    >>> json_schema("coldchain-kit/results/1")["properties"]["schema"]
    {'const': 'coldchain-kit/results/1'}
    """
    whole = _shape(Results)
    whole["properties"]["schema"] = {"const": name}
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": name, "title": "coldchain_kit results"}
    return {**head, "$defs": {"time": TIME}, **whole}


def glossary() -> list[Field]:
    """Every field of the results, in order: its place, meaning, unit and where its rule stands.

    Examples
    --------
    >>> [field.unit for field in glossary() if field.place == "excursions[].minutes_least"]
    ['min']
    """
    return list(_fields(Results, ""))


def _hints(row: Any) -> dict[str, Any]:
    return get_type_hints(get_origin(row) or row, include_extras=True)


def _fields(row: Any, above: str) -> Iterator[Field]:
    for name, hint in _hints(row).items():
        place = f"{above}{name}"
        marks = list(_marks(hint))
        said = next(mark for mark in marks if isinstance(mark, Of))
        unit = next((mark.unit for mark in marks if isinstance(mark, Quantity)), "")
        yield Field(place, said.meaning, unit, said.source)
        for inner, ends in _inner(hint):
            yield from _fields(inner, f"{place}{ends}.")


def _marks(hint: Any) -> Iterator[Any]:
    """Marks of a field, its own first, then those of what it holds where that is a plain value, a list of such, or nothing."""
    if get_origin(hint) is Annotated:
        yield from hint.__metadata__
        yield from _marks(hint.__origin__)
    elif get_origin(hint) in (Union, UnionType, NotRequired, list):
        for part in get_args(hint):
            yield from _marks(part)


def _inner(hint: Any) -> Iterator[tuple[Any, str]]:
    """Rows inside a field, with what stands between their names."""
    kind = get_origin(hint)
    if is_typeddict(kind or hint):
        yield hint, ""
    elif kind is Annotated:
        yield from _inner(hint.__origin__)
    elif kind is list:
        yield from ((row, f"[]{ends}") for row, ends in _inner(get_args(hint)[0]))
    elif kind is dict:
        yield from ((row, f".*{ends}") for row, ends in _inner(get_args(hint)[1]))
    elif kind in (Union, UnionType, NotRequired):
        for part in get_args(hint):
            yield from _inner(part)


def _shape(hint: Any) -> dict[str, Any]:
    kind = get_origin(hint)
    if is_typeddict(kind or hint):
        return _object(hint)
    if hint is Any:
        return {}
    if hint is T:
        return {"$ref": "#/$defs/time"}
    if kind is Annotated:
        return _marked(_shape(hint.__origin__), hint.__metadata__)
    if kind is NotRequired:
        return _shape(get_args(hint)[0])
    if kind is Literal:
        return {"enum": list(get_args(hint))}
    if kind is list:
        return {"type": "array", "items": _shape(get_args(hint)[0])}
    if kind is dict:
        names, values = map(_shape, get_args(hint))
        return {"type": "object", "additionalProperties": values or True, **({"propertyNames": names} if "enum" in names else {})}
    if kind in (Union, UnionType):
        return {"anyOf": [_shape(part) for part in get_args(hint)]}
    return {"type": PLAIN[hint]}


def _object(row: Any) -> dict[str, Any]:
    """A row with every field: only a leaf function that knows no unit leaves that out, the results never do."""
    hints = _hints(row)
    return {
        "type": "object",
        "properties": {name: _shape(hint) for name, hint in hints.items()},
        "required": sorted(hints),
        "additionalProperties": False,
    }


def _marked(shape: dict[str, Any], marks: tuple[Any, ...]) -> dict[str, Any]:
    for mark in marks:
        if isinstance(mark, Of):
            shape = {**shape, "description": mark.meaning}
        elif isinstance(mark, Quantity):
            bounds = {"minimum": mark.least, "maximum": mark.most}
            shape = {**shape, **{key: value for key, value in bounds.items() if value is not None}}
        elif isinstance(mark, Pattern):
            shape = {**shape, **({"not": {"pattern": mark.text}} if mark.forbidden else {"pattern": mark.text})}
    return shape

"""YAML files that people write: read without surprises, checked by a model, answered in sentences.

A file is hostile until checked: its size is limited, aliases and repeated keys are refused, nothing in it is run.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TypeVar

import yaml
from pydantic import BaseModel, ValidationError

MAX_BYTES = 1_000_000
MOST_SAID = 12
Model = TypeVar("Model", bound=BaseModel)


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML without anchors and aliases, which let a small file grow without bound, and without repeats."""

    def compose_node(self, parent, index):
        if self.check_event(yaml.events.AliasEvent):
            mark = self.peek_event().start_mark
            raise yaml.YAMLError(f"line {mark.line + 1}: anchors and aliases are not used in these files")
        return super().compose_node(parent, index)

    def construct_mapping(self, node, deep=False):
        keys = [self.construct_object(k, deep=True) for k, _ in node.value]
        for k in keys:
            if keys.count(k) > 1:
                raise yaml.YAMLError(f"line {node.start_mark.line + 1}: key '{k}' is given twice")
        return super().construct_mapping(node, deep)


def _describe(error: dict, kinds: tuple[str, ...]) -> str:
    where = ".".join(str(p) for i, p in enumerate(error["loc"]) if not (i == 2 and p in kinds))
    found = error.get("input")
    text = re.sub(r"^Value error, ", "", error["msg"])
    if error["type"] == "extra_forbidden":
        return f"{where}: this key is not known; remove it or check its spelling"
    if error["type"] == "missing":
        return f"{where}: missing; it must be given"
    if error["type"] == "union_tag_invalid":
        return f"{where}.kind: found '{error['ctx']['tag']}', expected one of {', '.join(kinds)}"
    if error["type"] == "union_tag_not_found":
        return f"{where}.kind: missing; expected one of {', '.join(kinds)}"
    if error["type"] == "value_error":
        return f"{where}: {text}" if where else text
    shown = repr(found) if not isinstance(found, (dict, list)) else type(found).__name__
    return f"{where}: found {shown[:80]}, expected: {text[0].lower()}{text[1:]}"


def file_text(path: Path, *, what: str, error: type[ValueError]) -> str:
    """Text of a file that is `what` ("a protocol file"); raises `error` when it is too large or no text."""
    if path.stat().st_size > MAX_BYTES:
        raise error(f"{path}: {path.stat().st_size} bytes; expected {what} under {MAX_BYTES}")
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as wrong:
        raise error(f"{path}: byte {wrong.start} is not UTF-8; save the file as UTF-8 text") from None


def checked(
    text: str, model: type[Model], *, source: str, error: type[ValueError], kinds: tuple[str, ...] = ()
) -> Model:
    """The model in YAML text.

    Raises `error`, a line for each problem: `source`, the key, what was found and expected. `kinds` are names that
    the model puts into a key's path and the file does not have.
    """
    try:
        data = yaml.load(text, Loader=_PlainLoader)  # noqa: S506 - a SafeLoader subclass  # nosec B506
    except (yaml.YAMLError, RecursionError, ValueError) as wrong:
        raise error(f"{source}: not readable as YAML: {' '.join(str(wrong).split())}") from None
    if not isinstance(data, dict):
        first = next(iter(model.model_fields))
        raise error(f"{source}: found {type(data).__name__}, expected a mapping of keys such as '{first}:'")
    try:
        return model.model_validate(data)
    except ValidationError as wrong:
        lines = [_describe(e, kinds) for e in wrong.errors()[:MOST_SAID]]
        raise error("\n".join(f"{source}: {line}" for line in lines)) from None

"""YAML files that people write: read without surprises, checked by a model, answered in sentences.

A file is hostile until checked: its size is limited, aliases, tags and repeated keys are refused, and so are characters
that nobody sees. Nothing in it is run. Every fault is told with its line, what stands there and what should.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, ClassVar, TypeVar

import yaml
from pydantic import BaseModel, BeforeValidator, StringConstraints, ValidationError

MAX_BYTES = 300_000  # read in seconds; the longest shipped file has 7 kB
MOST_SAID = 12
SHOWN = 60
MERGE = "tag:yaml.org,2002:merge"
Model = TypeVar("Model", bound=BaseModel)

# Control characters, those that turn the order of a line around so that it reads otherwise than it is stored, and
# halves of characters, which no file can hold.
UNSEEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")

_QUOTES = "text; put it in quotes if it looks like a number or a date"
_DATE = "a date such as 2026-04-11"
_WHOLE = "a whole number"
_LIST = "a list: [one, other], or each on a line of its own behind '- '"
_KEYS = "keys with values, such as 'key: value'"
_EXPECTED = {  # by pydantic's name of the fault; braces take what that fault states
    "string_type": _QUOTES,
    "string_too_short": "at least {min_length} characters",
    "string_too_long": "{max_length} characters at most",
    "tuple_type": _LIST,
    "list_type": _LIST,
    "too_short": "at least {min_length}",
    "too_long": "{max_length} at most",
    "model_type": _KEYS,
    "model_attributes_type": _KEYS,
    "dict_type": _KEYS,
    "date_type": _DATE,
    "date_parsing": _DATE,
    "date_from_datetime_parsing": _DATE,
    "date_from_datetime_inexact": _DATE,
    "int_type": _WHOLE,
    "int_parsing": _WHOLE,
    "int_from_float": _WHOLE,
    "float_type": "a number such as 0.5",
    "float_parsing": "a number such as 0.5",
    "finite_number": "a number such as 0.5",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "literal_error": "{expected}",
    "less_than_equal": "{le:g} at most",
    "less_than": "less than {lt:g}",
    "greater_than_equal": "{ge:g} at least",
    "greater_than": "more than {gt:g}",
}
_HINTS = (  # what the parser says, and what to do
    ("character '\\t'", "a tab; use spaces"),
    ("mapping values are not allowed", "a second ': '; put a value that holds one in quotes, and keep keys in line"),
    ("expected ',' or", "a bracket is not closed, or a value that holds a comma or ': ' needs quotes"),
    ("could not determine a constructor", "'=' alone; put it in quotes"),
    ("but found another document", "a second document; keep one in a file, without '---' below it"),
    ("expected <block end>", "this line stands further left or right than those it belongs with"),
    ("special characters are not allowed", "a character that cannot be seen; delete it"),
)
_shapes: dict[str, str] = {}


def shaped(pattern: str, words: str) -> object:
    """The type of a text that `pattern` allows, which `words` describe when another one is found."""
    _shapes[pattern] = words
    return Annotated[str, StringConstraints(pattern=pattern)]


def line_of_text(least: int, most: int) -> object:
    """The type of a text of `least` to `most` characters in one line; line breaks and runs of spaces become a space."""
    one_line = BeforeValidator(lambda v: " ".join(v.split()) if isinstance(v, str) else v)
    return Annotated[str, one_line, StringConstraints(min_length=least, max_length=most)]


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML without anchors and aliases, which let a small file grow without bound, without tags and repeats.

    Numbers are decimal: 010 is no eight, 1:30 no ninety, and yes and true are words until a key asks for one of them.
    """

    yaml_implicit_resolvers: ClassVar[dict] = {}

    def compose_node(self, parent, index):
        event = self.peek_event()
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise _fault(event, "anchors and aliases are not used in these files")
        if event.tag:
            raise _fault(event, "tags such as '!x' are not used in these files")
        node = super().compose_node(parent, index)
        if isinstance(node, yaml.ScalarNode) and (unseen := UNSEEN.search(node.value)):
            raise _fault(node, f"a character that cannot be seen (U+{ord(unseen[0]):04X}); delete it")
        if isinstance(node, yaml.MappingNode):
            seen = set()
            for key, _ in node.value:
                if not isinstance(key, yaml.ScalarNode):
                    raise _fault(key, "a key has to be one word, no list")
                if key.value in seen:
                    raise _fault(key, f"key '{key.value[:SHOWN]}' is given twice")
                if key.tag == MERGE:
                    raise _fault(key, "merged keys ('<<') are not used in these files")
                seen.add(key.value)
        return node

    def construct_object(self, node, deep=False):
        try:
            return super().construct_object(node, deep)
        except ValueError:
            raise _fault(node, f"found '{node.value[:SHOWN]}', which is no possible date or number") from None


for _tag, _pattern, _starts in (
    ("int", r"[-+]?(?:0|[1-9][0-9]*)$", "-+0123456789"),
    ("float", r"[-+]?(?:[0-9]+\.[0-9]*|\.[0-9]+)(?:[eE][-+][0-9]+)?$", "-+.0123456789"),
):
    _PlainLoader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(_pattern), list(_starts))
for _start, _found in yaml.SafeLoader.yaml_implicit_resolvers.items():
    for _tag, _regexp in _found:
        if _tag.rpartition(":")[2] not in ("bool", "int", "float"):
            _PlainLoader.add_implicit_resolver(_tag, _regexp, [_start])


def _fault(at: yaml.Node | yaml.Event, words: str) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=words, problem_mark=at.start_mark)


def _parsed(text: str) -> tuple[yaml.Node | None, object]:
    """The nodes, which know their lines, and the plain data made of them."""
    loader = _PlainLoader(text)
    try:
        node = loader.get_single_node()
        return node, None if node is None else loader.construct_document(node)
    finally:
        loader.dispose()


def _parser_words(error: Exception) -> str:
    """What the parser found, with its line and what to do."""
    if isinstance(error, RecursionError):
        return "brackets lie too deep in one another"
    mark = getattr(error, "problem_mark", None)
    said = getattr(error, "problem", None) or " ".join(str(error).split())
    said = next((words for text, words in _HINTS if text in said), said)
    if mark is None and (reader := getattr(error, "position", None)) is not None:
        return f"character {reader + 1} is {said}"
    return f"line {mark.line + 1}: {said}" if mark else said


def _place(node: yaml.Node | None, loc: Sequence[str | int]) -> tuple[str, yaml.Node | None]:
    """ "line 7: " of a key in the file, and its node when it is there itself; without a file neither."""
    if node is None:
        return "", None
    line = node.start_mark.line
    for part in loc:
        if isinstance(node, yaml.MappingNode):
            found = next(((k, v) for k, v in node.value if k.value == str(part)), None)
            if found is None:
                return f"line {line + 1}: ", None
            line, node = found[0].start_mark.line, found[1]
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            node = node.value[part]
            line = node.start_mark.line
        else:
            return f"line {line + 1}: ", None
    return f"line {line + 1}: ", node


def _shown(found: object, node: yaml.Node | None) -> str:
    """What stands there, as it is written."""
    if isinstance(found, (dict, BaseModel)):
        return "keys with values"
    if isinstance(found, (list, tuple)):
        return f"a list of {len(found)}"
    if found is None:
        return "nothing"
    if isinstance(found, str):
        return repr(found if len(found) <= SHOWN else f"{found[:SHOWN]}…")
    return (node.value if isinstance(node, yaml.ScalarNode) else repr(found))[:SHOWN]


def _describe(error: dict, kinds: tuple[str, ...], node: yaml.Node | None) -> str:
    loc = [p for i, p in enumerate(error["loc"]) if not (i == 2 and p in kinds)]
    line, at = _place(node, loc)
    where, kind, stated = ".".join(map(str, loc)), error["type"], error.get("ctx", {})
    if kind == "value_error":
        text = re.sub(r"^Value error, ", "", error["msg"])
        if not where and (key := re.match(r"[\w.-]+(?=: )", text)):
            line, _ = _place(node, [int(p) if p.isdigit() else p for p in key[0].split(".")])
            return f"{line}{text}"
        return f"{line}{where}: {text}" if where else text
    if kind == "extra_forbidden":
        return f"{line}{where}: this key is not known; remove it or check its spelling"
    if kind == "invalid_key":
        return f"{line}{where}: this key looks like a number or a date; put it in quotes"
    if kind == "missing":
        return f"{line}{where}: missing; it must be given"
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        found = f"found '{stated['tag']}'," if "tag" in stated else "missing;"
        return f"{line}{where}.kind: {found} expected one of {', '.join(kinds)}"
    if kind == "string_type" and isinstance(error.get("input"), (dict, list, type(None))):
        expected = "text"
    else:
        expected = _shapes.get(stated.get("pattern", ""))
    if expected is None and kind in _EXPECTED:
        words = f"string_{kind}" if isinstance(error.get("input"), str) else kind
        expected = _EXPECTED.get(words, _EXPECTED[kind]).format(**stated)
    expected = expected or error["msg"][0].lower() + error["msg"][1:]
    return f"{line}{where}: found {_shown(error.get('input'), at)}, expected {expected}"


def _worth_saying(errors: list[dict]) -> list[dict]:
    """Without lists said to be too short only because an entry of theirs has a fault of its own."""
    deeper = {e["loc"][:i] for e in errors for i in range(len(e["loc"]))}
    return [e for e in errors if e["type"] != "too_short" or e["loc"] not in deeper]


def file_text(path: Path, *, what: str, error: type[ValueError]) -> str:
    """Text of a file that is `what` ("a plan"); raises `error` when there is none, it is too large, or no text."""
    if path.is_dir():
        raise error(f"{path}: this is a folder; expected {what}, one file in YAML")
    if not path.is_file():
        raise error(f"{path}: no such file; expected {what} in YAML")
    if path.stat().st_size > MAX_BYTES:
        raise error(f"{path}: {path.stat().st_size} bytes; expected {what} under {MAX_BYTES}")
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise error(f"{path}: byte {wrong.start} is not UTF-8; save the file as UTF-8 text") from None


def checked(
    text: str, model: type[Model], *, source: str, error: type[ValueError], kinds: tuple[str, ...] = ()
) -> Model:
    """The model in YAML text.

    Raises `error`, a line for each problem: `source`, the line, the key, what was found and expected. `kinds` are
    names that the model puts into a key's path and the file does not have. A file without keys is a model of which
    nothing is required.
    """
    try:
        node, data = _parsed(text)
    except (yaml.YAMLError, RecursionError, ValueError) as wrong:
        raise error(f"{source}: not readable as YAML: {_parser_words(wrong)}") from None
    if data is None and not any(field.is_required() for field in model.model_fields.values()):
        data = {}
    if not isinstance(data, dict):
        first = next(iter(model.model_fields))
        found = "an empty file" if data is None else _shown(data, node) if isinstance(data, list) else "no keys"
        raise error(f"{source}: found {found}, expected keys such as '{first}:'")
    return validated(data, model, source=source, error=error, kinds=kinds, node=node)


def validated(
    data: dict,
    model: type[Model],
    *,
    source: str,
    error: type[ValueError],
    kinds: tuple[str, ...] = (),
    node: yaml.Node | None = None,
) -> Model:
    """The model of plain data, such as a form's; faults as in `checked`, with lines where `node` is the file's."""
    try:
        return model.model_validate(data)
    except ValidationError as wrong:
        lines = [_describe(e, kinds, node) for e in _worth_saying(wrong.errors())[:MOST_SAID]]
        raise error("\n".join(f"{source}: {line}" for line in lines)) from None

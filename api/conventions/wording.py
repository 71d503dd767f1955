"""What the library says of a value that is not right, in our words: what would be right, with its range.

Applied to every body and query as it is made (`serializers`), so no field need repeat it. A message that a
field gives of its own stays.
"""

from __future__ import annotations

from typing import Any, Final

from django.core import validators
from rest_framework import serializers

_KINDS: Final[tuple[tuple[type[Any], dict[str, str]], ...]] = (
    (
        serializers.ListSerializer,
        {"not_a_list": "Expected a list of objects.", "empty": "Expected at least one item."},
    ),
    (
        serializers.ListField,
        {"not_a_list": "Expected a list.", "empty": "Expected at least one item."},
    ),
    (
        serializers.DictField,
        {"not_a_dict": "Expected a JSON object.", "empty": "Expected at least one name."},
    ),
    (serializers.CharField, {"invalid": "Expected a text.", "blank": "Expected a text; this one is blank."}),
    (
        serializers.IntegerField,
        {"max_string_length": "Expected a whole number; this one has too many digits."},
    ),
    (
        serializers.FloatField,
        {
            "max_string_length": "Expected a number; this one has too many digits.",
            "overflow": "Expected a number; this one is too large.",
        },
    ),
    (serializers.ChoiceField, {"blank": "Expected one of the words there are; this one is blank."}),
)
_PATTERNS: Final[tuple[tuple[type[Any], str], ...]] = (
    (serializers.SlugField, "Expected letters, digits, hyphens and underscores only, as in hall-2."),
    (serializers.EmailField, "Expected an e-mail address, as in desk@customer.example."),
    (serializers.URLField, "Expected a web address, as in https://customer.example/events."),
)


def in_our_words(name: str, field: Any) -> None:
    """Give a field, and what a list of it holds, our messages instead of the library's."""
    default = _library_messages(type(field))
    ours = {"required": f"Give {name}; it cannot be left out.", "null": _null(field)}
    for kind, messages in _KINDS:
        if isinstance(field, kind):
            ours.update(messages)
    for code, text in ours.items():
        if code in field.error_messages and field.error_messages[code] == default.get(code):
            field.error_messages[code] = text
    for validator in field.validators:
        text = _of_validator(field, validator)
        if text:
            validator.message = text
    child = getattr(field, "child", None)
    if child is not None and not isinstance(child, serializers.BaseSerializer):
        in_our_words("a value", child)


def _library_messages(field_class: type[Any]) -> dict[str, Any]:
    """What the library's own classes say, the nearest first, where none of ours says something else."""
    found: dict[str, Any] = {}
    for one in reversed(field_class.__mro__):
        for code, text in vars(one).get("default_error_messages", {}).items():
            if one.__module__.startswith("rest_framework."):
                found[code] = text
            else:
                found.pop(code, None)
    return found


def _null(field: Any) -> str:
    return (
        "Give a value: null cannot stand here."
        if field.required
        else ("Give a value, or leave the name out: null cannot stand here.")
    )


def _of_validator(field: Any, validator: Any) -> str:
    if isinstance(validator, validators.MinValueValidator | validators.MaxValueValidator):
        return _range(field)
    listed = isinstance(field, serializers.ListField | serializers.ListSerializer)
    things = "items" if listed else "characters"
    if isinstance(validator, validators.MaxLengthValidator):
        return f"Expected at most %(limit_value)d {things}; this has %(show_value)d."
    if isinstance(validator, validators.MinLengthValidator):
        return f"Expected at least %(limit_value)d {things}; this has %(show_value)d."
    if isinstance(validator, validators.RegexValidator | validators.EmailValidator):
        return next((text for kind, text in _PATTERNS if isinstance(field, kind)), "")
    return ""


def _range(field: Any) -> str:
    """Both ends in one sentence, so that a second try does not meet the other end."""
    kind = "a whole number" if isinstance(field, serializers.IntegerField) else "a number"
    least, most = _end(field, validators.MinValueValidator), _end(field, validators.MaxValueValidator)
    if least and most:
        return f"Expected {kind} from {least} to {most}."
    return f"Expected {kind} of at least {least}." if least else f"Expected {kind} of at most {most}."


def _end(field: Any, kind: type[Any]) -> str:
    ends = [one.limit_value for one in field.validators if isinstance(one, kind)]
    if not ends:
        return ""
    end = max(ends) if kind is validators.MinValueValidator else min(ends)
    return f"{end:.15g}" if isinstance(end, float) else str(end)

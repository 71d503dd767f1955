"""What the library says of a value that is not right, in our words: what would be right, with its range.

Given to the fields of every body and query as its class is made (`serializers`), so no field need repeat it.
A message that a field gives of its own stays."""

from __future__ import annotations

from typing import Any, Final

from rest_framework import serializers

_KINDS: Final[tuple[tuple[type[Any], dict[str, str]], ...]] = (
    (
        serializers.ListSerializer,
        {"not_a_list": "Expected a list of objects.", "empty": "Expected at least one item."},
    ),
    (
        serializers.ListField,
        {
            "not_a_list": "Expected a list.",
            "empty": "Expected at least one item.",
            "max_length": "Expected at most {max_length} items; this has %(show_value)d.",
            "min_length": "Expected at least {min_length} items; this has %(show_value)d.",
        },
    ),
    (
        serializers.DictField,
        {"not_a_dict": "Expected a JSON object.", "empty": "Expected at least one name."},
    ),
    (
        serializers.CharField,
        {
            "invalid": "Expected a text.",
            "blank": "Expected a text; this one is blank.",
            "max_length": "Expected at most {max_length} characters; this has %(show_value)d.",
            "min_length": "Expected at least {min_length} characters; this has %(show_value)d.",
        },
    ),
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
    (
        serializers.SlugField,
        {"invalid": "Expected letters, digits, hyphens and underscores only, as in hall-2."},
    ),
    (serializers.EmailField, {"invalid": "Expected an e-mail address, as in desk@customer.example."}),
    (serializers.URLField, {"invalid": "Expected a web address, as in https://customer.example/events."}),
)


def in_our_words(name: str, field: Any) -> None:
    """Give a field, and what a list of it holds, our messages instead of the library's."""
    librarys = _library_messages(type(field))
    range_text = _range(field)
    ours = {
        "required": f"Give {name}; it cannot be left out.",
        "null": _null(field),
        "min_value": range_text,
        "max_value": range_text,
    }
    for kind, messages in _KINDS:
        if isinstance(field, kind):
            ours |= messages
    made_with = field._kwargs  # noqa: SLF001 - what the library makes each serializer's own field from
    given = made_with.get("error_messages") or {}
    made_with["error_messages"] = {code: text for code, text in ours.items() if code in librarys} | given
    child = made_with.get("child")
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


def _range(field: Any) -> str:
    """Both ends in one sentence, so that a second try does not meet the other end."""
    kind = "a whole number" if isinstance(field, serializers.IntegerField) else "a number"
    least, most = (
        f"{end:.15g}" if isinstance(end, float) else str(end)
        for end in (getattr(field, "min_value", None), getattr(field, "max_value", None))
    )
    if "None" not in (least, most):
        return f"Expected {kind} from {least} to {most}."
    return (
        f"Expected {kind} of at least {least}." if most == "None" else f"Expected {kind} of at most {most}."
    )

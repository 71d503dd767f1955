"""What each operation does, in a few words: for the lists of reference pages and the names in clients."""

from __future__ import annotations

import re
from typing import Any, Final

from django.core.exceptions import ImproperlyConfigured

from sites.wording import with_article

from .views import ApiView, Spec
from .viewsets import ReadOnlyViewSet

_USUAL: Final = {
    "list": "List {many}",
    "retrieve": "Read {one}",
    "create": "Make {one}",
    "bulk": "Make many {many}",
    "partial_update": "Change {one}",
    "correct": "Correct what is recorded of {one}",
}
# How a thing goes, by the verb of the operation that a DELETE is
_GOES: Final = {"end": "End {one}", "remove": "Remove {one}"}


def summary_of(view: ApiView, operation: str, spec: Spec) -> str:
    """The words of what all resources have; of any other operation the first sentence of what its handler, or
    else its view, says of itself."""
    usual = _USUAL.get(operation)
    if operation == "destroy":
        done = getattr(spec.body, "operation", None)
        usual = _GOES.get(done.name.rpartition(".")[2] if done is not None else "", "End {one}")
    if usual is not None and isinstance(view, ReadOnlyViewSet):
        names: Any = view.model._meta
        one = str(names.verbose_name)
        # What the address calls several of them, or else the model, where that names their kind too
        many = str(names.verbose_name_plural) if "/" in view.basename else view.basename.replace("-", " ")
        return usual.format(one=with_article(one), many=many)
    said = getattr(view, operation).__doc__ or type(view).__doc__
    if said is None:
        raise ImproperlyConfigured(f"{type(view).__name__}.{operation} does not say what it does.")
    first = re.split(r"(?<=[.:;])\s", " ".join(said.split()), maxsplit=1)[0]
    return first.rstrip(".:;")

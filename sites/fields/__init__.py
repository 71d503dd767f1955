"""Fields that state a fact once: its type, unit, bounds and words.

From a field derive the column with its CHECK, the parameter of an operation, the schema in the API, the
as-built column and the sentence of the constraint (``table_column_check``). What they have in common is
``Fact``: ``parse`` a JSON value, ``write`` it back, ``expected`` in words, ``schema``; beside that ``unit``,
``minimum``, ``above``, ``maximum``, ``max_length`` and ``help_text``.
"""

from .fact import Fact
from .keys import (
    LARGEST_ID,
    GivenMomentField,
    OfSite,
    SharedKey,
    SiteKey,
    StepField,
    WriterKey,
)
from .numbers import (
    QuantityField,
    WholeField,
    block_row,
    current,
    device_count,
    length,
    line_voltage,
    pairs,
    poe_class,
    port_count,
    power,
    rating,
    tap,
)
from .of_models import columns_of, facts_of
from .texts import (
    UNSEEN,
    CodeField,
    EmailField,
    LineField,
    MacField,
    NameField,
    NoteField,
    TimeZoneField,
)
from .values import FIRST_DAY, LAST_DAY, AddressField, DayField, FlagField, ListField
from .words import NumberedWordField, WordField, word_of

__all__ = [
    "FIRST_DAY",
    "LARGEST_ID",
    "LAST_DAY",
    "UNSEEN",
    "AddressField",
    "CodeField",
    "DayField",
    "EmailField",
    "Fact",
    "FlagField",
    "GivenMomentField",
    "LineField",
    "ListField",
    "MacField",
    "NameField",
    "NoteField",
    "NumberedWordField",
    "OfSite",
    "QuantityField",
    "SharedKey",
    "SiteKey",
    "StepField",
    "TimeZoneField",
    "WholeField",
    "WordField",
    "WriterKey",
    "block_row",
    "columns_of",
    "current",
    "device_count",
    "facts_of",
    "length",
    "line_voltage",
    "pairs",
    "poe_class",
    "port_count",
    "power",
    "rating",
    "tap",
    "word_of",
]

"""Termination blocks: where equipment and field cable meet. What lies on them is in
``zones.models.landings``."""

from __future__ import annotations

from typing import Final

from django.db import models

from sites import fields

from .dated import Named

_NOUNS: Final = {
    "66_split": "a split 66-type block",
    "66_unsplit": "an unsplit 66-type block",
    "110": "a 110-type block",
    "screw": "a screw strip",
}


class Block(Named):
    class Kind(models.TextChoices):
        SPLIT_66 = "66_split", "66-type, split: bridging clips"
        UNSPLIT_66 = "66_unsplit", "66-type, unsplit: no clips"
        TYPE_110 = "110", "110-type: isolated by lifting the cross-connect"
        SCREW = "screw", "screw strip"

        @property
        def noun(self) -> str:
            """With its article, as it stands in a sentence: a label stands by itself."""
            return _NOUNS[self.value]

    closet = fields.SiteKey("sites.Closet", place=True, related_name="blocks")
    name = fields.NameField(max_length=80)
    kind = fields.WordField(Kind, max_length=12)
    row_count = fields.block_row(default=50)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "block"

    @property
    def can_isolate(self) -> bool:
        """Whether a row's halves can be parted: by pulling its clip, or lifting its cross-connect."""
        return self.kind in (Block.Kind.SPLIT_66, Block.Kind.TYPE_110)

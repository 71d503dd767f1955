"""What was done on a visit, beside it and on the sheet of its closet."""

from __future__ import annotations

from rest_framework import serializers

from api.conventions import fields


class DoneSerializer(serializers.Serializer):
    """The tests that name the visit, and the changes of its day under its job, or by its technician where it
    has none."""

    tests = fields.Whole(help_text="Those that no other one superseded.")
    failed = fields.Whole(help_text="Of the tests.")
    outside = fields.Whole(help_text="Of the tests: outside what is expected, as of today's record.")
    changes = fields.Whole(help_text="Change sets that changed more than tests.")
    done = fields.Text(help_text="All of it in words.")


class VisitDoneSerializer(DoneSerializer):
    id = fields.Id()
    visited_on = fields.Day()
    technician = fields.Text()
    job_reference = fields.Text(allow_blank=True)

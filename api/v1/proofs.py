"""Proofs of runs, and the commissioning record of a zone, which is put together from them."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.answers import AnswerSerializer
from api.conventions.sizes import WithLimitSerializer
from zones.electrical.proofs import Verdict
from zones.loads import outcomes
from zones.loads.proofs import KIND_OF, ChangeOfWiring, ProofOfRun, TestOfProof
from zones.models import Run, Test
from zones.sheets.commissioning import CommissioningRecord, RunOnRecord, TestOnRecord


class ChangeOfWiringSerializer(AnswerSerializer):
    class Meta:
        dataclass = ChangeOfWiring


class TestOfProofSerializer(AnswerSerializer):
    kind = fields.Choice(choices=[(kind.value, kind.label) for kind in KIND_OF.values()])
    verdict = fields.Choice(choices=[verdict.name.lower() for verdict in Verdict])
    because = ChangeOfWiringSerializer(many=True)

    class Meta:
        dataclass = TestOfProof


class ProofOfRunSerializer(WithLimitSerializer, AnswerSerializer):
    tests = TestOfProofSerializer(many=True, help_text="In the order of work.")

    class Meta:
        dataclass = ProofOfRun


class TestOnRecordSerializer(AnswerSerializer):
    kind = fields.Choice(choices=Test.Kind.choices)
    state = fields.Choice(choices=Test.State.choices, allow_null=True)
    signal = fields.Choice(choices=Test.Signal.choices, allow_null=True)
    taken_as = fields.Choice(choices=Test.TakenAs.choices, allow_null=True)
    verdict = fields.Choice(choices=outcomes.Verdict.choices, allow_null=True)

    class Meta:
        dataclass = TestOnRecord


class RunOnRecordSerializer(AnswerSerializer):
    kind = fields.Choice(choices=Run.Kind.choices)
    of_proof = TestOfProofSerializer(many=True, help_text="In the order of work.")
    tests = TestOnRecordSerializer(many=True)

    class Meta:
        dataclass = RunOnRecord


class CommissioningRecordSerializer(WithLimitSerializer, AnswerSerializer):
    runs = RunOnRecordSerializer(many=True)
    of_zone = TestOnRecordSerializer(many=True)

    class Meta:
        dataclass = CommissioningRecord

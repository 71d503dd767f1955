"""Holds what the service says against what the oracle says, and keeps count."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from sites.changes.steps import first_step_after
from sites.models import Coverage, Event
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.plant import Members
from zones.electrical.proofs import PROOF_CODES
from zones.electrical.subjects import SubjectKind
from zones.limits.registry import RULES as REGISTERED
from zones.models import Case, Figures, Finding
from zones.plant.selectors import read_plant

from .attributing import Attributed, Attributor, Named
from .computing import Computed
from .figures import NO_FINDING, RULES, Figure, Judged
from .record import Record
from .values import Bands

SAME = 1e-9
_KIND_WORDS = {kind: kind.name.lower() for kind in SubjectKind}
Key = tuple[str, int, str]


@dataclass(frozen=True)
class Said:
    """A figure as the service says it; None: not known."""

    low: float | None
    likely: float | None
    high: float | None
    limits: tuple[float | None, ...]
    verdict: int
    wheres: tuple[int | None, ...]
    overloaded: int
    bounds: int

    @property
    def limit(self) -> float | None:
        return self.limits[1]

    @property
    def where(self) -> int | None:
        return self.wheres[1]


@dataclass
class Report:
    """What was compared, and every difference, in words."""

    compared: Counter[str] = field(default_factory=Counter)
    knife_edges: Counter[str] = field(default_factory=Counter)
    differences: list[str] = field(default_factory=list)

    def differ(self, *words: object) -> None:
        self.differences.append(" ".join(str(word) for word in words))


# --- figures of the core --------------------------------------------------------------------------------


def compare_evaluation(asked: Sequence[tuple[Computed, int]], report: Report) -> None:
    """``read_plant`` and ``evaluate`` of several sites at once, each as of a step of its own, against the
    oracle."""
    plant = read_plant([computed.record.site for computed, _ in asked])
    by_site = {computed.record.site: (computed, step) for computed, step in asked}
    in_order = [by_site[int(site)] for site in plant.site_id]
    steps = np.array([step for _, step in in_order], np.int64)
    evaluation = evaluate(plant, Members.of_sites(plant, steps), REGISTERED)
    said: list[dict[Key, list[Said]]] = [{} for _ in in_order]
    for row in range(len(evaluation)):
        of = said[int(evaluation.member[row])]
        of.setdefault(_key(evaluation, row), []).append(_said(evaluation, row))
    problems: list[set[tuple[str, int, str]]] = [set() for _ in in_order]
    for problem in evaluation.problems:
        run = (_KIND_WORDS[problem.subject_kind], int(plant.run_id[problem.subject]), problem.reason)
        problems[problem.member].add(run)
    for (computed, step), figures, amiss in zip(in_order, said, problems, strict=True):
        where = f"site {computed.record.site} step {step}:"
        _compare_figures(computed, step, figures, where, report)
        wanted = {
            (*subject, reason) for subject, reasons in computed.problems(step).items() for reason in reasons
        }
        report.compared["problems"] += len(wanted)
        if amiss != wanted:
            report.differ(where, "cannot compute", amiss, "expected", wanted)


def _compare_figures(
    computed: Computed, step: int, said: dict[Key, list[Said]], where: str, report: Report
) -> None:
    expected: dict[Key, list[Figure]] = {}
    for figure in computed.figures(step):
        expected.setdefault(figure.key, []).append(figure)
    _compare_keys(said, expected, where, report)
    for key in said.keys() & expected.keys():
        if len(said[key]) != len(expected[key]):
            report.differ(where, key, len(said[key]), "figures, expected", len(expected[key]))
            continue
        pairs = zip(sorted(said[key], key=_order), sorted(expected[key], key=_figure_order), strict=True)
        for one, figure in pairs:
            compare_figure(one, figure, where, report)


def _key(evaluation: Evaluation, row: int) -> Key:
    code = evaluation.rules[int(evaluation.rule[row])].code
    return _KIND_WORDS[SubjectKind(int(evaluation.subject_kind[row]))], int(evaluation.subject_id[row]), code


def _said(evaluation: Evaluation, row: int) -> Said:
    def of(name: str) -> float | None:
        value = float(getattr(evaluation, name)[row])
        return value if math.isfinite(value) else None

    details = (int(getattr(evaluation, name)[row]) for name in ("low_detail", "detail", "high_detail"))
    return Said(
        of("low"),
        of("likely"),
        of("high"),
        (of("low_limit"), of("limit"), of("high_limit")),
        int(evaluation.verdict[row]),
        tuple(detail if detail >= 0 else None for detail in details),
        int(evaluation.overloaded[row]),
        int(evaluation.bounds[row]),
    )


def _order(said: Said) -> tuple[float, int]:
    return (-math.inf if said.likely is None else said.likely, said.where or 0)


def _figure_order(figure: Figure) -> tuple[float, int]:
    likely = figure.bands.likely
    return (-math.inf if math.isnan(likely) else likely, min(figure.where or {0}))


def _compare_keys(said: Any, expected: Any, where: str, report: Report) -> None:
    for key in sorted(said.keys() - expected.keys()):
        report.differ(where, key, "is said and not expected:", said[key])
    for key in sorted(expected.keys() - said.keys()):
        report.differ(where, key, "is expected and not said:", expected[key])


def compare_figure(said: Said, figure: Figure, where: str, report: Report) -> None:
    if figure.undecided:
        report.knife_edges["figures"] += 1
        return
    report.compared["figures"] += 1
    report.compared[f"figure {figure.code}"] += 1
    report.compared[f"judged {figure.verdict.name.lower()}"] += 1
    bands = (said.low, said.likely, said.high)
    for word, bits, flags in (
        ("overloaded", said.overloaded, figure.overloaded),
        ("a bound", said.bounds, figure.bound),
    ):
        if bits != sum(flag << k for k, flag in enumerate(flags)):
            report.differ(where, figure.key, "is", word, bits, "expected", flags)
    if figure.spots:
        _compare_spots(said, figure, where, report)
        return
    possible = ((figure.bands, figure.limit), *figure.or_else)
    if len(set(said.limits)) > 1 or len(set(said.wheres)) > 1:
        report.differ(where, figure.key, "is decided at several places", said.limits, said.wheres)
    if not any(_alike(bands, each) and _close(said.limit, limit) for each, limit in possible):
        report.differ(
            where, figure.key, "is", bands, said.limit, "expected", tuple(figure.bands), figure.limit
        )
        return
    _compare_verdict(said, figure, where, report)
    if figure.where is not None and (
        said.where not in figure.where if figure.where else said.where is not None
    ):
        report.differ(where, figure.key, "decided at", said.where, "expected", set(figure.where))


def _compare_spots(said: Said, figure: Figure, where: str, report: Report) -> None:
    """Each estimate at a place of its own."""
    values = (said.low, said.likely, said.high)
    for k, spots in enumerate(figure.spots):
        one = (values[k], said.limits[k], said.wheres[k])
        known = _close(values[k], figure.bands[k])
        if not spots:
            if not known or one[2] is not None or not _close(one[1], figure.limits[k]):
                expected = (figure.bands[k], figure.limits[k], None)
                report.differ(where, figure.key, "estimate", k, "is", one, "expected", expected)
        elif not any(
            one[2] == spot.id
            and _close(one[1], spot.limit)
            # a value that is not known is so at every place
            and (known if math.isnan(figure.bands[k]) else _close(one[0], spot.value))
            for spot in spots
        ):
            report.differ(where, figure.key, "estimate", k, "is", one, "expected", spots)
        elif len({said.limits[k], said.limits[1]}) > 1:
            report.compared["decided elsewhere"] += 1
    _compare_verdict(said, figure, where, report)


def _compare_verdict(said: Said, figure: Figure, where: str, report: Report) -> None:
    if said.verdict != figure.verdict:
        if figure.ties or figure.on_a_knife_edge():
            report.knife_edges["verdicts"] += 1
        else:
            report.differ(where, figure.key, "judged", Judged(said.verdict), "expected", figure.verdict)


def _alike(said: tuple[float | None, ...], bands: Bands) -> bool:
    return all(_close(one, other) for one, other in zip(said, bands, strict=True))


def _close(said: float | None, expected: float | None, rel: float = SAME) -> bool:
    known = expected is not None and math.isfinite(expected)
    if said is None or not known or expected is None:
        return said is None and not known
    return math.isclose(said, expected, rel_tol=rel, abs_tol=1e-9)


# --- what a sweep left behind ---------------------------------------------------------------------------


def compare_sweep(computed: Computed, now: dt.datetime, report: Report) -> None:
    """Stored figures, open findings with their attribution, and cases against the oracle; and no event of a
    site without a contract."""
    record = computed.record
    today = now.astimezone(ZoneInfo(record.time_zone)).date()
    step = first_step_after(today) - 1
    where = f"site {record.site} swept on {today}:"
    _compare_stored(computed, step, where, report)
    _compare_findings(computed, step, where, report)
    report.compared.update(computed.seen)
    events = Event.objects.filter(site_id=record.site, happened_at=now).count()
    if not Coverage.objects.filter(site_id=record.site, days__contains=today).exists():
        report.compared["uncovered"] += 1
        if events:
            report.differ(where, events, "events of a site without a contract")
    report.compared["events"] += events


def _compare_stored(computed: Computed, step: int, where: str, report: Report) -> None:
    said: dict[Key, Said] = {}
    for row in Figures.objects.filter(site_id=computed.record.site):
        word = _KIND_WORDS[SubjectKind(row.subject_kind)]
        own = (row.low_limit, row.high_limit, row.low_detail, row.high_detail, row.overloaded, row.bounds)
        low_limit, high_limit, low_detail, high_detail, overloaded, bounds = (each or [] for each in own)
        limits = zip(low_limit, row.limit_value, high_limit, strict=True)
        details = zip(low_detail, row.detail, high_detail, strict=True)
        columns: list[Iterable[Any]] = [
            *(row.low, row.likely, row.high, limits, row.verdict, details, overloaded, bounds)
        ]
        for code, *values in zip(row.codes, *columns, strict=True):
            if code not in PROOF_CODES:  # those are told by ``comparing_proofs``
                said[word, row.subject_id, code] = Said(*values)
    expected = computed.worst(step)
    _compare_keys(said, expected, where, report)
    for key in said.keys() & expected.keys():
        compare_figure(said[key], expected[key], where, report)


def _compare_findings(computed: Computed, step: int, where: str, report: Report) -> None:
    record = computed.record
    attributor = Attributor(computed, step)
    expected: dict[Key, Figure | None] = {
        key: figure
        for key, figure in computed.worst(step).items()
        if (figure.past[0] or figure.past[1]) and figure.code not in NO_FINDING
    }
    for kind, id_ in computed.problems(step):
        expected[kind, id_, "cannot_compute"] = None
    said = {
        (_KIND_WORDS[SubjectKind(finding.subject_kind)], finding.subject_id, finding.code): finding
        for finding in Finding.objects.filter(site_id=record.site, cleared_at__isnull=True).select_related(
            "case"
        )
        if finding.code in RULES
    }
    edges = {key for key, figure in expected.items() if figure is not None and figure.on_a_knife_edge()}
    for key in sorted((said.keys() ^ expected.keys()) - edges):
        report.differ(
            where, key, "finding", "open and not expected" if key in said else "expected and not open"
        )
    cases: set[str] = set()
    for key in said.keys() & expected.keys():
        figure, finding = expected[key], said[key]
        report.compared["findings"] += 1
        if figure is not None:
            values = Said(
                finding.low,
                finding.likely,
                finding.high,
                (finding.low_limit, finding.limit_value, finding.high_limit),
                finding.verdict,
                (finding.low_detail, finding.detail, finding.high_detail),
                finding.overloaded,
                finding.bounds,
            )
            compare_figure(values, figure, f"{where} finding", report)
        attributed = attributor.attribute(key)
        if attributed is None:
            report.differ(where, key, "attributed to nothing by the oracle")
            continue
        cases.add(attributed.case)
        known = len(report.differences)
        _compare_attribution(finding, attributed, f"{where} {key}", report)
        if len(report.differences) > known and attributed.on_a_knife_edge:
            del report.differences[known:]
            report.knife_edges["attributions"] += 1
    _compare_cases(record, said, cases, where, report)


def _compare_cases(
    record: Record, said: dict[Key, Finding], cases: set[str], where: str, report: Report
) -> None:
    others = set(
        Finding.objects.filter(site_id=record.site, cleared_at__isnull=True)
        .exclude(code__in=RULES)
        .values_list("case__key", flat=True)
    )
    is_open = set(
        Case.objects.filter(site_id=record.site, cleared_at__isnull=True).values_list("key", flat=True)
    )
    report.compared["cases"] += len(cases)
    if is_open != cases | others:
        report.differ(where, "open cases", is_open - others, "expected", cases)


def _compare_attribution(finding: Finding, expected: Attributed, where: str, report: Report) -> None:
    stored: dict[str, Any] = finding.attribution
    report.compared["attributions"] += 1
    report.compared[f"attributed: {expected.named.kind}"] += 1
    report.compared[f"nearness {expected.named.nearness}"] += 1
    if finding.case.key != expected.case:
        report.differ(where, "is of case", finding.case.key, "expected", expected.case)
    if stored["change_sets"] != expected.change_sets:
        report.differ(where, "names change sets", stored["change_sets"], "expected", expected.change_sets)
    _compare_named(stored["change"], expected.named, f"{where} named", report)
    between = stored["between"]
    if (between is None) != (expected.since is None):
        report.differ(where, "between", between, "expected", expected.since, expected.until)
    elif between is not None and expected.since is not None and expected.until is not None:
        report.compared["between"] += 1
        _compare_named(between["since"], expected.since, f"{where} since", report)
        _compare_named(between["until"], expected.until, f"{where} until", report)
    baseline = stored["baseline"]
    if baseline["day"] != expected.baseline_day.isoformat() or not _close(
        baseline["figure"], expected.baseline_figure, 1e-8
    ):
        report.differ(
            where, "baseline", baseline, "expected", expected.baseline_day, expected.baseline_figure
        )


# The oracle's names of causes, where they are others
_KINDS = {"correction": "record correction", "as_found": "as found"}


def _compare_named(stored: dict[str, Any], expected: Named, where: str, report: Report) -> None:
    said = (
        _KINDS.get(stored["kind"], stored["kind"]),
        stored["day"],
        stored["change_set"],
        stored["correction"],
        stored["note"],
    )
    wanted = (
        expected.kind, expected.day.isoformat(), expected.change_set, expected.correction, expected.note,
    )  # fmt: skip
    if said != wanted:
        report.differ(where, "is", said, "expected", wanted)
    for name in ("before", "after", "limit"):
        if not _close(stored[name], getattr(expected, name), 1e-8):
            report.differ(where, name, "is", stored[name], "expected", getattr(expected, name))

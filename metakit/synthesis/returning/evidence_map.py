"""Which option at each source of trouble was studied, for which outcome: a map, with its empty places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.core.records import StudyRecord
from metakit.core.returns import Finding
from metakit.forms.library import vocabulary
from metakit.synthesis.gathering.arms import is_retracted
from metakit.synthesis.gathering.eligible import values_of
from metakit.synthesis.gathering.source_options import Source, pooled_proportion, usable_arms
from metakit.synthesis.returning.trouble_findings import EvidenceCell, EvidenceRow, FoundShare

REPORTED = {"reported", "reported_zero"}


def evidence_rows(
    source: Source, outcomes: Sequence[str], studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[EvidenceRow, ...]:
    """Return one row an option of a source; several reports of one cohort count once."""
    return tuple(
        EvidenceRow(
            source=source.id,
            option=option,
            label=label,
            cells={outcome: _cell(source, option, outcome, studies, names) for outcome in outcomes},
        )
        for option, label, _ in source.options
    )


def _cell(
    source: Source, option: str, outcome: str, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> EvidenceCell | None:
    found: dict[str, tuple[str, int, bool, bool]] = {}
    for study in studies:
        if is_retracted(study):
            continue
        arms = {arm.id: arm for arm in usable_arms(study) if _reports(study, arm.id, outcome)}
        own = [arm for arm in arms.values() if getattr(arm, source.kind) == option]
        parts = [
            part
            for part in study.subgroups
            if getattr(part, source.kind) == option and part.value.outcome == outcome
        ]
        if not own and not parts:
            continue
        thumbs = sum(arm.thumbs or 0 for arm in own)
        own_ids = {arm.id for arm in own}
        thumbs += sum(
            part.value.total or part.value.n or 0 for part in parts if part.value.arm not in own_ids
        )
        others = [arm for arm in arms.values() if source.done(arm) in ("treated", "left")]
        against = any(
            getattr(one, source.kind) != option and one.technique == arm.technique
            for one in others
            for arm in own
        )
        told_apart = any(
            getattr(one, source.kind) not in ("", option)
            for one in study.subgroups
            if one.value.outcome == outcome and parts
        )
        within = told_apart or (study.design_group != "series" and against)
        cohort = study.cohort or study.id
        if cohort not in found or found[cohort][1] < thumbs:
            found[cohort] = (names[study.id], thumbs, study.design_group == "randomised", within)
    if not found:
        return None
    return EvidenceCell(
        studies=tuple(name for name, _, _, _ in found.values()),
        thumbs=sum(thumbs for _, thumbs, _, _ in found.values()),
        randomised=sum(randomised for _, _, randomised, _ in found.values()),
        comparing=tuple(name for name, _, _, within in found.values() if within),
    )


def _reports(study: StudyRecord, arm: str, outcome: str) -> bool:
    one = next(item for item in study.arms if item.id == arm)
    return any(value.reporting in REPORTED for value in values_of(study, one, outcome))


def found_shares(
    source: Source, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[FoundShare, ...]:
    """Return how often each finding of a source was made, pooled over the arms that tell it."""
    shares = []
    for term in vocabulary("index_findings"):
        if term.facts.text("source") != source.id:
            continue
        counts = _counts(term.id, studies, names)
        if not counts:
            continue
        result, reason = pooled_proportion(counts)
        shares.append(
            FoundShare(
                finding=term.id,
                label=term.label,
                role=term.facts.text("role"),
                studies=tuple(name for name, _, _ in counts),
                thumbs=int(sum(thumbs for _, thumbs, _ in counts)),
                total=int(sum(total for _, _, total in counts)),
                result=result,
                reason=reason,
            )
        )
    shares = shares or list(_over_30(source, studies, names))
    if shares and not any(share.role == "treated" for share in shares):
        shares += _treated_arms(source, studies, names)
    return tuple(shares)


def _treated_arms(
    source: Source, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> list[FoundShare]:
    """Return in how many thumbs something was done, by what arms say; their studies chose it: not pooled."""
    counts: dict[str, tuple[str, int, int]] = {}
    for study in studies:
        told = [arm for arm in usable_arms(study) if source.done(arm) in ("treated", "left") and arm.thumbs]
        total = sum(arm.thumbs or 0 for arm in told)
        cohort = study.cohort or study.id
        if is_retracted(study) or not told or (cohort in counts and counts[cohort][2] >= total):
            continue
        done = sum(arm.thumbs or 0 for arm in told if source.done(arm) == "treated")
        counts[cohort] = (names[study.id], done, total)
    if not counts:
        return []
    return [
        FoundShare(
            finding="treated_by_arm",
            label="Treated, as arms say (chosen by studies, not pooled)",
            role="treated",
            studies=tuple(name for name, _, _ in counts.values()),
            thumbs=sum(done for _, done, _ in counts.values()),
            total=sum(total for _, _, total in counts.values()),
            result=None,
            reason="what an arm gets is its study's choice",
        )
    ]


def _over_30(
    source: Source, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[FoundShare, ...]:
    """Return how often the MP joint hyperextended by more than 30 degrees, where arms count it."""
    if source.kind != "mp_option":
        return ()
    counts: dict[str, tuple[str, float, float]] = {}
    for study in studies:
        told = [arm for arm in study.arms if arm.mp_preoperative.over_30 is not None and arm.thumbs]
        total = sum(arm.thumbs or 0 for arm in told)
        cohort = study.cohort or study.id
        if is_retracted(study) or not told or (cohort in counts and counts[cohort][2] >= total):
            continue
        over = sum(min(arm.mp_preoperative.over_30 or 0, arm.thumbs or 0) for arm in told)
        counts[cohort] = (names[study.id], float(over), float(total))
    if not counts:
        return ()
    result, reason = pooled_proportion(list(counts.values()))
    return (
        FoundShare(
            finding="mp_over_30",
            label="MP hyperextension over 30 degrees before surgery",
            role="found",
            studies=tuple(name for name, _, _ in counts.values()),
            thumbs=int(sum(over for _, over, _ in counts.values())),
            total=int(sum(total for _, _, total in counts.values())),
            result=result,
            reason=reason,
        ),
    )


def _counts(
    finding: str, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> list[tuple[str, float, float]]:
    """Return study, thumbs and total; of several reports of one cohort the one with most thumbs."""
    found: dict[str, tuple[str, float, float]] = {}
    for study in studies:
        if is_retracted(study):
            continue
        entries = _by_arm(finding, study)
        total = sum(whole for _, whole in entries)
        cohort = study.cohort or study.id
        if total > 0 and (cohort not in found or found[cohort][2] < total):
            found[cohort] = (names[study.id], sum(thumbs for thumbs, _ in entries), total)
    return list(found.values())


def _by_arm(finding: str, study: StudyRecord) -> list[tuple[float, float]]:
    """Return thumbs and total of each arm: its count for all options, else the sum over options."""
    sizes = {arm.id: arm.thumbs for arm in study.arms}
    groups: dict[str, list[Finding]] = {}
    for entry in study.findings:
        if entry.finding == finding:
            groups.setdefault(entry.arm, []).append(entry)
    found = []
    for arm, entries in groups.items():
        whole = [entry for entry in entries if not entry.option] or entries
        total = max((entry.total or sizes.get(arm) or 0 for entry in whole), default=0)
        thumbs = min(sum(entry.thumbs for entry in whole), total)
        if total:
            found.append((float(thumbs), float(total)))
    return found

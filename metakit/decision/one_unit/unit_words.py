"""What a unit can expect, in words: for the terminal, the head of the page, and the cautions above both."""

from __future__ import annotations

from metakit.core.written import count, listed, per_100, signed
from metakit.decision.one_unit.expected import extreme_words, middle_words
from metakit.decision.one_unit.unit import Unit
from metakit.decision.one_unit.unit_answer import Expectation
from metakit.decision.one_unit.unit_audit import YearsToTell
from metakit.decision.one_unit.unit_cells import Cell
from metakit.decision.one_unit.unit_decision import UnitDecision
from metakit.decision.one_unit.unit_evidence import CellEvidence
from metakit.decision.unit_returns import basis_words, returns_words
from metakit.forms.library import vocabulary
from metakit.synthesis.cautions import FEWEST_EVENTS, FEWEST_STUDIES, total_events
from metakit.synthesis.terms import implants_that_wear
from metakit.synthesis.words import lower_first

FIRST = (
    "Decision support for licensed clinicians. It replaces neither clinical judgement nor the talk with the "
    "patient, and it recommends nothing: the choice stays with you.",
    "Local codes, policies, approvals of devices and rules of consent come first. A device or a combination "
    "named here may be off-label, withdrawn or not approved where you work: check the notices of your "
    "authority.",
    "Have a statistician look at this page before you change practice on it.",
)
CONSTANT = (
    "Events over years are computed from one rate for all years. Real hazards are not constant: early "
    "failure, wear and loosening come at different times, and years that the studies did not see are "
    "guessed."
)
RANGES = (
    "A range says where 95 of 100 units like this one would lie: it carries the uncertainty of your own "
    "counts, how much centres differ, and the chance of single thumbs. It is wider than the interval of "
    "an average, which is named where it stands."
)
RELUCTANCE = (
    "When a thumb is operated on again depends on the surgeon, the patient and the health system. Few "
    "revisions may mean good results, or reluctance to revise."
)
WEAR = (
    "Follow-up under two years says nothing about the wear of an implant, and results of older implants "
    "may not hold for current designs, nor the other way round."
)
SERIES = "Single-arm series cannot show that one technique is better than another."
SMALLEST = (
    "Smallest important differences describe the change that matters to one patient, not the difference "
    "between the means of two groups."
)
LONGEST_AUDIT = 30
"""More years than most surgeons work in one unit: what takes longer, it cannot tell (ours, no source)."""
PRIVACY = "Totals only: never enter anything that could identify a patient."


def cautions(found: UnitDecision) -> tuple[str, ...]:
    """Return the cautions of a unit's page, those for everybody first."""
    cells = found.cells
    lines = [*FIRST, RANGES]
    if any(cell.per_year for cell in cells):
        lines.append(CONSTANT)
    few = _few(found)
    if few:
        lines.append(few)
    if any(cell.link is not None and cell.link.series for cell in cells):
        lines.append(SERIES)
    if any(cell.outcome.term.family == "reoperation" for cell in cells):
        lines.append(RELUCTANCE)
    if implants_that_wear(item.technique for item in found.unit.techniques):
        lines.append(WEAR)
    kinds = vocabulary("case_mix_kinds")
    mixed = [
        kinds[name].facts.text("caution") for name in dict.fromkeys(item.kind for item in found.unit.case_mix)
    ]
    lines += [caution for caution in mixed if caution]
    if any(cell.outcome.scored for cell in cells):
        lines.append(SMALLEST)
    return (*lines, PRIVACY)


def is_thin(cell: Cell) -> bool:
    """Say whether fewer studies or events stand behind a cell than an interval can be trusted with."""
    finding = cell.finding
    if finding is None or finding.result is None:
        return False
    if finding.result.k < FEWEST_STUDIES:
        return True
    return not cell.outcome.scored and total_events(finding.numbers) < FEWEST_EVENTS


def _few(found: UnitDecision) -> str:
    thin = [
        f"{cell.technique.label} ({lower_first(cell.outcome.term.label)})"
        for cell in found.cells
        if cell.answered and is_thin(cell)
    ]
    if not thin:
        return ""
    return (
        f"Fewer than {FEWEST_STUDIES} studies or {FEWEST_EVENTS} events stand behind {listed(thin)}: these "
        "ranges are unreliable, and techniques are not ranked."
    )


def headline(found: UnitDecision) -> str:
    """Say whose thumbs the sentences that follow are about."""
    unit = found.unit
    return f"{unit.name}, with {unit.volume.value:g} thumbs a year."


def summary_groups(found: UnitDecision) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return each outcome with what is expected of every technique, in the order that the unit typed them."""
    unit = found.unit
    groups = []
    for outcome in unit.outcomes:
        own = [
            item
            for technique in unit.techniques
            if (item := found.expectation(outcome.term.id, technique.id)) is not None
        ]
        volume = unit.volume.value
        told = tuple(text for item in own if (text := _told(item, found.evidence_of(item.cell), volume)))
        if outcome.scored:
            lead = f"{outcome.term.label}, mean compared with {unit.technique(unit.current).label}"
        elif outcome.baseline and outcome.baseline.per_year:
            lead = f"{outcome.term.label} within {_years(unit.years.value)} of the operation: expect"
        else:
            when = f" within {outcome.months:g} months" if outcome.months else ""
            lead = f"{outcome.term.label}{when}: expect"
        if told:
            groups.append((lead, told))
    return tuple(groups)


def summary_lines(found: UnitDecision) -> tuple[str, ...]:
    """Return one sentence an outcome."""
    return tuple(
        f"{lead}{'' if lead.endswith('expect') else ':'} {'; '.join(told)}."
        for lead, told in summary_groups(found)
    )


def _years(years: float) -> str:
    return f"{years:g} year{'' if years == 1 else 's'}"


def _told(item: Expectation, rests: CellEvidence | None, thumbs: float) -> str:
    label = item.cell.technique.label
    if item.cell.outcome.scored:
        if item.change is None:
            return ""
        return f"{score_words(item)} with {label}, certainty {rests.certainty if rests else 'not judged'}"
    counts = item.cohort
    if counts is None:  # pragma: no cover - events have counts
        return ""
    extreme = f"; {extreme_words(counts)}" if counts.extreme else ""
    text = (
        f"{per_100(counts.mean)} thumbs ({middle_words(counts, thumbs)}; "
        f"range {counts.lower:.0f} to {counts.upper:.0f}{extreme}) with {label}"
    )
    if item.cell.is_current:
        return f"{text}, as now"
    if not item.cell.compares:
        return f"{text}, from single-arm series: no comparison"
    return f"{text}, certainty {rests.certainty if rests else 'not judged'}"


def score_words(item: Expectation) -> str:
    """Say a score's difference with its range, and which side is better."""
    found = item.change
    if found is None:
        return ""
    better = "better" if item.cell.outcome.worse * found.median < 0 else "worse"
    unit = item.cell.outcome.term.unit
    value, lower, upper = (signed(end, 1) for end in (found.median, found.lower, found.upper))
    return f"{value} {unit} (range {lower} to {upper}; {better} at the median)"


def plain_text(found: UnitDecision) -> str:
    """Return the answer for the terminal: cautions in one line, then a line an outcome and what drives it."""
    unit = found.unit
    lines = []
    if found.invented:
        lines.append("INVENTED DATA: these numbers say nothing about real operations.")
    lines += [headline(found), f"{found.first.question} {found.first.answer}"]
    lines += [f"- {line.text}" for line in found.first.lines]
    lines += [found.first.ranges] if found.first.ranges else []
    lines += summary_lines(found)
    for cell in found.cells:
        if not cell.answered and cell.link is not None:
            lines.append(
                f"No number for {cell.technique.label}, {lower_first(cell.outcome.term.label)}: {cell.reason}"
            )
    for item in found.drivers:
        if item.bars:
            turning = [bar.name for bar in item.bars if bar.turns]
            turn = f"; within their limits these alone turn it round: {listed(turning)}" if turning else ""
            lines.append(
                f"What drives {item.technique.label} against {unit.technique(unit.current).label} most: "
                f"{item.bars[0].name}{turn}."
            )
    lines += [tell_words(item, unit) for item in found.to_tell]
    if found.returns is not None:
        lines.append(f"Returns by cause. {basis_words(found.returns, unit)}")
        lines += [f"  {returns_words(row)}" for row in found.returns.rows]
    if any(cell.per_year for cell in found.cells):
        lines.append(CONSTANT)
    lines.append(
        "Decision support for licensed clinicians; it recommends nothing. Local codes and policy come first."
    )
    return "\n".join(lines)


def tell_words(item: YearsToTell, unit: Unit) -> str:
    """Say when the unit's own audit could tell a stated difference."""
    label = item.outcome.term.label
    if item.why_not:
        return f"When your own audit could tell a difference in {lower_first(label)}: {item.why_not}."
    whose = "your stated difference" if item.typed else "the review's smallest important difference"
    now, other = per_100(100 * item.now), per_100(100 * item.other)
    if item.other > item.now:
        whose += f", upwards, since {now} cannot fall by as much"
    pace = f"at {unit.volume.value:g} thumbs a year, half with each technique"
    if item.years > LONGEST_AUDIT:
        return (
            f"Your own audit of {lower_first(label)} cannot tell {other} from {now} in 100 thumbs within "
            f"{LONGEST_AUDIT} years ({whose}): {pace}, it would take {item.years}. Join a register."
        )
    after = f", and {item.follow_up:.3g} more until the last thumb is followed" if item.follow_up else ""
    return (
        f"Your own audit of {lower_first(label)} could tell {other} from {now} in 100 thumbs ({whose}) after "
        f"{count(item.years, 'year')} {pace}{after}."
    )

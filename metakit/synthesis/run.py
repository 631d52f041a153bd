"""Carry out a review's plan."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from importlib.metadata import version

from metakit.core.plans import Protocol
from metakit.core.records import StudyRecord
from metakit.core.sharing import Mapper
from metakit.review.extraction import NOT_READ, extraction_of
from metakit.review.folder import ReviewFolder
from metakit.review.history import read_history
from metakit.review.plan import plan_standing
from metakit.synthesis.analysis import analyse
from metakit.synthesis.cautions import doubted_spreads
from metakit.synthesis.findings import Findings
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.eligible import status_of, values_of
from metakit.synthesis.networking.networks import analyse_network_plan
from metakit.synthesis.option_pairs import analyse_pair, planned_pairs
from metakit.synthesis.returning.returns import with_return_outcomes
from metakit.synthesis.returning.trouble import trouble_findings

LIBRARIES = ("metakit", "numpy", "scipy", "pandas", "matplotlib")
"""What the numbers and figures depend on."""


def synthesise(
    folder: ReviewFolder,
    *,
    progress: Callable[[str], None] | None = None,
    extraction: bool = True,
    mapper: Mapper = map,
) -> Findings:
    """Carry out every analysis of a review's plan.

    Parameters
    ----------
    folder : ReviewFolder
        A review read from disk: protocol, study records, questions of the checks, hashes of the files.
    progress : callable, optional
        Gets a line of text before each analysis.
    extraction : bool
        Whether the records of two extractors are read and compared, which takes as long as the analyses.
    mapper : callable, optional
        Shares the analyses (`core.sharing`); the numbers are the same.

    Returns
    -------
    Findings
        One finding an analysis, also where nothing can be estimated.

    Raises
    ------
    UsageError
        When the plan itself is impossible; data that hold no answer are a finding, not an error.
    """
    say = progress or (lambda text: None)
    names = display_names(folder.studies)
    studies = tuple(with_return_outcomes(study) for study in folder.studies)
    plans = folder.protocol.analyses
    say(f"analysis 1 of {len(plans)}: {plans[0].id}" if plans else "no analysis is planned")
    carry_out = partial(analyse, protocol=folder.protocol, studies=studies, names=names)
    analyses = []
    for number, found in enumerate(mapper(carry_out, plans), start=1):
        doubts = doubted_spreads(found.result, found.term.id, found.numbers, folder.questions)
        analyses.append(replace(found, cautions=(*doubts, *found.cautions)) if doubts else found)
        if number < len(plans):
            say(f"analysis {number + 1} of {len(plans)}: {plans[number].id}")
    networks = []
    for number, network in enumerate(folder.protocol.networks, start=1):
        say(f"network {number} of {len(folder.protocol.networks)}: {network.id}")
        networks.append(analyse_network_plan(network, folder.protocol, studies, names))
    pairs = planned_pairs(folder.protocol, studies, names)
    if pairs:
        say(f"{len(pairs)} pairs of options that studies hold against each other")
    answer_pair = partial(analyse_pair, protocol=folder.protocol, studies=studies, names=names)
    return Findings(
        protocol=folder.protocol,
        studies=studies,
        names=names,
        analyses=tuple(analyses),
        result_matrix=result_matrix(folder.protocol, studies),
        questions=tuple(folder.questions),
        versions={"Python": platform.python_version(), **{name: version(name) for name in LIBRARIES}},
        inputs=dict(folder.inputs),
        extraction=extraction_of(folder.path, folder.studies) if extraction else NOT_READ,
        networks=tuple(networks),
        pairs=tuple(mapper(answer_pair, pairs)),
        plan=plan_standing(folder.protocol.fields, read_history(folder.path)[0]),
        judgements=folder.judgements,
        selection=folder.selection,
        trouble=trouble_findings(folder.protocol, studies, names),
    )


def result_matrix(protocol: Protocol, studies: Sequence[StudyRecord]) -> Mapping[str, Mapping[str, str]]:
    """Say what each study's report does with each outcome of the protocol.

    Returns
    -------
    mapping of study id to mapping of outcome to status
        `reported`, `reported_zero`, `measured_not_reported`, `not_reported`: the best of all arms.
    """
    return {
        study.id: {
            outcome.outcome: status_of(
                [value for arm in study.arms for value in values_of(study, arm, outcome.outcome)]
            )
            for outcome in protocol.outcomes
        }
        for study in studies
    }

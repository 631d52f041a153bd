"""What is certified: one function a topic, each giving a description and a list of records."""

from __future__ import annotations

from collections.abc import Callable

from . import (
    topics_adjustments,
    topics_angles,
    topics_decision,
    topics_effects,
    topics_exploring,
    topics_half_normal,
    topics_models,
    topics_networks,
    topics_pooling,
)

TOPICS: dict[str, Callable[[], tuple[str, list[dict[str, object]]]]] = {
    "effects": topics_effects.effects,
    "conversions": topics_effects.conversions,
    "stratified": topics_pooling.stratified_tables,
    "pooling_published": topics_pooling.pooling_published,
    "pooling_draws": topics_pooling.pooling_draws,
    "pooling_hard": topics_pooling.pooling_hard,
    "one_stage": topics_models.one_stage_models,
    "bayesian": topics_models.bayesian,
    "half_normal_effects": topics_half_normal.half_normal_effects,
    "half_normal_counts": topics_half_normal.half_normal_count_models,
    "causes": topics_half_normal.causes_of_return,
    "mp_angles": topics_angles.mp_angles,
    "half_normal_linear": topics_half_normal.half_normal_linear_models,
    "dependent": topics_models.dependent_effects,
    "meta_regression": topics_exploring.meta_regression,
    "small_study": topics_exploring.small_study_effects,
    "leave_one_out": topics_exploring.leave_one_out_and_cumulative,
    "network": topics_exploring.networks,
    "network_counts": topics_networks.count_networks,
    "sequential": topics_decision.sequential_boundaries,
    "absolute": topics_decision.absolute_effects,
    "unit_closed_forms": topics_decision.unit_closed_forms,
    "unit_events": topics_decision.unit_events,
    "design_and_agreement": topics_decision.design_and_agreement,
    "small_study_adjustments": topics_adjustments.small_study_adjustments,
    "selection": topics_adjustments.selection_models,
}

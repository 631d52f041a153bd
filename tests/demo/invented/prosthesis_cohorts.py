"""Two invented cohorts with a total prosthesis; the second has two reports."""

from __future__ import annotations

from invented.spec import LAST, ArmSpec, Events, Score, StudySpec

FCR = ("lr_fcr_slip", "ti_fcr")
APL = ("lr_apl_slip", "ti_apl")

PROSTHESIS_COHORTS = (
    StudySpec(
        number=9,
        place="Emberlode",
        year=2013,
        title="Ball-and-socket prosthesis compared with LRTI in two neighbouring theatres",
        design="retrospective_cohort",
        recruited=("2003-06-01", "2008-05-31"),
        follow_up=(54.0, 11.0, 30, 84),
        age=(59.0, 7.4),
        surgeons=2,
        immobilisation_weeks=2,
        thumb_years_reported=True,
        funder="invented implant fund",
        company_tie="yes",
        designer_author="unclear",
        judgements="SSLLMSS",
        arms=(
            ArmSpec(
                id="A",
                label="Total prosthesis, ball and socket",
                technique="prosthesis_ball_socket",
                thumbs=92,
                bilateral=7,
                lost=8,
                st_option="st_none",
            ),
            ArmSpec(
                id="B", label="LRTI (FCR)", technique="lrti", thumbs=78, bilateral=6, lost=12, components=FCR
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="complication leading to a change of treatment within a year",
            ),
            Events(
                outcome="implant_dislocation",
                arms=("A",),
                author_definition="dislocation of the ball, treated closed or open",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="exchange or removal of any part, or repeat arthroplasty",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any further operation on the thumb"
            ),
            Score(outcome="dash", page=5, table=3),
            Score(outcome="key_pinch", reported_as="median_all", page=5, table=3),
            Score(outcome="pain_activity", page=5, table=3),
        ),
    ),
    StudySpec(
        number=10,
        place="Wrenhollow early report",
        year=2019,
        title="Dual-mobility prosthesis and LRTI: two-year comparison",
        design="prospective_cohort",
        cohort="wrenhollow_prosthesis",
        linked=("DEMO-11",),
        seed_of=10,
        recruited=("2014-01-06", "2016-12-16"),
        follow_up=(24.8, 1.6, 22, 30),
        age=(58.6, 7.1),
        immobilisation_weeks=2,
        judgements="SMLLLSM",
        arms=(
            ArmSpec(
                id="A",
                label="Total prosthesis, dual mobility",
                technique="prosthesis_dual_mobility",
                thumbs=84,
                bilateral=8,
                lost=3,
                st_option="st_none",
            ),
            ArmSpec(
                id="B", label="LRTI (APL)", technique="lrti", thumbs=80, bilateral=9, lost=4, components=APL
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="any complication noted at a planned or unplanned visit",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="revision of the implant or the arthroplasty",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any further operation on the thumb"
            ),
            Score(outcome="quickdash", with_baseline=True),
            Score(outcome="key_pinch", measured_in="N", page=5, table=3),
            Score(outcome="pain_activity", page=5, table=3),
        ),
    ),
    StudySpec(
        number=11,
        place="Wrenhollow later report",
        year=2023,
        title="Dual-mobility prosthesis and LRTI: the same persons five years on",
        design="prospective_cohort",
        cohort="wrenhollow_prosthesis",
        linked=("DEMO-10",),
        seed_of=10,
        recruited=("2014-01-06", "2016-12-16"),
        follow_up=(61.5, 3.5, 54, 72),
        age=(58.6, 7.1),
        immobilisation_weeks=2,
        judgements="SMLLSSM",
        arms=(
            ArmSpec(
                id="A",
                label="Total prosthesis, dual mobility",
                technique="prosthesis_dual_mobility",
                thumbs=76,
                bilateral=7,
                lost=11,
                st_option="st_none",
            ),
            ArmSpec(
                id="B", label="LRTI (APL)", technique="lrti", thumbs=71, bilateral=7, lost=13, components=APL
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                at=60,
                author_definition="any complication noted at a planned or unplanned visit",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="revision of the implant or the arthroplasty",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any further operation on the thumb"
            ),
            Score(outcome="quickdash", at=60),
            Score(outcome="pain_activity", at=60, page=5, table=3),
        ),
    ),
)

"""Four invented comparative cohorts of operations at the thumb base."""

from __future__ import annotations

from invented.spec import LAST, ArmSpec, Events, Score, Silent, StudySpec

FCR = ("lr_fcr_slip", "ti_fcr")
APL = ("lr_apl_slip", "ti_apl")

COHORTS = (
    StudySpec(
        number=7,
        place="Dunsprey",
        year=2015,
        title="Chart review of trapeziectomy and LRTI in one unit",
        design="retrospective_cohort",
        recruited=("2004-01-01", "2009-12-31"),
        follow_up=(60.0, 13.0, 36, 95),
        age=(63.1, 8.9),
        surgeons=5,
        experience="consultants and supervised trainees",
        judgements="SMLMMSM",
        arms=(
            ArmSpec(
                id="A",
                label="Trapeziectomy alone",
                technique="trapeziectomy",
                thumbs=112,
                bilateral=12,
                lost=17,
                st_option="st_not_reported",
                mp_option="mp_not_reported",
            ),
            ArmSpec(
                id="B",
                label="LRTI (FCR)",
                technique="lrti",
                thumbs=118,
                bilateral=15,
                lost=21,
                components=FCR,
                st_option="st_not_reported",
                mp_option="mp_not_reported",
                partly_given=(("kwire_fixation", 61),),
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="any entry of a complication in the chart in the first year; pain and stiffness counted when treated",
            ),
            Events(outcome="sbrn_neuropraxia", author_definition="sensory complaint in the chart"),
            Events(
                outcome="crps",
                unit="patients",
                author_definition="patients with the words complex regional pain syndrome in the chart",
            ),
            Events(
                outcome="tendon_rupture_or_tenosynovitis",
                author_definition="rupture or painful inflammation of a tendon in the chart",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="operation for persistent trouble at the trapezial space",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any further operation on the thumb"
            ),
            Events(
                outcome="secondary_mp_procedure",
                at=LAST,
                author_definition="MP fusion or capsule operation later on",
            ),
            Score(outcome="key_pinch", reported_as="mean_only", page=6, table=4),
            Score(outcome="pain_activity", page=6, table=4),
            Silent(outcome="dash", reporting="not_reported"),
        ),
    ),
    StudySpec(
        number=8,
        place="Ashquay",
        year=2020,
        title="Resection arthroplasty as practised: prospective cohort with three treatment groups",
        design="prospective_cohort",
        recruited=("2013-02-01", "2016-10-31"),
        follow_up=(31.0, 6.0, 19, 46),
        age=(62.2, 8.2),
        surgeons=6,
        judgements="SLLMMSL",
        arms=(
            ArmSpec(
                id="A", label="Trapeziectomy alone", technique="trapeziectomy", thumbs=64, bilateral=5, lost=6
            ),
            ArmSpec(
                id="B", label="LRTI (APL)", technique="lrti", thumbs=88, bilateral=8, lost=9, components=APL
            ),
            ArmSpec(
                id="C",
                label="LRTI or suture button, not told apart",
                technique="lrti",
                mixed_with="suture_button",
                thumbs=41,
                bilateral=3,
                lost=4,
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                reported_as="percent",
                author_definition="complications needing any treatment, first year",
            ),
            Events(
                outcome="any_reoperation",
                definition="reoperation_author_definition",
                at=LAST,
                author_definition="'revision', explained by the report as any further surgery on the thumb",
            ),
            Events(outcome="secondary_mp_procedure", at=LAST, author_definition="later MP operation"),
            Silent(
                outcome="revision_index",
                reporting="not_reported",
                at=LAST,
                why="the report's 'revision' is any further surgery and cannot be split",
            ),
            Score(outcome="dash", with_baseline=True),
            Score(outcome="key_pinch", reported_as="mean_interval", page=5, table=3),
        ),
    ),
    StudySpec(
        number=12,
        place="Gorsehaven",
        year=2018,
        title="Suture button or tendon: results of two consecutive periods",
        design="retrospective_cohort",
        recruited=("2009-01-01", "2014-06-30"),
        follow_up=(36.0, 7.0, 24, 56),
        age=(61.8, 8.6),
        women_share=0.78,
        judgements="SMLLMMM",
        arms=(
            ArmSpec(id="A", label="Suture button", technique="suture_button", thumbs=74, bilateral=5, lost=6),
            ArmSpec(
                id="B", label="LRTI (FCR)", technique="lrti", thumbs=81, bilateral=7, lost=10, components=FCR
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication", author_definition="early and late complications of the first year"
            ),
            Events(
                outcome="mc2_fracture",
                arms=("A",),
                author_definition="stress fracture of the second metacarpal",
            ),
            Events(
                outcome="revision_index", at=LAST, author_definition="re-suspension or removal of remnants"
            ),
            Events(
                outcome="any_reoperation",
                at=LAST,
                author_definition="any further operation including removal of the button",
            ),
            Score(outcome="dash", page=4, table=2),
            Score(outcome="key_pinch", page=4, table=2),
        ),
    ),
    StudySpec(
        number=14,
        place="Saltmarrow",
        year=2012,
        title="Fusion, pyrocarbon interposition or LRTI before the age of 65",
        design="retrospective_cohort",
        recruited=("2001-01-01", "2007-12-31"),
        follow_up=(56.0, 12.0, 30, 90),
        age=(56.4, 6.2),
        women_share=0.78,
        immobilisation_weeks=6,
        judgements="SMLLSSM",
        arms=(
            ArmSpec(
                id="A",
                label="Arthrodesis (plate)",
                technique="arthrodesis",
                thumbs=42,
                bilateral=2,
                lost=5,
                st_option="st_none",
            ),
            ArmSpec(
                id="B",
                label="Pyrocarbon interposition",
                technique="pyrocarbon_interposition",
                components=("trapeziectomy_partial",),
                thumbs=35,
                bilateral=1,
                lost=4,
                st_option="st_none",
            ),
            ArmSpec(
                id="C", label="LRTI (FCR)", technique="lrti", thumbs=47, bilateral=3, lost=6, components=FCR
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="all complications within the first year, X-ray findings included",
            ),
            Events(
                outcome="cmc_nonunion", arms=("A",), author_definition="no bridging bone on X-ray at one year"
            ),
            Events(outcome="hardware_irritation", arms=("A",), author_definition="tender plate or screw"),
            Events(
                outcome="implant_dislocation",
                arms=("B",),
                author_definition="implant outside the joint on X-ray",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="repeat fusion, removal of the implant or repeat arthroplasty",
            ),
            Events(
                outcome="any_reoperation",
                at=LAST,
                author_definition="any further operation including removal of metal",
            ),
            Score(outcome="dash", page=5, table=3),
            Score(outcome="pain_activity", page=6, table=0, figure=2),
        ),
    ),
)

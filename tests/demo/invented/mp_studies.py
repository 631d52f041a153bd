"""Two invented studies of the MP joint: every thumb hyperextended by more than 30 degrees."""

from __future__ import annotations

from invented.spec import LAST, ArmSpec, Events, Score, StudySpec

FCR = ("lr_fcr_slip", "ti_fcr")

MP_STUDIES = (
    StudySpec(
        number=6,
        place="Tavermouth",
        year=2018,
        title="Tightening the MP joint during LRTI when it hyperextends: a trial",
        design="randomised",
        allocation="patient",
        blinding="none",
        recruited=("2012-10-01", "2015-05-29"),
        follow_up=(25.0, 1.5, 22, 30),
        age=(62.8, 7.0),
        women_share=0.9,
        mp_study=True,
        judgements="LSLSS",
        arms=(
            ArmSpec(
                id="A",
                label="LRTI, MP joint left alone",
                technique="lrti",
                thumbs=27,
                lost=1,
                components=FCR,
                mp_mean=38,
                mp_spread=5,
            ),
            ArmSpec(
                id="B",
                label="LRTI with volar capsulodesis",
                technique="lrti",
                thumbs=26,
                lost=2,
                components=FCR,
                mp_option="mp_capsulodesis_volar",
                mp_mean=39,
                mp_spread=5,
            ),
        ),
        outcomes=(
            Events(outcome="any_complication", author_definition="any complication of either joint"),
            Events(
                outcome="revision_index", at=LAST, author_definition="second operation at the trapezial space"
            ),
            Events(outcome="any_reoperation", at=LAST, author_definition="any second operation on the thumb"),
            Events(
                outcome="secondary_mp_procedure",
                at=LAST,
                author_definition="operation on the MP joint after the index operation",
            ),
            Events(
                outcome="mp_recurrence",
                at=LAST,
                arms=("B",),
                author_definition="hyperextension again above 30 degrees",
                limit=(("above", 30),),
            ),
            Score(outcome="key_pinch", page=5, table=3),
            Score(outcome="quickdash", page=5, table=3),
            Score(outcome="mp_hyperextension", page=5, table=3),
        ),
    ),
    StudySpec(
        number=13,
        place="Lanternby",
        year=2017,
        title="What to do with the MP joint in LRTI: comparison of three habits",
        design="retrospective_cohort",
        recruited=("2006-04-01", "2011-03-31"),
        follow_up=(47.0, 9.0, 28, 72),
        age=(63.0, 7.7),
        women_share=0.88,
        mp_study=True,
        surgeons=3,
        judgements="CMLLMSM",
        arms=(
            ArmSpec(
                id="A",
                label="LRTI, MP joint left alone",
                technique="lrti",
                thumbs=46,
                bilateral=3,
                lost=5,
                components=FCR,
                mp_mean=36,
                mp_spread=4,
            ),
            ArmSpec(
                id="B",
                label="LRTI with volar capsulodesis",
                technique="lrti",
                thumbs=33,
                bilateral=2,
                lost=3,
                components=FCR,
                mp_option="mp_capsulodesis_volar",
                mp_mean=39,
                mp_spread=5,
            ),
            ArmSpec(
                id="C",
                label="LRTI with MP fusion",
                technique="lrti",
                thumbs=24,
                bilateral=1,
                lost=2,
                components=FCR,
                mp_option="mp_arthrodesis",
                mp_mean=46,
                mp_spread=7,
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                reported_as="per_event",
                author_definition="number of complications; a thumb can have several",
            ),
            Events(
                outcome="sbrn_neuropraxia",
                author_definition="thumbs with numbness over the back of the thumb",
            ),
            Events(
                outcome="revision_index", at=LAST, author_definition="second operation at the trapezial space"
            ),
            Events(outcome="any_reoperation", at=LAST, author_definition="any second operation on the thumb"),
            Events(
                outcome="secondary_mp_procedure",
                at=LAST,
                planted_zero=("C",),
                author_definition="MP operation after the index operation",
            ),
            Events(
                outcome="mp_recurrence",
                at=LAST,
                arms=("B",),
                author_definition="hyperextension above 30 degrees at the last visit",
                limit=(("above", 30),),
            ),
            Score(outcome="key_pinch", page=5, table=3),
            Score(outcome="quickdash", page=5, table=3),
            Score(outcome="mp_hyperextension", arms=("A", "B"), page=5, table=3),
        ),
    ),
)

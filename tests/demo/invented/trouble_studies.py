"""Ten invented studies of the three sources of later trouble: bone left behind, arthritis next door, the MP joint."""

from __future__ import annotations

from invented.spec import LAST, ArmSpec, Events, OutcomeSpec, Score, StudySpec

FCR, APL = ("lr_fcr_slip", "ti_fcr"), ("lr_apl_slip", "ti_apl")
SPUR = "mc_base_osteophytectomy"
PLAIN = "YYYYYYYYYY"
AGAIN = Events(
    outcome="any_reoperation", at=LAST, author_definition="any later operation on the thumb", page=6
)
REVISED = Events(
    outcome="revision_index", at=LAST, author_definition="later operation at the trapezial space"
)
ST_AGAIN = Events(
    outcome="secondary_st_procedure",
    at=LAST,
    author_definition="later operation between scaphoid and trapezoid",
)
MP_AGAIN = Events(
    outcome="secondary_mp_procedure",
    at=LAST,
    author_definition="operation on the MP joint after the index operation",
)
PAIN, PINCH = Score(outcome="pain_activity", page=5, table=3), Score(outcome="key_pinch", page=5, table=3)
ANGLE = Score(outcome="mp_hyperextension", page=5, table=3)


def _recurrence(**limit: float) -> Events:
    words = "above" if "above" in limit else "from"
    degrees = next(iter(limit.values()))
    return Events(
        outcome="mp_recurrence",
        at=LAST,
        limit=tuple(limit.items()),
        author_definition=f"hyperextension {words} {degrees:g} degrees at the last visit",
    )


def _series(
    number: int, place: str, year: int, title: str, arm: ArmSpec, outcomes: tuple[OutcomeSpec, ...]
) -> StudySpec:
    return StudySpec(
        number=number,
        place=place,
        year=year,
        title=title,
        design="case_series",
        recruited=(f"{year - 9}-01-01", f"{year - 5}-12-31"),
        follow_up=(52.0, 8.0, 30, 80),
        judgements=PLAIN,
        arms=(arm,),
        outcomes=outcomes,
    )


TROUBLE_STUDIES = (
    StudySpec(
        number=21,
        place="Quenchford",
        year=2019,
        title="Removing spurs at the metacarpal base during LRTI: a trial",
        design="randomised",
        allocation="patient",
        blinding="assessors",
        recruited=("2013-02-01", "2015-11-30"),
        follow_up=(37.0, 2.5, 30, 44),
        judgements="LLLLL",
        arms=(
            ArmSpec(
                id="A", label="LRTI, spurs removed", technique="lrti", thumbs=58, lost=3, bone="removed",
                components=(*FCR, SPUR),
            ),
            ArmSpec(
                id="B", label="LRTI, spurs left", technique="lrti", thumbs=56, lost=2, bone="left", components=FCR
            ),
        ),
        outcomes=(REVISED, AGAIN, PAIN, PINCH),
    ),
    StudySpec(
        number=22,
        place="Brindlemoor",
        year=2020,
        title="What was found and done beside the trapezium in LRTI: one unit's cohort",
        design="case_series",
        recruited=("2010-01-01", "2015-12-31"),
        follow_up=(58.0, 9.0, 36, 84),
        judgements=PLAIN,
        arms=(
            ArmSpec(
                id="A", label="LRTI, spurs and ST joint treated in some", technique="lrti", thumbs=142, lost=11,
                bilateral=9, bone="some", st="some", components=APL, st_option="st_some_treated",
            ),
        ),
        outcomes=(REVISED, AGAIN, ST_AGAIN, PAIN),
    ),
    StudySpec(
        number=23,
        place="Sallowby",
        year=2016,
        title="Trapeziectomy with and without trimming of the metacarpal base",
        design="retrospective_cohort",
        recruited=("2004-01-01", "2009-12-31"),
        follow_up=(49.0, 8.0, 30, 70),
        judgements="SMLLMMM",
        arms=(
            ArmSpec(
                id="A", label="Trapeziectomy, base trimmed", technique="trapeziectomy", thumbs=44, lost=4,
                bone="removed", components=(SPUR,),
            ),
            ArmSpec(
                id="B", label="Trapeziectomy, base left", technique="trapeziectomy", thumbs=61, lost=6, bone="left"
            ),
        ),
        outcomes=(REVISED, AGAIN, PAIN),
    ),
    StudySpec(
        number=24,
        place="Marlinthorpe",
        year=2021,
        title="Arthritis between scaphoid and trapezoid at LRTI, trapezoid trimmed or left: a trial",
        design="randomised",
        allocation="patient",
        blinding="assessors",
        recruited=("2014-09-01", "2017-10-31"),
        follow_up=(36.0, 2.0, 30, 42),
        judgements="LLLLL",
        st_arthritis_only=True,
        arms=(
            ArmSpec(
                id="A", label="LRTI with partial trapezoid excision", technique="lrti", thumbs=41, lost=2,
                st="treated", components=FCR, st_option="st_trapezoid_partial",
            ),
            ArmSpec(
                id="B", label="LRTI, ST arthritis left", technique="lrti", thumbs=43, lost=1, st="left",
                components=FCR, st_option="st_arthritis_left",
            ),
        ),
        outcomes=(ST_AGAIN, AGAIN, PAIN, PINCH),
    ),
    StudySpec(
        number=25,
        place="Wexhollow",
        year=2015,
        title="The forgotten joint: trapezoid excision in ligament reconstruction",
        design="retrospective_cohort",
        recruited=("2003-05-01", "2009-04-30"),
        follow_up=(55.0, 9.0, 34, 80),
        judgements="SMLLMMM",
        arms=(
            ArmSpec(
                id="A", label="LRTI with partial trapezoid excision", technique="lrti", thumbs=52, lost=5, bilateral=3,
                st="treated", components=APL, st_option="st_trapezoid_partial",
            ),
            ArmSpec(
                id="B", label="LRTI, ST joint left", technique="lrti", thumbs=67, lost=6, bilateral=4, st="left",
                components=APL, st_option="st_arthritis_left",
            ),
        ),
        outcomes=(ST_AGAIN, AGAIN, PAIN),
    ),
    StudySpec(
        number=26,
        place="Cindermere",
        year=2018,
        title="Suture button or LRTI: two surgeons, two habits",
        design="retrospective_cohort",
        recruited=("2010-03-01", "2014-08-31"),
        follow_up=(30.0, 4.0, 22, 42),
        judgements="CMLMMSM",
        arms=(
            ArmSpec(
                id="A", label="Suture button", technique="suture_button", thumbs=48, lost=3, immobilisation_weeks=2
            ),
            ArmSpec(
                id="B", label="LRTI, trapezoid excision and capsulodesis", technique="lrti", thumbs=45, lost=4,
                components=FCR, mp_option="mp_capsulodesis_volar", st_option="st_trapezoid_partial", mp_mean=24,
                mp_spread=8, immobilisation_weeks=6,
            ),
        ),
        outcomes=(AGAIN, PINCH),
    ),
    StudySpec(
        number=27,
        place="Ravelstoke",
        year=2020,
        title="Pinning the MP joint during LRTI: a comparison",
        design="prospective_cohort",
        recruited=("2013-01-01", "2016-12-31"),
        follow_up=(38.0, 4.0, 28, 50),
        judgements="SLLLLML",
        arms=(
            ArmSpec(
                id="A", label="LRTI, MP joint left alone", technique="lrti", thumbs=54, lost=3, components=FCR,
                mp_mean=30, mp_spread=9,
            ),
            ArmSpec(
                id="B", label="LRTI, MP joint pinned", technique="lrti", thumbs=47, lost=3, components=FCR,
                mp_option="mp_pinning", mp_mean=32, mp_spread=9,
            ),
        ),
        outcomes=(MP_AGAIN, AGAIN, ANGLE, PINCH, _recurrence(**{"from": 30})),
    ),
    _series(
        28,
        "Pendlewick",
        2021,
        "APL suspension without a word to the MP joint: angles before and after",
        ArmSpec(
            id="A", label="APL suspension", technique="apl_suspension", thumbs=96, lost=7, bilateral=5, bone="removed",
            st="some", components=(SPUR,), mp_option="mp_by_reconstruction", st_option="st_some_treated", mp_mean=24,
            mp_spread=12,
        ),
        (
            REVISED, AGAIN, MP_AGAIN, ST_AGAIN, _recurrence(**{"from": 30}),
            Score(outcome="mp_hyperextension", reported_as="change_only", page=5, table=3), PAIN,
        ),
    ),
    _series(
        29,
        "Thornquay",
        2018,
        "Trapeziectomy alone, looked at again after four years",
        ArmSpec(
            id="A", label="Trapeziectomy alone", technique="trapeziectomy", thumbs=83, lost=8, bilateral=4, bone="left",
            st="left", st_option="st_arthritis_left", mp_mean=20, mp_spread=11,
        ),
        (
            REVISED, AGAIN, ST_AGAIN,
            Score(outcome="mp_hyperextension", reported_as="change_lost_sign", page=5, table=3), PAIN,
        ),
    ),
    _series(
        30,
        "Gallowfleet",
        2022,
        "LRTI with capsulodesis of the loose MP joint: a series",
        ArmSpec(
            id="A", label="LRTI with volar capsulodesis", technique="lrti", thumbs=64, lost=5, bilateral=3, bone="some",
            st="treated", components=FCR, mp_option="mp_capsulodesis_volar", st_option="st_trapezoid_partial",
            mp_mean=33, mp_spread=9,
        ),
        (REVISED, AGAIN, MP_AGAIN, ST_AGAIN, _recurrence(above=30), ANGLE, PINCH),
    ),
)  # fmt: skip

"""Five invented randomised trials of operations at the thumb base."""

from __future__ import annotations

from invented.spec import LAST, ArmSpec, Events, Score, Silent, StudySpec

FCR = ("lr_fcr_slip", "ti_fcr")
APL = ("lr_apl_slip", "ti_apl")

TRIALS = (
    StudySpec(
        number=1,
        place="Quillmere",
        year=2014,
        title="Trapezium removal alone or with tendon work: a small trial with one-year results",
        design="randomised",
        allocation="patient",
        blinding="assessors",
        recruited=("2010-02-01", "2012-06-30"),
        follow_up=(12.4, 0.8, 11, 15),
        age=(62.0, 7.8),
        judgements="LLLLS",
        arms=(
            ArmSpec(
                id="A",
                label="Trapeziectomy with pin",
                technique="trapeziectomy",
                thumbs=38,
                lost=2,
                components=("kwire_fixation",),
            ),
            ArmSpec(
                id="B",
                label="LRTI (FCR) with pin",
                technique="lrti",
                thumbs=40,
                lost=1,
                not_operated=1,
                components=(*FCR, "kwire_fixation"),
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="any unwanted event noted by the surgeon up to one year",
            ),
            Events(
                outcome="sbrn_neuropraxia",
                author_definition="numbness on the back of the thumb, any duration",
            ),
            Events(
                outcome="crps",
                author_definition="complex regional pain syndrome diagnosed by the pain clinic",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                planted_zero=("A", "B"),
                author_definition="second operation at the base of the thumb",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any return to theatre for the thumb"
            ),
            Score(outcome="dash", with_baseline=True),
            Score(outcome="key_pinch", with_baseline=True, table=4, page=6),
            Score(outcome="pain_activity", page=6, table=4),
            Silent(outcome="secondary_mp_procedure", reporting="not_reported", at=LAST),
        ),
    ),
    StudySpec(
        number=2,
        place="Brackenhythe",
        year=2017,
        title="Three ways to treat the space after trapezium removal: a three-arm trial",
        design="randomised",
        allocation="thumb",
        blinding="assessors",
        registration="invented register, number INV-0217",
        recruited=("2012-09-03", "2015-01-30"),
        follow_up=(12.3, 0.7, 11, 14),
        centres=2,
        surgeons=4,
        judgements="LLSSS",
        arms=(
            ArmSpec(
                id="A", label="Trapeziectomy alone", technique="trapeziectomy", thumbs=34, bilateral=1, lost=1
            ),
            ArmSpec(id="B", label="LRTI (APL)", technique="lrti", thumbs=36, bilateral=2, components=APL),
            ArmSpec(id="C", label="Suture button", technique="suture_button", thumbs=33, bilateral=1, lost=2),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                author_definition="any deviation from the expected course within twelve months",
            ),
            Events(
                outcome="sbrn_neuropraxia",
                author_definition="altered feeling in the radial nerve area at six weeks or later",
            ),
            Events(
                outcome="mc2_fracture",
                arms=("C",),
                author_definition="fracture of the second metacarpal at the drill hole",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="any further operation on the arthroplasty",
            ),
            Events(
                outcome="any_reoperation",
                at=LAST,
                author_definition="any further operation on the same thumb",
            ),
            Score(outcome="quickdash", with_baseline=True),
            Score(outcome="key_pinch", page=6, table=4),
            Silent(
                outcome="pain_activity",
                reporting="measured_not_reported",
                why="the methods list pain on activity at 12 months; no result is given",
            ),
        ),
    ),
    StudySpec(
        number=3,
        place="Velloway",
        year=2016,
        title="Does the tendon ball matter when the ligament is rebuilt? A trial",
        design="randomised",
        allocation="patient",
        blinding="patients_and_assessors",
        recruited=("2011-05-02", "2013-12-20"),
        follow_up=(12.6, 1.0, 11, 16),
        age=(63.5, 7.2),
        judgements="LLLLL",
        registration="invented register, number INV-0098",
        arms=(
            ArmSpec(
                id="A",
                label="Ligament reconstruction without ball",
                technique="lr",
                thumbs=37,
                lost=1,
                components=("lr_fcr_slip",),
            ),
            ArmSpec(id="B", label="LRTI (FCR)", technique="lrti", thumbs=39, lost=2, components=FCR),
        ),
        outcomes=(
            Events(
                outcome="any_complication",
                definition="any_complication_listed",
                author_definition="all adverse events, asked for at each visit",
            ),
            Events(
                outcome="tendon_rupture_or_tenosynovitis",
                author_definition="tendon trouble needing treatment",
            ),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="repeat operation for failure of the reconstruction",
            ),
            Events(
                outcome="any_reoperation",
                at=LAST,
                author_definition="repeat operation of any kind on the thumb",
            ),
            Score(outcome="dash", reported_as="median_quartiles"),
            Score(outcome="key_pinch", with_baseline=True, page=5, table=3),
            Score(outcome="pain_activity", page=5, table=3),
        ),
    ),
    StudySpec(
        number=4,
        place="Pellaster",
        year=2021,
        title="Dual-mobility prosthesis against trapezium removal: one-year trial results",
        design="randomised",
        allocation="patient",
        blinding="none",
        registration="invented register, number INV-0433",
        recruited=("2017-01-09", "2019-08-30"),
        follow_up=(12.5, 0.9, 11, 16),
        age=(59.5, 7.5),
        surgeons=3,
        immobilisation_weeks=2,
        judgements="LLLSL",
        funder="invented hospital research fund",
        arms=(
            ArmSpec(
                id="A",
                label="Trapeziectomy alone",
                technique="trapeziectomy",
                thumbs=50,
                lost=3,
                not_operated=1,
            ),
            ArmSpec(
                id="B",
                label="Total prosthesis, dual mobility",
                technique="prosthesis_dual_mobility",
                thumbs=52,
                lost=2,
                st_option="st_none",
            ),
        ),
        outcomes=(
            Events(
                outcome="any_complication", author_definition="any complication, with or without treatment"
            ),
            Events(outcome="sbrn_neuropraxia", author_definition="altered feeling in the radial nerve area"),
            Events(outcome="implant_dislocation", arms=("B",), author_definition="dislocation seen on X-ray"),
            Events(
                outcome="revision_index",
                at=LAST,
                author_definition="exchange or removal of the prosthesis, or second operation on the space",
            ),
            Events(
                outcome="any_reoperation", at=LAST, author_definition="any further operation on the thumb"
            ),
            Score(outcome="dash", with_baseline=True),
            Score(outcome="key_pinch", with_baseline=True, page=6, table=3),
            Score(outcome="pain_activity", page=6, table=3),
        ),
    ),
    StudySpec(
        number=5,
        place="Marrowfen",
        year=2019,
        title="Five-year results of a trial of trapeziectomy with and without ligament reconstruction",
        design="randomised",
        allocation="patient",
        blinding="assessors",
        recruited=("2008-03-03", "2012-11-30"),
        follow_up=(61.0, 3.0, 55, 70),
        age=(60.5, 8.4),
        thumb_years_reported=True,
        judgements="LLHLS",
        arms=(
            ArmSpec(
                id="A",
                label="Trapeziectomy alone",
                technique="trapeziectomy",
                thumbs=58,
                bilateral=4,
                lost=11,
            ),
            ArmSpec(
                id="B",
                label="LRTI (FCR)",
                technique="lrti",
                thumbs=57,
                bilateral=3,
                lost=14,
                components=(*FCR, "bone_tunnel_mc1"),
            ),
        ),
        outcomes=(
            Events(outcome="any_complication", author_definition="complications recorded on the trial form"),
            Events(
                outcome="any_complication",
                at=60,
                author_definition="complications recorded on the trial form",
            ),
            Events(outcome="sbrn_neuropraxia", author_definition="sensory change lasting over six weeks"),
            Events(
                outcome="crps", author_definition="complex regional pain syndrome by the surgeon's judgement"
            ),
            Events(
                outcome="revision_index",
                definition="revision_author_definition",
                at=LAST,
                author_definition="revision of the arthroplasty",
            ),
            Events(
                outcome="any_reoperation",
                at=LAST,
                author_definition="all later operations on the thumb column",
            ),
            Events(
                outcome="secondary_mp_procedure", at=LAST, author_definition="later operation on the MP joint"
            ),
            Score(outcome="dash"),
            Score(outcome="dash", at=60),
            Score(outcome="key_pinch", measured_in="lb", page=6, table=3),
            Score(outcome="key_pinch", at=60, measured_in="lb", page=6, table=3),
            Score(outcome="pain_activity", reported_as="mean_error", page=7, table=4),
        ),
    ),
)

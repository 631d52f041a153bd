"""In what two arms differ beside their techniques: by the vocabularies, for arms made up here."""

from __future__ import annotations

from typing import Any

import pytest

from metakit.forms.co_procedures import ArmParts, arm_parts, differences, in_most, shared
from metakit.forms.library import vocabulary


def arm(technique: str, *listed: str, mp: str = "mp_none", st: str = "st_none", **more: Any) -> ArmParts:
    return arm_parts(
        vocabulary("techniques")[technique],
        listed,
        vocabulary("components").terms,
        {"mp_option": vocabulary("mp_options")[mp], "st_option": vocabulary("st_options")[st]},
        more.get("partly", {}),
        more.get("weeks"),
    )


LRTI = ("lrti", "lr_fcr_slip", "ti_fcr")


@pytest.mark.parametrize(
    ("one", "other", "told"),
    [
        (arm("trapeziectomy"), arm(*LRTI), []),  # what the technique means is what is compared
        (arm("trapeziectomy", "kwire_fixation"), arm(*LRTI, "kwire_fixation"), []),
        (arm("trapeziectomy", "kwire_fixation"), arm(*LRTI), ["Temporary pin"]),
        (arm("trapeziectomy"), arm(*LRTI, "bone_tunnel_mc1"), []),  # a detail of the ligament
        (arm("haematoma_distraction"), arm("trapeziectomy", "kwire_fixation"), []),  # its own part there
        (arm("suture_button"), arm(*LRTI, mp="mp_pinning"), ["MP pinning"]),
        (arm("suture_button", mp="mp_arthrodesis"), arm(*LRTI, mp="mp_pinning"), ["MP arthrodesis against MP pinning"]),
        (arm("suture_button", mp="mp_pinning"), arm(*LRTI, mp="mp_pinning"), []),
        (arm("suture_button"), arm(*LRTI, mp="mp_not_reported"), []),  # silence is no procedure, nor its absence
        (arm("suture_button", weeks=2.0), arm(*LRTI, weeks=6.0), ["immobilisation of 2 against 6 weeks"]),
        (arm("suture_button", weeks=2.0), arm(*LRTI), []),
        (arm(*LRTI), arm("lrti", "lr_apl_slip", "ti_fcr"), ["Ligament reconstruction, FCR slip", "Ligament reconstruction, APL slip"]),
        (arm("prosthesis_dual_mobility"), arm("prosthesis_ball_socket", st="st_trapezoid_partial"), ["Partial trapezoid excision"]),
        (arm("trapeziectomy"), arm(*LRTI, partly={"kwire_fixation": "Temporary pin"}), ["Temporary pin (in some)"]),
    ],
)  # fmt: skip
def test_differences(one: ArmParts, other: ArmParts, told: list[str]) -> None:
    assert [item.words for item in differences(one, other)] == told
    assert {item.words.replace(" against ", "|") for item in differences(other, one)} == {
        "|".join(reversed(words.split(" against ")))
        if "immob" not in words
        else "immobilisation of 6|2 weeks"
        for words in told
    }


def test_what_is_compared_is_no_difference() -> None:
    one, other = arm(*LRTI), arm(*LRTI, mp="mp_arthrodesis", st="st_trapezoid_total")
    assert [item.kind for item in differences(one, other, ["mp_option"])] == ["st_option"]
    assert differences(one, other, ["mp_option", "st_option"]) == ()


def test_what_both_had_cancels() -> None:
    one = arm("trapeziectomy", "kwire_fixation", mp="mp_pinning")
    other = arm(*LRTI, "kwire_fixation", mp="mp_pinning", st="st_trapezoid_partial")
    assert shared(one, other) == ("Temporary pin", "MP pinning")


def test_parts_of_most_thumbs_count() -> None:
    assert in_most({"a": 15, "b": 14}, 30) == ("a",)
    assert in_most({"a": 15}, None) == ()

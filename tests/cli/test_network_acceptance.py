"""What `metakit network` does with awkward networks: a clear sentence, and exit status 1 or 3 where nothing can be told."""

from __future__ import annotations

from pathlib import Path

import pytest

HEADER = "study,technique,events,total\n"
LOOP = "a,x,3,40\na,y,5,40\nb,y,4,40\nb,z,6,40\nc,x,2,40\nc,z,7,40\n"


def table(tmp_path: Path, body: str, header: str = HEADER) -> Path:
    path = tmp_path / "arms.csv"
    path.write_text(header + body, encoding="utf-8")
    return path


MODELS = ("random_effects", "common_effect", "mantel_haenszel", "one_stage", "one_stage_common_effect")


@pytest.mark.parametrize("model", MODELS)
def test_every_model_answers_in_the_same_shape(metakit_command, tmp_path: Path, model: str) -> None:
    path = table(tmp_path, LOOP)
    options = ("--measure", "odds_ratio", "--model", model, "--reference", "x")
    answer = metakit_command("network", path, *options, "--json").answer
    assert answer["model"] == model
    assert answer["techniques"] == ["x", "y", "z"]
    assert len(answer["comparisons"]) == 6
    predicted = [row["prediction_interval"] is not None for row in answer["comparisons"]]
    assert all(predicted) if model in ("random_effects", "one_stage") else not any(predicted)
    text = metakit_command("network", path, *options)
    assert text.status == 0 and "Odds ratio against x" in text.out


@pytest.mark.parametrize("model", MODELS)
def test_an_isolated_technique_is_named(metakit_command, tmp_path: Path, model: str) -> None:
    # w stands in a study of its own technique only: nothing compares it
    said = metakit_command(
        "network", table(tmp_path, LOOP + "d,w,3,40\n"), "--measure", "odds_ratio", "--model", model
    )
    assert said.status == 0
    assert "d: only one technique (w): nothing is compared" in said.out
    only = metakit_command(
        "network", table(tmp_path, "d,w,3,40\n"), "--measure", "odds_ratio", "--model", model
    )
    assert only.status == 3
    assert "no study compares two techniques" in only.err and "only one technique (w)" in only.err


@pytest.mark.parametrize("model", MODELS)
def test_a_comparison_without_events_throughout(metakit_command, tmp_path: Path, model: str) -> None:
    nothing = "d,x,0,30\nd,w,0,30\n"
    said = metakit_command(
        "network",
        table(tmp_path, LOOP + nothing),
        "--measure",
        "odds_ratio",
        "--model",
        model,
        "--reference",
        "x",
    )
    assert said.status == 0
    assert "d: no events in any arm: no information on a ratio" in said.out
    alone = metakit_command("network", table(tmp_path, nothing), "--measure", "odds_ratio", "--model", model)
    assert alone.status == 3
    assert "no events in any arm" in alone.err
    wanted = metakit_command(
        "network",
        table(tmp_path, LOOP + nothing),
        "--measure",
        "odds_ratio",
        "--model",
        model,
        "--reference",
        "w",
    )
    assert wanted.status == 3
    assert "no study has the reference 'w'" in wanted.err


@pytest.mark.parametrize("model", ["mantel_haenszel", "one_stage", "one_stage_common_effect"])
def test_a_technique_without_events_has_no_estimate_and_is_named(
    metakit_command, tmp_path: Path, model
) -> None:
    body = LOOP + "d,x,3,30\nd,w,0,30\n"
    said = metakit_command("network", table(tmp_path, body), "--measure", "odds_ratio", "--model", model)
    assert said.status == 0
    assert f"No {model} estimate for w" in said.out
    asked = metakit_command(
        "network", table(tmp_path, body), "--measure", "odds_ratio", "--model", model, "--reference", "w"
    )
    assert asked.status == 3
    assert f"No {model} estimate for w" in asked.err


@pytest.mark.parametrize("model", MODELS)
def test_duplicate_arms_are_refused_with_their_lines(metakit_command, tmp_path: Path, model: str) -> None:
    twice = LOOP.replace("a,x,3,40\n", "a,x,1,15\na,x,2,25\n")
    said = metakit_command("network", table(tmp_path, twice), "--measure", "odds_ratio", "--model", model)
    assert said.status == 1
    assert ":3:" in said.err and "study a has an arm with x on line 2 already" in said.err
    assert "column 'arm'" in said.err and said.out == ""


@pytest.mark.parametrize("model", MODELS)
def test_arms_told_apart_are_combined_and_said(metakit_command, tmp_path: Path, model: str) -> None:
    lines = [f"{line},{line.split(',')[1]}" for line in LOOP.splitlines()]
    twice = "\n".join(lines).replace("a,x,3,40,x", "a,x,1,15,x high\na,x,2,25,x low") + "\n"
    path = tmp_path / "told_apart.csv"
    path.write_text("study,technique,events,total,arm\n" + twice, encoding="utf-8")
    answers = [
        metakit_command("network", file, "--measure", "odds_ratio", "--model", model, "--json").answer
        for file in (path, table(tmp_path, LOOP))
    ]
    assert answers[0]["comparisons"] == answers[1]["comparisons"]
    assert "2 arms with x were combined into one" in " ".join(answers[0]["assumptions"])


@pytest.mark.parametrize("model", MODELS)
def test_unknown_reference_and_a_single_study(metakit_command, tmp_path: Path, model: str) -> None:
    options = ("--measure", "odds_ratio", "--model", model)
    unknown = metakit_command("network", table(tmp_path, LOOP), *options, "--reference", "yy")
    assert unknown.status == 3
    assert "no study has the reference 'yy'; did you mean y?" in unknown.err
    single = metakit_command("network", table(tmp_path, LOOP[:18]), *options)
    assert single.status == 3
    assert "one study is no network" in single.err
    assert "One study (a): its own contrasts are shown, nothing is pooled." in single.out


@pytest.mark.parametrize(
    ("measure", "header", "body", "options", "status", "words"),
    [
        ("risk_ratio", HEADER, LOOP, ("--model", "mantel_haenszel"), 2, "measure odds_ratio"),
        ("risk_ratio", HEADER, LOOP, ("--model", "one_stage"), 2, "measure odds_ratio"),
        ("odds_ratio", HEADER, LOOP, ("--model", "one_stages"), 2, "did you mean one_stage"),
        ("odds_ratio", HEADER, LOOP, ("--model", "one_stage", "--components"), 2, "component model"),
        ("odds_ratio", HEADER, LOOP, ("--moderator", "angle"), 2, "this column is missing"),
        ("odds_ratio", HEADER, LOOP, ("--characteristics", "year"), 2, "this column is missing"),
        ("odds_ratio", HEADER, LOOP, ("--order", "x,y"), 2, "left out: z"),
        ("odds_ratio", HEADER, LOOP, ("--order", "x,y,q"), 2, "unknown technique"),
        ("odds_ratio", "study,technique,events,total,angle\n", LOOP.replace("\n", ",steep\n"),
         ("--moderator", "angle"), 1, "a moderator of a network is a number"),
        ("odds_ratio", "study,technique,events,total,angle\n", LOOP.replace("\n", ",20\n"),
         ("--moderator", "angle"), 3, "angle is 20 in every study"),
        ("odds_ratio", "study,technique,events,total,angle\n", LOOP.replace("\n", ",\n"),
         ("--moderator", "angle"), 3, "no study of this network has a value of angle"),
    ],
)  # fmt: skip
def test_wrong_use_is_answered_in_words(
    metakit_command, tmp_path: Path, measure, header, body, options, status, words
) -> None:
    said = metakit_command("network", table(tmp_path, body, header), "--measure", measure, *options)
    assert said.status == status
    assert words in said.err


def test_moderator_characteristics_and_funnel_are_told(metakit_command, tmp_path: Path) -> None:
    rows = [
        f"s{k},{name},{2 + (3 * k + n) % 7},40,{5 * k},{'trial' if k % 2 else 'cohort'}\n"
        for k in range(10)
        for n, name in enumerate(("x", "y", "z")[k % 2 : k % 2 + 2])
    ]
    path = table(tmp_path, "".join(rows), "study,technique,events,total,angle,design\n")
    said = metakit_command(
        "network", path, "--measure", "odds_ratio", "--reference", "y", "--moderator", "angle",
        "--moderator-form", "common", "--characteristics", "angle,design", "--order", "x,y,z",
    )  # fmt: skip
    assert said.status == 0
    for words in (
        "Moderator angle, 0 to 45 in 10 studies; effects against y",
        "all techniques: times",
        "angle, x against y: 20 (0 to 40) in 5 of 5 studies",
        "design, y against z: trial 5 in 5 of 5 studies",
        "Each study's contrast less the mean of its comparison",
    ):
        assert words in said.out

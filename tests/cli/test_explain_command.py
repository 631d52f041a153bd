"""`metakit explain` in words."""


def test_the_command_says_what_when_and_where_from(metakit_command):
    said = metakit_command("explain", "hartung_knapp")
    assert (
        said.status == 0 and "inference hartung_knapp:" in said.out and "interval hartung_knapp:" in said.out
    )
    assert "When:" in said.out and "Formula:" in said.out and "Source:" in said.out
    wrong = metakit_command("explain", "risk_ration")
    assert wrong.status == 2 and "risk_ratio" in wrong.err
    assert "tau2: reml" in metakit_command("explain").out

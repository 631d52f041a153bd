"""The logistic-normal for causes of return, answered twice without metakit: on grids, and by long Markov chains.

The model (tests/simulation/causes_protocol.md): in study i the shares are proportional to m_c exp(tau / sqrt(2) z_ic)
with independent standard normal z_ic (Aitchison & Shen 1980 for the family, from memory); m is Dirichlet(1/C, ..., 1/C)
and tau is half-normal with scale 1; the counts of a study are multinomial with its shares. Asked for are the mean share of
each cause over centres, its share in a new centre, and tau.
"""

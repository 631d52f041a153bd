"""Published sources of the methods, by key. A method names its keys; a contract test resolves them all.

Entries were typed from memory (status: memory); check them before a manuscript goes out.
"""

from __future__ import annotations

from dataclasses import dataclass

from metakit.errors import UnknownNameError


@dataclass(frozen=True, slots=True)
class Reference:
    """One source."""

    key: str
    authors: str
    year: int
    title: str
    where: str

    def __str__(self) -> str:
        return f"{self.authors} ({self.year}). {self.title}. {self.where}."


_ENTRIES = (
    Reference(
        "handbook",
        "Higgins JPT, Thomas J, Chandler J, et al. (editors)",
        2024,
        "Cochrane Handbook for Systematic Reviews of Interventions",
        "Version 6.5, Cochrane",
    ),
    Reference(
        "mantel_haenszel_1959",
        "Mantel N, Haenszel W",
        1959,
        "Statistical aspects of the analysis of data from retrospective studies of disease",
        "J Natl Cancer Inst 22:719-748",
    ),
    Reference(
        "robins_breslow_greenland_1986",
        "Robins J, Breslow N, Greenland S",
        1986,
        "Estimators of the Mantel-Haenszel variance consistent in both sparse data and large-strata limiting models",
        "Biometrics 42:311-323",
    ),
    Reference(
        "greenland_robins_1985",
        "Greenland S, Robins JM",
        1985,
        "Estimation of a common effect parameter from sparse follow-up data",
        "Biometrics 41:55-68",
    ),
    Reference(
        "yusuf_1985",
        "Yusuf S, Peto R, Lewis J, Collins R, Sleight P",
        1985,
        "Beta blockade during and after myocardial infarction",
        "Prog Cardiovasc Dis 27:335-371",
    ),
    Reference(
        "rucker_2009",
        "Rücker G, Schwarzer G, Carpenter J, Olkin I",
        2009,
        "Why add anything to nothing? The arcsine difference as a measure of treatment effect in meta-analysis with zero cells",
        "Stat Med 28:721-738",
    ),
    Reference(
        "sweeting_2004",
        "Sweeting MJ, Sutton AJ, Lambert PC",
        2004,
        "What to add to nothing? Use and avoidance of continuity corrections in meta-analysis of sparse data",
        "Stat Med 23:1351-1375",
    ),
    Reference(
        "freeman_tukey_1950",
        "Freeman MF, Tukey JW",
        1950,
        "Transformations related to the angular and the square root",
        "Ann Math Stat 21:607-611",
    ),
    Reference(
        "miller_1978",
        "Miller JJ",
        1978,
        "The inverse of the Freeman-Tukey double arcsine transformation",
        "Am Stat 32:138",
    ),
    Reference(
        "schwarzer_2019",
        "Schwarzer G, Chemaitelly H, Abu-Raddad LJ, Rücker G",
        2019,
        "Seriously misleading results using inverse of Freeman-Tukey double arcsine transformation in meta-analysis of single proportions",
        "Res Synth Methods 10:476-483",
    ),
    Reference(
        "rover_friede_2022",
        "Röver C, Friede T",
        2022,
        "Double arcsine transform not appropriate for meta-analysis",
        "Res Synth Methods 13:645-648",
    ),
    Reference(
        "clopper_pearson_1934",
        "Clopper CJ, Pearson ES",
        1934,
        "The use of confidence or fiducial limits illustrated in the case of the binomial",
        "Biometrika 26:404-413",
    ),
    Reference(
        "wilson_1927",
        "Wilson EB",
        1927,
        "Probable inference, the law of succession, and statistical inference",
        "J Am Stat Assoc 22:209-212",
    ),
    Reference(
        "garwood_1936",
        "Garwood F",
        1936,
        "Fiducial limits for the Poisson distribution",
        "Biometrika 28:437-442",
    ),
    Reference(
        "hedges_1981",
        "Hedges LV",
        1981,
        "Distribution theory for Glass's estimator of effect size and related estimators",
        "J Educ Stat 6:107-128",
    ),
    Reference(
        "friedrich_2008",
        "Friedrich JO, Adhikari NKJ, Beyene J",
        2008,
        "The ratio of means method as an alternative to mean differences for analyzing continuous outcome variables in meta-analysis",
        "BMC Med Res Methodol 8:32",
    ),
    Reference(
        "wan_2014",
        "Wan X, Wang W, Liu J, Tong T",
        2014,
        "Estimating the sample mean and standard deviation from the sample size, median, range and/or interquartile range",
        "BMC Med Res Methodol 14:135",
    ),
    Reference(
        "luo_2018",
        "Luo D, Wan X, Liu J, Tong T",
        2018,
        "Optimally estimating the sample mean from the sample size, median, mid-range, and/or mid-quartile range",
        "Stat Methods Med Res 27:1785-1805",
    ),
    Reference(
        "shi_2020",
        "Shi J, Luo D, Weng H, et al.",
        2020,
        "Optimally estimating the sample standard deviation from the five-number summary",
        "Res Synth Methods 11:641-654",
    ),
    Reference(
        "shi_2023",
        "Shi J, Luo D, Wan X, et al.",
        2023,
        "Detecting the skewness of data from the five-number summary and its application in meta-analysis",
        "Stat Methods Med Res 32:1338-1360",
    ),
    Reference(
        "chinn_2000",
        "Chinn S",
        2000,
        "A simple method for converting an odds ratio to effect size for use in meta-analysis",
        "Stat Med 19:3127-3131",
    ),
    Reference(
        "gleser_olkin_2009",
        "Gleser LJ, Olkin I",
        2009,
        "Stochastically dependent effect sizes",
        "In: Cooper H, Hedges LV, Valentine JC (editors), The Handbook of Research Synthesis and Meta-Analysis, 2nd edition, Russell Sage",
    ),
    Reference(
        "parmar_1998",
        "Parmar MKB, Torri V, Stewart L",
        1998,
        "Extracting summary statistics to perform meta-analyses of the published literature for survival endpoints",
        "Stat Med 17:2815-2834",
    ),
    Reference(
        "tierney_2007",
        "Tierney JF, Stewart LA, Ghersi D, Burdett S, Sydes MR",
        2007,
        "Practical methods for incorporating summary time-to-event data into meta-analysis",
        "Trials 8:16",
    ),
    Reference(
        "dersimonian_laird_1986",
        "DerSimonian R, Laird N",
        1986,
        "Meta-analysis in clinical trials",
        "Control Clin Trials 7:177-188",
    ),
    Reference(
        "dersimonian_kacker_2007",
        "DerSimonian R, Kacker R",
        2007,
        "Random-effects model for meta-analysis of clinical trials: an update",
        "Contemp Clin Trials 28:105-114",
    ),
    Reference(
        "hedges_olkin_1985",
        "Hedges LV, Olkin I",
        1985,
        "Statistical Methods for Meta-Analysis",
        "Academic Press",
    ),
    Reference(
        "paule_mandel_1982",
        "Paule RC, Mandel J",
        1982,
        "Consensus values and weighting factors",
        "J Res Natl Bur Stand 87:377-385",
    ),
    Reference(
        "morris_1983",
        "Morris CN",
        1983,
        "Parametric empirical Bayes inference: theory and applications",
        "J Am Stat Assoc 78:47-55",
    ),
    Reference(
        "sidik_jonkman_2005",
        "Sidik K, Jonkman JN",
        2005,
        "Simple heterogeneity variance estimation for meta-analysis",
        "Appl Stat 54:367-384",
    ),
    Reference("hunter_schmidt_2004", "Hunter JE, Schmidt FL", 2004, "Methods of Meta-Analysis", "Sage"),
    Reference(
        "viechtbauer_2005",
        "Viechtbauer W",
        2005,
        "Bias and efficiency of meta-analytic variance estimators in the random-effects model",
        "J Educ Behav Stat 30:261-293",
    ),
    Reference(
        "veroniki_2016",
        "Veroniki AA, Jackson D, Viechtbauer W, et al.",
        2016,
        "Methods to estimate the between-study variance and its uncertainty in meta-analysis",
        "Res Synth Methods 7:55-79",
    ),
    Reference(
        "langan_2019",
        "Langan D, Higgins JPT, Jackson D, et al.",
        2019,
        "A comparison of heterogeneity variance estimators in simulated random-effects meta-analyses",
        "Res Synth Methods 10:83-98",
    ),
    Reference(
        "hartung_knapp_2001",
        "Hartung J, Knapp G",
        2001,
        "A refined method for the meta-analysis of controlled clinical trials with binary outcome",
        "Stat Med 20:3875-3889",
    ),
    Reference(
        "sidik_jonkman_2002",
        "Sidik K, Jonkman JN",
        2002,
        "A simple confidence interval for meta-analysis",
        "Stat Med 21:3153-3159",
    ),
    Reference(
        "rover_2015",
        "Röver C, Knapp G, Friede T",
        2015,
        "Hartung-Knapp-Sidik-Jonkman approach and its modification for random-effects meta-analysis with few studies",
        "BMC Med Res Methodol 15:99",
    ),
    Reference(
        "hardy_thompson_1996",
        "Hardy RJ, Thompson SG",
        1996,
        "A likelihood approach to meta-analysis with random effects",
        "Stat Med 15:619-629",
    ),
    Reference(
        "henmi_copas_2010",
        "Henmi M, Copas JB",
        2010,
        "Confidence intervals for random effects meta-analysis and robustness to publication bias",
        "Stat Med 29:2969-2983",
    ),
    Reference(
        "viechtbauer_2007",
        "Viechtbauer W",
        2007,
        "Confidence intervals for the amount of heterogeneity in meta-analysis",
        "Stat Med 26:37-52",
    ),
    Reference(
        "jackson_2013",
        "Jackson D",
        2013,
        "Confidence intervals for the between-study variance in random effects meta-analysis using generalised Cochran heterogeneity statistics",
        "Res Synth Methods 4:220-229",
    ),
    Reference(
        "higgins_thompson_2002",
        "Higgins JPT, Thompson SG",
        2002,
        "Quantifying heterogeneity in a meta-analysis",
        "Stat Med 21:1539-1558",
    ),
    Reference(
        "higgins_thompson_spiegelhalter_2009",
        "Higgins JPT, Thompson SG, Spiegelhalter DJ",
        2009,
        "A re-evaluation of random-effects meta-analysis",
        "J R Stat Soc A 172:137-159",
    ),
    Reference(
        "partlett_riley_2017",
        "Partlett C, Riley RD",
        2017,
        "Random effects meta-analysis: coverage performance of 95% confidence and prediction intervals following REML estimation",
        "Stat Med 36:301-317",
    ),
    Reference(
        "nagashima_2019",
        "Nagashima K, Noma H, Furukawa TA",
        2019,
        "Prediction intervals for random-effects meta-analysis: a confidence distribution approach",
        "Stat Methods Med Res 28:1689-1702",
    ),
    Reference(
        "follmann_proschan_1999",
        "Follmann DA, Proschan MA",
        1999,
        "Valid inference in random effects meta-analysis",
        "Biometrics 55:732-737",
    ),
    Reference(
        "mathur_vanderweele_2019",
        "Mathur MB, VanderWeele TJ",
        2019,
        "New metrics for meta-analyses of heterogeneous effects",
        "Stat Med 38:1336-1342",
    ),
    Reference(
        "brockhaus_2016",
        "Brockhaus AC, Grouven U, Bender R",
        2016,
        "Performance of the Peto odds ratio compared to the usual odds ratio estimator in the case of rare events",
        "Biom J 58:1428-1444",
    ),
    Reference(
        "cochran_1954",
        "Cochran WG",
        1954,
        "The combination of estimates from different experiments",
        "Biometrics 10:101-129",
    ),
    Reference(
        "stijnen_2010",
        "Stijnen T, Hamza TH, Özdemir P",
        2010,
        "Random effects meta-analysis of event outcome in the framework of the generalized linear mixed model with applications in sparse data",
        "Stat Med 29:3046-3067",
    ),
    Reference(
        "jackson_2018",
        "Jackson D, Law M, Stijnen T, Viechtbauer W, White IR",
        2018,
        "A comparison of seven random-effects models for meta-analyses that estimate the summary odds ratio",
        "Stat Med 37:1059-1085",
    ),
    Reference(
        "kuss_2015",
        "Kuss O",
        2015,
        "Statistical methods for meta-analyses including information from studies without any events",
        "Stat Med 34:1097-1116",
    ),
    Reference(
        "lin_chu_2020",
        "Lin L, Chu H",
        2020,
        "Meta-analysis of proportions using generalized linear mixed models",
        "Epidemiology 31:713-717",
    ),
    Reference(
        "spittal_2015",
        "Spittal MJ, Pirkis J, Gurrin LC",
        2015,
        "Meta-analysis of incidence rate data in the presence of zero events",
        "BMC Med Res Methodol 15:42",
    ),
    Reference(
        "rover_2021",
        "Röver C, Bender R, Dias S, et al.",
        2021,
        "On weakly informative prior distributions for the heterogeneity parameter in Bayesian random-effects meta-analysis",
        "Res Synth Methods 12:448-474",
    ),
    Reference(
        "turner_2015",
        "Turner RM, Jackson D, Wei Y, Thompson SG, Higgins JPT",
        2015,
        "Predictive distributions for between-study heterogeneity and simple methods for their application in Bayesian meta-analysis",
        "Stat Med 34:984-998",
    ),
    Reference(
        "konstantopoulos_2011",
        "Konstantopoulos S",
        2011,
        "Fixed effects and variance components estimation in three-level meta-analysis",
        "Res Synth Methods 2:61-76",
    ),
    Reference(
        "pustejovsky_tipton_2022",
        "Pustejovsky JE, Tipton E",
        2022,
        "Meta-analysis with robust variance estimation: expanding the range of working models",
        "Prev Sci 23:425-438",
    ),
    Reference(
        "tipton_2015",
        "Tipton E",
        2015,
        "Small sample adjustments for robust variance estimation with meta-regression",
        "Psychol Methods 20:375-393",
    ),
    Reference(
        "sterne_2011",
        "Sterne JAC, Sutton AJ, Ioannidis JPA, et al.",
        2011,
        "Recommendations for examining and interpreting funnel plot asymmetry in meta-analyses of randomised controlled trials",
        "BMJ 343:d4002",
    ),
    Reference(
        "hunter_2014",
        "Hunter JP, Saratzis A, Sutton AJ, et al.",
        2014,
        "In meta-analyses of proportion studies, funnel plots were found to be an inaccurate method of assessing publication bias",
        "J Clin Epidemiol 67:897-903",
    ),
    Reference(
        "prisma_2020",
        "Page MJ, McKenzie JE, Bossuyt PM, et al.",
        2021,
        "The PRISMA 2020 statement: an updated guideline for reporting systematic reviews",
        "BMJ 372:n71",
    ),
)
REFERENCES = {entry.key: entry for entry in _ENTRIES}


def reference(key: str) -> Reference:
    """Return the source with this key."""
    try:
        return REFERENCES[key]
    except KeyError:
        raise UnknownNameError("reference", key, REFERENCES) from None

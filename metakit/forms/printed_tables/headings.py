"""Headings of columns as papers write them, and what each says: 'Events (n)', 'n/N', 'Mean ± SD', 'Patients'.

The words are those that clinical papers use over such columns (common practice, no source). A heading that
fits nothing keeps its name and becomes a moderator.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.core.nouns import nouns
from metakit.forms.sheets.printed_numbers import without_marks


def _words(text: str) -> dict[str, tuple[str, ...]]:
    """Read lines of 'role : word | word', a line going on where it is set in further."""
    lines = re.sub(r"\n {8,}", " ", text).strip().splitlines()
    pairs = (line.split(" : ") for line in lines)
    return {role.strip(): tuple(word.strip() for word in words.split(" | ")) for role, words in pairs}


HEADINGS: Mapping[str, tuple[str, ...]] = _words(
    """
    study : study | studies | author | authors | first author | trial | reference | paper | series |
        report | study id | author year | study year | author and year | study name | source
    technique : technique | treatment | operation | procedure | intervention | surgery | method
    cause : cause | reason | cause of revision | reason for revision | reason for return
    events : events | event | events n | n events | no of events | number of events | complications
        | no of complications | number of complications | complications n | revisions | revisions n
        | no of revisions | number of revisions | failures | no of failures | with event | affected
        | no with event | n with event | revised | reoperations | patients with complication
        | patients with complications | thumbs with complication | thumbs with complications
        | patients with event | patients with events | thumbs with event | patients revised | thumbs revised
    total : total | totals | n | no | total n | n total | no of patients | number of patients |
        patients | patients n | n patients | no of thumbs | number of thumbs | thumbs | thumbs n | n
        thumbs | hands | no of hands | total no of thumbs | total no of patients | total thumbs |
        total patients | joints | sample size | sample | size | participants | number | analysed |
        no analysed | group size | no of cases | number of participants | no of participants |
        implants | no of implants | number of implants | prostheses | no of prostheses | number of prostheses
    events/total : n/n | n/n (%) | events/total (%) | events/n (%) | events/total | events/n |
        n/total | no/total | x/n | events/patients | events/thumbs | complications/thumbs |
        complications/patients | complications/n | revisions/thumbs | revisions/n | events of total
        | n of n | number/total
    events (percent) : n (%) | events (%) | no (%) | events n (%) | number (%) | complications (%) |
        revisions (%) | complications n (%) | revisions n (%) | n % | events %
    percent : % | percent | percentage | rate % | events % | risk % | proportion %
    mean : mean | average | mean value | mean score
    sd : sd | standard deviation | std dev | st dev | stdev | s d | std
    mean_sd : mean ± sd | mean (sd) | mean +/- sd | mean sd | mean (± sd) | mean ±sd | mean±sd |
        mean [sd] | mean (standard deviation) | mean ± standard deviation
    time : time | thumb years | thumb-years | person years | person-years | patient years |
        patient-years | years of follow up | exposure | joint years | follow up thumb years |
        procedure years | component years | observation years
    effect : effect | log ratio | difference | mean difference | estimate
    standard_error : standard error | se | std error | s e | st err
    variance : variance | var
    ratio : ratio | risk ratio | relative risk | odds ratio | hazard ratio | rate ratio | rr | or |
        hr | irr
    ratio_interval : rr (95% ci) | or (95% ci) | hr (95% ci) | risk ratio (95% ci) | odds ratio (95%
        ci) | hazard ratio (95% ci) | relative risk (95% ci) | rate ratio (95% ci) | irr (95% ci) |
        ratio (95% ci)
    adjusted : adjusted | adjusted ratio yes/no
    interval : 95% ci | ci | 95 % ci | confidence interval | 95% confidence interval | interval
    interval_lower : interval lower | lower | lower limit | ci lower | lower ci | 95% ci lower |
        lower 95% ci | from | lower bound
    interval_upper : interval upper | upper | upper limit | ci upper | upper ci | 95% ci upper |
        upper 95% ci | to | upper bound
    p_value : p | p value | p-value
    year : year | publication year | year of publication
    """
)
ARM_WORDS: Mapping[str, tuple[str, ...]] = _words(
    """
    1 : 1 | arm 1 | group 1 | a | group a | arm a | intervention | experimental | new | index |
        treatment group | intervention group | experimental group | treated
    2 : 2 | arm 2 | group 2 | b | group b | arm b | control | comparator | comparison | standard |
        control group | controls | comparison group | reference group
    """
)


WHOLE_ONLY = ("implants", "prostheses")
"""Words that count thumbs as a whole heading, but name a technique beside another: 'Prostheses events'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What a heading says: its role ('' when it says nothing known), its arm ('' without one), its text."""

    text: str
    role: str
    arm: str = ""


_UNIT = re.compile(r"(?<=[)\]]) (?:kg|n|lb|mm|cm|points|degrees|°|min|minutes|months|years)$")
"""A unit after a bracket, as in 'Mean (SD), kg'."""


def tidied(text: str) -> str:
    """Return a heading in small letters, without marks, points and doubled spaces."""
    plain, _ = without_marks(" ".join(text.split()))
    plain = plain.replace("_", " ").replace(",", " ").casefold().replace("no.", "no").replace("№", "no")
    plain = re.sub(r"(?<=\d) ?%", "%", re.sub(r"[.:;]+(?=\s|$|\))", "", plain))
    plain = re.sub(r"\s*/\s*", "/", plain)
    return nouns().ours(" ".join(plain.split()))


def role_of(text: str) -> str:
    """Return the role of a heading without an arm; empty when it says nothing known."""
    plain = _UNIT.sub("", tidied(text))
    for candidate in _spellings(plain):
        role = _ROLES.get(candidate)
        if role:
            return role
    return ""


def heading_of(text: str, group: str = "") -> Heading:
    """Read a heading, and the heading that spans it, into role and arm.

    The arm is '1' or '2' where words say so, else what is left of the text beside the role ('LRTI').
    """
    role = role_of(text)
    if role:
        return Heading(text=text, role=role, arm=arm_of(group) if group else "")
    plain = _UNIT.sub("", tidied(text))
    for known in _LONGEST_FIRST:
        if known in WHOLE_ONLY:
            continue
        rest = _without(plain, known)
        if rest is not None and rest:
            return Heading(text=text, role=_ROLES[known], arm=arm_of(rest))
    return Heading(text=text, role="", arm=arm_of(group) if group else "")


def arm_of(text: str) -> str:
    """Return the arm that a text names: '1' or '2' where words say so, else the text itself."""
    plain = tidied(text).strip(" ()[],-–:")
    plain = re.sub(r" ?\(n ?= ?\d+\)$", "", plain)
    return next((arm for arm, words in ARM_WORDS.items() if plain in words), plain)


def _without(plain: str, known: str) -> str | None:
    """Return what is left of a heading when a known one stands at its start or end, None when it does not."""
    if known not in plain:  # most are not: no pattern is made for them
        return None
    for pattern in (rf"{re.escape(known)}[ (\-–:]+(.+)", rf"(.+?)[ )\-–:]+\(?{re.escape(known)}\)?"):
        found = re.fullmatch(pattern, plain)
        if found:
            return found[1].strip(" ()[],-–:")
    return None


def _spellings(plain: str) -> Sequence[str]:
    """Return a heading as it stands, without its brackets, and without what they hold ('events (n)')."""
    opened = re.sub(r"[()\[\]]", " ", plain)
    return (
        plain,
        " ".join(opened.split()),
        re.sub(r" ?[(\[](?:n|no|thumbs|patients)[)\]]", "", plain).strip(),
    )


_ROLES = {word: role for role, words in HEADINGS.items() for word in words}
_LONGEST_FIRST = sorted(
    _ROLES, key=lambda word: (_ROLES[word] in ("study", "technique", "cause"), -len(word))
)
"""Words of numbers before those of names: 'Intervention events' are events of an arm."""

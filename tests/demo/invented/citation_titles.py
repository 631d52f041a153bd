"""Invented titles and names for the citations of the demonstration review."""

from __future__ import annotations

import random

STARTS = (
    "Abber", "Birch", "Cald", "Dorn", "Elver", "Farn", "Glint", "Harl", "Iver", "Jask", "Kelp", "Lorn", "Marl",
    "Nettle", "Oster", "Pell", "Quern", "Rusk", "Sarn", "Tolle", "Umber", "Vask", "Wend", "Yarr", "Zell",
)  # fmt: skip
ENDS = ("combe", "dahl", "ford", "garth", "holt", "kvist", "low", "mark", "ness", "quay", "strand", "wick")
JOURNALS = (
    "Halvarn Journal of the Hand", "Annals of Invented Surgery", "Coastal Orthopaedics (invented)",
    "Invented Archives of the Thumb", "Halvarn Therapy Review", "Proceedings of the Invented Hand Society",
)  # fmt: skip
_SUBJECTS = (
    "carpal tunnel release", "scaphoid nonunion", "distal radius fracture", "trigger thumb", "De Quervain pain",
    "ulnar collateral ligament repair", "Dupuytren disease of the first ray", "thumb replantation",
    "finger joint replacement", "wrist arthroscopy", "steroid injection at the thumb base",
    "splints for a painful thumb base", "flexor tendon rehabilitation", "ultrasound of the first compartment",
    "fracture of the trapezium", "hypoplastic thumb", "pollicization", "ganglion of the wrist",
    "nerve repair in the palm", "kinematics of the pinch", "magnetic resonance imaging of the wrist",
    "cartilage of the hand", "hand osteoarthritis without operation", "occupational strain of the thumb",
)  # fmt: skip
_FRAMES = (
    "{}: what patients expect", "Waiting lists for {}", "Cost of {} in a small country", "A questionnaire on {}",
    "{} and return to work", "Anatomy that matters in {}", "Learning curves in {}", "{} among musicians",
    "Radiographs before {}: do they help?", "{}: protocol of a study", "Anaesthesia for {}",
    "Twenty years of {} in one valley", "Nurse-led follow-up after {}", "{} in people over eighty",
)  # fmt: skip
TECHNIQUES = (
    "trapeziectomy", "ligament reconstruction", "suture-button suspension", "ball-and-socket prosthesis",
    "dual-mobility prosthesis", "arthrodesis of the thumb base", "pyrocarbon interposition", "denervation",
)  # fmt: skip
BY_REASON = {
    "other_population": (
        ("{} in inflammatory arthritis", "every patient had inflammatory arthritis", "2"),
        ("{} after a failed first operation", "operations after an earlier one only", "1"),
    ),
    "other_intervention": (
        ("Injection instead of {}", "no operation at all", "1"),
        ("Waiting for {}: splints in the meantime", "splints only", "3"),
    ),
    "other_comparator": (("{} against a programme of exercises", "compared with exercises", "2"),),
    "other_design": (
        ("{}: a cadaver study", "cadaver study", "1"),
        ("{}: a narrative review", "review without own patients", "1"),
        ("How I do it: {}", "technique note, no results", "1"),
        ("Letter about {}", "letter", "1"),
    ),
    "too_few_thumbs": (("First experience with {} in a dozen thumbs", "12 thumbs", "2"),),
    "follow_up_too_short": (
        ("{}: results at the removal of the pin", "followed for six weeks", "3"),
        ("The first half year after {}", "followed for six months", "2"),
    ),
    "no_eligible_outcome": (("Sensors of motion after {}", "motion capture only", "4"),),
    "same_patients": (("{} revisited: the same ward, told again", "all patients in a report that was kept", "2"),),
    "language": (("Notes in an unread language on {}", "nobody could translate it", ""),),
}  # fmt: skip


def unrelated(rng: random.Random, count: int) -> list[str]:
    """Return titles that a glance excludes."""
    every = [frame.format(subject) for subject in _SUBJECTS for frame in _FRAMES]
    return [title[0].upper() + title[1:] for title in rng.sample(every, count)]


def near_misses(rng: random.Random, counts: dict[str, int]) -> list[tuple[str, str, str, str]]:
    """Return (title, reason, note, page) of reports that only the full text excludes."""
    found = []
    for reason, count in counts.items():
        every = [(frame, technique) for frame in BY_REASON[reason] for technique in TECHNIQUES]
        for (frame, note, page), technique in rng.sample(every, count):
            title = frame.format(technique)
            found.append((title[0].upper() + title[1:], reason, note, page))
    return found


def authors(rng: random.Random) -> str:
    """Return one to four invented authors."""
    people = [
        f"{rng.choice(STARTS)}{rng.choice(ENDS)}, {rng.choice('ABCDEFGHJKLMNPRST')}"
        for _ in range(rng.randint(1, 4))
    ]
    return "; ".join(people)

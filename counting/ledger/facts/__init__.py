"""Every fact's type, its body, and each rule about facts, written once.

Only here is a body of the ledger read; the rooms get types.
"""

from counting.ledger.facts.answer import (
    CANNOT_TELL,
    COUNTED,
    RETAKE,
    TOGETHER,
    Answer,
    Border,
    Judged,
    Mark,
    answer_key,
    newest_answers,
    zone_of,
)
from counting.ledger.facts.event import Event
from counting.ledger.facts.exclusion import Exclusion, LeftOut
from counting.ledger.facts.lesson import Lesson
from counting.ledger.facts.photo import Photo, Slot, Tag
from counting.ledger.facts.plan import RENAMED, PlanRecord, facts_by_plant
from counting.ledger.facts.proposal import Candidate, Glance, Proposal, settings_of, settings_text
from counting.ledger.facts.read import (
    Fact,
    all_answers,
    all_proposals,
    answers,
    answers_that_stand,
    entries_of,
    event_of,
    events,
    exclusion_of,
    fact_of,
    glances,
    left_out,
    lessons,
    photo_of,
    photos,
    plan_record,
    proposal_of,
    proposals,
    sheet_of,
    sheets,
    standing_answers,
    tallies,
    tally_of,
)
from counting.ledger.facts.sheet import Sheet
from counting.ledger.facts.sides import one_side, sides_unnamed, to_name
from counting.ledger.facts.tally import Tally, newest_tallies
from counting.ledger.facts.times import NEVER, moment, read_time

__all__ = [
    "CANNOT_TELL",
    "COUNTED",
    "TOGETHER",
    "NEVER",
    "RENAMED",
    "RETAKE",
    "Answer",
    "Candidate",
    "Event",
    "Exclusion",
    "Fact",
    "Glance",
    "Judged",
    "LeftOut",
    "Lesson",
    "Border",
    "Mark",
    "Photo",
    "PlanRecord",
    "Proposal",
    "Sheet",
    "Slot",
    "Tag",
    "Tally",
    "all_answers",
    "all_proposals",
    "answer_key",
    "answers",
    "answers_that_stand",
    "entries_of",
    "event_of",
    "events",
    "exclusion_of",
    "fact_of",
    "glances",
    "facts_by_plant",
    "left_out",
    "lessons",
    "moment",
    "newest_answers",
    "newest_tallies",
    "photo_of",
    "photos",
    "plan_record",
    "proposal_of",
    "proposals",
    "read_time",
    "settings_of",
    "settings_text",
    "sheet_of",
    "sheets",
    "one_side",
    "sides_unnamed",
    "standing_answers",
    "tallies",
    "tally_of",
    "to_name",
    "zone_of",
]

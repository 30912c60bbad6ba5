"""What `counting start` needs to know, asked in the order in which a grower thinks of it."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from counting.errors import PlanError
from counting.measures import MEASURES
from counting.plan.card import MOST_TAGS
from counting.plan.trial import share_entry
from counting.typed import length_mm, share, whole_number, yes

__all__ = [
    "USUAL",
    "Answers",
    "Question",
    "ask",
    "check_options",
    "checked_groups",
    "one_control",
    "plan_entries",
    "questions",
    "some_text",
    "unit_of_lots",
]

Ask = Callable[[str, str], str]
"""Takes a question and its usual answer, returns what was typed."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question, its usual answer and how a typed answer is read."""

    name: str
    text: str
    usual: str
    read: Callable[[str], Any]


@dataclass(slots=True)
class Answers:
    """What is known of the plan so far; None is not known yet."""

    known: dict[str, Any]
    name: str = ""


def _blocks(text: str) -> int:
    return whole_number(text, 1, 1000)


def _guards(text: str) -> int:
    return whole_number(text, 0, 100)


def _difference(text: str) -> float:
    value = share(text)
    if not 0 < value <= 100:
        message = f"{text!r} is not above 0; write 20% or 0.2"
        raise ValueError(message)
    return value


def _size(text: str) -> float:
    value = length_mm(text)
    if not 0 < value <= 200:
        message = f"{text!r} is no size of a fruit; write 10 mm or 1 cm, up to 200 mm"
        raise ValueError(message)
    return value


def _spacing(text: str) -> float:
    """Return mm from stem to stem; 0 where nobody knows."""
    value = 0.0 if text.lower() in {"unknown", "?"} else length_mm(text)
    if value and not 50 <= value <= 5000:
        message = f"{text!r} is no spacing in a row; write 45 cm or 450 mm, or unknown"
        raise ValueError(message)
    return value


def unit_of_lots(text: str) -> str:
    """Read what gets its treatment by lot; a `ValueError` says what is wrong."""
    if text.lower() not in {"plant", "plot", "block"}:
        message = f"{text!r} is none of plant, plot, block"
        raise ValueError(message)
    return text.lower()


def _groups(text: str) -> list[str]:
    return checked_groups([name.strip() for name in text.split(",") if name.strip()])


def checked_groups(groups: list[str]) -> list[str]:
    """Return groups, each ``NAME`` or ``NAME=TREATMENT``, as they are.

    Raises
    ------
    ValueError
        If there are fewer than two, or two bear one name.
    """
    names = [_name(group) for group in groups]
    if len(names) < 2:
        message = "two groups or more are needed, with a comma between them"
        raise ValueError(message)
    alike = [name.casefold() for name in names]
    twice = sorted({name for name in names if alike.count(name.casefold()) > 1})
    if twice:
        said = " and ".join(map(repr, twice[:2]))
        message = f"two groups are called {said}; give each its own name"
        raise ValueError(message)
    if any(not name or len(name) > 80 for name in names):
        message = "a group's name has 1 to 80 letters"
        raise ValueError(message)
    return groups


def one_control(text: str, names: list[str]) -> str:
    """Return the group that is meant, whatever its capitals."""
    meant = {name.casefold(): name for name in names}
    if text.casefold() not in meant:
        message = f"control {text!r} is none of the groups {', '.join(sorted(names))}"
        raise ValueError(message)
    return meant[text.casefold()]


def some_text(text: str) -> str:
    """Read a name or title; a `ValueError` says what is wrong."""
    if not text or len(text) > 200:
        message = "nothing was typed" if not text else "that is longer than 200 letters"
        raise ValueError(message)
    return text


def _measure(text: str) -> str:
    name = some_text(text).lower().replace(" ", "_")
    if len(name) > 80:
        message = "a measure's name has at most 80 letters"
        raise ValueError(message)
    close = difflib.get_close_matches(name, MEASURES, n=1, cutoff=0.75)
    if name not in MEASURES and close:
        message = f"did you mean {close[0]!r}? The known ones: {', '.join(MEASURES)}"
        raise ValueError(message)
    return name


USUAL: Mapping[str, Any] = {
    "allotted_to": "plot",
    "blocks": 4,
    "plots_per_group": 1,
    "plants_per_plot": 3,
    "guards_per_plot": 2,
    "spacing_mm": 0.0,
    "main_measure": "fruit",
    "smallest_difference": 0.2,
    "smallest_fruit_mm": 10.0,
    "count_damaged": True,
    "count_fallen": False,
    "add_picked": True,
}
"""What is taken where nothing is said; four blocks: see `counting.plan.layout`."""


def questions(answers: Answers) -> list[Question]:
    """Return the questions in order; the texts follow from what was answered before."""
    plant = answers.known["allotted_to"] == "plant"
    block = answers.known["allotted_to"] == "block"
    per_block = "Plots in a block?" if block else "How many plots of each group in a block?"
    questions = [
        Question(
            "blocks",
            "How many blocks? Lay them along the slope or the shade"
            + ("; each gets one treatment" if block else "; each will hold every group"),
            "4",
            _shared_blocks(answers) if block else _blocks,
        ),
        Question(
            "plots_per_group",
            "How many plants of each group in a block?" if plant else per_block,
            "3" if plant else "1",
            _fitting(answers, "plots_per_group") if plant else _blocks,
        ),
        Question(
            "plants_per_plot",
            "How many plants to count in a plot?",
            "3",
            _fitting(answers, "plants_per_plot"),
        ),
        Question(
            "guards_per_plot",
            "How many guard plants to a plot, at its ends, grown but not counted?",
            "0" if plant else "2",
            _guards,
        ),
        Question("main_measure", "Which measure decides?", "fruit", _measure),
        Question(
            "smallest_difference", "The smallest difference worth having?", "20%", _difference
        ),
        Question(
            "smallest_fruit_mm",
            "The smallest fruit that counts? A large garden pea is 10 mm",
            "10 mm",
            _size,
        ),
        Question("count_damaged", "Do damaged fruit count? (yes/no)", "yes", yes),
        Question("count_fallen", "Do fallen fruit count? (yes/no)", "no", yes),
        Question("add_picked", "Are picked fruit added to the hanging ones? (yes/no)", "yes", yes),
        Question("spacing_mm", "How far apart are the stems in a row?", "unknown", _spacing),
    ]
    if plant:
        questions = [question for question in questions if question.name != "plants_per_plot"]
    return questions


def _shared_blocks(answers: Answers) -> Callable[[str], int]:
    """Return how a number of blocks is read that the groups must share evenly."""
    groups = len(answers.known["groups"])

    def read(text: str) -> int:
        blocks = _blocks(text)
        if blocks % groups:
            message = f"{blocks} whole blocks cannot be shared evenly among {groups} groups"
            raise ValueError(message)
        return blocks

    return read


def _fitting(answers: Answers, name: str) -> Callable[[str], int]:
    """Return how a number of plots or plants is read that must leave a tag for each plant."""

    def read(text: str) -> int:
        known = {**answers.known, name: _blocks(text)}
        groups = 1 if known["allotted_to"] == "block" else len(known["groups"])
        plants = groups * known["blocks"] * known["plots_per_group"]
        plants *= 1 if known["allotted_to"] == "plant" else known["plants_per_plot"]
        if plants >= MOST_TAGS:
            message = f"that makes {plants} plants; there are tags for {MOST_TAGS - 1}"
            raise ValueError(message)
        return int(known[name])

    return read


def check_options(answers: Answers) -> None:
    """Check what was given before the first question, so that no answer is typed in vain.

    Raises
    ------
    PlanError
        If a group, the control or a size given cannot be.
    """
    known = answers.known
    try:
        if known["groups"] and len(known["groups"]) > 1:
            checked_groups(known["groups"])
            if known["control"] is not None:
                names = [_name(group) for group in known["groups"]]
                known["control"] = one_control(known["control"], names)
        if known["smallest_fruit_mm"] is not None:
            _size(str(known["smallest_fruit_mm"]))
        if known.get("spacing_mm") is not None:
            _spacing(str(known["spacing_mm"]))
        if known["smallest_difference"] is not None:
            _difference(f"{known['smallest_difference'] * 100:.10g}%")
    except ValueError as error:
        raise PlanError("the plan", str(error), mend="mend the option") from error  # noqa: EM101


def ask(answers: Answers, put: Ask) -> None:
    """Ask for all that is not known yet; a wrong answer is asked again.

    Parameters
    ----------
    answers : Answers
        Filled in place.
    put : callable
        Takes a question and its usual answer, returns the text typed.
    """
    first = [
        Question("title", "What is the trial called?", answers.name, some_text),
        Question("groups", "Which groups are compared? (names with a comma between)", "", _groups),
    ]
    for question in first:
        _put(answers, question, put)
    names = [_name(text) for text in answers.known["groups"]]
    which = Question(
        "control", "Which of them is the control?", names[0], lambda text: one_control(text, names)
    )
    _put(answers, which, put)
    text = "What gets its treatment by lot: plant, plot or block?"
    _put(answers, Question("allotted_to", text, "plot", unit_of_lots), put)
    for question in questions(answers):
        _put(answers, question, put)


def _put(answers: Answers, question: Question, put: Ask) -> None:
    """Ask one question until its answer can be read; nothing if it is answered already.

    An answer given beforehand, as an option, that cannot be is asked about as well.
    """
    text = question.text
    given = answers.known.get(question.name)
    if question.name == "control" and given is not None:
        try:
            answers.known["control"] = question.read(given)
        except ValueError as error:
            answers.known["control"] = None
            text = f"({error}) {question.text}"
    while answers.known.get(question.name) is None:
        try:
            answers.known[question.name] = question.read(put(text, question.usual))
        except ValueError as error:
            text = f"({error}) {question.text}"


def _name(text: str) -> str:
    return text.partition("=")[0].strip()


def plan_entries(answers: Answers) -> dict[str, Any]:
    """Return the entries of a plan, with the usual value for what was not said.

    Raises
    ------
    PlanError
        If the groups or the control are not known.
    """
    where = "the plan"
    known = {name: value for name, value in answers.known.items() if value is not None}
    if len(known.get("groups", ())) < 2:
        mend = "name each group, such as --group own-rooted --group grafted"
        raise PlanError(where, "fewer than two groups", mend=mend)
    if "control" not in known:
        mend = f"say which one, such as --control {_name(known['groups'][0])}"
        raise PlanError(where, "no control named", mend=mend)
    usual = dict(USUAL)
    if known.get("allotted_to") == "plant":
        usual |= {"plots_per_group": 3, "plants_per_plot": 1, "guards_per_plot": 0}
    known = usual | {"title": answers.name or "trial"} | known
    groups = [text.partition("=") for text in known["groups"]]
    layout = ["blocks", "plots_per_group", "plants_per_plot", "guards_per_plot"]
    layout += ["spacing_mm"] if known.get("spacing_mm") else []
    rule = ("smallest_fruit_mm", "count_damaged", "count_fallen", "add_picked")
    return {
        "title": known["title"],
        "year": date.today().year,
        "control": known["control"],
        "allotted_to": known["allotted_to"],
        "main_measure": known["main_measure"],
        "smallest_difference": share_entry(known["smallest_difference"]),
        "groups": [{"name": name, "treatment": treatment} for name, _, treatment in groups],
        "layout": {name: known[name] for name in layout},
        "rule": {name: known[name] for name in rule},
    }

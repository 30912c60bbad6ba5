"""What `counting start` needs to know, asked in the order in which a grower thinks of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from counting.errors import PlanError

__all__ = ["Answers", "Question", "ask", "plan_entries"]

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


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdecimal()):
        message = f"{text!r} is not a whole number"
        raise ValueError(message)
    return int(text)


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        message = f"{text!r} is not a number"
        raise ValueError(message) from None


def _share(text: str) -> float:
    """Read "20 %", "20" and "0.2" alike as a share."""
    value = _number(text.replace("%", "").strip())
    return value / 100 if "%" in text or value >= 1 else value


def _yes(text: str) -> bool:
    words = {"y": True, "yes": True, "n": False, "no": False}
    if text.lower() not in words:
        message = f"{text!r} is neither yes nor no"
        raise ValueError(message)
    return words[text.lower()]


def _unit(text: str) -> str:
    if text not in {"plant", "plot", "block"}:
        message = f"{text!r} is none of plant, plot, block"
        raise ValueError(message)
    return text


def _groups(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    if len(names) < 2:
        message = "two groups or more are needed, with a comma between them"
        raise ValueError(message)
    return names


def _text(text: str) -> str:
    if not text:
        message = "nothing was typed"
        raise ValueError(message)
    return text


USUAL: Mapping[str, Any] = {
    "allotted_to": "plot",
    "blocks": 4,
    "plots_per_group": 1,
    "plants_per_plot": 3,
    "guards_per_plot": 2,
    "main_measure": "fruit",
    "smallest_difference": 0.2,
    "smallest_fruit_mm": 10.0,
    "count_damaged": True,
    "count_fallen": False,
    "add_picked": True,
}
"""What is taken where nothing is said; four blocks: see `counting.plan.layout`."""


def _questions(answers: Answers) -> list[Question]:
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
            _whole,
        ),
        Question(
            "plots_per_group",
            "How many plants of each group in a block?" if plant else per_block,
            "3" if plant else "1",
            _whole,
        ),
        Question("plants_per_plot", "How many plants to count in a plot?", "3", _whole),
        Question(
            "guards_per_plot",
            "How many guard plants to a plot, at its ends, grown but not counted?",
            "0" if plant else "2",
            _whole,
        ),
        Question("main_measure", "Which measure decides?", "fruit", _text),
        Question(
            "smallest_difference", "The smallest difference worth having, in %?", "20", _share
        ),
        Question(
            "smallest_fruit_mm",
            "The smallest fruit that counts, in mm? A large garden pea is 10",
            "10",
            _number,
        ),
        Question("count_damaged", "Do damaged fruit count? (yes/no)", "yes", _yes),
        Question("count_fallen", "Do fallen fruit count? (yes/no)", "no", _yes),
        Question("add_picked", "Are picked fruit added to the hanging ones? (yes/no)", "yes", _yes),
    ]
    if plant:
        questions = [question for question in questions if question.name != "plants_per_plot"]
    return questions


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
        Question("title", "What is the trial called?", answers.name, _text),
        Question("groups", "Which groups are compared? (names with a comma between)", "", _groups),
    ]
    for question in first:
        _put(answers, question, put)
    names = [_name(text) for text in answers.known["groups"]]
    _put(answers, Question("control", "Which of them is the control?", names[0], _text), put)
    text = "What gets its treatment by lot: plant, plot or block?"
    _put(answers, Question("allotted_to", text, "plot", _unit), put)
    for question in _questions(answers):
        _put(answers, question, put)


def _put(answers: Answers, question: Question, put: Ask) -> None:
    """Ask one question until its answer can be read; nothing if it is answered already."""
    text = question.text
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
    layout = ("blocks", "plots_per_group", "plants_per_plot", "guards_per_plot")
    rule = ("smallest_fruit_mm", "count_damaged", "count_fallen", "add_picked")
    return {
        "title": known["title"],
        "control": known["control"],
        "allotted_to": known["allotted_to"],
        "main_measure": known["main_measure"],
        "smallest_difference": known["smallest_difference"],
        "groups": [{"name": name, "treatment": treatment} for name, _, treatment in groups],
        "layout": {name: known[name] for name in layout},
        "rule": {name: known[name] for name in rule},
    }

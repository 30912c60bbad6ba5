"""Sentences of the report that are put together from the trial's own facts."""

from __future__ import annotations

from counting import __version__
from counting.analysis.result import Comparison
from counting.analysis.true_counts import SEEN
from counting.analysis.words.phrases import and_list
from counting.analysis.words.short import in_short
from counting.plan.trial import Rule, Trial
from counting.report.counts import Making
from counting.report.figures import Figures

__all__ = ["answer_parts", "facts", "limits", "methods"]

_STAGES = {
    "colour": "colour segmentation",
    "blobs": "blob detection",
    "scorer": "a small learned detector",
}


def answer_parts(main: Comparison) -> tuple[str, str]:
    """Return what stands large as the answer, and what stands under it in grey.

    Of an unfinished survey the first is what is still missing, of one before the deciding one that
    it is not yet, and the second the estimate so far; of several groups the first says which
    differ, and `each_in_short` what each came to.
    """
    short = in_short(main)
    if short:
        seen = any(each.basis == "true counts" for each in main.comparisons)
        return f"{short} {SEEN}" if seen else short, ""
    so_far = " ".join(contrast.sentence for contrast in main.comparisons)
    if main.finished() or not so_far or not main.sentence.endswith(so_far):
        return main.sentence, ""
    return main.sentence.removesuffix(so_far).strip(), so_far


def facts(trial: Trial, numbers: Figures) -> str:
    """Return one line: crop, groups, plants, blocks, surveys."""
    plan = trial.plan
    treated = [group.name for group in plan.groups if group.name != plan.control]
    groups = f"{and_list(treated)} against {plan.control}"
    surveys = sorted({survey for survey in numbers.table["survey"] if survey})
    when = f"{surveys[0]} to {surveys[-1]}" if len(surveys) > 1 else "".join(surveys)
    kept = trial.counted
    blocks = kept["block"].nunique()
    parts = [plan.crop, groups, f"{len(kept)} plants in {blocks} block{'s' * (blocks > 1)}"]
    if surveys:
        parts.append(f"{len(surveys)} survey{'s' * (len(surveys) > 1)}, {when}")
    return " · ".join(parts)


def _rule(rule: Rule, main: Comparison, made: Making) -> str:
    """Say which fruit counted, and by what their size was judged on photos."""
    size = f"{rule.smallest_fruit_mm:g} mm"
    damaged = "included" if rule.count_damaged else "excluded"
    fallen = "included" if rule.count_fallen else "excluded"
    said = f"Fruit of at least {size} were counted, damaged fruit {damaged}, fallen fruit {fallen}."
    by_eye = made.confirmed - made.scaled
    if main.source != "photo" or not by_eye:
        return said
    if not made.scaled:
        return (
            f"Fruit were to count from {size}, damaged fruit {damaged}, fallen fruit {fallen}; no"
            " photo carried a scale, so their size was judged by eye."
        )
    return (
        f"{said} On {by_eye} of {made.confirmed} photos no tag gave the scale: size by eye there."
    )


def methods(trial: Trial, numbers: Figures, made: Making) -> str:
    """Return a paragraph that a report elsewhere can quote."""
    plan, main = trial.plan, numbers.main
    layout = (
        f"Treatments were allotted by lot to {plan.allotted_to}s within blocks (seed {plan.seed})"
        if plan.layout.blocks > 1
        else f"Treatments were allotted by lot to {plan.allotted_to}s (seed {plan.seed})"
    )
    parts = [f"{layout}; the control was {plan.control}."]
    parts.append(_rule(plan.rule, main, made))
    if main.source == "photo":
        blind = "" if made.unblinded else " that showed neither group nor plant"
        parts.append(
            f"Counts were made on {made.confirmed} photos{_proposed(made)}; each photo was "
            f"confirmed by a person on a contact sheet{blind} (counting {__version__})."
        )
        if blind and made.uncovered:
            parts.append(
                f"On {made.uncovered} of these photos no tag was read, so none was covered; where "
                "one showed, whoever counted could tell the plant."
            )
    else:
        parts.append("Counts were made by hand in the field.")
    parts.append(_answer(main))
    parts.append(_beside(main))
    if len(main.comparisons) > 1:
        parts.append(_several(main))
    if numbers.others:
        parts.append("p values of the further measures were adjusted together by Holm's method.")
    if any(each.part_of for each in numbers.others):
        parts.append("Parts of a measure, as ripe fruit of fruit, were described and not tested.")
    if numbers.calibration:
        parts.append(
            "The share of fruit that photos show was estimated from plants counted both ways "
            "(double sampling), within each group and survey."
        )
    return " ".join(parts)


def _beside(main: Comparison) -> str:
    """Say what stands beside the answer, and of which level intervals are."""
    if main.kind == "grade":  # there is no difference of means, nor a shift
        return f"Intervals are of {100 * main.level:g} %."
    return (
        "Beside it stand Welch's t for the difference of means, Hodges and Lehmann's estimate for "
        f"the shift, and a randomisation test over the draw (seed {main.seed}); intervals are of "
        f"{100 * main.level:g} %."
    )


def _several(main: Comparison) -> str:
    """Say how p values and intervals allow for the number of groups."""
    if main.kind == "grade":
        within = any(each.held_within_blocks() for each in main.comparisons)
        return (
            f"Several groups were held against the control by Steel's test"
            f"{' within blocks' * within}, with simultaneous intervals of the arcsine of the root "
            "(after Konietschke, Hothorn and Brunner)."
        )
    return (
        "Several groups were held against the control with Dunnett's adjustment; differences that "
        "are Welch's with each group's own variance and degrees of freedom (Hasler and Hothorn)."
    )


def _answer(main: Comparison) -> str:
    """Return what the answer rests on: model, blocks, degrees of freedom, k."""
    best = next((each.headline() for each in main.comparisons), None)
    where = f" in {main.blocks} blocks" if (main.blocks or 0) > 1 else ""
    text = f"Groups were compared at the level of the {main.unit_of_analysis}{where}"
    if best is None or best.method is None:
        return f"{text}."
    text += f" by this estimate, named beforehand: {best.method}"
    facts = []
    if best.df is not None:
        facts.append(f"{best.df:.3g} degrees of freedom")
    if main.dispersion.index is not None:
        facts.append(f"index of dispersion of the plants {main.dispersion.index:.3g}")
    if main.dispersion.k_adjusted is not None:
        facts.append(
            f"k {main.dispersion.k_adjusted:.3g} of the plants, adjusted for the groups and blocks "
            "fitted"
        )
    if main.covariate is not None:
        name = main.covariate.measure.replace("_", " ")
        facts.append(f"allowing for the {name} of {main.covariate.survey or 'before'}")
    return f"{text} ({'; '.join(facts)})." if facts else f"{text}."


def _proposed(made: Making) -> str:
    if not made.stages:
        return ""
    return f": candidates were proposed by {and_list([_STAGES[stage] for stage in made.stages])}"


def limits(trial: Trial, numbers: Figures) -> list[str]:
    """Return what the reader must not conclude, one sentence each."""
    lines = [
        "It says what was seen on these plants in this season; it is no proof for other places, "
        "varieties or years. Repeat the trial before advising others.",
        "A wide interval means too few plants, not that there is no effect.",
    ]
    if numbers.main.source == "photo" and not numbers.calibration:
        lines.append(
            "Photo counts are of fruit that can be seen. No plant was counted both ways, so the "
            "share seen is not known, and leaves alone could make or hide a difference."
        )
    if numbers.others:
        lines.append(
            "Among several measures one may stand out by chance: the main measure, named before "
            "the first count, carries the conclusion."
        )
    if trial.plan.layout.blocks * trial.plan.layout.plots_per_group < 4:
        lines.append(
            "Fewer than four plots for each group are thin ground for any conclusion "
            "(EPPO PP 1/152, from memory)."
        )
    return lines

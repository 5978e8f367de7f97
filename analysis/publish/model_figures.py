"""The pictures of the models: the same question by every model, and by readers with other earlier beliefs."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from analysis.comparison.evidence import Adjusted, Model, Priors
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.charts import difference_ground
from analysis.publish.forest import Bar, Ground, forest_plan
from analysis.publish.sketch import Sketch


def model_sketches(comparison: Comparison) -> list[Sketch]:
    """Return the pictures that this comparison has, the one of the differences first."""
    found = []
    if comparison.adjusted is not None:
        found += _models(comparison, comparison.adjusted)
    if comparison.priors is not None:
        found.append(_priors(comparison, comparison.priors))
    return found


def _models(comparison: Comparison, adjusted: Adjusted) -> list[Sketch]:
    """Differences on one picture, odds ratios on another: the two scales can't share an axis."""
    head, level = comparison.headline, numbers.level(comparison.question.level)
    odds = [line for line in adjusted.models if line.quantity == "odds ratio" and line.estimate is not None]
    others = [line for line in adjusted.models if line.quantity != "odds ratio" and line.estimate is not None]
    found = []
    if len(others) > 1:
        ground = difference_ground(head, comparison.question.matters)
        title = "The difference by every model"
        caption = (
            f"Estimates with {level} limits; what each compares stands above it. The bold one is read here."
        )
        found.append(_sketch("models", title, caption, others, head.unit, ground))
    if len(odds) > 1:
        name = (
            "odds ratio of a stuck landing" if head.outcome == "stuck" else "odds ratio of a better landing"
        )
        ends = (f"← {head.second} higher", f"{head.first} higher →")
        caption = (
            f"Odds ratios with {level} limits on a scale of ratios; an arrow says that a limit goes on, to infinity "
            "or to 0."
        )
        ground = Ground(name, ends, ratio=True)
        found.append(_sketch("odds", "The odds ratio by every model", caption, odds, "", ground))
    return found


def _sketch(name: str, title: str, caption: str, lines: Sequence[Model], unit: str, ground: Ground) -> Sketch:
    bars = [_bar(line, unit) for line in lines]
    alt = " ".join(f"{bar.words}." for bar in bars)
    return Sketch(name, title, alt, caption, partial(forest_plan, bars, ground))


def _bar(line: Model, unit: str) -> Bar:
    shown_as = numbers.kind(line.quantity, unit)
    estimate = numbers.amount(line.estimate, shown_as, line.n) + numbers.NOUNS.get(shown_as, "")
    between = numbers.limits(line.low, line.high, shown_as, line.n)
    words = (
        f"{numbers.capital(line.name)}, {line.compares}: {estimate} ({numbers.level(line.level)} {between})"
    )
    return Bar(words, line.estimate, line.low, line.high, line.chosen)


def _priors(comparison: Comparison, priors: Priors) -> Sketch:
    """The difference that readers with other earlier beliefs would see in the same counts."""
    head, n = comparison.headline, comparison.rows.used
    bars = []
    for i, posterior in enumerate(priors.posteriors):
        found = posterior.difference
        between = numbers.limits(found.low, found.high, "percentage points", n)
        estimate = numbers.amount(found.estimate, "percentage points", n)
        limits = f"{numbers.level(found.level)} {between}"
        words = f"{numbers.capital(posterior.prior)}: {estimate} percentage points ({limits})"
        bars.append(Bar(words, found.estimate, found.low, found.high, i == 0))
    caption = (
        "What readers with different beliefs before the meet would conclude from the same counts: posterior median "
        "and credible limits, every routine taken as independent. The bold one is the plan's prior. None of these is "
        "the headline."
    )
    ground = difference_ground(head, comparison.question.matters)
    alt = " ".join(f"{bar.words}." for bar in bars)
    plan = partial(forest_plan, bars, ground)
    return Sketch("priors", "The difference under other earlier beliefs", alt, caption, plan)

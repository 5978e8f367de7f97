"""The pictures of the models: the same question by every model, and by readers with other earlier beliefs."""

from __future__ import annotations

from dataclasses import replace

from analysis.comparison.evidence import Adjusted, Model, Priors
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.difference_figures import difference_ground, forest
from analysis.publish.forest import Bar, Ground
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
    table = "What each of them compares, and how it is computed, stands in the table of models."
    found = []
    if len(others) > 1:
        caption = f"Estimates with {level} limits; the bold one is read here. {table}"
        bars = [_bar(line, head.unit) for line in others]
        found.append(
            forest("models", "The difference by every model", caption, bars, difference_ground(comparison))
        )
    if len(odds) > 1:
        name = (
            "odds ratio of a stuck landing" if head.outcome == "stuck" else "odds ratio of a better landing"
        )
        ends = (f"←\N{NO-BREAK SPACE}{head.second} higher", f"{head.first} higher\N{NO-BREAK SPACE}→")
        caption = (
            f"Odds ratios with {level} limits on a scale of ratios; an arrow says that a limit goes on, to infinity "
            f"or to 0. {table}"
        )
        ground = Ground(name, f"odds ratio ({level} limits)", ends, ratio=True)
        bars = [_bar(line, "") for line in odds]
        found.append(forest("odds", "The odds ratio by every model", caption, bars, ground))
    return found


def _bar(line: Model, unit: str) -> Bar:
    shown_as = numbers.kind(line.quantity, unit)
    between = numbers.limits(line.low, line.high, shown_as, line.n)
    words = f"{numbers.amount(line.estimate, shown_as, line.n)} ({between})"
    name = numbers.capital(line.name.removeprefix("odds ratio").lstrip(" ,"))
    return Bar(name, words, line.estimate, line.low, line.high, line.chosen)


def _priors(comparison: Comparison, priors: Priors) -> Sketch:
    """The difference that readers with other earlier beliefs would see in the same counts."""
    n = comparison.rows.used
    bars = []
    for i, posterior in enumerate(priors.posteriors):
        found = posterior.difference
        between = numbers.limits(found.low, found.high, "percentage points", n)
        words = f"{numbers.amount(found.estimate, 'percentage points', n)} ({between})"
        name = numbers.capital(posterior.prior)
        bars.append(Bar(name, words, found.estimate, found.low, found.high, i == 0))
    caption = (
        "What readers with different beliefs before the meet would conclude from the same counts: posterior median "
        "and credible limits, every routine taken as independent. The bold one is the plan's prior. None of these is "
        "the headline."
    )
    ground = difference_ground(comparison)
    ground = replace(ground, header=f"median ({numbers.level(comparison.question.level)} credible limits)")
    return forest("priors", "The difference under other earlier beliefs", caption, bars, ground)

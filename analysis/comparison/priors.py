"""What a reader with an earlier belief would conclude. Shown only where the plan asks, and never the headline."""

from __future__ import annotations

import numpy as np

from analysis.comparison.columns import code_columns, complete
from analysis.comparison.evidence import Priors
from analysis.comparison.headline import arms_of
from analysis.comparison.result import Question
from analysis.comparison.sample import Sample
from analysis.reading.sentences import prior_sentence
from analysis.stats.prior_logistic import WeakPosterior, weak_prior_logistic
from analysis.stats.priors import beta_binomial, prior_sensitivity


def make_priors(sample: Sample, question: Question) -> Priors | None:
    """Combine the plan's prior, and a list of others, with the counts; None where the plan gives none."""
    if question.prior is None or question.outcome != "stuck":
        return None
    arms = arms_of(sample.used(), "stuck")
    if min(arms.sizes) == 0:
        return None
    own = beta_binomial(*arms.counts, prior=question.prior, level=question.level)
    others = prior_sensitivity(*arms.counts, level=question.level)
    d = own.difference
    reading = prior_sentence(
        *question.prior,
        (d.estimate, d.low, d.high),
        own.first_higher,
        question.level,
        len(arms.values),
        question.language,
    )
    return Priors(question.prior, (own, *others), _logistic(sample, question), reading)


def _logistic(sample: Sample, question: Question) -> WeakPosterior | None:
    """The logistic model with the plan's columns under a weak prior; nothing where no column is named."""
    if not question.adjust:
        return None
    frame = complete(sample.used(), question.adjust)
    coded = code_columns(frame, question.adjust)
    arms = arms_of(frame, "stuck")
    if coded.why or min(arms.sizes) == 0:
        return None
    design = np.column_stack([arms.first.astype(float), coded.X])
    names = (question.techniques[0], *coded.labels)
    return weak_prior_logistic(arms.values, design, level=question.level, names=names, columns=[0])

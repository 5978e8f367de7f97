"""The contrast within meets or rounds, printed directly under the plain one."""

from __future__ import annotations

import math

import pandas as pd

from analysis.comparison.choose import alternative_of
from analysis.comparison.result import Headline, Question, Strata, Stratum
from analysis.comparison.sample import Sample
from analysis.reading.claim import claim_of
from analysis.reading.sentences import strata_sentence
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.over_strata import standardised_over_strata
from analysis.stats.result import Alternative, Interval
from analysis.stats.strata import common_odds_ratio, mantel_haenszel_difference, zelen
from analysis.stats.two_groups import difference_interval


def make_strata(
    sample: Sample, question: Question, headline: Headline, budget: Budget = DEFAULT
) -> Strata | None:
    """Compare the first two techniques within strata; None when the plan names none.

    Exact stratified results need one routine per athlete. Where athletes come back they rest on first routines, and
    the difference standardised over strata, with athletes as clusters, stands beside them.
    """
    if not question.strata:
        return None
    if question.outcome != "stuck":
        return _none(question, f'strata are compared for outcome "stuck", not for "{question.outcome}"')
    everyone = _pair(sample.used())
    repeats = bool(everyone["athlete"].duplicated().any())
    basis = "all routines used in the headline"
    frame = everyone
    if repeats:
        frame = _pair(sample.used(repeats="first"))
        basis = "the first routine of each athlete"
    tables = _tables(frame, question.level)
    if not tables:
        return _none(question, "no routine has a value for every stratum column")
    informative = [t for t in tables if t.n1 and t.n2]
    standardised = None
    if question.repeats == "cluster" and repeats:
        standardised = standardised_over_strata(
            everyone["stuck"].astype(int).tolist(),
            (everyone["arm"] == 0).tolist(),
            everyone["stratum"].tolist(),
            everyone["athlete"].tolist(),
            question.level,
        )
        standardised = None if math.isnan(standardised.low) else standardised
    if not informative:
        return Strata(
            question.strata,
            basis,
            tables,
            None,
            None,
            None,
            standardised,
            "",
            False,
            "no stratum holds both techniques, so nothing can be compared within strata",
        )
    counts = [[[t.x1, t.n1 - t.x1], [t.x2, t.n2 - t.x2]] for t in informative]
    alternative: Alternative = alternative_of(question.sides)
    difference = mantel_haenszel_difference(counts, level=question.level)
    within = standardised if standardised is not None else difference
    agreement, changes = _agreement(headline, within, question)
    return Strata(
        by=question.strata,
        basis=basis,
        tables=tables,
        odds_ratio=common_odds_ratio(counts, level=question.level, alternative=alternative),
        difference=difference,
        homogeneity=zelen(counts, budget=budget),
        standardised=standardised,
        agreement=agreement,
        changes=changes,
        why="",
    )


def _agreement(headline: Headline, within: Interval, question: Question) -> tuple[str, bool]:
    """Return the sentence that compares strata with the headline, and whether sign or claim change."""
    if headline.interval is None or math.isnan(within.low):
        return "", False
    plain = headline.interval.estimate
    sign = plain * within.estimate < 0
    claim = claim_of(within.low, within.high, question.matters)
    sentence = strata_sentence(
        by=question.strata,
        plain=plain,
        within=within.estimate,
        n=headline.interval.n,
        sign_changes=sign,
        claim=headline.claim,
        claim_within=claim,
        language=question.language,
    )
    return sentence, sign or claim != headline.claim


def _pair(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["arm"].isin([0, 1]) & frame["stratum"].notna()]


def _tables(frame: pd.DataFrame, level: float) -> tuple[Stratum, ...]:
    """Count each stratum; its interval is the score one, as the pooled one's is, for sixty meets as for three."""
    tables = []
    for name in dict.fromkeys(frame["stratum"]):
        here = frame[frame["stratum"] == name]
        first = here["arm"] == 0
        stuck = here["stuck"].astype(bool)
        x1, n1, x2, n2 = (int(part.sum()) for part in (first & stuck, first, ~first & stuck, ~first))
        known = n1 > 0 and n2 > 0
        difference = (
            difference_interval(x1, n1, x2, n2, method="miettinen-nurminen", level=level) if known else None
        )
        tables.append(Stratum(str(name), x1, n1, x2, n2, difference))
    return tuple(tables)


def _none(question: Question, why: str) -> Strata:
    return Strata(question.strata, "", (), None, None, None, None, "", False, why)

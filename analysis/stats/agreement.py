"""Agreement of coders: the public names.

Chance-corrected coefficients in `kappa`, `gwet` and `krippendorff`; plain and specific agreement in
`observed_agreement`; points in `intraclass`; what coding errors do to a difference in `misclassification`; how many
routines to code twice in `agreement_size`.
"""

from analysis.stats.agreement_size import RecodeSize, recode_size
from analysis.stats.gwet import gwet_ac
from analysis.stats.intraclass import LimitsOfAgreement, intraclass, limits_of_agreement
from analysis.stats.kappa import cohen_kappa, kappa_standard_error
from analysis.stats.krippendorff import krippendorff_alpha
from analysis.stats.misclassification import difference_with_miscoding
from analysis.stats.observed_agreement import (
    PrevalenceEffect,
    negative_agreement,
    percent_agreement,
    positive_agreement,
    prevalence_effect,
)

__all__ = [
    "LimitsOfAgreement",
    "PrevalenceEffect",
    "RecodeSize",
    "cohen_kappa",
    "difference_with_miscoding",
    "gwet_ac",
    "intraclass",
    "kappa_standard_error",
    "krippendorff_alpha",
    "limits_of_agreement",
    "negative_agreement",
    "percent_agreement",
    "positive_agreement",
    "prevalence_effect",
    "recode_size",
]

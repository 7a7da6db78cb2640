"""The works that methods rest on, by the short form in which sentences name them."""

from __future__ import annotations

from collections.abc import Iterable

WORKS = {
    "Ayer et al. 1955": (
        "Ayer, M., Brunk, H. D., Ewing, G. M., Reid, W. T., Silverman, E. (1955). An empirical distribution "
        "function for sampling with incomplete information. Annals of Mathematical Statistics 26, 641–647. "
        "doi:10.1214/aoms/1177728423"
    ),
    "Clopper & Pearson 1934": (
        "Clopper, C. J., Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the "
        "case of the binomial. Biometrika 26, 404–413. doi:10.1093/biomet/26.4.404"
    ),
    "Cochran 1977": ("Cochran, W. G. (1977). Sampling Techniques, 3rd edition. Wiley, New York."),
    "Fay & Feuer 1997": (
        "Fay, M. P., Feuer, E. J. (1997). Confidence intervals for directly standardized rates: a method based on "
        "the gamma distribution. Statistics in Medicine 16, 791–801. "
        "doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#"
    ),
    "Garwood 1936": (
        "Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437–442. "
        "doi:10.1093/biomet/28.3-4.437"
    ),
    "Hanley & Lippman-Hand 1983": (
        "Hanley, J. A., Lippman-Hand, A. (1983). If nothing goes wrong, is everything all right? Interpreting "
        "zero numerators. JAMA 249, 1743–1745. doi:10.1001/jama.1983.03330370053031"
    ),
    "Korn & Graubard 1998": (
        "Korn, E. L., Graubard, B. I. (1998). Confidence intervals for proportions with small expected number "
        "of positive counts estimated from survey data. Survey Methodology 24, 193–201."
    ),
}


def cited(texts: Iterable[str]) -> tuple[str, ...]:
    """The works that these sentences name, in alphabetical order."""
    whole = " ".join(texts)
    return tuple(work for short, work in sorted(WORKS.items()) if short in whole)

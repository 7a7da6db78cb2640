"""The works that methods rest on, by the short form in which sentences name them."""

from __future__ import annotations

from collections.abc import Iterable

WORKS = {
    "Ayer et al. 1955": (
        "Ayer, M., Brunk, H. D., Ewing, G. M., Reid, W. T., Silverman, E. (1955). An empirical distribution "
        "function for sampling with incomplete information. Annals of Mathematical Statistics 26, 641–647. "
        "doi:10.1214/aoms/1177728423"
    ),
    "Brown et al. 2003": (
        "Brown, L. D., Cai, T. T., DasGupta, A. (2003). Interval estimation in exponential families. Statistica Sinica "
        "13, 19–49."
    ),
    "Clopper & Pearson 1934": (
        "Clopper, C. J., Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the "
        "case of the binomial. Biometrika 26, 404–413. doi:10.1093/biomet/26.4.404"
    ),
    "Cochran 1977": ("Cochran, W. G. (1977). Sampling Techniques, 3rd edition. Wiley, New York."),
    "Dunn 1961": (
        "Dunn, O. J. (1961). Multiple comparisons among means. Journal of the American Statistical Association 56, "
        "52–64. doi:10.1080/01621459.1961.10482090"
    ),
    "Fay & Feuer 1997": (
        "Fay, M. P., Feuer, E. J. (1997). Confidence intervals for directly standardized rates: a method based on "
        "the gamma distribution. Statistics in Medicine 16, 791–801. "
        "doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#"
    ),
    "Franco et al. 2019": (
        "Franco, C., Little, R. J. A., Louis, T. A., Slud, E. V. (2019). Comparative study of confidence intervals for "
        "proportions in complex sample surveys. Journal of Survey Statistics and Methodology 7, 334–364."
    ),
    "Garwood 1936": (
        "Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437–442. "
        "doi:10.1093/biomet/28.3-4.437"
    ),
    "Garza et al. 2025": (
        "Garza, M. Y., et al. (2025). Error rates of data processing methods in clinical research: a systematic review "
        "and meta-analysis. International Journal of Medical Informatics. doi:10.1016/j.ijmedinf.2024.105749"
    ),
    "Hanley & Lippman-Hand 1983": (
        "Hanley, J. A., Lippman-Hand, A. (1983). If nothing goes wrong, is everything all right? Interpreting "
        "zero numerators. JAMA 249, 1743–1745. doi:10.1001/jama.1983.03330370053031"
    ),
    "Hill 1973": (
        "Hill, M. O. (1973). Diversity and evenness: a unifying notation and its consequences. Ecology 54, 427–432. "
        "doi:10.2307/1934352"
    ),
    "Holm 1979": (
        "Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics "
        "6, 65–70."
    ),
    "Hurlbert 1971": (
        "Hurlbert, S. H. (1971). The nonconcept of species diversity: a critique and alternative parameters. Ecology "
        "52, 577–586. doi:10.2307/1934145"
    ),
    "Korn & Graubard 1998": (
        "Korn, E. L., Graubard, B. I. (1998). Confidence intervals for proportions with small expected number "
        "of positive counts estimated from survey data. Survey Methodology 24, 193–201."
    ),
    "Pielou 1966": (
        "Pielou, E. C. (1966). The measurement of diversity in different types of biological collections. Journal of "
        "Theoretical Biology 13, 131–144. doi:10.1016/0022-5193(66)90013-0"
    ),
    "Rubin 1987": "Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. Wiley, New York.",
    "Satterthwaite 1946": (
        "Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components. Biometrics "
        "Bulletin 2, 110–114. doi:10.2307/3002019"
    ),
    "Shannon 1948": (
        "Shannon, C. E. (1948). A mathematical theory of communication. Bell System Technical Journal 27, 379–423. "
        "doi:10.1002/j.1538-7305.1948.tb01338.x"
    ),
    "Simpson 1949": "Simpson, E. H. (1949). Measurement of diversity. Nature 163, 688. doi:10.1038/163688a0",
    "Welch 1947": (
        "Welch, B. L. (1947). The generalization of ‘Student’s’ problem when several different population variances "
        "are involved. Biometrika 34, 28–35. doi:10.1093/biomet/34.1-2.28"
    ),
    "Wilson 1927": (
        "Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. Journal of the "
        "American Statistical Association 22, 209–212. doi:10.1080/01621459.1927.10502953"
    ),
}


def cited(texts: Iterable[str]) -> tuple[str, ...]:
    """The works that these sentences name, in alphabetical order."""
    whole = " ".join(texts)
    return tuple(work for short, work in sorted(WORKS.items()) if short in whole)

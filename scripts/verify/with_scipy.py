"""Prints what scipy finds for the cases of series.py: python3 with_scipy.py CASES

One line a case and reference: name, id, then figures and values in turn; "none" is
a figure that must not be there. Where scipy has no function for a rule, numpy works
it out from the definition, and the name of the reference says how.
"""

import itertools
import math
import platform
import sys
import warnings

import numpy
import scipy
from scipy import stats

LEVEL = 0.95
MOST_ORDERINGS = 5040  # 7!; all orderings of a series are run through up to here
MOST_DRAWS = 3500  # C(14, 7) = 3432; all splits of two samples, likewise


def numbers(text):
    return [float(v) for v in text.split(" ")]


def answer(reference, number, **figures):
    words = [reference, number]
    for name, value in figures.items():
        words += [name, "none" if value is None else repr(value if isinstance(value, int) else float(value))]
    print(*words, sep="\t")


def tied(values):
    return len(set(values)) < len(values)


# Mann-Kendall: Kendall's tau of scipy, its exact p without ties up to 50 points.
# scipy's normal p has no continuity correction: its z is taken back from its p,
# and S - 1 put in place of S.


def kendall(number, x, y):
    n = len(x)
    if not tied(x) and not tied(y) and n <= 50:
        test = stats.kendalltau(x, y, method="exact")
        answer("scipy", number, s=round(test.statistic * n * (n - 1) / 2), p=test.pvalue)
        return
    test = stats.kendalltau(x, y, method="asymptotic")
    if math.isnan(test.statistic):  # x or y all equal: no pair speaks for a trend
        answer("scipy", number, s=0, p=1.0)
        return
    untied = [n * (n - 1) / 2 - sum(c * (c - 1) / 2 for c in numpy.unique(v, return_counts=True)[1]) for v in (x, y)]
    s = round(test.statistic * math.sqrt(untied[0] * untied[1]))
    p = 1.0
    if s != 0:
        z = stats.norm.isf(test.pvalue / 2)
        p = 2 * stats.norm.sf(z * (abs(s) - 1) / abs(s))
    answer("scipy", number, s=s, p=p)


# The variance of S in its formula-free form: over all orderings of y.


def orderings(number, x, y):
    n = len(x)
    if math.factorial(n) > MOST_ORDERINGS or not (tied(x) or tied(y)):
        return
    i, j = numpy.triu_indices(n, 1)
    sign_x = numpy.sign(numpy.subtract.outer(x, x)[j, i])
    shuffled = numpy.array(list(itertools.permutations(y)))
    sums = numpy.sign(shuffled[:, j] - shuffled[:, i]) @ sign_x
    s, variance = round(sums[0]), numpy.mean(sums**2)
    p = 1.0
    if s != 0:
        p = 2 * stats.norm.sf((abs(s) - 1) / math.sqrt(variance))
    answer("orderings", number, s=s, p=p)


# Theil-Sen: scipy's theilslopes. The rule is that of scipy 1.10; another version may
# take other ranks, so there the interval comes from the rule written out below.


def theil_sen(number, x, y):
    if len(set(x)) < 2:
        answer("theilslopes", number, slope=None)
        return
    slope, _, low, high = stats.theilslopes(y, x, LEVEL)
    if len(x) < 5 or not scipy.__version__.startswith("1.10."):
        answer("theilslopes", number, slope=slope)
        return
    known = not math.isnan(low)
    answer("theilslopes", number, slope=slope, low=low if known else None, high=high if known else None)


def written_rule(number, x, y):
    n = len(x)
    if len(set(x)) < 2 or n < 5:
        return
    slopes = sorted(
        (y[b] - y[a]) / (x[b] - x[a]) if x[b] > x[a] else (y[a] - y[b]) / (x[a] - x[b])
        for a, b in itertools.combinations(range(n), 2)
        if x[a] != x[b]
    )
    variance = n * (n - 1) * (2 * n + 5)
    for v in (x, y):
        for c in numpy.unique(v, return_counts=True)[1].tolist():
            variance -= c * (c - 1) * (2 * c + 5)
    if variance < 0:  # many ties in x and y: there the formula has no answer, nor has scipy
        answer("rule of scipy 1.10", number, low=None, high=None)
        return
    reach = stats.norm.ppf((1 + LEVEL) / 2) * math.sqrt(variance / 18)
    low = max(round((len(slopes) - reach) / 2) - 1, 0)  # round of Python: halves to even
    high = min(round((len(slopes) + reach) / 2), len(slopes) - 1)
    answer("rule of scipy 1.10", number, low=slopes[low], high=slopes[high])


# Two samples.


def mann_whitney(number, before, after):
    if not tied(before + after):
        answer("scipy", number, p=stats.mannwhitneyu(after, before, alternative="two-sided", method="exact").pvalue)


def rank_sum(sample, rest, axis=-1):
    return numpy.sum(sample, axis=axis)


def permutation(number, before, after):
    """scipy runs through all splits of the mid-ranks, and doubles the smaller tail."""
    if math.comb(len(before) + len(after), len(after)) > MOST_DRAWS:
        return
    ranks = stats.rankdata(before + after)
    test = stats.permutation_test(
        (ranks[len(before) :], ranks[: len(before)]),
        rank_sum,
        permutation_type="independent",
        vectorized=True,
        n_resamples=math.inf,
        alternative="two-sided",
    )
    answer("permutation_test", number, p=test.pvalue)


def whole_counts(number, before, after):
    """The same p for any size: splits counted by their rank sum, in whole numbers."""
    ranks = [round(2 * r) for r in stats.rankdata(before + after)]
    ways = {(0, 0): 1}  # ranks drawn and their sum: number of draws
    for rank in ranks:
        more = dict(ways)
        for (drawn, total), count in ways.items():
            if drawn < len(after):
                key = (drawn + 1, total + rank)
                more[key] = more.get(key, 0) + count
        ways = more
    observed = sum(ranks[len(before) :])
    low = sum(c for (drawn, total), c in ways.items() if drawn == len(after) and total <= observed)
    high = sum(c for (drawn, total), c in ways.items() if drawn == len(after) and total >= observed)
    answer("whole counts", number, p=min(1.0, 2 * min(low, high) / math.comb(len(ranks), len(after))))


# Counts and proportions.


def poisson(number, count, level):
    tail = (1 - level) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    answer("scipy", number, low=low, high=stats.chi2.isf(tail, 2 * count + 2) / 2)


def proportion(number, part, whole, level):
    # By quantiles of beta: binomtest seeks the exact limits to 2e-12, no share of them.
    tail = (1 - level) / 2
    low = stats.beta.ppf(tail, part, whole - part + 1) if part > 0 else 0.0
    high = stats.beta.isf(tail, part + 1, whole - part) if part < whole else 1.0
    answer("scipy", number, low=low, high=high)


def chi_squared(number, counts, weights):
    test = stats.chisquare(counts, numpy.array(weights) * sum(counts) / sum(weights))
    answer("scipy", number, statistic=test.statistic, df=len(counts) - 1, p=test.pvalue)


def fisher(number, a, n, b, m):
    """The p of the definition by whole counts: within 1e-7 of the table seen is equal."""

    def ways(k):
        return math.comb(n, k) * math.comb(m, a + b - k)

    tables = [ways(k) for k in range(max(0, a + b - m), min(n, a + b) + 1)]
    asked = sum(w for w in tables if w <= ways(a) * (1 + 1e-7))
    answer("whole counts", number, p=asked / sum(tables))
    answer("scipy", number, p=min(1.0, stats.fisher_exact([[a, n - a], [b, m - b]])[1]))


def main():
    warnings.simplefilter("ignore")  # of series that are all equal: looked after above
    for name, version in (("Python", platform.python_version()), ("numpy", numpy.__version__), ("scipy", scipy.__version__)):
        print("version", name, version, sep="\t")
    with open(sys.argv[1], encoding="utf-8") as cases:
        for line in cases:
            kind, number, *fields = line.rstrip("\n").split("\t")
            if kind == "serial":
                x = [v / float(fields[0]) for v in numbers(fields[1])]
                for test in (kendall, orderings, theil_sen, written_rule):
                    test(number, x, numbers(fields[2]))
            elif kind == "shift":
                for test in (mann_whitney, permutation, whole_counts):
                    test(number, numbers(fields[0]), numbers(fields[1]))
            elif kind == "poisson":
                poisson(number, int(fields[0]), float(fields[1]))
            elif kind == "proportion":
                proportion(number, int(fields[0]), int(fields[1]), float(fields[2]))
            elif kind == "counts":
                chi_squared(number, numbers(fields[0]), numbers(fields[1]))
            elif kind == "fisher":
                fisher(number, *(int(f) for f in fields))
            else:
                sys.exit(f"with_scipy.py: no reference for cases of kind {kind!r}; add one, or take the kind out of series.py")


main()

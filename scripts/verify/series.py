"""Prints random cases for scripts/verify.sh: python3 series.py SEED SHARE

SHARE scales the number of cases (1: some 10,000). One case a line, fields parted by tabs:

    serial      id  divisor  x   y      points in order; x is to be divided by divisor
    shift       id  before   after      two samples
    poisson     id  count    level
    proportion  id  part     whole     level
    counts      id  counts   weights             expected: the total by weight
    fisher      id  a  n  b  m                   a of n in one group, b of m in the other

Only the standard library, so that the cases do not hang on a reference.
"""

import random
import sys

EXACT_MAX = 50  # of MannKendall: its edge is asked for more often than chance would


def sizes(chance):
    """A number of points: mostly those of a stay, sometimes up to 60."""
    pick = chance.random()
    if pick < 0.60:
        return chance.randint(2, 12)
    if pick < 0.85:
        return chance.randint(13, 30)
    if pick < 0.93:
        return chance.choice([EXACT_MAX - 1, EXACT_MAX, EXACT_MAX, EXACT_MAX + 1])
    return chance.randint(31, 60)


def times(chance, n):
    """Divisor and whole x: set starts in hours as days, plain numbers, or with ties."""
    kind = chance.choice(["hours", "hours", "index", "tied", "tied", "shuffled", "one"])
    if kind == "index":
        return 1, list(range(n))
    if kind == "one":
        if chance.random() < 0.8:  # a single moment is rare, and soon tested enough
            return 24, sorted(chance.choices(range(n + 1), k=n))
        return 1, [chance.randint(0, 9)] * n
    if kind == "tied":
        return chance.choice([1, 24]), sorted(chance.choices(range(max(2, n // chance.randint(1, 4))), k=n))
    x = chance.sample(range(8 * n + 8), n)
    return 24, x if kind == "shuffled" else sorted(x)


def drops(chance, n):
    """y as texts: whole with many ties, tenths, distinct, trending, monotone, constant."""
    kind = chance.choice(
        ["tied", "tied", "tied", "drops", "tenths", "distinct", "distinct", "distinct", "trend", "walk", "monotone", "constant"]
    )
    if kind == "tied":
        top = chance.choice([1, 2, 3, 5, 10])
        y = [chance.randint(0, top) for _ in range(n)]
    elif kind == "drops":
        y = [round(chance.gauss(15, 12)) for _ in range(n)]
    elif kind == "tenths":
        y = [round(chance.gauss(15, 12), 1) for _ in range(n)]
    elif kind == "distinct":
        y = chance.sample(range(-2 * n - 5, 3 * n + 5), n)
        if chance.random() < 0.5:
            y = [v / 4 for v in y]
    elif kind == "trend":
        slope = chance.uniform(-2, 2)
        y = [round(20 + slope * i + chance.gauss(0, 6)) for i in range(n)]
    elif kind == "walk":
        y, level = [], 20
        for _ in range(n):
            level += chance.choice([-4, -2, 0, 2, 4])
            y.append(level)
    elif kind == "monotone":
        step = chance.choice([-3, -1.5, -0.1, 0.1, 1, 2.5])
        y = [round(step * i, 1) for i in range(n)]
        if n > 2 and chance.random() < 0.5:
            i = chance.randrange(n - 1)
            y[i], y[i + 1] = y[i + 1], y[i]
    else:
        value = chance.choice([0, 20, -7, 12.5, 0.1])
        if chance.random() < 0.5:  # all but one
            y = [value] * n
            y[chance.randrange(n)] = value + chance.choice([-1, 1, 8])
        else:
            y = [value] * n
    return y


def samples(chance):
    """Two samples of 2 to 14: whole with many ties, tenths, distinct, apart, constant."""
    m, n = chance.randint(2, 14), chance.randint(2, 14)
    kind = chance.choice(["tied", "tied", "drops", "tenths", "distinct", "distinct", "distinct", "apart", "constant"])
    if kind == "tied":
        top = chance.choice([1, 2, 4, 8])
        both = [chance.randint(0, top) for _ in range(m + n)]
    elif kind == "drops":
        both = [round(chance.gauss(12, 10)) for _ in range(m)] + [round(chance.gauss(20, 10)) for _ in range(n)]
    elif kind == "tenths":
        both = [round(chance.gauss(12, 10), 1) for _ in range(m + n)]
    elif kind == "distinct":
        both = [v / 4 for v in chance.sample(range(-60, 120), m + n)]
    elif kind == "apart":
        both = chance.sample(range(0, 30), m) + chance.sample(range(28, 60), n)
        if chance.random() < 0.5:
            both.reverse()
    else:
        both = [20] * (m + n)
        if chance.random() < 0.7:
            both[chance.randrange(m + n)] += chance.choice([-1, 3])
    return both[:m], both[m:]


def level(chance):
    return chance.choice([0.95, 0.95, 0.9, 0.99])


def text(values):
    return " ".join(repr(v) for v in values)


def main():
    seed, share = int(sys.argv[1]), float(sys.argv[2])
    chance = random.Random(seed)
    number = 0

    def case(kind, *fields):
        nonlocal number
        number += 1
        print(kind, number, *fields, sep="\t")

    for _ in range(round(4000 * share)):
        n = sizes(chance)
        divisor, x = times(chance, n)
        case("serial", divisor, text(x), text(drops(chance, n)))
    for _ in range(round(3000 * share)):
        before, after = samples(chance)
        case("shift", text(before), text(after))
    for count in list(range(31)) + [chance.randint(31, 5000) for _ in range(round(400 * share))]:
        case("poisson", count, level(chance))
    for whole in range(1, 13):
        for part in range(whole + 1):
            case("proportion", part, whole, level(chance))
    for _ in range(round(800 * share)):
        whole = chance.choice([chance.randint(13, 60), chance.randint(61, 5000)])
        case("proportion", chance.choice([0, 1, whole - 1, whole, chance.randint(0, whole)]), whole, level(chance))
    for _ in range(round(400 * share)):
        cells, most = chance.choice([2, 4, 10, 10, 10]), chance.choice([3, 30, 400])
        counts = [chance.randint(0, most) for _ in range(cells)]
        counts[0] += 1  # no empty table
        if chance.random() < 0.3:
            counts[0] += sum(counts) // 3  # zeros preferred
        weights = [1] * cells if chance.random() < 0.6 else [chance.randint(1, 9) for _ in range(cells)]
        case("counts", text(counts), text(weights))
    for _ in range(round(1000 * share)):
        most = chance.choice([3, 8, 8, 20, 60])
        n, m = chance.randint(1, most), chance.randint(1, most)
        case("fisher", chance.randint(0, n), n, chance.randint(0, m), m)


main()

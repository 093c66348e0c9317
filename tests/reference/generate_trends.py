"""Writes theil_sen.json: slopes, intercepts and Sen's intervals by scipy.

Run without arguments to write the file, with --check to compare it with what
this machine computes. The points are written out or drawn from a seed.
"""

import json
import pathlib
import sys

import numpy
import scipy
from scipy.stats import theilslopes

SEED = 20260302
FILE = pathlib.Path(__file__).with_name("theil_sen.json")


def sets():
    yield "exact line", [0, 1, 2, 3, 4], [2, 4, 6, 8, 10]
    yield "one outlier", [0, 1, 2, 3, 4, 5, 6], [10.0, 10.9, 12.2, 12.8, 30.0, 15.1, 16.0]
    yield "ties in x and y", [0, 0, 1, 2, 2, 3, 4, 5], [5, 5, 6, 6, 7, 9, 9, 10]
    yield "three points", [0, 10, 30], [200.0, 190.5, 171.0]
    yield "two points", [0, 5], [1.0, 2.0]
    yield (
        "slow rise of oxygen, ppm by days",
        [0, 7, 14, 21, 28, 35, 42, 49, 56, 63],
        [0.4, 0.5, 0.45, 0.6, 0.7, 0.65, 0.9, 0.85, 1.0, 1.1],
    )
    yield (
        "filter pressure, Pa by hours",
        [0, 200, 400, 600, 800, 1000, 1200, 1400],
        [52, 58, 61, 69, 72, 80, 83, 91],
    )
    yield "no trend", list(range(12)), [3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8]
    random = numpy.random.default_rng(SEED)
    for n, noise in [(20, 0.5), (60, 4.0), (150, 30.0)]:
        x = numpy.sort(numpy.round(random.uniform(0, 24 * n, n), 3))
        y = numpy.round(440 - 0.42 * x / 24 + random.normal(0, noise, n), 4)
        yield f"{n} drawn points, noise {noise}", x.tolist(), y.tolist()


def computed():
    data = []
    for name, x, y in sets():
        results = []
        for confidence in (0.8, 0.9, 0.95):
            found = theilslopes(y, x, alpha=confidence, method="joint")
            results.append({
                "confidence": confidence,
                "slope": float(found.slope),
                "intercept": float(found.intercept),
                "low": float(found.low_slope),
                "high": float(found.high_slope),
            })
        data.append({"name": name, "x": x, "y": y, "results": results})
    return {
        "source": "scipy.stats.theilslopes, method joint",
        "seed": SEED,
        "versions": {"scipy": scipy.__version__, "numpy": numpy.__version__},
        "sets": data,
    }


if __name__ == "__main__":
    text = json.dumps(computed(), indent=1) + "\n"
    if "--check" in sys.argv:
        sys.exit(0 if FILE.read_text() == text else "theil_sen.json differs from what is computed here")
    FILE.write_text(text)

"""Writes reorder_points.json: weekly means, deviations and reorder points by numpy and scipy.

Run without arguments to write the file, with --check to compare it with what
this machine computes. The uses are written out or drawn from a seed. The
formula, L * md + z * sd * sqrt(L), is that of ROP in the R package SCperf 1.1.1
(https://rdrr.io/cran/SCperf/src/R/ROP.R); the first set is the example there.
"""

import json
import math
import pathlib
import sys

import numpy
import scipy
from scipy.stats import norm

SEED = 20300107
FILE = pathlib.Path(__file__).with_name("reorder_points.json")


def sets():
    random = numpy.random.default_rng(SEED)
    yield "steady", [2.0, 2.0, 3.0, 2.0, 1.0, 2.0, 2.0, 3.0, 2.0, 1.0, 2.0, 2.0], 21, 0.95
    yield "lumpy", [0.0, 0.0, 4.0, 0.0, 1.0, 0.0, 0.0, 6.0, 0.0, 2.0, 0.0, 0.0, 1.0, 0.0], 14, 0.9
    yield "tenths", [0.1, 0.0, 0.2, 0.1, 0.3, 0.1, 0.0, 0.1, 0.1, 0.2, 0.0, 0.1, 0.4], 5, 0.99
    yield "no spare stock", [1.0] * 12, 35, 0.5
    for weeks, rate, lead, level in [(26, 0.8, 14, 0.95), (52, 3.5, 56, 0.975), (104, 0.2, 30, 0.999)]:
        yield f"{weeks} drawn weeks", random.poisson(rate, weeks).astype(float).tolist(), lead, level


def point(level, mean, deviation, lead):
    return lead * mean + float(norm.ppf(level)) * deviation * math.sqrt(lead)


def computed():
    data = []
    for name, uses, lead_days, level in sets():
        mean, deviation = float(numpy.mean(uses)), float(numpy.std(uses, ddof=1))
        data.append({
            "name": name,
            "weekly_uses": uses,
            "lead_time_days": lead_days,
            "service_level": level,
            "mean": mean,
            "deviation": deviation,
            "z": float(norm.ppf(level)),
            "reorder_point": point(level, mean, deviation, lead_days / 7),
        })
    return {
        "source": "numpy mean and std (ddof 1), scipy.stats.norm.ppf",
        "seed": SEED,
        "versions": {"scipy": scipy.__version__, "numpy": numpy.__version__},
        "scperf_example": {
            "service_level": 0.9, "mean": 2500.0, "deviation": 500.0, "lead_time": 6.0,
            "reorder_point": point(0.9, 2500.0, 500.0, 6.0),
        },
        "sets": data,
    }


if __name__ == "__main__":
    text = json.dumps(computed(), indent=1) + "\n"
    if "--check" in sys.argv:
        sys.exit(0 if FILE.read_text() == text else "reorder_points.json differs from what is computed here")
    FILE.write_text(text)

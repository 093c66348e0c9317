"""Writes the reference data of the statistics tests: quantiles.json,
nnls.json, line.json and weibull.json, beside this script.

Needs numpy 2.4.6, scipy 1.17.1 and statsmodels 0.15.0. What is drawn at
random comes from the seed. Run without arguments to write the files, with
--check to compare them with what this machine computes: other builds of the
linear algebra round otherwise in the last digits.
"""

import json
import math
import pathlib
import sys

import numpy
import scipy
import statsmodels
import statsmodels.api
from scipy import optimize, stats

SEED = 20260306
HERE = pathlib.Path(__file__).parent
VERSIONS = {
    "numpy": numpy.__version__,
    "scipy": scipy.__version__,
    "statsmodels": statsmodels.__version__,
}
CONFIDENCE = 0.8


def header(source):
    return {"source": source, "seed": SEED, "versions": VERSIONS}


def quantiles():
    chances = [1e-6, 0.001, 0.025, 0.1, 0.2, 0.45, 0.5, 0.75, 0.9, 0.95, 0.975, 0.999, 1 - 1e-6]
    sets = [{"name": "normal", "freedom": None, "values": [[p, float(stats.norm.ppf(p))] for p in chances]}]
    for freedom in [1, 2, 3, 4, 6, 7, 8.5, 30, 200, 5000]:
        values = [[p, float(stats.t.ppf(p, freedom))] for p in chances]
        sets.append({"name": "student", "freedom": freedom, "values": values})
    return header("scipy.stats: norm.ppf, t.ppf") | {"sets": sets}


def nnls_problems(random):
    yield "interior", [[1, 0], [1, 0], [0, 1]], [2, 1, 1]
    yield "active", [[1, 0], [1, 0], [0, 1]], [-1, -1, -1]
    yield (
        "gas use by activity",
        [[10, 2, 1], [8, 0, 0], [12, 4, 1], [6, 1, 0], [9, 3, 2], [11, 0, 1]],
        [2.9, 1.63, 4.15, 1.72, 4.1, 2.75],
    )
    yield "one clamped", [[1, 1, 1], [1, 2, 4], [1, 3, 9], [1, 4, 16], [1, 5, 25]], [5.0, 4.2, 3.1, 2.2, 0.9]
    for number in range(50):
        rows, columns = int(random.integers(2, 13)), int(random.integers(1, 7))
        a = numpy.round(random.normal(0, 1, (rows, columns)), 3)
        kind = ("any", "all positive", "depending columns", "more columns than rows", "badly scaled")[number % 5]
        if kind == "all positive":
            a = numpy.abs(a)
        elif kind == "depending columns":
            twice = numpy.round(a[:, 0] * 2 + (a[:, 1] if columns > 1 else 0), 3)
            a = numpy.column_stack([a, a[:, 0], twice])
        elif kind == "more columns than rows":
            a = numpy.round(random.normal(0, 1, (3, 6)), 3)
        elif kind == "badly scaled":
            a = numpy.round(a * 10.0 ** random.integers(-3, 4, columns), 6)
        wanted = numpy.round(random.normal(0.3, 1, a.shape[1]), 3)
        b = numpy.round(a @ wanted + random.normal(0, 0.3, a.shape[0]), 4)
        yield f"{kind} {number}", a.tolist(), b.tolist()


def nnls():
    sets = []
    for name, a, b in nnls_problems(numpy.random.default_rng(SEED)):
        x, norm = optimize.nnls(numpy.array(a, dtype=float), numpy.array(b, dtype=float))
        matrix = numpy.array(a, dtype=float)
        unique = bool(numpy.linalg.matrix_rank(matrix) == matrix.shape[1])
        sets.append({"name": name, "a": a, "b": b, "x": x.tolist(), "residual_norm": float(norm), "unique": unique})
    return header("scipy.optimize.nnls") | {"sets": sets}


def line_problems(random):
    pressure = [52.0, 58.0, 61.0, 69.0, 72.0, 80.0, 83.0, 91.0]
    yield "filter pressure, Pa by hours", [200.0 * i for i in range(8)], pressure, 150.0, [700, 1600, 2000, 3000]
    oxygen = [0.4, 0.5, 0.45, 0.6, 0.7, 0.65, 0.9, 0.85, 1.0, 1.1]
    yield "oxygen, ppm by days", [7.0 * i for i in range(10)], oxygen, 2.0, [70, 120, 150]
    span = [100.0, 98.9, 98.3, 97.0, 96.4, 95.1]
    yield "sensor span falling, % by days", [30.0 * i for i in range(6)], span, 90.0, [180, 300, 365]
    yield "slope not told from nought", [0.0, 1, 2, 3, 4, 5], [1.0, 3, 0, 4, 1, 3], 9.0, [2.5, 8, 20]
    for n in (3, 12, 80):
        x = numpy.sort(numpy.round(random.uniform(0, 10 * n, n), 2))
        y = numpy.round(3 + 0.2 * x + random.normal(0, 0.8, n), 3)
        yield f"{n} drawn points", x.tolist(), y.tolist(), float(round(3 + 0.2 * 30 * n)), [0, 5 * n, 20 * n]


def line():
    sets = []
    for name, x, y, level, at in line_problems(numpy.random.default_rng(SEED + 1)):
        fit = statsmodels.api.OLS(y, statsmodels.api.add_constant(numpy.array(x))).fit()
        intercept, slope = (float(value) for value in fit.params)
        results = []
        for confidence in (0.8, 0.9, 0.95):
            def bounds(one):
                row = numpy.array([[1.0, float(one)]])
                return fit.get_prediction(row).summary_frame(alpha=1 - confidence).iloc[0]

            predictions = []
            for one in at:
                frame = bounds(one)
                predictions.append({
                    "x": float(one), "mean": float(frame["mean"]),
                    "low": float(frame["obs_ci_lower"]), "high": float(frame["obs_ci_upper"]),
                })
            # Where each border of the band first reaches the level, if it does.
            sign, last = (1 if slope > 0 else -1), max(x)
            near, far = ("obs_ci_upper", "obs_ci_lower") if slope > 0 else ("obs_ci_lower", "obs_ci_upper")

            def crossing(border):
                ahead = lambda one: sign * (float(bounds(one)[border]) - level)
                most = last + 1e5 * (last - min(x))
                if ahead(last) >= 0 or ahead(most) < 0:
                    return None
                return float(optimize.brentq(ahead, last, most, xtol=1e-9, rtol=1e-13))

            results.append({
                "confidence": confidence, "predictions": predictions,
                "earliest": crossing(near), "latest": crossing(far),
            })
        sets.append({
            "name": name, "x": x, "y": y, "intercept": intercept, "slope": slope,
            "residual_sd": float(math.sqrt(fit.mse_resid)), "level": level, "results": results,
        })
    return header("statsmodels OLS.get_prediction (obs_ci); crossings of its band by scipy.optimize.brentq") | {"sets": sets}


PUBLISHED = [
    (
        "NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 (20 units, test stopped at 500 h)",
        [54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10, 1.7208, 606.53,
    ),
    (
        "doi 10.1080/00224065.1997.11979730 (figures quoted by another library's test data; the page was not read)",
        [45, 46, 34, 45, 32, 24, 58, 79, 56, 63, 34, 50], [23, 24, 57, 78, 76, 85, 51, 59], 2.754, 67.9188,
    ),
    (
        "R. B. Abernethy, The New Weibull Handbook, C.5 (figures quoted by another library's test data; the page was not read)",
        [1500, 7000, 2250, 4000, 4300], [1750, 5000], 2.257, 4900.1,
    ),
]


def weibull_problems(random):
    for source, failed, censored, shape, scale in PUBLISHED:
        yield source, failed, censored, {"shape": shape, "scale": scale}
    yield "gloves, h, invented", [120, 150, 180, 210, 240, 260, 300], [200, 300, 300], None
    yield "pump oil, h, invented, all failed", [410, 520, 640, 700, 760, 830, 905, 1010], [], None
    yield "two failures among many, invented", [300, 410], [150, 220, 380, 420, 430, 450, 450], None
    yield "one failure, invented", [100], [200, 200, 200, 200], None
    for n, shape, share in ((12, 0.8, 0.3), (30, 3.5, 0.6), (200, 1.5, 0.5)):
        lives = 400 * random.weibull(shape, n)
        seen = random.uniform(50, 800 * (1 - share) + 100, n)
        failed = [float(round(t, 2)) for t, c in zip(lives, seen) if t <= c]
        censored = [float(round(c, 2)) for t, c in zip(lives, seen) if t > c]
        yield f"{n} drawn lives of shape {shape}", failed, censored, None


def log_likelihood(shape, scale, failed, censored):
    every = numpy.concatenate([failed, censored])
    return float(
        numpy.sum(numpy.log(shape) - shape * numpy.log(scale) + (shape - 1) * numpy.log(failed))
        - numpy.sum((every / scale) ** shape)
    )


def ratio_interval(profile, best, most):
    """Where the profile lies half the chi-squared quantile under its maximum."""
    drop = stats.chi2.ppf(CONFIDENCE, 1) / 2

    def end(direction):
        edge = math.log(best)
        for _ in range(400):
            edge += direction * 0.05
            if most - profile(math.exp(edge)) > drop:
                inner = edge - direction * 0.05
                found = optimize.brentq(lambda u: most - profile(math.exp(u)) - drop, inner, edge, xtol=1e-13)
                return math.exp(found)
        return None

    return [end(-1), end(1)]


def weibull():
    sets = []
    for name, failed, censored, published in weibull_problems(numpy.random.default_rng(SEED + 2)):
        f, c = numpy.array(failed, dtype=float), numpy.array(censored, dtype=float)
        every = numpy.concatenate([f, c])
        fitted, _, scale0 = stats.weibull_min.fit(
            stats.CensoredData(uncensored=f, right=c), floc=0
        )
        cost = lambda p: -log_likelihood(math.exp(p[0]), math.exp(p[1]), f, c)
        found = optimize.minimize(
            cost, [math.log(fitted), math.log(scale0)], method="Nelder-Mead",
            options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 4000},
        )
        shape, scale = math.exp(found.x[0]), math.exp(found.x[1])
        most = log_likelihood(shape, scale, f, c)

        def best_scale(one):
            top = every.max()
            return top * (numpy.sum((every / top) ** one) / len(f)) ** (1 / one)

        def of_quantile(p):
            def profile(value):
                def minus(log_shape):
                    one = math.exp(log_shape)
                    return -log_likelihood(one, value / (-math.log1p(-p)) ** (1 / one), f, c)

                middle = math.log(shape)
                return -min(
                    optimize.minimize_scalar(minus, bounds=(a, b), method="bounded", options={"xatol": 1e-10}).fun
                    for a, b in ((middle - 4, middle), (middle, middle + 4), (middle - 1, middle + 1))
                )
            return profile

        tenth = scale * (-math.log(0.9)) ** (1 / shape)
        sets.append({
            "name": name, "failed": failed, "censored": censored, "published": published,
            "shape": shape, "scale": scale, "log_likelihood": most, "b10": tenth,
            "scipy_fit": {"shape": float(fitted), "scale": float(scale0)},
            "interval": {
                "confidence": CONFIDENCE,
                "shape": ratio_interval(lambda one: log_likelihood(one, best_scale(one), f, c), shape, most),
                "scale": ratio_interval(of_quantile(1 - math.exp(-1)), scale, most),
                "b10": ratio_interval(of_quantile(0.1), tenth, most),
            },
        })
    return header(
        "maximum of the likelihood by scipy.optimize.minimize (Nelder-Mead), beside scipy.stats.weibull_min.fit; "
        "intervals by the likelihood ratio (scipy.optimize, scipy.stats.chi2)"
    ) | {"sets": sets}


FILES = {"quantiles.json": quantiles, "nnls.json": nnls, "line.json": line, "weibull.json": weibull}

if __name__ == "__main__":
    differing = []
    for name, computed in FILES.items():
        text = json.dumps(computed(), indent=1) + "\n"
        if "--check" in sys.argv:
            if (HERE / name).read_text() != text:
                differing.append(name)
        else:
            (HERE / name).write_text(text)
    if differing:
        sys.exit(f"{', '.join(differing)}: not what is computed here")

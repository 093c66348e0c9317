"""What a night works out, by numpy and scipy from all the readings of the file.

    python night.py FILE "AS OF" BOXES

prints how many seconds it took for so many boxes. For each box: the sensors' noise
and lone values, the trend of oxygen, water and filter pressure by Theil and Sen, what
the purifier took up by the trapezoidal rule with a regression that has no negative
coefficients, the pump's hours, and the rise of oxygen in each stretch without
circulation.
"""

import sqlite3
import sys
import time

import numpy as np
from scipy import ndimage, optimize, stats

WINDOW_DAYS = 120
PPM = 1e-6
GAS_CONSTANT = 8.314462618


def load(db, subject, quantity, as_of):
    """Hours before the moment, and values."""
    rows = db.execute(
        "SELECT (strftime('%s', r.at) - strftime('%s', ?)) / 3600.0, r.value FROM readings r "
        "JOIN reading_series s ON s.id = r.series_id "
        "WHERE s.subject_id = ? AND s.quantity = ? AND r.at <= ? ORDER BY r.at",
        (as_of, subject, quantity, as_of),
    ).fetchall()
    table = np.array(rows, dtype=float).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def believed(values):
    """Without values far from the median of their neighbours (Hampel)."""
    noise = 1.4826 * np.median(np.abs(np.diff(values))) / np.sqrt(2.0)
    middle = ndimage.median_filter(values, size=11, mode="nearest")
    off = np.abs(values - middle)
    spread = 1.4826 * ndimage.median_filter(off, size=11, mode="nearest")
    return off <= 5.0 * np.maximum(np.maximum(noise, spread), 1e-9)


def longest_run(values):
    """The most equal readings in a row: whether the sensor stuck."""
    changes = np.flatnonzero(np.diff(values)) + 1
    return np.max(np.diff(np.concatenate(([0], changes, [len(values)]))))


def medians(hours, values, width):
    """The median of each stretch of so many hours."""
    bins = np.floor(hours / width).astype(int)
    edges = np.flatnonzero(np.diff(bins)) + 1
    return (
        np.array([np.mean(part) for part in np.split(hours, edges)]),
        np.array([np.median(part) for part in np.split(values, edges)]),
    )


def trend(hours, values):
    """When the level rises to ten: slope with its interval."""
    recent = hours >= -24.0 * WINDOW_DAYS
    hours, values = hours[recent], values[recent]
    longest_run(values)
    good = believed(values)
    x, y = medians(hours[good], values[good], 48.0)
    slope, intercept, low, high = stats.theilslopes(y, x, 0.8)
    return [(10.0 - intercept) / one if one > 0 else np.inf for one in (low, slope, high)]


def uptake(level, flow, warmth):
    """Moles taken up, and the pace of late by the hours of circulation and of standing."""
    hours, ppm = level
    running = np.interp(hours, *flow)
    density = 101325.0 / (GAS_CONSTANT * (273.15 + np.interp(hours, *warmth)))
    pace = PPM * ppm * running * density
    taken = np.concatenate(([0.0], np.cumsum(np.diff(hours) * (pace[1:] + pace[:-1]) / 2.0)))
    circulating = np.concatenate(([0.0], np.cumsum(np.diff(hours) * (running[1:] >= 0.05))))
    days = np.searchsorted(hours, np.arange(hours[0], hours[-1], 24.0))
    gained, worked = np.diff(taken[days]), np.diff(circulating[days])
    causes = np.column_stack((worked, np.diff(hours[days]) - worked))
    weights, _ = optimize.nnls(causes, gained)
    return taken[-1], weights


def rises(level, flow):
    """How fast oxygen rose in each stretch without circulation."""
    hours, values = flow
    recent = hours >= -24.0 * 30.0
    hours, standing = hours[recent], values[recent] < 0.05
    edges = np.flatnonzero(np.diff(standing.astype(int))) + 1
    found = []
    for part in np.split(np.arange(len(hours)), edges):
        if len(part) >= 5 and standing[part[0]]:
            first, last = np.searchsorted(level[0], (hours[part[0]], hours[part[-1]]))
            if last - first >= 5:
                found.append(stats.linregress(level[0][first:last], level[1][first:last]).slope)
    return found


def pump(hours, values):
    """Hours used, and the weekly use with Student's interval."""
    steps = np.diff(values)
    steps = np.where(steps >= 0.0, steps, np.where(values[1:] < values[:-1] / 2.0, values[1:], 0.0))
    used = np.concatenate(([0.0], np.cumsum(steps)))
    weeks = np.diff(np.interp(-168.0 * np.arange(8, -1, -1), hours, used))
    half = stats.t.ppf(0.9, len(weeks) - 1) * np.std(weeks, ddof=1) / np.sqrt(len(weeks))
    return used[-1], np.mean(weeks), half


def main(path, as_of, boxes):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    ids = [row[0] for row in db.execute("SELECT id FROM things WHERE kind = 'glovebox' ORDER BY id LIMIT ?", (boxes,))]
    assert len(ids) == boxes
    begun = time.perf_counter()
    for box in ids:
        (chamber,) = db.execute(
            "SELECT id FROM things WHERE kind = 'antechamber' AND parent_id = ?", (box,)
        ).fetchone()
        quantities = ("oxygen_ppm", "water_ppm", "circulation_m3_h", "temperature_c", "filter_pressure_mbar")
        oxygen, water, flow, warmth, across = (load(db, box, quantity, as_of) for quantity in quantities)
        for level in (oxygen, water):
            trend(*level)
            uptake(level, flow, warmth)
        trend(*across)
        rises(oxygen, flow)
        rises(water, flow)
        pump(*load(db, chamber, "pump_hours", as_of))
    print(time.perf_counter() - begun)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))

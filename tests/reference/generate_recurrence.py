"""Writes recurrence_dateutil.json: random recurrence sets expanded by python-dateutil.

Usage, from this folder:
    python3 -m venv venv && venv/bin/pip install python-dateutil==2.9.0.post0 tzdata==2025.2
    PYTHONTZPATH= venv/bin/python generate_recurrence.py

The empty PYTHONTZPATH makes zoneinfo read the tzdata package and not the
system's tables. The rules are expanded on datetimes in the zone, which
dateutil steps through on the wall clock; zoneinfo turns them into UTC with
fold=0, so that a skipped time takes the offset before the gap and a repeated
one its first occurrence (PEP 495, the same as RFC 5545 section 3.3.5).

Left out, because dateutil itself departs from RFC 5545 there:
  - BYDAY with numbered and plain days in one rule (dateutil intersects them);
  - BYWEEKNO without BYDAY (dateutil takes all seven days);
  - BYSETPOS with WEEKLY from the middle of a week (dateutil counts positions
    within the rest of the first week), so that such rules start with a week.
"""

import datetime as dt
import importlib.metadata
import json
import os
import random
import zoneinfo

from dateutil import rrule

SEED = 20260302
CASES = 480
DAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
ZONES = [
    "America/New_York",
    "Europe/Berlin",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/St_Johns",
    "Pacific/Apia",
    "America/Sao_Paulo",
    "Africa/Casablanca",
    "UTC",
]
# Nights with a change of the clocks, and the skipped day of Pacific/Apia.
NIGHTS = {
    "America/New_York": ["2026-03-08", "2025-11-02", "1997-10-26"],
    "Europe/Berlin": ["2026-03-29", "2025-10-26", "1980-04-06"],
    "Australia/Lord_Howe": ["2026-10-04", "2026-04-05"],
    "Asia/Kathmandu": ["1986-01-01"],
    "America/St_Johns": ["2007-03-11", "2026-11-01", "1988-04-03"],
    "Pacific/Apia": ["2011-12-30", "2012-04-01", "2012-09-30"],
    "America/Sao_Paulo": ["2018-11-04", "2018-02-18"],
    "Africa/Casablanca": ["2024-03-10", "2024-04-14"],
    "UTC": ["2026-06-01"],
}


def some(rng, values, most):
    return sorted(rng.sample(values, rng.randint(1, most)))


def signed(last):
    return [n for n in range(-last, last + 1) if n != 0]


def random_parts(rng, frequency):
    parts = {}
    if rng.random() < 0.4:
        parts["INTERVAL"] = [rng.choice([2, 2, 3, 4, 5, 7, 10, 18, 30])]
    if rng.random() < 0.3:
        parts["WKST"] = [rng.choice(DAYS)]
    if rng.random() < 0.35:
        parts["BYMONTH"] = some(rng, range(1, 13), 4)
    if frequency == "DAILY":
        if rng.random() < 0.4:
            parts["BYDAY"] = some(rng, DAYS, 4)
        if rng.random() < 0.3:
            parts["BYMONTHDAY"] = some(rng, signed(31), 8)
    elif frequency == "WEEKLY":
        if rng.random() < 0.7:
            parts["BYDAY"] = some(rng, DAYS, 5)
    elif frequency == "MONTHLY":
        kind = rng.random()
        if kind < 0.35:
            parts["BYMONTHDAY"] = some(rng, signed(31), 5)
        elif kind < 0.6:
            parts["BYDAY"] = [f"{rng.choice([1, 2, 3, 4, 5, -1, -2, -3, -4])}{d}" for d in some(rng, DAYS, 3)]
        elif kind < 0.8:
            parts["BYDAY"] = some(rng, DAYS, 4)
            if rng.random() < 0.5:
                parts["BYMONTHDAY"] = some(rng, signed(31), 10)
    else:
        kind = rng.random()
        if kind < 0.2:
            parts["BYYEARDAY"] = some(rng, signed(366), 5)
        elif kind < 0.45:
            parts["BYWEEKNO"] = some(rng, signed(53) + [1, -1, 53, -53], 4)
            parts["BYDAY"] = some(rng, DAYS, 3)
        elif kind < 0.65:
            ordinals = [1, 2, 3, 4, 5, -1, -2] if "BYMONTH" in parts else [1, 2, 10, 20, 52, 53, -1, -2, -20, -52]
            parts["BYDAY"] = [f"{rng.choice(ordinals)}{d}" for d in some(rng, DAYS, 2)]
        elif kind < 0.8:
            parts["BYMONTHDAY"] = some(rng, signed(31), 4)
        elif kind < 0.9:
            parts["BYDAY"] = some(rng, DAYS, 2)
    if rng.random() < 0.2:
        parts["BYHOUR"] = some(rng, range(24), 3)
    if rng.random() < 0.15:
        parts["BYMINUTE"] = some(rng, range(60), 2)
    if rng.random() < 0.05:
        parts["BYSECOND"] = some(rng, range(60), 2)
    if rng.random() < 0.25 and any(name.startswith("BY") for name in parts):
        parts["BYSETPOS"] = some(rng, [-3, -2, -1, 1, 2, 3], 2)
    return {name: sorted(set(values), key=values.index) for name, values in parts.items()}


def random_start(rng, zone, frequency, parts):
    if rng.random() < 0.5:
        night = dt.datetime.fromisoformat(rng.choice(NIGHTS[zone]))
        start = night - dt.timedelta(days=rng.choice([0, 1, 2, 7, 14, 31, 365]))
        start += dt.timedelta(hours=rng.choice([0, 0, 1, 1, 2, 2, 2, 3]), minutes=rng.choice([0, 10, 15, 30, 45]))
    else:
        start = dt.datetime(1970, 1, 2) + dt.timedelta(minutes=rng.randrange(66 * 365 * 96) * 15)
    if frequency == "WEEKLY" and "BYSETPOS" in parts:
        week_start = DAYS.index(parts.get("WKST", ["MO"])[0])
        start -= dt.timedelta(days=(start.weekday() - week_start) % 7)
    return start


def to_utc(local):
    return local.astimezone(dt.timezone.utc).replace(tzinfo=None)


def stamp(at):
    return at.isoformat(timespec="seconds")


def random_case(rng):
    zone = rng.choice(ZONES)
    info = zoneinfo.ZoneInfo(zone)
    frequency = rng.choice(["DAILY", "WEEKLY", "MONTHLY", "YEARLY"])
    parts = random_parts(rng, frequency)
    start = random_start(rng, zone, frequency, parts)
    end = rng.random()
    if end < 0.25:
        parts["COUNT"] = [rng.choice([1, 2, 5, 20, 100])]
    elif end < 0.45:
        until = start.replace(tzinfo=info) + dt.timedelta(days=rng.randrange(3000), hours=rng.randrange(24))
        parts["UNTIL"] = [f"{to_utc(until):%Y%m%dT%H%M%SZ}"]
    text = ";".join([f"FREQ={frequency}"] + [f"{n}={','.join(map(str, v))}" for n, v in parts.items()])
    begin = start + dt.timedelta(days=rng.choice([-30, 0, 0, 0, rng.randrange(2000)]))
    begin = max(begin, dt.datetime(1970, 1, 1))
    finish = begin + dt.timedelta(days=rng.choice([40, 400, 799]))
    if finish >= dt.datetime(2038, 1, 1):
        return None
    recurrence = rrule.rruleset()
    rule = rrule.rrulestr(text, dtstart=start.replace(tzinfo=info))
    recurrence.rrule(rule)
    near = []
    for at in rule:
        if to_utc(at) >= finish + dt.timedelta(days=2) or at.year > 2037:
            break
        near.append(at)
    if not near:
        return None
    rdates, exdates = [], []
    if rng.random() < 0.25:
        for _ in range(rng.randint(1, 4)):
            rdates.append(begin + dt.timedelta(hours=rng.randrange(24 * 300)))
    if rng.random() < 0.3:
        exdates += [at.replace(tzinfo=None) for at in rng.sample(near, min(len(near), rng.randint(1, 4)))]
        exdates += rdates[:1]
    for date in rdates:
        recurrence.rdate(date.replace(tzinfo=info))
    for date in exdates:
        recurrence.exdate(date.replace(tzinfo=info))
    found = set()
    for at in recurrence:
        if to_utc(at) >= finish + dt.timedelta(days=2) or at.year > 2037:
            break
        if begin <= to_utc(at) < finish:
            found.add(to_utc(at))
    if len(found) > 120:
        return None
    return {
        "dtstart": stamp(start),
        "timezone": zone,
        "rrule": text,
        "rdates": [stamp(date) for date in rdates],
        "exdates": [stamp(date) for date in exdates],
        "from": stamp(begin) + "Z",
        "to": stamp(finish) + "Z",
        "starts": [stamp(at) + "Z" for at in sorted(found)],
    }


def main():
    assert os.environ.get("PYTHONTZPATH") == "", "run with an empty PYTHONTZPATH, see above"
    rng = random.Random(SEED)
    cases = []
    while len(cases) < CASES:
        case = random_case(rng)
        if case:
            cases.append(case)
    header = {
        "source": "python-dateutil " + importlib.metadata.version("python-dateutil"),
        "tzdata": importlib.metadata.version("tzdata"),
        "seed": SEED,
        "generator": "generate_recurrence.py",
        "licence": "dateutil: Apache-2.0 / BSD-3-Clause; only its results are kept here",
    }
    lines = ",\n".join(json.dumps(case, separators=(",", ":")) for case in cases)
    with open("recurrence_dateutil.json", "w", encoding="utf-8") as out:
        out.write(f'{{"header":{json.dumps(header)},\n"cases":[\n{lines}\n]}}\n')
    filled = sum(1 for case in cases if case["starts"])
    print(f"{len(cases)} cases, {filled} with starts, {sum(len(c['starts']) for c in cases)} starts")


main()

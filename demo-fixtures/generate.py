"""Writes bookings.csv, readings.csv and services.csv of the invented facility.

Everything is drawn from one seeded generator, so that a run gives the same
files again (Python 3.11, CoolProp 8.0.0, which supplies the pressure of the
real gas in the cylinders). The other files of this folder are written by hand
and are read here, because the bookings have to respect them.

    pip install CoolProp==8.0.0
    python3 demo-fixtures/generate.py

Times are wall times in the facility's zone, around the week of Monday
2026-01-05. A year of use is simulated; only the bookings of four weeks before
that Monday and of the four weeks from it on are written.
"""

import csv
import json
import math
import pathlib
import random
import tomllib
from collections import defaultdict
from datetime import date, datetime, time, timedelta

from CoolProp.CoolProp import PropsSI

from history import KEEPERS, REGENERATED, SERVICES

HERE = pathlib.Path(__file__).parent
MONDAY = datetime(2026, 1, 5)
# Chosen among a few for an argon cylinder that is used up evenly.
SEED = 20260123
WEEKS_BACK, WEEKS_AHEAD = 52, 4
EMITTED_BACK = 4
# Later weeks are not yet booked full.
SHARE_BOOKED = {2: 0.7, 3: 0.45}
# Minutes kept free around whatever a booking claims.
MARGIN = 10
STANDARD_ATMOSPHERE_MBAR = 1013.25
NL_PER_MOL = 22.414
AMBIENT_BAR = 1.01325

rng = random.Random(SEED)
facility = tomllib.loads((HERE / "facility.toml").read_text())
windows = tomllib.loads((HERE / "windows.toml").read_text())["maintenance_windows"]
people = list(csv.DictReader((HERE / "people.csv").open()))
qualifications = list(csv.DictReader((HERE / "qualifications.csv").open()))
policies = facility["facility"]["policies"]
boxes = {box["tag"]: box for box in facility["gloveboxes"]}


def minutes(count):
    return timedelta(minutes=count)


# --- what a booking claims ------------------------------------------------


def turn_minutes(chamber, sample):
    """Length of a whole turn: constant pumping speed, all cycles from air."""
    cycles = chamber["cycles"] * (policies["porous_cycle_factor"] if sample == "porous" else 1)
    fixed = chamber["refill_minutes"] + chamber["hold_minutes"]
    litres_a_minute = chamber["pump_speed_m3_h"] * 1000 / 60
    ultimate = chamber["ultimate_mbar"]
    ratio = (STANDARD_ATMOSPHERE_MBAR - ultimate) / (chamber["evacuate_to_mbar"] - ultimate)
    one = chamber["volume_l"] / litres_a_minute * math.log(ratio) + fixed
    return cycles * max(one, chamber.get("measured_cycle_minutes", 0))


def turn_nl(chamber, sample):
    """Gas that the refills of a turn take, normal litres."""
    cycles = chamber["cycles"] * (policies["porous_cycle_factor"] if sample == "porous" else 1)
    share = 1 - chamber["evacuate_to_mbar"] / STANDARD_ATMOSPHERE_MBAR
    return cycles * chamber["volume_l"] * share * 273.15 / 293.15


def chamber_of(box, tag):
    return next(one for one in box["antechambers"] if one["tag"] == tag)


def purge_minutes(box):
    return box["internal_volume_l"] / box["purge_flow_l_min"] * math.log(policies["purge_dilution"])


def claims_of(booking):
    """Generous: more than the booking will claim, so that nothing touches."""
    box = boxes[booking["glovebox"]]
    start, end = booking["start"], booking["end"]
    before = sum(turn_minutes(chamber_of(box, c), s) for c, s in booking["in"])
    after = sum(turn_minutes(chamber_of(box, c), s) for c, s in booking["out"])
    if booking["off"]:
        after += purge_minutes(box)
        everything = [part["tag"] for part in box["stations"] + box["antechambers"]]
    else:
        everything = []
    first, last = start - minutes(before + MARGIN), end + minutes(after + MARGIN)
    yield ("station", booking["station"]), start - minutes(MARGIN), end + minutes(MARGIN)
    yield ("person", booking["person"]), first, last
    for chamber, _ in booking["in"]:
        yield ("part", chamber), first, start + minutes(MARGIN)
    for chamber, _ in booking["out"]:
        yield ("part", chamber), end - minutes(MARGIN), last
    for instrument in booking["instruments"]:
        yield ("part", instrument), start, end
    for tag in everything:
        yield ("station", tag), first, last
        yield ("part", tag), first, last


class Calendar:
    """Who has what, and which hours are open."""

    def __init__(self):
        self.taken = defaultdict(list)
        self.hours = defaultdict(float)

    def open_on(self, day):
        if any(c["start"].date() <= day < c["end"].date() for c in facility["facility"]["closures"]):
            return None
        spans = facility["facility"]["opening_hours"].get(day.strftime("%A").lower(), [])
        if not spans:
            return None
        at = lambda text: datetime.combine(day, time.fromisoformat(text))
        return at(spans[0]["from"]), at(spans[0]["to"])

    def kept(self, day):
        """Times that windows keep in any case; all of those are weekly."""
        for window in windows:
            if window["holds"] == "always" and window["dtstart"].weekday() == day.weekday():
                start = datetime.combine(day, window["dtstart"].time())
                yield start, start + timedelta(hours=int(window["duration"][2:-1]))

    def fits(self, booking):
        claims = list(claims_of(booking))
        first, last = min(c[1] for c in claims), max(c[2] for c in claims)
        opening = self.open_on(booking["start"].date())
        if opening is None or first < opening[0] or last > opening[1]:
            return False
        if any(start < last and first < end for start, end in self.kept(booking["start"].date())):
            return False
        if booking["end"] - booking["start"] > timedelta(hours=8):
            return False
        quota = 0.8 * next(
            (q["hours_per_week"] for q in policies["group_quotas"] if q["group"] == booking["group"]),
            policies["group_hours_per_week"],
        )
        if self.hours[booking["group"], week_of(booking["start"])] + hours_of(booking) > quota:
            return False
        return all(
            end <= taken_from or taken_to <= start
            for resource, start, end in claims
            for taken_from, taken_to in self.taken[self.key(booking, resource)]
        )

    def key(self, booking, resource):
        kind, tag = resource
        return (kind, tag) if kind == "person" else (kind, booking["glovebox"], tag)

    def take(self, booking):
        for resource, start, end in claims_of(booking):
            self.taken[self.key(booking, resource)].append((start, end))
        self.hours[booking["group"], week_of(booking["start"])] += hours_of(booking)


def week_of(at):
    return (at - MONDAY).days // 7


def hours_of(booking):
    return (booking["end"] - booking["start"]).total_seconds() / 3600


# --- bookings ---------------------------------------------------------------

WORK = {
    "Batteries": [
        ("cell assembly", ["dimethyl carbonate"]),
        ("electrolyte mixing", ["ethylene carbonate", "dimethyl carbonate"]),
        ("pellet pressing", []),
        ("electrode handling", []),
    ],
    "Catalysis": [
        ("catalyst loading", []),
        ("ligand exchange", ["toluene"]),
        ("weighing precursors", []),
        ("work-up of a run", ["hexane", "thf"]),
    ],
    "Organometallics": [
        ("synthesis", ["thf"]),
        ("crystallisation", ["pentane"]),
        ("sample preparation for NMR", ["toluene"]),
        ("filtration", ["diethyl ether"]),
    ],
    "Interfaces": [
        ("film casting", ["toluene"]),
        ("spin coating", ["acetonitrile"]),
        ("substrate transfer", []),
        ("annealing", []),
    ],
}
INSTRUMENT_FOR = {
    "pellet pressing": "PRESS",
    "weighing precursors": "BALANCE",
    "cell assembly": "CRIMPER",
    "spin coating": "SPINNER",
    "annealing": "OVEN",
}


def qualified(box, day):
    """People who may work in a box on a day and whose group is on the list of work."""
    active = {p["tag"]: p for p in people if p["active"] == "true"}
    found = []
    for row in qualifications:
        person = active.get(row["person"])
        if row["glovebox"] != box or person is None:
            continue
        until = row["valid_until"]
        if until and datetime.fromisoformat(until) < datetime.combine(day, time(23, 59)):
            continue
        groups = [g for g in person["groups"].split(";") if g in WORK]
        if groups:
            found.append((row["person"], groups))
    return sorted(found)


def draw_booking(box, day):
    candidates = qualified(box["tag"], day)
    person, groups = rng.choice(candidates)
    group = rng.choice(groups)
    purpose, solvents = rng.choice(WORK[group])
    start = datetime.combine(day, time(8, 0)) + minutes(30 * rng.randrange(0, 20))
    end = start + minutes(rng.choice([60, 90, 120, 120, 150, 180, 180, 240, 300]))
    chambers = [chamber["tag"] for chamber in box["antechambers"]]
    pick = lambda: (
        "SMALL" if "SMALL" in chambers and rng.random() < 0.7 else "LARGE",
        "porous" if rng.random() < 0.06 else "compact",
    )
    present = [i["tag"] for i in box["instruments"]]
    wanted = INSTRUMENT_FOR.get(purpose)
    return {
        "glovebox": box["tag"],
        "station": rng.choice(box["stations"])["tag"],
        "person": person,
        "group": group,
        "start": start,
        "end": end,
        "purpose": purpose,
        "in": [pick()] if rng.random() < 0.75 else [],
        "out": [pick()] if rng.random() < 0.6 else [],
        "instruments": [wanted] if wanted in present else [],
        "solvents": list(solvents),
        "off": False,
    }


def make_bookings():
    calendar = Calendar()
    made = []
    # Work with a halogenated solvent comes first: it needs the whole box.
    for week in range(-50, WEEKS_AHEAD, 4):
        day = (MONDAY + timedelta(weeks=week, days=1)).date()
        booking = draw_booking(boxes["WREN"], day) | {
            "start": datetime.combine(day, time(10, 0)),
            "end": datetime.combine(day, time(12, 0)),
            "person": "AV",
            "group": "Organometallics",
            "purpose": "chlorination",
            "instruments": [],
            "solvents": ["dichloromethane"],
            "off": True,
        }
        assert calendar.fits(booking), booking
        calendar.take(booking)
        made.append(booking)
    for offset in range(-7 * WEEKS_BACK, 7 * WEEKS_AHEAD):
        day = (MONDAY + timedelta(days=offset)).date()
        if calendar.open_on(day) is None:
            continue
        for box in boxes.values():
            tries = rng.choice([0, 1]) if day.weekday() == 5 else rng.choice([2, 3, 4, 5])
            for _ in range(tries):
                booking = draw_booking(box, day)
                if calendar.fits(booking):
                    calendar.take(booking)
                    made.append(booking)
    made.sort(key=lambda b: (b["start"], b["glovebox"], b["station"]))
    check(made)
    return made


def check(made):
    """The bookings do not collide and keep the policies, looked at afresh."""
    calendar = Calendar()
    for booking in made:
        assert calendar.fits(booking), f"collides or is not allowed: {booking}"
        calendar.take(booking)


def outcome_of(booking):
    if booking["start"] >= MONDAY + timedelta(days=7):
        return ""
    draw = rng.random()
    if draw < 0.04:
        return "no_show"
    return "cancelled" if draw < 0.07 else "done"


def write_bookings(made):
    rows = []
    for booking in made:
        week = week_of(booking["start"])
        if week < -EMITTED_BACK or rng.random() > SHARE_BOOKED.get(week, 1.0):
            continue
        days_ahead = rng.choice([2, 3, 5, 7, 7, 10, 14])
        rows.append(
            {
                "booked_at": stamp(booking["start"] - timedelta(days=days_ahead)),
                "glovebox": booking["glovebox"],
                "station": booking["station"],
                "person": booking["person"],
                "group": booking["group"],
                "start": stamp(booking["start"]),
                "end": stamp(booking["end"]),
                "purpose": booking["purpose"],
                "transfers_in": ";".join(":".join(one) for one in booking["in"]),
                "transfers_out": ";".join(":".join(one) for one in booking["out"]),
                "instruments": ";".join(booking["instruments"]),
                "solvents": ";".join(booking["solvents"]),
                "outcome": outcome_of(booking),
            }
        )
    write("bookings.csv", rows)


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M")


def write(name, rows):
    with (HERE / name).open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


# --- gas --------------------------------------------------------------------

BASE_NL_H = {"OTTER": 2.6, "HERON": 2.2, "BADGER": 1.8, "WREN": 2.4, "MARTEN": 2.0}
HOUR_NL = 5.0
# When each panel's connected cylinder reaches its changeover pressure.
EMPTY_AT = {"AR": datetime(2026, 1, 17, 11, 0), "N2": datetime(2026, 1, 19, 15, 0)}
SUBSTANCE = {"AR": "Argon", "N2": "Nitrogen", "REGEN": "Nitrogen"}
HORIZON = MONDAY + timedelta(weeks=WEEKS_AHEAD)
FIRST = MONDAY - timedelta(weeks=WEEKS_BACK)
REGENERATION_NL = 900.0


def use_by_hour(supply, made):
    """Normal litres taken from a panel in each hour since FIRST."""
    fed = [box for box in boxes.values() if box.get("gas_supply") == supply]
    hours = int((HORIZON - FIRST).total_seconds() // 3600)
    base = sum(BASE_NL_H[box["tag"]] for box in fed)
    use = [max(0.0, base * rng.gauss(1.0, 0.05)) for _ in range(hours)]
    index = lambda at: min(hours - 1, int((at - FIRST).total_seconds() // 3600))
    for booking in made:
        box = boxes[booking["glovebox"]]
        if box not in fed:
            continue
        turns = booking["in"] + booking["out"]
        use[index(booking["start"])] += sum(turn_nl(chamber_of(box, c), s) for c, s in turns)
        for quarter in range(int(hours_of(booking) * 4)):
            use[index(booking["start"] + minutes(15 * quarter))] += HOUR_NL / 4 * rng.gauss(1.0, 0.2)
        if booking["off"]:
            use[index(booking["end"])] += purge_minutes(box) * box["purge_flow_l_min"] * 273.15 / 293.15
    return use


def moles(substance, gauge_bar, celsius, litres=50.0):
    pressure = (gauge_bar + AMBIENT_BAR) * 1e5
    return PropsSI("Dmolar", "P", pressure, "T", celsius + 273.15, substance) * litres / 1000


def gauge(substance, amount, celsius, litres=50.0):
    density = amount / (litres / 1000)
    return PropsSI("P", "Dmolar", density, "T", celsius + 273.15, substance) / 1e5 - AMBIENT_BAR


def swaps_of(supply, use):
    """Fillings of the connected cylinder, first to last: (from when, moles).

    Worked out backwards from the time the last one is to be used up: each was
    connected on a working day at half past nine, and the last one was filled to
    what it needs.
    """
    substance = SUBSTANCE[supply]
    spent = [0.0]
    for one in use:
        spent.append(spent[-1] + one / NL_PER_MOL)
    at = lambda when: spent[max(0, min(len(use), round((when - FIRST).total_seconds() / 3600)))]
    fillings, until, rest = [], EMPTY_AT[supply], moles(substance, 20.0, 15.0)
    while until > FIRST:
        full = moles(substance, rng.uniform(192.0, 203.0), 15.0)
        since = until
        while at(until) - at(since) + rest < full and since > FIRST:
            since -= timedelta(hours=1)
        if since <= FIRST:
            since = FIRST - timedelta(days=1)
        while since > FIRST and (since.weekday() > 4 or (since.hour, since.minute) != (9, 30)):
            since = since.replace(minute=30) + timedelta(hours=1)
        # Cylinders come full; where less was needed, the change came early.
        needed = at(until) - at(since) + rest
        fillings.append((since, max(needed, 0.95 * full) if fillings else needed))
        until, rest = since, moles(substance, rng.uniform(21.0, 27.0), 15.0)
    fillings.reverse()
    return fillings, at


def store_temperature(at):
    """A store outside the wall: seasons, days and nights, weather."""
    day = (at - FIRST).days
    season = -4.0 * math.cos(2 * math.pi * day / 365.25)
    night = 4.5 if at.hour >= 12 else -2.0
    weather = 2.0 * math.sin(day / 3.1) + 1.2 * math.sin(day / 1.7)
    return 12.0 + season + night + weather + rng.gauss(0, 0.4)


def gas_readings(supply, contents):
    """Pressure and temperature, mornings and evenings."""
    for offset in range(-7 * WEEKS_BACK, 7):
        for hour in (7, 19):
            at = MONDAY + timedelta(days=offset, hours=hour)
            celsius = round(store_temperature(at), 1)
            pressure = gauge(SUBSTANCE[supply], contents(at), celsius)
            yield supply, "temperature_c", at, f"{celsius:.1f}"
            yield supply, "gauge_bar", at, f"{pressure + rng.gauss(0, 0.15):.1f}"


# --- the boxes' atmosphere, counters --------------------------------------

# Oxygen and water right after a regeneration (ppm), and their rise a day.
ATMOSPHERE = {
    "OTTER": (0.9, 0.088, 0.5, 0.004),
    "HERON": (0.6, 0.002, 0.4, 0.012),
    "BADGER": (0.8, 0.004, 0.6, 0.006),
    "WREN": (1.1, 0.003, 0.8, 0.008),
    "MARTEN": (0.9, 0.002, 0.7, 0.004),
}
# At the Monday, and hours a week: what the pumps' counters show.
PUMP_HOURS = {"LARGE": 58.0, "SMALL": 31.0}


def atmosphere(box, made):
    busy = defaultdict(float)
    for booking in made:
        if booking["glovebox"] == box:
            for quarter in range(int(hours_of(booking) * 4)):
                at = booking["start"] + minutes(15 * quarter)
                busy[at.date(), at.hour // 6] += 0.25
    oxygen, oxygen_rise, water, water_rise = ATMOSPHERE[box]
    resets = [MONDAY - timedelta(days=days) for days in REGENERATED[box]]
    for step in range(-28 * WEEKS_BACK, 28):
        at = MONDAY + timedelta(hours=6 * step)
        since = min(((at - reset).total_seconds() / 86400 for reset in resets if reset <= at), default=90.0)
        # The quarter of a day before the reading.
        before = at - timedelta(hours=1)
        worked = busy[before.date(), before.hour // 6]
        # Only the last stretch of OTTER creeps; its column was younger before.
        rise = oxygen_rise if box != "OTTER" or at >= resets[0] else 0.012
        level = oxygen + rise * since + 0.05 * worked
        yield box, "oxygen_ppm", at, f"{max(0.05, level * rng.lognormvariate(0, 0.05)):.2f}"
        level = water + water_rise * since + 0.07 * worked
        yield box, "water_ppm", at, f"{max(0.05, level * rng.lognormvariate(0, 0.08)):.2f}"


def counters(box, made):
    """Weekly, on Monday mornings: pump hours and cycles of the chambers, and the filter."""
    cycles = defaultdict(float)
    for booking in made:
        if booking["glovebox"] == box["tag"]:
            for chamber, sample in booking["in"] + booking["out"]:
                factor = policies["porous_cycle_factor"] if sample == "porous" else 1
                cycles[chamber, week_of(booking["start"])] += 3 * factor
    for chamber in box["antechambers"]:
        weekly = PUMP_HOURS[chamber["tag"]] * (1.15 if box["tag"] == "BADGER" else 1.0)
        hours, count = rng.uniform(500, 4000), rng.randrange(800, 4000)
        for week in range(-WEEKS_BACK, 1):
            at = MONDAY + timedelta(weeks=week, hours=8)
            subject = f"{box['tag']}/{chamber['tag']}"
            yield subject, "pump_hours", at, f"{hours:.1f}"
            yield subject, "antechamber_cycles", at, f"{count:.0f}"
            hours += weekly * rng.uniform(0.85, 1.15)
            count += cycles[chamber["tag"], week] + rng.randrange(0, 4)
    drop, rise = (3.2, 0.04) if box["tag"] == "HERON" else (2.0, 0.018)
    for week in range(-WEEKS_BACK, 1):
        at = MONDAY + timedelta(weeks=week, hours=8)
        yield box["tag"], "filter_pressure_mbar", at, f"{drop + rise * (week + WEEKS_BACK) + rng.gauss(0, 0.04):.2f}"


# --- services ---------------------------------------------------------------

def write_services(swaps):
    rows = []

    def add(subject, task, at, findings="", measured=None):
        rows.append(
            {
                "subject": subject,
                "task": task,
                "done_at": stamp(at),
                "done_by": rng.choice(KEEPERS.get(task, ["MB", "TV", "RQ"])),
                "outcome": "passed",
                "findings": findings,
                "measured": json.dumps(measured) if measured else "",
            }
        )

    for subject, task, days, findings, measured in SERVICES:
        at = MONDAY - timedelta(days=days) + timedelta(hours=rng.choice([9, 10, 11, 13, 14]))
        while at.weekday() > 4:
            at -= timedelta(days=1)
        add(subject, task, at, findings, measured)
    for box, days_before in REGENERATED.items():
        for days in days_before:
            add(box, "purifier_regeneration", MONDAY - timedelta(days=days))
    for supply, fillings in swaps.items():
        for at, _ in fillings:
            if at > FIRST:
                add(supply, "cylinder_swap", at)
    rows.sort(key=lambda row: (row["done_at"], row["subject"], row["task"]))
    write("services.csv", rows)


def main():
    made = make_bookings()
    gas = {supply: swaps_of(supply, use_by_hour(supply, made)) for supply in ("AR", "N2")}
    write_bookings(made)
    readings, swaps = [], {}
    for box in boxes.values():
        readings += atmosphere(box["tag"], made)
        readings += counters(box, made)
    for supply, (fillings, spent) in gas.items():
        swaps[supply] = fillings

        def contents(at, fillings=fillings, spent=spent):
            since, amount = next(f for f in reversed(fillings) if f[0] <= at)
            return amount - (spent(at) - spent(since))

        readings += gas_readings(supply, contents)
    taken = sorted(MONDAY - timedelta(days=d) for days in REGENERATED.values() for d in days)
    first = moles("Nitrogen", 196.0, 15.0, 50.0)
    used = lambda at: REGENERATION_NL / NL_PER_MOL * sum(
        min(1.0, max(0.0, (at - start).total_seconds() / 3600 / 17)) for start in taken
    )
    # Eleven regenerations in a year would empty it, so one change.
    swap = MONDAY - timedelta(days=210) + timedelta(hours=9, minutes=30)
    swaps["REGEN"] = [(FIRST - timedelta(days=1), first), (swap, first)]
    start_of = lambda at: swap if at >= swap else FIRST
    readings += gas_readings("REGEN", lambda at: first - used(at) + used(start_of(at)))
    write_services(swaps)
    readings.sort(key=lambda r: (r[2], r[0], r[1]))
    write(
        "readings.csv",
        [{"subject": s, "quantity": q, "at": stamp(at), "value": v} for s, q, at, v in readings],
    )


if __name__ == "__main__":
    main()

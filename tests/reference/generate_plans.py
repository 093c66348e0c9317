"""Draws small planning instances and proves their optimum with OR-tools CP-SAT.

The model here is written from the rules, not from drykeep's code: every visit
(tasks of one place, start) that obeys the rules by itself is an optional
choice; CP-SAT's own interval constraints keep resources, people and boxes
apart. Times are minutes, costs drykeep's units with its default weights.

    pip install ortools==9.15.6755
    python generate_plans.py            writes plans.json
    python generate_plans.py --large    writes plans_large.json (twenty minutes)
    python generate_plans.py --check    says whether it still gives the same
"""

import itertools
import json
import pathlib
import random
import sys

import ortools
from ortools.sat.python import cp_model

SEED = 20261125
COUNT = 240
GRID = 30
DAY = 1440
HERE = pathlib.Path(__file__).parent

DISPLACED, SHORT_PERCENT, SHORT = 100, 200, 7 * DAY
EQUAL_PERCENT, TENTATIVE_PERCENT = 40, 50
LATE = {"safety": 1000, "due": 100, "approaching": 50}
WASTED, VISIT, PURGE, LEFT_OUT = 2, 100, 200, 2000


def draw(rng, number):
    kind = number % 6
    days = rng.randint(2, 4)
    boxes = [{"gas": rng.choice(["argon", "nitrogen"]), "stations": rng.randint(1, 2)} for _ in range(rng.randint(2, 3))]
    people = []
    for _ in range(rng.randint(1, 3)):
        working = []
        for day in range(days):
            if rng.random() < 0.85:
                start = day * DAY + rng.choice([420, 480, 510, 600])
                working.append([start, start + rng.choice([240, 360, 480])])
        absent = []
        if rng.random() < 0.3:
            start = rng.randrange(days) * DAY + rng.choice([600, 675])
            absent.append([start, start + 120])
        people.append({"working": working, "absent": absent, "competences": [c for c in "ab" if rng.random() < 0.75]})
    windows = []
    for day in range(days):
        for box in range(len(boxes)):
            if rng.random() < 0.6:
                start = day * DAY + rng.choice([420, 480, 495, 540, 720])
                windows.append({
                    "start": start,
                    "end": start + rng.choice([0, 120, 180, 270, 360, 1440]) or start,
                    "boxes": None if rng.random() < 0.3 else [box],
                    "tasks": ["x"] if rng.random() < 0.15 else [],
                    "notice": None if rng.random() < 0.4 else rng.choice([0, 720, 1440]),
                })
    windows = [w for w in windows if w["end"] > w["start"]]
    tasks = []
    for _ in range(rng.randint(2, 6)):
        box = None if rng.random() < 0.08 else rng.randrange(len(boxes))
        long = rng.random() < 0.25
        act_by = rng.choice([None, rng.randint(0, days * DAY + 2 * DAY)])
        tasks.append({
            "task": rng.choice(["x", "y"]),
            "box": box,
            "attended": rng.choice([30, 45, 60, 90, 120]),
            "unattended": rng.choice([300, 960]) if long else 0,
            "finish": 30 if long and rng.random() < 0.7 else 0,
            "purge": rng.choice([0, 0, 30, 60]),
            "closes": "nothing" if box is None else rng.choice(["box", "box", "station", "nothing"]),
            "people": 2 if rng.random() < 0.15 else 1,
            "competence": rng.choice([None, "a", "b"]),
            "needs": [["glove pair", 1000]] if rng.random() < 0.4 else [],
            "regeneration": long and rng.random() < 0.6,
            "earliest": None if act_by is None else act_by - rng.choice([0, DAY, 2 * DAY]),
            "act_by": act_by,
            "safety": kind == 0 and rng.random() < 0.3,
            "state": rng.choice(["approaching", "due"]),
        })
    bookings = []
    for day in range(days):
        for box, shape in enumerate(boxes):
            for station in range(shape["stations"]):
                if rng.random() < 0.5:
                    start = day * DAY + rng.choice([480, 550, 600, 780])
                    bookings.append({
                        "box": box, "station": station, "start": start, "end": start + rng.choice([60, 100, 180, 300]),
                        "tentative": rng.random() < 0.3, "equal": rng.random() < 0.3,
                    })
    taken = []
    if rng.random() < 0.3:
        start = rng.randrange(days) * DAY + 500
        taken.append({"box": rng.randrange(len(boxes)), "station": 0, "start": start, "end": start + 95})
    stock = [] if rng.random() < 0.5 else [[0, rng.choice([0, 1000, 2000])], [rng.randint(1, days * DAY), rng.choice([1000, 3000])]]
    closed = []
    if rng.random() < 0.2:
        closed.append({"box": rng.randrange(len(boxes)), "start": 300, "end": 300 + DAY})
    return {
        "days": days, "boxes": boxes, "people": people, "windows": windows, "tasks": tasks, "bookings": bookings,
        "taken": taken, "stock": stock, "closed": closed,
        "open_minimum": {gas: rng.choice([0, 0, 1]) for gas in ("argon", "nitrogen")},
    }


# Large instances: sixty tasks in eight weeks on twenty boxes among 1500 bookings, by what makes them hard.
#   people: competences of each; week: windows on so many days a week, for each box its own or on the same for all;
#   due: tasks are wanted from day 2 to this one; uneven: few boxes have most tasks; regeneration: share of tasks that
#   regenerate, all from one supply; always: share of windows in which bookings give way without notice.
MIXED = (["a", "b"], ["a"], ["b", "c"], ["c", "a"])
ABLE = (["a", "b", "c"], ["a", "b", "c"])
KINDS = {
    "four people, one day a week": {"people": MIXED, "week": 1, "due": 66},
    "four people, one day a week, again": {"people": MIXED, "week": 1, "due": 66},
    "four people, two days a week": {"people": MIXED, "week": 2, "due": 56},
    "four people, five days a week": {"people": MIXED, "week": 5, "due": 56},
    "four people, five days a week, early": {"people": MIXED, "week": 5, "due": 18},
    "three people, two days a week": {"people": MIXED[:3], "week": 2, "due": 35},
    "two people, two days a week": {"people": ABLE, "week": 2, "due": 56},
    "two people, five days a week": {"people": ABLE, "week": 5, "due": 56},
    "four people, quarter hours": {"people": MIXED, "week": 2, "due": 56, "grid": 15},
    "two people, quarter hours, early": {"people": ABLE, "week": 2, "due": 18, "grid": 15},
    "few boxes have most tasks": {"people": MIXED, "week": 2, "due": 56, "uneven": True},
    "windows of both kinds": {"people": MIXED, "week": 2, "due": 56, "always": 0.5},
    "one supply regenerates all": {"people": MIXED, "week": 2, "due": 35, "regeneration": 0.6},
    "very tight": {"people": ABLE, "week": 1, "same": True, "due": 18, "safety": False},
    "very tight, again": {"people": ABLE, "week": 1, "same": True, "due": 18, "safety": False},
    "very tight, three differ": {"people": (["a"], ["b"], ["c", "a"]), "week": 1, "same": True, "due": 18, "safety": False},
}


def draw_large(name, days=56, grid=GRID, uneven=False, same=False, always=0.0, regeneration=0.2, safety=True, **kind):
    rng = random.Random(f"{SEED} {name}")
    boxes = [{"gas": "argon" if n < 12 else "nitrogen", "stations": rng.randint(2, 3)} for n in range(20)]
    workdays = [day for day in range(days) if day % 7 < 5]
    people = []
    for held in kind["people"]:
        off = set(rng.sample(workdays, 8))
        people.append({"working": [[d * DAY + 480, d * DAY + 990] for d in workdays if d not in off],
                       "absent": [], "competences": list(held)})
    windows, tasks = [], []
    for box in range(20):
        of_week = {(1 if same else box + 2 * n) % 5 for n in range(kind["week"])} if kind["week"] < 5 else set(range(5))
        notice = None if rng.random() < always else 2 * DAY
        for length, words in ((420, []), (DAY + 180, ["regeneration"])):
            windows += [{"start": day * DAY + 480, "end": day * DAY + 480 + length, "boxes": [box], "tasks": words,
                         "notice": notice} for day in workdays if day % 7 in of_week]
    plain = ["glove_change", "filter_change", "leak_test", "pump_oil_change"]
    for number in range(60):
        word = "regeneration" if rng.random() < regeneration else rng.choice(plain)
        act_by = rng.randint(2, kind["due"]) * DAY + 960
        long = word == "regeneration"
        tasks.append({
            "task": word, "box": rng.choice([0, 0, 0, 1, 1, 2, 12, 12, rng.randrange(20)]) if uneven else number % 20,
            "attended": {"leak_test": 120}.get(word, 60), "unattended": 960 if long else 0, "finish": 30 if long else 0,
            "purge": 60 if word in ("glove_change", "filter_change") else 0,
            "closes": {"glove_change": "station", "pump_oil_change": "nothing"}.get(word, "box"),
            "people": 2 if word == "leak_test" and rng.random() < 0.3 else 1,
            "competence": {"glove_change": "a", "regeneration": "b", "leak_test": "c"}.get(word),
            "needs": [["glove pair", 1000]] if word == "glove_change" else [],
            "regeneration": long, "earliest": act_by - rng.randint(3, 14) * DAY, "act_by": act_by,
            "safety": safety and word == "leak_test" and act_by > 14 * DAY and rng.random() < 0.3,
            "state": "due" if act_by < 10 * DAY else "approaching",
        })
    slots = [(d, b, s, h) for d in workdays for b in range(20) for s in range(boxes[b]["stations"]) for h in (480, 780)]
    bookings = []
    for day, box, station, hour in rng.sample(slots, 1500):
        start = day * DAY + hour + rng.choice([0, 30, 45])
        bookings.append({"box": box, "station": station, "start": start, "end": start + rng.choice([90, 120, 180, 240]),
                         "tentative": rng.random() < 0.2, "equal": rng.random() < 0.4})
    bookings.sort(key=lambda b: (b["box"], b["station"], b["start"]))
    return {
        "name": name, "grid": grid, "days": days, "boxes": boxes, "people": people, "windows": windows, "tasks": tasks,
        "bookings": bookings, "taken": [], "stock": [[0, 4000], [14 * DAY, 12000], [35 * DAY, 30000]], "closed": [],
        "open_minimum": {"argon": 9, "nitrogen": 5},
    }


def packed(instance):
    """The same without repeating names: rows of numbers, days where only the day differs."""
    out = dict(instance)
    out["people"] = [{"days": [a // DAY for a, _ in p["working"]], "competences": p["competences"]} for p in instance["people"]]
    windows = {}
    for w in instance["windows"]:
        key = (w["start"] % DAY, w["end"] - w["start"] // DAY * DAY, w["boxes"][0], tuple(w["tasks"]), w["notice"])
        windows.setdefault(key, []).append(w["start"] // DAY)
    out["windows"] = [[*key, days] for key, days in windows.items()]
    bookings = {}
    for b in instance["bookings"]:
        flags = b["tentative"] + 2 * b["equal"]
        bookings.setdefault((b["box"], b["station"]), []).append([b["start"], b["end"] - b["start"], flags])
    out["bookings"] = [[*key, rows] for key, rows in bookings.items()]
    differ = ("box", "people", "earliest", "act_by", "safety")
    alike = []
    for task in instance["tasks"]:
        kind = {key: value for key, value in task.items() if key not in differ}
        if kind not in alike:
            alike.append(kind)
    out["kinds"] = alike
    out["tasks"] = [[alike.index({key: value for key, value in task.items() if key not in differ}),
                     *(task[key] for key in differ)] for task in instance["tasks"]]
    return out


def up(length, grid):
    return -(-length // grid) * grid


def by_day(units, length):
    return -(-units * length // DAY) if length > 0 else 0


def overlap(a, b):
    return a[0] < b[1] and b[0] < a[1]


def joined(intervals):
    out = []
    for start, end in sorted(intervals):
        if out and start <= out[-1][1]:
            out[-1][1] = max(out[-1][1], end)
        else:
            out.append([start, end])
    return out


def late_day(task):
    return LATE["safety"] if task["safety"] else LATE[task["state"]]


def displacement(booking):
    units = (booking["end"] - booking["start"]) * DISPLACED
    units *= SHORT_PERCENT if booking["start"] < SHORT else 100
    units *= EQUAL_PERCENT if booking["equal"] else 100
    units *= TENTATIVE_PERCENT if booking["tentative"] else 100
    return -(-units // (60 * 1_000_000))


def parts_of(box, boxes):
    return [("station", box, s) for s in range(boxes[box]["stations"])] + [("circulation", box)]


def visits(instance):
    """Every visit that obeys the rules which concern it alone."""
    end = instance["days"] * DAY
    boxes, tasks, grid = instance["boxes"], instance["tasks"], instance.get("grid", GRID)
    places = sorted({("box", t["box"]) if t["box"] is not None else ("task", i) for i, t in enumerate(tasks)})
    for place in places:
        here = [i for i, t in enumerate(tasks) if (("box", t["box"]) if t["box"] is not None else ("task", i)) == place]
        here.sort(key=lambda i: (tasks[i]["unattended"], tasks[i]["purge"], i))
        for size in range(1, min(4, len(here)) + 1):
            for group in itertools.combinations(here, size):
                # Of many tasks at one place drykeep joins only two, or three neighbours, and says so in the plan.
                if len(here) > 7 and (size > 3 or size == 3 and here.index(group[2]) - here.index(group[0]) > 2):
                    continue
                windows = [
                    w for w in instance["windows"]
                    if (w["boxes"] is None or (place[0] == "box" and place[1] in w["boxes"]))
                    and all(not w["tasks"] or tasks[i]["task"] in w["tasks"] for i in group)
                ]
                starts = sorted({s for w in windows for s in range(-(-w["start"] // grid) * grid, min(w["end"], end), grid) if s >= 0})
                for start in starts:
                    visit = at(instance, place, group, windows, start, end)
                    if visit:
                        yield visit


def at(instance, place, group, windows, start, end):
    boxes, tasks, grid = instance["boxes"], instance["tasks"], instance.get("grid", GRID)
    now, attended, claims, closes, cost, takes = start, [], [], [], VISIT, []
    for i in group:
        task = tasks[i]
        begun = now
        for length, work in ((task["attended"], True), (task["unattended"], False), (task["finish"], True)):
            length = up(length, grid)
            if work and length:
                attended.append((i, (now, now + length)))
            now += length
        span = (begun, now)
        if task["safety"] and task["act_by"] is not None and task["act_by"] > 0 and now > task["act_by"]:
            return None
        if task["closes"] == "box":
            closes.append((task["box"], span))
            claims += [(part, span) for part in parts_of(task["box"], boxes)]
        elif task["closes"] == "station":
            claims.append((("station", task["box"], 0), span))
        if task["regeneration"]:
            claims.append((("supply",), span))
        takes += [(begun, amount) for _, amount in task["needs"]]
        if task["act_by"] is not None:
            cost += by_day(late_day(task), now - task["act_by"])
            cost += by_day(WASTED, task["earliest"] - begun)
    pieces = [piece for _, piece in attended]
    purge = max(up(tasks[i]["purge"], grid) for i in group) if place[0] == "box" else 0
    if purge:
        pieces.append((now, now + purge))
        closes.append((place[1], (now, now + purge)))
        claims += [(part, (now, now + purge)) for part in parts_of(place[1], boxes)]
        cost += PURGE
        now += purge
    if now > end or not all(any(w["start"] <= a and b <= w["end"] for w in windows) for a, b in pieces):
        return None
    for part, span in claims:
        for t in instance["taken"]:
            if part == ("station", t["box"], t["station"]) and overlap(span, (t["start"], t["end"])):
                return None
    giving = joined([w["start"], w["end"]] for w in windows if w["notice"] is None or w["notice"] <= w["start"])
    displaced = set()
    for n, booking in enumerate(instance["bookings"]):
        for part, span in claims:
            if part == ("station", booking["box"], booking["station"]):
                shared = (max(span[0], booking["start"]), min(span[1], booking["end"]))
                if shared[0] < shared[1]:
                    if not any(a <= shared[0] and shared[1] <= b for a, b in giving):
                        return None
                    displaced.add(n)
    cost += sum(displacement(instance["bookings"][n]) for n in displaced)
    crew = []
    for i, span in attended:
        able = [
            p for p, person in enumerate(instance["people"])
            if any(a <= span[0] and span[1] <= b for a, b in joined(person["working"]))
            and not any(overlap(span, absence) for absence in person["absent"])
            and (tasks[i]["competence"] is None or tasks[i]["competence"] in person["competences"])
        ]
        if len(able) < tasks[i]["people"]:
            return None
        crew.append((span, tasks[i]["people"], able))
    return {"place": place, "tasks": group, "span": (start, now), "claims": claims, "closes": closes, "crew": crew,
            "takes": takes, "cost": cost}


def optimum(instance, seconds=None):
    """The proven optimum; with seconds given, cost and bound reached in them on two cores."""
    model = cp_model.CpModel()
    end = instance["days"] * DAY
    busy, working, closing, covered, terms, taking = {}, {}, {}, {}, [], []
    for v, visit in enumerate(visits(instance)):
        chosen = model.new_bool_var(f"v{v}")
        terms.append(visit["cost"] * chosen)

        def interval(span, on, name):
            return model.new_optional_fixed_size_interval_var(span[0], span[1] - span[0], on, name)

        # One visit at a time at a place, and while a box is closed.
        own = [(visit["place"], visit["span"])] + [(("box", b), span) for b, span in visit["closes"]]
        if visit["place"][0] == "box":
            own = own[:1]
        merged = {}
        for part, span in visit["claims"] + own:
            merged.setdefault(part, []).append(list(span))
        for part, spans in merged.items():
            for span in joined(spans):
                busy.setdefault(part, []).append(interval(span, chosen, f"v{v}{part}"))
        for box, span in visit["closes"]:
            closing.setdefault(instance["boxes"][box]["gas"], []).append((chosen, box, span))
        for span, need, able in visit["crew"]:
            doing = []
            for person in able:
                does = model.new_bool_var("")
                doing.append(does)
                working.setdefault(person, []).append(interval(span, does, ""))
            model.add(sum(doing) == need * chosen)
        for task in visit["tasks"]:
            covered.setdefault(task, []).append(chosen)
        taking += [(when, amount, chosen) for when, amount in visit["takes"]]
    for intervals in list(busy.values()) + list(working.values()):
        model.add_no_overlap(intervals)
    for gas, chosen in closing.items():
        boxes = [b for b, box in enumerate(instance["boxes"]) if box["gas"] == gas]
        grid = instance.get("grid", GRID)
        for moment in range(0, end, grid):
            slot = (moment, moment + grid)
            shut = {c["box"] for c in instance["closed"] if overlap(slot, (c["start"], c["end"]))}
            room = max(0, len([b for b in boxes if b not in shut]) - instance["open_minimum"][gas])
            here = [on for on, box, span in chosen if overlap(slot, span) and box not in shut]
            if here:
                model.add(sum(here) <= room)
    levels = instance["stock"]
    for number, (_, level) in enumerate(levels):
        until = levels[number + 1][0] if number + 1 < len(levels) else None
        used = [amount * on for when, amount, on in taking if until is None or when < until]
        if used:
            model.add(sum(used) <= level)
    for i, task in enumerate(instance["tasks"]):
        out = model.new_bool_var("")
        model.add(sum(covered.get(i, [])) + out == 1)
        if task["safety"] and task["act_by"] is not None and task["act_by"] <= end:
            model.add(out == 0)
        late = by_day(late_day(task), end - task["act_by"]) if task["act_by"] is not None else 0
        terms.append((LEFT_OUT + late) * out)
    model.minimize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    if seconds:
        solver.parameters.num_workers = 2
        solver.parameters.max_time_in_seconds = seconds
        solver.solve(model)
        return round(solver.objective_value), round(solver.best_objective_bound)
    status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return None
    assert status == cp_model.OPTIMAL, status
    return round(solver.objective_value)


def write_large():
    instances = []
    for name, kind in KINDS.items():
        instance = draw_large(name, **kind)
        found = ("?", "?") if "--draw" in sys.argv else optimum(instance, seconds=60)
        if found[0] != "?":
            instance["reached"], instance["bound"] = found
        instances.append(packed(instance))
        print(name, *found, flush=True)
    lines = ",\n".join(json.dumps(i, separators=(",", ":")) for i in instances)
    header = {"by": "generate_plans.py --large", "seed": SEED, "ortools": ortools.__version__,
              "note": "reached, bound: by CP-SAT within 60 s, two workers"}
    (HERE / "plans_large.json").write_text('{"header":%s,"instances":[\n%s\n]}\n' % (json.dumps(header), lines))


def main():
    if "--large" in sys.argv:
        return write_large()
    rng = random.Random(SEED)
    instances = []
    for number in range(COUNT):
        instance = draw(rng, number)
        instance["optimum"] = optimum(instance)
        instances.append(instance)
    lines = ",\n".join(json.dumps(i, separators=(",", ":")) for i in instances)
    header = {"by": "generate_plans.py", "seed": SEED, "ortools": ortools.__version__, "python": sys.version.split()[0],
              "note": "optimum is null where safety tasks cannot be placed"}
    text = '{"header":%s,"instances":[\n%s\n]}\n' % (json.dumps(header), lines)
    path = HERE / "plans.json"
    if "--check" in sys.argv:
        same = json.loads(path.read_text())["instances"] == json.loads(text)["instances"]
        sys.exit(0 if same else "plans.json is not what this generator gives")
    path.write_text(text)
    values = [i["optimum"] for i in instances]
    print(len(values), "instances,", values.count(None), "infeasible,", len(set(values)), "different optima")


if __name__ == "__main__":
    main()

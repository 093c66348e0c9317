"""Reads calendar feeds as other programs do, and compares what they say.

    python check_feeds.py tests/reference/feeds     every .ics there, with the .json beside it
    python check_feeds.py FILE.ics                  one file, without expectations

Needs the packages icalendar and recurring-ical-events, which know nothing of
drykeep. Exit code 1 when something is not as it has to be.
"""

import json
import re
import sys
from datetime import datetime, timezone
from pathlib import Path

import icalendar
import recurring_ical_events

LONGEST_LINE = 75  # octets, RFC 5545 section 3.1


def utc(value):
    """An instant in UTC as text; a time without a zone would be a fault."""
    if not isinstance(value, datetime):
        raise AssertionError(f"{value} is a day where a time was expected")
    if value.tzinfo is None:
        raise AssertionError(f"{value} floats: its zone is not defined")
    return value.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def check_lines(octets):
    assert octets.endswith(b"END:VCALENDAR\r\n"), "the text does not end as a calendar does"
    lines = octets.split(b"\r\n")
    for number, line in enumerate(lines, 1):
        assert b"\n" not in line and b"\r" not in line, f"line {number} does not end with CRLF"
        assert len(line) <= LONGEST_LINE, f"line {number} has {len(line)} octets"
        line.decode("utf-8")  # no character is divided
        assert not line.startswith(b"X-"), f"line {number} is of no standard"


def entry(component):
    categories = component.get("CATEGORIES")
    return {
        "uid": str(component["UID"]),
        "sequence": int(component["SEQUENCE"]),
        "created": utc(component["CREATED"].dt),
        "modified": utc(component["LAST-MODIFIED"].dt),
        "summary": str(component["SUMMARY"]),
        "description": str(component.get("DESCRIPTION", "")),
        "location": str(component.get("LOCATION", "")),
        "categories": [str(word) for word in categories.cats] if categories else [],
    }


def event(component):
    return entry(component) | {
        "start": utc(component["DTSTART"].dt),
        "end": utc(component["DTEND"].dt),
        "status": str(component["STATUS"]),
        "transparent": str(component["TRANSP"]) == "TRANSPARENT",
    }


def to_do(component):
    assert str(component["STATUS"]) == "NEEDS-ACTION"
    return entry(component) | {
        "due": utc(component["DUE"].dt),
        "priority": int(component["PRIORITY"]),
    }


def errors(component):
    found = list(component.errors)
    for part in component.subcomponents:
        found += errors(part)
    return found


def check_zone(calendar):
    """The zone as the calendar defines it, used instead of the reader's own."""
    zones = [part for part in calendar.walk("VTIMEZONE")]
    assert len(zones) == 1, "not one time zone is defined"
    named = {
        value.params["TZID"]
        for part in calendar.walk()
        for name in ("DTSTART", "DTEND", "DUE")
        if part.name in ("VEVENT", "VTODO") and (value := part.get(name)) is not None and "TZID" in value.params
    }
    assert named <= {str(zones[0]["TZID"])}, f"{named} are not defined"
    return zones[0]


def check_definition(calendar, zone):
    """Every local time is the same instant by the definition as by the IANA database."""
    defined = zone.to_tz(lookup_tzid=False)
    for part in calendar.walk():
        if part.name not in ("VEVENT", "VTODO"):
            continue
        for name in ("DTSTART", "DTEND", "DUE"):
            value = part.get(name)
            if value is None or "TZID" not in value.params:
                continue
            wall = value.dt.replace(tzinfo=None)
            by_definition = wall.replace(tzinfo=defined)
            assert utc(by_definition) == utc(value.dt), f"{name} {wall}: {by_definition} is not {value.dt}"


def check(path):
    octets = path.read_bytes()
    check_lines(octets)
    calendar = icalendar.Calendar.from_ical(octets)
    assert not errors(calendar), errors(calendar)
    zone = check_zone(calendar)
    check_definition(calendar, zone)
    components = [part for part in calendar.walk() if part.name in ("VEVENT", "VTODO")]
    uids = [str(part["UID"]) for part in components]
    assert len(uids) == len(set(uids)), "an identifier stands there twice"
    events = [event(part) for part in components if part.name == "VEVENT"]
    to_dos = [to_do(part) for part in components if part.name == "VTODO"]
    if events:
        occurrences = recurring_ical_events.of(calendar).between("20200101", "20400101")
        times = sorted((utc(one["DTSTART"].dt), utc(one["DTEND"].dt)) for one in occurrences)
        assert times == sorted((one["start"], one["end"]) for one in events), "occurrences differ"
    facts = path.with_suffix(".json")
    if facts.exists():
        expected = json.loads(facts.read_text("utf-8"))
        # The package knows no type for NAME, which RFC 7986 section 5.1 makes TEXT.
        assert re.sub(r"\\(.)", r"\1", str(calendar["NAME"])) == expected["name"], calendar["NAME"]
        assert str(zone["TZID"]) == expected["zone"]
        for found, wanted in ((events, expected["events"]), (to_dos, expected["to_dos"])):
            assert len(found) == len(wanted), f"{len(found)} entries instead of {len(wanted)}"
            for one, other in zip(found, wanted):
                assert one == other, f"found {one}\nwanted {other}"
    return len(events), len(to_dos)


def main():
    place = Path(sys.argv[1])
    files = sorted(place.glob("*.ics")) if place.is_dir() else [place]
    if not files:
        sys.exit(f"there are no feeds in {place}")
    failed = False
    for path in files:
        try:
            events, to_dos = check(path)
            print(f"{path.name}: {events} events, {to_dos} to-dos")
        except Exception as error:
            print(f"{path.name}: {error}", file=sys.stderr)
            failed = True
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()

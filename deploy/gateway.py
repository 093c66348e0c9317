#!/usr/bin/env python3
"""Store and forward: passes sensor readings on to drykeep, whatever happens between.

    sensors | gateway.py spool DIRECTORY     readings as JSON objects, one a line
    gateway.py send DIRECTORY URL            URL of the service, such as https://gloves.example

`spool` puts lines into files of DIRECTORY/queue; a file is there whole or not at all.
`send` posts each file until the answer accounts for every line of it, and only then
deletes it. What is sent twice counts once, so both may be killed at any moment and
started again. Lines that the service does not take are kept in DIRECTORY/rejected
with the reason; bodies that it does not take at all, in DIRECTORY/refused.

The token (scope readings:write) is read from the file named by DRYKEEP_TOKEN_FILE,
anew each time. Needs Python 3.9 and nothing else.
"""

import argparse
import json
import os
import random
import select
import sys
import time
import urllib.error
import urllib.request

SHORTEST_WAIT, LONGEST_WAIT = 1.0, 300.0  # seconds between tries
MOST_LINES = 5000  # of one file; a body may have 100 000 lines and 16 MiB
LONGEST_LINE = 2000  # bytes; a longer one is no reading


def log(text):
    print(f"{time.strftime('%Y-%m-%dT%H:%M:%S%z')} {text}", file=sys.stderr, flush=True)


def sync_directory(path):
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def keep(directory, name, content):
    """A file that after a power cut is there whole or not at all."""
    os.makedirs(directory, exist_ok=True)
    unfinished = os.path.join(directory, f".{name}.{os.getpid()}")
    with open(unfinished, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(unfinished, os.path.join(directory, name))
    sync_directory(directory)


def spool(directory, seconds):
    """Reads lines and puts those of a few seconds into a file together."""
    queue = os.path.join(directory, "queue")
    os.makedirs(queue, exist_ok=True)
    waiting, rest, count, since = [], b"", 0, time.monotonic()
    source = sys.stdin.fileno()
    while True:
        ready, _, _ = select.select([source], [], [], max(0.0, since + seconds - time.monotonic()))
        chunk = os.read(source, 65536) if ready else b""
        ended = bool(ready) and not chunk
        *lines, rest = (rest + chunk).split(b"\n")
        if ended or len(rest) > LONGEST_LINE:
            lines, rest = [*lines, rest], b""
        waiting.extend(line for line in lines if line.strip())
        due = ended or time.monotonic() >= since + seconds
        while waiting and (due or len(waiting) >= MOST_LINES):
            # Sorts by time; the process and a count keep names of one moment apart.
            name = f"{time.time_ns():020d}-{os.getpid()}-{count}.ndjson"
            keep(queue, name, b"\n".join(waiting[:MOST_LINES]) + b"\n")
            waiting, count = waiting[MOST_LINES:], count + 1
        if due:
            since = time.monotonic()
        if ended:
            return


class Refused(Exception):
    """The service will never take this body."""


class NotNow(Exception):
    """Worth trying again, after so many seconds if the service says how many."""

    def __init__(self, why, wait=None):
        super().__init__(why)
        self.wait = wait


class NoRedirects(urllib.request.HTTPRedirectHandler):
    """A redirected POST would be sent on as a GET."""

    def redirect_request(self, *_):
        return None


def post(url, body):
    with open(os.environ["DRYKEEP_TOKEN_FILE"], encoding="ascii") as file:
        token = file.read().strip()
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/x-ndjson"}
    request = urllib.request.Request(f"{url.rstrip('/')}/api/v1/readings", body, headers, method="POST")
    try:
        with urllib.request.build_opener(NoRedirects).open(request, timeout=90) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        text = error.read(2000).decode("utf-8", "replace")
        if error.code in (400, 413, 415, 422):
            raise Refused(f"{error.code} {text}") from error
        # Everything else may be mended, at the service or by another token.
        wait = error.headers.get("Retry-After", "")
        raise NotNow(f"{error.code} {text}", float(wait) if wait.isdecimal() else None) from error
    except (OSError, ValueError) as error:
        raise NotNow(str(error)) from error


def account(body, answer):
    """The lines that were not taken; an answer that does not speak of every line is none."""
    lines = [line for line in body.split(b"\n") if line.strip()]
    try:
        rejected = [
            {"code": one["code"], "detail": one["detail"], "line": lines[one["index"]].decode("utf-8", "replace")}
            for one in answer["rejected"]
        ]
        told = answer["accepted"] + answer["duplicates"] + len(rejected)
    except (KeyError, IndexError, TypeError) as error:
        raise NotNow(f"an answer that is none of drykeep's: {error}") from error
    if told != len(lines):
        raise NotNow(f"the answer accounts for {told} of {len(lines)} lines")
    return rejected


def forward(directory, name, url):
    path = os.path.join(directory, "queue", name)
    with open(path, "rb") as file:
        body = file.read()
    try:
        rejected = account(body, post(url, body))
        if rejected:
            log(f"{name}: {len(rejected)} lines were not taken; see rejected/{name}")
            text = "".join(json.dumps(one) + "\n" for one in rejected)
            keep(os.path.join(directory, "rejected"), name, text.encode())
    except Refused as error:
        log(f"{name}: refused: {error}")
        keep(os.path.join(directory, "refused"), name, body)
    # Only now: what was done before is done again if the power fails here.
    os.unlink(path)


def send(directory, url, until_empty):
    queue = os.path.join(directory, "queue")
    os.makedirs(queue, exist_ok=True)
    wait = SHORTEST_WAIT
    while True:
        names = sorted(name for name in os.listdir(queue) if name.endswith(".ndjson"))
        if not names and until_empty:
            return
        try:
            for name in names:
                forward(directory, name, url)
                wait = SHORTEST_WAIT
            time.sleep(SHORTEST_WAIT)
        except NotNow as error:
            # Gateways that lost the service together come back apart.
            pause = max(error.wait or 0.0, wait * random.uniform(0.5, 1.5))
            log(f"{name}: {error}; again in {pause:.0f} s")
            time.sleep(pause)
            wait = min(2 * wait, LONGEST_WAIT)


def main():
    parser = argparse.ArgumentParser(description="Passes sensor readings on to drykeep.")
    verbs = parser.add_subparsers(dest="verb", required=True)
    spooling = verbs.add_parser("spool", help="keep lines from standard input")
    spooling.add_argument("directory")
    spooling.add_argument("--every", type=float, default=10.0, help="seconds that go into one file")
    sending = verbs.add_parser("send", help="send what is kept")
    sending.add_argument("directory")
    sending.add_argument("url")
    sending.add_argument("--until-empty", action="store_true", help="end when all is sent")
    options = parser.parse_args()
    if options.verb == "spool":
        spool(options.directory, options.every)
    else:
        send(options.directory, options.url, options.until_empty)


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)

"""Opens the page that shows the contract in a headless browser: it must show the
operations, complain of nothing, and fetch nothing from another machine."""

import json
import os
import re
import subprocess
import sys
import tempfile
from urllib.parse import urlsplit

# A page that does what the real one must not, to know that it would be noticed.
# 192.0.2.1 belongs to nobody (RFC 5737).
BAD_PAGE = (
    "data:text/html,<img src='http://192.0.2.1/tracker.png'>"
    "<script>console.error('a complaint')</script>"
)


def visit(browser, url):
    """The page as rendered, the complaints in its console, and the hosts asked."""
    with tempfile.TemporaryDirectory() as folder:
        log = os.path.join(folder, "net.json")
        command = [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", "--disable-default-apps", "--no-proxy-server", "--no-pings",
            "--disable-extensions", "--disable-component-extensions-with-background-pages",
            "--disable-client-side-phishing-detection", "--disable-domain-reliability", "--metrics-recording-only",
            "--disable-features=AutofillServerCommunication,OptimizationHints,OptimizationGuideModelDownloading,"
            "OptimizationHintsFetching,OptimizationTargetPrediction,MediaRouter,Translate,DialMediaRouteProvider",
            f"--user-data-dir={folder}/profile", "--enable-logging=stderr", f"--log-net-log={log}",
            "--virtual-time-budget=20000", "--timeout=20000", "--dump-dom", url,
        ]
        run = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        complaints = [line for line in run.stderr.splitlines() if ":CONSOLE" in line]
        with open(log, encoding="utf-8") as file:
            text = file.read()
    # Each event is a line of its own; the last lines are missing when the browser
    # is stopped in the middle of one.
    hosts = set()
    for line in text.splitlines():
        for found in re.findall(r'"url":"([^"]*)"', line):
            address = urlsplit(json.loads(f'"{found}"'))
            if address.scheme in ("http", "https", "ws", "wss"):
                hosts.add(address.hostname)
    return run.stdout, complaints, hosts


def main(browser, url):
    _, complaints, hosts = visit(browser, BAD_PAGE)
    if not complaints or "192.0.2.1" not in hosts:
        sys.exit("the browser does not report what a page does: nothing is proved by it")

    # What the browser asks for by itself is not the page's doing.
    _, _, own = visit(browser, "about:blank")
    own |= hosts - {"192.0.2.1"}
    page, complaints, hosts = visit(browser, url)
    shown = re.findall(r'data-path="(/[^"]*)"', page)
    faults = [f"console: {line}" for line in complaints]
    faults += [f"asked another machine: {host}" for host in hosts - own - {"127.0.0.1"}]
    if "/api/v1/rooms" not in shown:
        faults.append("the operations are not shown")
    print(f"{len(shown)} operations shown, hosts asked: {', '.join(sorted(hosts))}")
    if faults:
        sys.exit("\n".join(faults))


if __name__ == "__main__":
    main(*sys.argv[1:])

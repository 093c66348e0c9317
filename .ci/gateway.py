"""Runs deploy/gateway.py against the service: what is spooled while the service is
away, or killed in the middle, arrives once, and what is not taken is kept aside.

usage: gateway.py PATH-OF-DRYKEEP"""

import json
import os
import pathlib
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

GATEWAY = str(pathlib.Path(__file__).resolve().parent.parent / "deploy" / "gateway.py")
ROUNDS, LINES = 4, 3000
NOW = time.time()


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


class Service:
    def __init__(self, drykeep, work):
        self.drykeep, self.work, self.port, self.process = drykeep, work, free_port(), None
        self.url = f"http://127.0.0.1:{self.port}"
        self.environment = dict(os.environ, DRYKEEP_DATABASE_URL=f"sqlite://{work}/gateway.db",
                                DRYKEEP_SECRET_FILE=f"{work}/tokens.secret", DRYKEEP_LOG="warn")

    def run(self, *arguments):
        done = subprocess.run([self.drykeep, *arguments], env=self.environment, cwd=self.work,
                              check=True, capture_output=True, text=True)
        return done.stdout.strip()

    def start(self):
        command = [self.drykeep, "serve", "--listen", f"127.0.0.1:{self.port}"]
        self.process = subprocess.Popen(command, env=self.environment, cwd=self.work)
        for _ in range(200):
            try:
                urllib.request.urlopen(f"{self.url}/health/ready", timeout=5).close()
                return
            except OSError:
                time.sleep(0.05)
        sys.exit("the service does not start")

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def call(self, method, path, token, body=None):
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}/api/v1{path}", data, headers, method=method)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)


def stamp(seconds_ago):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(NOW - seconds_ago))


def lines_of(round_number):
    """One reading a second, each at a time of its own, and one of a box that is not there."""
    begin = 10 + round_number * LINES
    readings = [{"subject": "LYNX", "quantity": "oxygen_ppm", "at": stamp(begin + second), "value": 0.5}
                for second in range(LINES)]
    readings.append({"subject": "LYNZ", "quantity": "oxygen_ppm", "at": stamp(begin), "value": 0.5})
    return "".join(json.dumps(one) + "\n" for one in readings)


def stored(service, token):
    count, after = 0, ""
    while after is not None:
        query = f"subject=LYNX&quantity=oxygen_ppm&limit=10000&from={stamp(80000)}{after}"
        page = service.call("GET", f"/readings?{query}", token)
        count += len(page["items"])
        after = f"&after={page['next']}" if page["next"] else None
    return count


def main(drykeep, work):
    service = Service(drykeep, work)
    keeper = service.run("token", "issue", "--sub", "keeper", "--scope", "facility:read facility:manage")
    pathlib.Path(work, "token").write_text(
        service.run("token", "issue", "--sub", "gateway", "--scope", "readings:write"), encoding="ascii")
    service.start()
    service.call("POST", "/rooms", keeper, {"tag": "LAB-1", "volume_m3": 180.0})
    service.call("POST", "/gloveboxes", keeper, {
        "tag": "LYNX", "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
        "stations": [{"tag": "S1"}]})
    spool = os.path.join(work, "spool")
    environment = dict(os.environ, DRYKEEP_TOKEN_FILE=os.path.join(work, "token"))
    sender = subprocess.Popen([sys.executable, GATEWAY, "send", spool, service.url], env=environment)
    try:
        for number in range(ROUNDS):
            subprocess.run([sys.executable, GATEWAY, "spool", spool, "--every", "0.2"],
                           input=lines_of(number), text=True, check=True)
            time.sleep(0.3 * number)
            service.kill()
            service.start()
        # The sender is killed too; another one goes on where it was.
        sender.kill()
        sender.wait()
        subprocess.run([sys.executable, GATEWAY, "send", spool, service.url, "--until-empty"],
                       env=environment, check=True, timeout=120)
        found = stored(service, keeper)
        aside = [json.loads(line) for file in pathlib.Path(spool, "rejected").iterdir()
                 for line in file.read_text(encoding="utf-8").splitlines()]
    finally:
        sender.kill()
        service.kill()
    left = os.listdir(os.path.join(spool, "queue"))
    faults = []
    if found != ROUNDS * LINES:
        faults.append(f"{found} readings arrived instead of {ROUNDS * LINES}")
    if [one["code"] for one in aside] != ["unknown_subject"] * ROUNDS:
        faults.append(f"kept aside: {aside}")
    if left or os.path.exists(os.path.join(spool, "refused")):
        faults.append(f"left behind: {left}, or refused")
    if faults:
        sys.exit("\n".join(faults))
    print(f"{found} readings arrived once, {len(aside)} lines were kept aside")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        main(os.path.abspath(sys.argv[1]), folder)

#!/usr/bin/env bash
# Does what deploy/README.md says of several instances: a PostgreSQL server of its
# own, two instances, and HAProxy in front of them with the very file of deploy/.
# Under load one instance is stopped by SIGTERM and started again, then the other
# is killed and started again; no caller may be told of either.
#
# usage: tests/several_instances.sh [PATH-OF-DRYKEEP]   (builds a release without one)
set -euo pipefail

here=$(cd "$(dirname "$0")/.." && pwd)
drykeep=${1:-}
if [ -z "$drykeep" ]; then
    cd "$here"
    cargo build --locked --release
    drykeep=${CARGO_TARGET_DIR:-target}/release/drykeep
fi
drykeep=$(realpath "$drykeep")

work=$(mktemp -d)
chmod 755 "$work"
children=()
postgres=
finish() {
    for child in "${children[@]}"; do kill -KILL "$child" 2>/dev/null || true; done
    if [ -n "$postgres" ]; then
        kill -QUIT "$(head -1 "$work/data/postmaster.pid" 2>/dev/null)" 2>/dev/null || true
        wait "$postgres" 2>/dev/null || true
    fi
    rm -rf "$work"
}
trap finish EXIT

fail() {
    {
        tail -n 20 "$work"/*.log
        printf 'several instances: %s\n' "$*"
    } | cut -c 1-300 >&2
    exit 1
}

# So many ports that were free just now.
mapfile -t ports < <(python3 - <<'PORTS'
import socket
sockets = [socket.socket() for _ in range(3)]
for one in sockets:
    one.bind(("127.0.0.1", 0))
for one in sockets:
    print(one.getsockname()[1])
PORTS
)
front=127.0.0.1:${ports[0]}

# A server of our own, by another user where we are root: it refuses to run as root.
bin=$(for path in $(command -v initdb || true) /usr/lib/postgresql/*/bin/initdb; do
    if [ -x "$path" ] && [ -x "$(dirname "$path")/postgres" ]; then dirname "$path"; fi
done | tail -1)
[ -n "$bin" ] || fail "there is no PostgreSQL"
as=()
mkdir "$work/data"
if [ "$(id -u)" -eq 0 ]; then
    user=nobody
    if id -u postgres >/dev/null 2>&1; then user=postgres; fi
    chown "$user" "$work/data"
    as=(runuser -u "$user" --)
fi
cd /
"${as[@]}" "$bin/initdb" -D "$work/data" -U drykeep -A trust -E UTF8 --locale=C -N >"$work/initdb.log" 2>&1 \
    || fail "initdb"
"${as[@]}" "$bin/postgres" -D "$work/data" -k "$work/data" -c listen_addresses= >"$work/postgres.log" 2>&1 &
postgres=$!

printf '%s' "a secret of this run, longer than it needs to be" >"$work/tokens.secret"
chmod 600 "$work/tokens.secret"
export DRYKEEP_DATABASE_URL="postgres:///postgres?host=$work/data&user=drykeep"
export DRYKEEP_SECRET_FILE="$work/tokens.secret" DRYKEEP_RATE_LIMITS=false DRYKEEP_DRAIN_SECONDS=3
for _ in $(seq 100); do
    [ -S "$work/data/.s.PGSQL.5432" ] && break
    sleep 0.1
done

# Serves at a port; the process is in $started.
instance() {
    "$drykeep" serve --listen "127.0.0.1:$1" 2>>"$work/instance-$1.log" &
    started=$!
    children+=("$started")
}

ready() {
    curl -sS --retry 100 --retry-all-errors --retry-delay 0 --retry-max-time 30 --fail -o /dev/null \
        "http://$1/health/ready" 2>"$work/curl.log" || fail "$1 is not ready"
}

instance "${ports[1]}"; one=$started
instance "${ports[2]}"; two=$started
ready "127.0.0.1:${ports[1]}"
ready "127.0.0.1:${ports[2]}"
DRYKEEP_BIND=$front DRYKEEP_ONE=127.0.0.1:${ports[1]} DRYKEEP_TWO=127.0.0.1:${ports[2]} \
    haproxy -f "$here/deploy/haproxy.cfg" >"$work/haproxy.log" 2>&1 &
children+=("$!")
ready "$front"

scopes="facility:read facility:manage bookings:write bookings:manage nightly:run"
token=$("$drykeep" token issue --subject keeper --scope "$scopes")

# Callers who each ask once and take no failure: bookings under keys, and looks at them.
cat >"$work/load.py" <<'LOAD'
import datetime, http.client, json, os, sys, threading, time

host, token, stop = sys.argv[1], sys.argv[2], sys.argv[3]
HEADERS = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
START = datetime.datetime.now(datetime.timezone.utc).replace(minute=0, second=0, microsecond=0) + datetime.timedelta(days=2)
failures, made, lock = [], {}, threading.Lock()


def ask(connection, method, path, body=None, key=None):
    headers = dict(HEADERS, **({"Idempotency-Key": key} if key else {}))
    connection.request(method, "/api/v1" + path, json.dumps(body) if body is not None else None, headers)
    answer = connection.getresponse()
    return answer.status, json.loads(answer.read() or b"null")


def caller(number):
    connection = http.client.HTTPConnection(host, timeout=60)
    count = 0
    while not os.path.exists(stop):
        begin = START + datetime.timedelta(minutes=20 * count)
        form = {"glovebox": f"BOX-{number % 4}", "station": f"S{number // 4 + 1}", "for": f"P{number}", "purpose": "load",
                "start": begin.isoformat(), "end": (begin + datetime.timedelta(minutes=20)).isoformat()}
        count += 1
        try:
            status, booking = ask(connection, "POST", "/bookings", form, f"{number}-{count}")
            if status != 201:
                failures.append((status, booking))
                continue
            with lock:
                made[booking["id"]] = booking["start"]
            status, seen = ask(connection, "GET", "/bookings/" + booking["id"])
            if status != 200 or seen["id"] != booking["id"]:
                failures.append((status, seen))
        except (OSError, http.client.HTTPException) as error:
            failures.append((0, repr(error)))
            connection.close()


def must(status, answer):
    assert status in (200, 201), (status, answer)
    return answer


setup = http.client.HTTPConnection(host, timeout=60)
must(*ask(setup, "POST", "/rooms", {"tag": "LAB", "volume_m3": 300}))
for box in range(4):
    must(*ask(setup, "POST", "/gloveboxes", {"tag": f"BOX-{box}", "room": "LAB", "working_gas": "argon",
         "internal_volume_l": 1200, "stations": [{"tag": f"S{place}"} for place in range(1, 5)]}))
for number in range(16):
    must(*ask(setup, "POST", "/people", {"tag": f"P{number}", "name": f"Caller {number}"}))
    must(*ask(setup, "POST", "/qualifications", {"person": f"P{number}", "glovebox": f"BOX-{number % 4}"}))
print("furnished", flush=True)
threads = [threading.Thread(target=caller, args=(number,)) for number in range(16)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()

there, after = {}, ""
while True:
    status, page = ask(setup, "GET", f"/bookings?limit=500{after}")
    must(status, page)
    there.update((booking["id"], booking["start"]) for booking in page["items"])
    if not page["next"]:
        break
    after = f"&after={page['next']}"
print(f"{len(made)} bookings acknowledged, {len(there)} there, {len(failures)} failures")
for failure in failures[:5]:
    print(failure)
lost = set(made) - set(there)
sys.exit(bool(failures) or bool(lost) or len(there) != len(made) or len(made) < 200)
LOAD
python3 "$work/load.py" "$front" "$token" "$work/stop" >"$work/load.log" 2>&1 &
load=$!
children+=("$load")
for _ in $(seq 300); do
    grep -q furnished "$work/load.log" && break
    kill -0 "$load" 2>/dev/null || fail "the load did not begin"
    sleep 0.1
done
sleep 2

kill -TERM "$one"
wait "$one" || fail "an instance that was asked to stop ended badly"
sleep 1
instance "${ports[1]}"; one=$started
ready "127.0.0.1:${ports[1]}"
sleep 2
kill -KILL "$two"
wait "$two" 2>/dev/null || true
sleep 2
instance "${ports[2]}"; two=$started
ready "127.0.0.1:${ports[2]}"
sleep 2

touch "$work/stop"
wait "$load" || fail "$(cat "$work/load.log")"

# Both computed the same night only once, and tell the same story.
night() { curl -sS -o /dev/null -w '%{http_code}' -H "Authorization: Bearer $token" -H 'Content-Type: application/json' \
    -d "{\"as_of\":\"$1\"}" "http://$2/api/v1/nightly-runs"; }
as_of=$(date -u +%FT00:00:00Z)
night "$as_of" "127.0.0.1:${ports[1]}" >"$work/night-1" & first=$!
night "$as_of" "127.0.0.1:${ports[2]}" >"$work/night-2" & second=$!
wait "$first" "$second"
case $(sort "$work/night-1" <(echo) "$work/night-2" | tr -d '\n ') in
    200201 | 201409) ;;
    *) fail "the night was answered $(cat "$work/night-1") and $(cat "$work/night-2")" ;;
esac
for port in "${ports[1]}" "${ports[2]}"; do
    curl -sS -H "Authorization: Bearer $token" "http://127.0.0.1:$port/api/v1/changes?limit=500" >"$work/changes-$port"
done
cmp "$work/changes-${ports[1]}" "$work/changes-${ports[2]}" || fail "the instances tell different stories"

kill -TERM "$one" "$two"
wait "$one" && wait "$two" || fail "an instance ended badly at the end"
printf 'several instances: %s, one instance stopped and one killed under load\n' "$(tail -1 "$work/load.log")"

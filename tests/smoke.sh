#!/usr/bin/env bash
# Does what the README tells a newcomer to do: starts the demo in an empty
# directory, runs every command it prints, and stops it.
#
# usage: tests/smoke.sh [PATH-OF-DRYKEEP]   (builds a release without one)
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
demo=
finish() {
    if [ -n "$demo" ]; then kill -KILL "$demo" 2>/dev/null || true; fi
    rm -rf "$work"
}
trap finish EXIT

fail() {
    {
        printf 'smoke: %s\n' "$*"
        printf -- '--- what the demo printed\n'
        cat "$work/out" "$work/err"
    } | cut -c 1-300 >&2
    exit 1
}

# Its own directory: what it leaves behind must not be found by the next run.
mkdir "$work/empty"
cd "$work/empty"
"$drykeep" demo >"$work/out" 2>"$work/err" &
demo=$!

# The demo has said all when its output has not grown for a second.
before=-1
for _ in $(seq 60); do
    sleep 1
    kill -0 "$demo" 2>/dev/null || fail "the demo ended by itself"
    now=$(wc -c <"$work/out")
    if grep -q '^curl ' "$work/out" && [ "$now" = "$before" ]; then break; fi
    before=$now
done
grep '^curl ' "$work/out" >"$work/commands" || fail "the demo prints no command"

count=0
while IFS= read -r command; do
    # The line is run as printed; only where the answer goes is added.
    status=$(bash -c "$command -sS -o '$work/answer' -w '%{http_code}'" 2>"$work/curl.err") \
        || fail "$command: $(cat "$work/curl.err")"
    case $status in
        2??) ;;
        *) fail "$command
answered $status: $(cat "$work/answer")" ;;
    esac
    [ -s "$work/answer" ] || fail "$command answered nothing"
    case $(head -c 1 "$work/answer") in
        '{' | '[') python3 -m json.tool "$work/answer" >/dev/null || fail "$command: not JSON" ;;
    esac
    count=$((count + 1))
    printf '%s  %s\n' "$status" "$(printf '%s' "$command" | sed -E 's/Bearer [^"'"'"' ]+/Bearer …/' | cut -c 1-150)"
done <"$work/commands"
[ "$count" -ge 3 ] || fail "the demo prints only $count commands"

# The README's own tour, as it is pasted after the lines that name the tokens. It
# shows two refusals, and only those.
{
    grep '^export ' "$work/out"
    awk '/^## /{on = 0} /^## Ten minutes with curl/{on = 1} on' "$here/README.md" | sed -n '/^```sh/,/^```/p' | sed '/^```/d'
} >"$work/tour"
bash -euo pipefail "$work/tour" >"$work/answers" 2>"$work/tour.err" || fail "the README's tour: $(cat "$work/tour.err")"
python3 - "$work/answers" <<'CHECK' || fail "the README's tour is not answered as it says: $(cat "$work/answers")"
import json, sys
text, answers = open(sys.argv[1], encoding="utf-8").read().strip(), []
while text:
    answer, end = json.JSONDecoder().raw_decode(text)
    answers.append(answer)
    text = text[end:].strip()
refusals = [answer["type"] for answer in answers if "/problems/" in str(answer.get("type"))]
print(f"{len(answers)} answers to the README's tour, refused: {', '.join(refusals)}")
sys.exit(len(answers) < 10 or refusals != ["/problems/booking-conflict", "/problems/invalid-input"])
CHECK

kill -TERM "$demo"
for _ in $(seq 20); do
    kill -0 "$demo" 2>/dev/null || break
    sleep 1
done
kill -0 "$demo" 2>/dev/null && fail "the demo does not stop when asked to"
wait "$demo" || fail "the demo ended with status $?"
demo=
printf 'smoke: %d commands answered, and it stopped when asked to\n' "$count"

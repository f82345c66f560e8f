#!/bin/sh
# Sets up and runs the main job once: the load-rejection procedure on the sound pairing, over TCP, serial and Modbus on this
# machine, against the simulated bench's instruments; then verifies the record and writes the report. May be run again.
cd "$(dirname "$0")/.." || exit 2
setup_for=run
. resources/setup.sh
run=.venv/bin/benchrunner
out=${TRY_OUT:-runs/try}
mkdir -p "$out" || exit 2
case "$out" in /*) ;; *) out="$PWD/$out" ;; esac

echo "try: preparing the simulated plant (compiled once for this machine)"
.venv/bin/python -m benchrunner.sim.warm || exit 2

echo "try: a throw-away signing key, marked demo"
keys="$out/data"
rm -rf "$keys"
export XDG_DATA_HOME="$keys"   # so that your own keys stay out of it
(umask 077 && .venv/bin/python -c 'import secrets; print(secrets.token_urlsafe(24))' >"$out/passphrase")
$run keys make try-demo --demo --passphrase-file "$out/passphrase" || exit 2

echo "try: starting the simulated instruments on this machine's loopback"
$run serve loopback --pairing tarn6-corrie5 --port-base 0 --lockstep >"$out/serve.log" 2>&1 &
server=$!
trap 'kill "$server" 2>/dev/null; wait "$server" 2>/dev/null' EXIT INT TERM
waited=0
until grep -q '^ready' "$out/serve.log" 2>/dev/null; do
    if ! kill -0 "$server" 2>/dev/null || [ "$waited" -gt 300 ]; then
        cat "$out/serve.log" >&2
        echo "try: the simulated instruments did not start; the lines above say why" >&2
        exit 2
    fi
    sleep 0.2
    waited=$((waited + 1))
done

base=$(sed -n 's/^ready, port base //p' "$out/serve.log")

echo "try: the run"
$run run load-rejection --pairing tarn6-corrie5 --bench loopback --port-base "$base" --speed max --out "$out" \
    --key try-demo --passphrase-file "$out/passphrase" --operator "Highmoor trainee" --json >"$out/run.log"
code=$?
sed '$d' "$out/run.log"
record=$(tail -n 1 "$out/run.log" | .venv/bin/python -c 'import json, sys; print(json.load(sys.stdin)["record"])' 2>/dev/null)
if [ -z "$record" ]; then
    cat "$out/run.log" >&2
    echo "try: the run left no record (exit $code)" >&2
    exit "$code"
fi

echo
echo "try: verifying the record"
$run verify "$record" --rejudge || exit 1
echo
echo "record:  $record"
echo "report:  $(tail -n 1 "$out/run.log" | .venv/bin/python -c 'import json, sys; print(json.load(sys.stdin)["report"])')"
echo "window:  .venv/bin/benchrunner"
exit "$code"

#!/usr/bin/env bash
# Three nodes, ingest and view on one machine, by the very commands of deploy/README.md, "Three nodes". Prints one
# line a check. Called by run, with what it defines.
set -uo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/cannulary-cluster.XXXXXX")
finish() {
  kill $(jobs -p) 2>/dev/null
  wait
  rm -rf "$work"
}
trap finish EXIT
trap 'exit 130' INT TERM
bad() { echo "FAIL  $1: $(tail -n 3 "$work"/cluster/{ingest,view,a}.log 2>/dev/null | tr -s '[:space:]' ' ' | cut -c1-1500)"; exit; }

# The page is typed in a checkout; here beside it, so that nothing is left there, and on ports that seldom are in use.
(cd "$root" && go build -o bin/ github.com/nats-io/nats-server/v2) || { echo "FAIL  nats-server could not be built"; exit; }
ln -s "$root/bin" "$root/deploy" "$work/"
cd "$work" || exit
sed -n '/^## Three nodes/,/^## Monitoring/p' deploy/README.md | sed -n '/^```bash$/,/^```$/p' | grep -v '^```' | grep -v '^go build' |
  sed -E 's/\b(42|62|74)([0-9]{2})\b/1\1\2/g' >page
[[ $(grep -c '^node ' page) -eq 3 ]] || bad "the page's commands are found"
. ./page >said
grep -q '"stream":"CANNULARY_MAIN"' said || bad "cluster: prepare makes the stream"
for _ in $(seq 600); do
  [[ $(grep -c '"http"' said) -eq 2 || $(jobs -pr | wc -l) -lt 5 ]] && break
  sleep 0.5
done
[[ $(grep -c '"http"' said) -eq 2 ]] || bad "cluster: ingest and view become ready"
echo "ok    cluster: three nodes, ingest and view start at once by the commands of deploy/README.md"
bin/cannulary simulate --grpc 127.0.0.1:17450 --patients 3 --months 1 2>simulated.log | grep -q '"refused":0' || bad "cluster: simulate is taken whole"
for _ in $(seq 600); do
  status=$(bin/cannulary status --http http://127.0.0.1:17451)
  grep -q ', 0 behind' <<<"$status" && grep -q 'resources   [1-9]' <<<"$status" && break
  sleep 0.5
done
grep -q 'resources   [1-9]' <<<"$status" || bad "cluster: the view has what ingest took"
echo "ok    cluster: what ingest takes can be read in the view"

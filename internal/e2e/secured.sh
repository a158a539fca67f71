#!/usr/bin/env bash
# Standard clients against an instance behind TLS and a policy, whose certificates are made by the README's
# own commands: grpcurl and a Node client over mutual TLS, Prometheus by a token. One line a check, beginning
# with "ok" or "FAIL"; `run` counts them. Expects bin/cannulary, .bin/grpcurl and the Node packages of
# proto/examples/node.
set -uo pipefail
cd "$(dirname "$0")"
root=$(cd ../.. && pwd)
cannulary=$root/bin/cannulary
grpcurl=$root/.bin/grpcurl
work=$(mktemp -d "${TMPDIR:-/tmp}/cannulary-secured.XXXXXX")
started=()
failed=0

die() { echo "secured.sh: $*" >&2; exit 1; }
finish() {
  code=$?
  for pid in "${started[@]}"; do kill "$pid" 2>/dev/null; done
  for pid in "${started[@]}"; do wait "$pid" 2>/dev/null; done
  if [[ $code -eq 0 && $failed -eq 0 ]]; then rm -rf "$work"; else echo "the logs stand in $work" >&2; fi
  exit $code
}
trap finish EXIT
trap 'exit 130' INT TERM
ok() { echo "ok    $1"; }
bad() { failed=$((failed + 1)); echo "FAIL  $1: $(tr -s '[:space:]' ' ' <<<"$2" | cut -c1-600)"; }
# answers NAME WORDS COMMAND…: what the command prints, whatever its exit code, holds the words.
answers() {
  local name=$1 words=$2 out
  shift 2
  out=$("$@" 2>&1)
  if grep -qF -- "$words" <<<"$out"; then ok "$name"; else bad "$name" "no \"$words\" in: $out"; fi
}

for tool in openssl curl prometheus node; do command -v "$tool" >/dev/null || die "$tool is needed"; done
[[ -x $cannulary && -x $grpcurl ]] || die "bin/cannulary and .bin/grpcurl are needed; make build, ./run"

# --- certificates as in the README, and a policy with a principal for each client ---

commands=$(sed -n '/^## From nothing to TLS/,/^## /p' "$root/README.md" | awk '/^```/ {n++; next} n == 1')
[[ $commands == *"issue engine"* ]] || die "the README's commands were not found"
cd "$work" && eval "$commands" >"$work/openssl.log" 2>&1 || die "the README's commands failed; see $work/openssl.log"
cd "$work/secured" || die "the README's commands made no folder"
issue stranger DNS:stranger.example >>"$work/openssl.log" 2>&1
digest=$("$cannulary" token --out metrics.token | cut -d'"' -f4)
cat >policy.yaml <<END
principals:
  - {name: engine, certificates: [engine.north.example], facilities: [invented-east], sources: [engine-node],
     facts: [roster/facility_registered, cannulation/needle_inserted]}
  - {name: prometheus, tokens: [$digest], may: [metrics]}
END
"$cannulary" serve --data data --grpc 127.0.0.1:0 --http 127.0.0.1:0 --policy policy.yaml --tls-certificate service.pem \
  --tls-key service.key --tls-client-ca ca.pem >"$work/ready" 2>"$work/server.log" &
started+=($!)
for _ in $(seq 300); do [[ -s $work/ready ]] && break; sleep 0.1; done
grpc=$(sed -n 's/.*"grpc":"\([^"]*\)".*/\1/p' "$work/ready")
http=$(sed -n 's#.*"http":"https://\([^"]*\)".*#\1#p' "$work/ready")
[[ -n $grpc && -n $http ]] || { cat "$work/server.log" >&2; die "the service did not become ready"; }

# --- grpcurl ---

engine=(-cacert ca.pem -cert engine.pem -key engine.key)
posts=cannulary.v1.RosterService/RecordRoster
answers "grpcurl: the engine lists the services over mutual TLS" cannulary.v1.CannulationService "$grpcurl" "${engine[@]}" "$grpc" list
answers "grpcurl: without a certificate nothing is listed" "Unauthenticated" "$grpcurl" -cacert ca.pem "$grpc" list
answers "grpcurl: a stranger's certificate lists nothing" "Unauthenticated" "$grpcurl" -cacert ca.pem -cert stranger.pem -key stranger.key "$grpc" list
answers "curl: anybody may ask whether it is ready" '{"status":"ready"}' curl -s --cacert ca.pem "https://$http/readyz"
answers "grpcurl: another source's name is refused" "must be a source of this principal's own" "$grpcurl" "${engine[@]}" \
  -d '{"envelope": {"source": "other", "source_message_id": "1", "facility": "invented-east"}}' "$grpc" "$posts"
answers "grpcurl: in the clear nothing is answered" "Failed to dial" "$grpcurl" -plaintext -connect-timeout 5 "$grpc" list

# --- Node ---

answers "node: the sample client posts over mutual TLS" "a needle: accepted" node "$root/proto/examples/node/client.mjs" "$grpc" ca.pem engine.pem engine.key
answers "node: a stranger's certificate posts nothing" "the unit: UNAUTHENTICATED, set it aside" node "$root/proto/examples/node/client.mjs" \
  "$grpc" ca.pem stranger.pem stranger.key

# --- Prometheus, by the commented lines of the shipped configuration ---

port=$(node -e 'const s = require("net").createServer().listen(0, "127.0.0.1", () => { console.log(s.address().port); s.close(); });')
cp -r "$root/deploy/prometheus" "$work/prometheus"
sed -i -E -e 's/^    # (scheme|tls_config|authorization): /    \1: /' -e "s/127.0.0.1:7451/$http/" \
  -e "s#/etc/prometheus/cannulary-ca.pem#$work/secured/ca.pem#; s#/etc/prometheus/cannulary.token#$work/secured/metrics.token#" \
  -e 's/^(  scrape_interval): 30s/\1: 1s/; s/^  scrape_timeout: 10s/  scrape_timeout: 1s/' "$work/prometheus/prometheus.yml"
prometheus --config.file="$work/prometheus/prometheus.yml" --storage.tsdb.path="$work/tsdb" --web.listen-address="127.0.0.1:$port" \
  >"$work/prometheus.log" 2>&1 &
started+=($!)
scraped() {
  local got
  for _ in $(seq 120); do
    got=$(curl -sfG "http://127.0.0.1:$port/api/v1/query" --data-urlencode 'query=up{job="cannulary"} == 1 and on () cannulary_log_last_sequence > 0')
    grep -q '"shard":"main"' <<<"$got" && { echo scraped; return; }
    sleep 0.5
  done
  echo "after a minute: $got"
}
answers "prometheus: it scrapes over TLS by a token of its own" scraped scraped
answers "curl: that token reads nothing but figures" "this principal may not do that" \
  curl -s --cacert ca.pem -H "Authorization: Bearer $(cat metrics.token)" "https://$http/fhir/Patient"
answers "curl: a foreign name is refused" "does not answer to the name in the Host header" curl -s --cacert ca.pem -H "Host: evil.example" "https://$http/healthz"
secrets() { grep -cE "$(cat metrics.token)|INV-0100" "$work/server.log"; }
answers "the service's log names neither token nor patient" 0 secrets
exit $((failed > 0))

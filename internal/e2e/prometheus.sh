#!/usr/bin/env bash
# The shipped monitoring under the real tools: promtool and amtool check every file, then a real
# Prometheus and Alertmanager with the shipped configuration (only addresses and intervals
# changed) watch a live service through an outbreak. One line a check, beginning with "ok" or
# "FAIL"; `run` counts them. Installs Debian's packages where they are missing (as root); their
# services are never started. Takes some four minutes.
set -uo pipefail
cd "$(dirname "$0")"
root=$(cd ../.. && pwd)
cannulary=$root/bin/cannulary
deploy=$root/deploy
work=$(mktemp -d "${TMPDIR:-/tmp}/cannulary-monitoring.XXXXXX")
started=()

die() { echo "prometheus.sh: $*" >&2; exit 1; }
finish() {
  code=$?
  for pid in "${started[@]}"; do kill "$pid" 2>/dev/null; done
  for pid in "${started[@]}"; do wait "$pid" 2>/dev/null; done
  if [[ $code -eq 0 && $failed -eq 0 ]]; then rm -rf "$work"; else echo "the logs stand in $work" >&2; fi
  exit $code
}
trap finish EXIT
trap 'exit 130' INT TERM

failed=0
ok() { echo "ok    $1"; }
bad() { failed=$((failed + 1)); echo "FAIL  $1: $(tr -s '[:space:]' ' ' <<<"$2" | cut -c1-600)"; }
check() {
  local name=$1 out
  shift
  if out=$("$@" 2>&1); then ok "$name"; else bad "$name" "$out"; fi
}

# --- what is needed ---

[[ -x $cannulary ]] || die "there is no bin/cannulary; run make build"
missing=()
command -v promtool >/dev/null || missing+=(prometheus)
command -v amtool >/dev/null || missing+=(prometheus-alertmanager)
if [[ ${#missing[@]} -gt 0 ]]; then
  [[ $(id -u) -eq 0 ]] && command -v apt-get >/dev/null || die "install ${missing[*]} (Debian's packages), or run as root"
  # A package that is installed must not start its service here.
  policy=/usr/sbin/policy-rc.d
  if [[ ! -e $policy ]]; then
    printf '#!/bin/sh\nexit 101\n' >"$policy" && chmod +x "$policy"
    made=1
  fi
  { apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${missing[@]}"; } >"$work/apt" 2>&1
  code=$?
  [[ -n ${made:-} ]] && rm -f "$policy"
  [[ $code -eq 0 ]] || { tail -n 5 "$work/apt" >&2; die "${missing[*]} could not be installed"; }
fi
alertmanager=$(command -v prometheus-alertmanager || command -v alertmanager) || die "there is no alertmanager"

# --- the files ---

check "promtool: the shipped configuration and its rules are valid" promtool check config "$deploy/prometheus/prometheus.yml"
check "promtool: no rule is a duplicate or badly named" promtool check rules --lint=all --lint-fatal "$deploy"/prometheus/rules/*.yml
for t in "$deploy"/prometheus/tests/*.test.yml; do
  check "promtool: the cases of ${t##*/} hold" timeout 400 promtool test rules "$t"
done
check "amtool: the shipped configuration is valid" amtool check-config "$deploy/alertmanager/alertmanager.yml"

routed() { # WANT LABEL…
  local want=$1 got
  shift
  got=$(amtool config routes test --config.file="$deploy/alertmanager/alertmanager.yml" "$@" 2>/dev/null)
  [[ $got == "$want" ]] || { echo "goes to $got, not to $want"; return 1; }
}
check "amtool: S. aureus goes to the unit's lead, urgently, and to infection control" routed clinical-lead-urgent,infection-control alertname=CannularyBacteraemia audience=clinical-lead severity=critical facility=invented
check "amtool: a signal goes to infection control and the unit's lead" routed clinical-lead,infection-control alertname=CannularyInfectionSignal audience=infection-control severity=warning
check "amtool: the second chart goes to infection control alone" routed infection-control alertname=CannularyBloodstreamSignal audience=infection-control severity=info
check "amtool: an old hold goes to the unit's lead" routed clinical-lead alertname=CannularyHoldUnreviewed audience=clinical-lead severity=warning
check "amtool: a silent unit goes to the engineer and the unit's lead" routed clinical-lead,engineer alertname=CannularyUnitSilent audience=engineer severity=warning
check "amtool: a damaged log goes to the engineer who is on call" routed engineer-on-call alertname=CannularyLogDamaged audience=engineer severity=critical
check "amtool: the watchdog goes to the heartbeat" routed heartbeat alertname=CannularyWatchdog audience=heartbeat severity=none
check "amtool: what no route knows goes to the engineer" routed engineer alertname=Unknown

# --- a live service, a real Prometheus, a real Alertmanager ---

"$cannulary" serve --data "$work/data" --grpc 127.0.0.1:0 --http 127.0.0.1:0 >"$work/ready" 2>"$work/server.log" &
started+=($!)
for _ in $(seq 300); do [[ -s $work/ready ]] && break; sleep 0.1; done
grpc=$(sed -n 's/.*"grpc":"\([^"]*\)".*/\1/p' "$work/ready")
http=$(sed -n 's/.*"http":"\([^"]*\)".*/\1/p' "$work/ready")
[[ -n $grpc && -n $http ]] || { cat "$work/server.log" >&2; die "the service did not become ready"; }

free() { node -e 'const s = require("net").createServer().listen(0, "127.0.0.1", () => { console.log(s.address().port); s.close(); });'; }
pport=$(free)
aport=$(free)

cp -r "$deploy/prometheus" "$work/prometheus"
sed -i -e "s/127.0.0.1:7451/${http#http://}/; s/127.0.0.1:9093/127.0.0.1:$aport/" -e 's/^\(  \(scrape\|evaluation\)_interval\): 30s/\1: 1s/; s/^  scrape_timeout: 10s/  scrape_timeout: 1s/' "$work/prometheus/prometheus.yml"
changed=$(diff "$deploy/prometheus/prometheus.yml" "$work/prometheus/prometheus.yml" | grep -c '^>')
[[ $changed -eq 5 ]] || die "$changed lines of the configuration were changed, not 5"
# Mail goes to a port on which nobody listens.
sed 's/mail.unit.example:25/127.0.0.1:1/; s/unit\.example/unit.invalid/' "$deploy/alertmanager/alertmanager.yml" >"$work/alertmanager.yml"

"$alertmanager" --config.file="$work/alertmanager.yml" --storage.path="$work/alerts" --web.listen-address="127.0.0.1:$aport" --cluster.listen-address= >"$work/alertmanager.log" 2>&1 &
started+=($!)
prometheus --config.file="$work/prometheus/prometheus.yml" --storage.tsdb.path="$work/tsdb" --storage.tsdb.retention.time=400d --web.listen-address="127.0.0.1:$pport" >"$work/prometheus.log" 2>&1 &
started+=($!)

# query EXPR: every sample as "label=value,… value", sorted; nothing where there is none.
query() {
  curl -sfG "http://127.0.0.1:$pport/api/v1/query" --data-urlencode "query=$1" | node -e '
    const r = JSON.parse(require("fs").readFileSync(0)).data.result;
    for (const s of r) delete s.metric.__name__;
    console.log(r.map((s) => Object.keys(s.metric).sort().map((k) => k + "=" + s.metric[k]).join(",") + " " + s.value[1]).sort().join("\n"));'
}
# until SECONDS EXPR WANT: the query comes to give just that.
until_is() {
  local end=$((SECONDS + $1)) got
  while got=$(query "$2" 2>&1); [[ $got != "$3" ]]; do
    ((SECONDS < end)) || { echo "after $1 s \"$2\" gives \"$got\", not \"$3\""; return 1; }
    sleep 0.5
  done
}
send() { # PHASE ARGUMENT…
  local out
  node outbreak.mjs "$@" >"$work/$1.ndjson" && out=$("$cannulary" load --grpc "$grpc" "$work/$1.ndjson" 2>&1) && grep -q '"refused":0' <<<"$out" || { echo "load: ${out:-outbreak.mjs failed}"; return 1; }
}
signals='count by (alertname, alertstate) (ALERTS{alertname=~"Cannulary(Infection|Bloodstream)Signal"})'

check "prometheus: it scrapes the service" until_is 60 'up{job="cannulary"} == 1' "instance=${http#http://},job=cannulary,shard=main 1"
check "load: a unit of 20 constant-site patients with one infection and two thresholds is taken whole" send before
check "prometheus: both charts are there and quiet" until_is 60 'count by (class) (cannulary_infection_signal == 0)' $'class=access-related 1\nclass=bloodstream 1'
check "prometheus: with a threshold set nobody is told that nobody watches" until_is 10 'count by (technique) (cannulary:infection_cusum_threshold:known)' 'technique=constant-site 1'
quiet() { sleep 5 && until_is 1 "$signals" ""; }
check "prometheus: one infection raises nothing" quiet

check "load: an outbreak of four more infections is taken whole" send outbreak
check "prometheus: both signals are pending" until_is 30 "$signals" $'alertname=CannularyBloodstreamSignal,alertstate=pending 1\nalertname=CannularyInfectionSignal,alertstate=pending 1'
check "prometheus: the S. aureus bacteraemia fires at once" until_is 5 'count by (alertname, alertstate, severity) (ALERTS{alertname=~"Cannulary.*Bacteraemia"})' 'alertname=CannularyBacteraemia,alertstate=firing,severity=critical 1'
check "load: two more S. aureus are taken whole, within 15 minutes of the first" send further
check "prometheus: each of the three fires by itself, and at once" until_is 10 'count by (alertname, alertstate) (ALERTS{alertname="CannularyBacteraemia"})' 'alertname=CannularyBacteraemia,alertstate=firing 3'
check "prometheus: both signals fire after their minute" until_is 90 "$signals" $'alertname=CannularyBloodstreamSignal,alertstate=firing 1\nalertname=CannularyInfectionSignal,alertstate=firing 1'

told() { # SECONDS QUERY-FLAG WANT: what Alertmanager shows
  local end=$((SECONDS + $1)) got
  while got=$(amtool --alertmanager.url="http://127.0.0.1:$aport" alert query "$2" -o json 2>/dev/null | node -e '
      console.log(JSON.parse(require("fs").readFileSync(0)).map((a) => a.labels.alertname).filter((n) => n !== "CannularyWatchdog").sort().join(" "))'); [[ $got != "$3" ]]; do
    ((SECONDS < end)) || { echo "after $1 s Alertmanager shows \"$got\", not \"$3\""; return 1; }
    sleep 0.5
  done
}
aureus="CannularyBacteraemia"
check "alertmanager: it tells of the first chart and of each bacteraemia" told 30 --active "$aureus $aureus $aureus CannularyInfectionSignal"
check "alertmanager: the second chart keeps quiet while the first one signals" told 5 --inhibited "CannularyBloodstreamSignal"

check "load: a named person acknowledges both signals" send acknowledge
check "prometheus: the signals resolve" until_is 30 "$signals" ""
check "prometheus: the bacteraemias do not" until_is 1 'count by (alertstate) (ALERTS{alertname="CannularyBacteraemia"})' 'alertstate=firing 3'
lift() { # N: the hold of patient OUT-000N, which the card names
  local hold
  hold=$(curl -sfG "$http/card" -H 'Accept: application/json' --data-urlencode "identifier=https://hospital.example/patient-number|OUT-000$1" | grep -o '"[a-z]*"[^{}]*"bacteraemia"[^{}]*' | grep -oE '"(id|hold)":"[^"]+"' | head -1 | cut -d'"' -f4)
  send lift "$1" "${hold:-none}"
}
check "load: a named person lifts one hold" lift 5
check "prometheus: the other two go on" until_is 30 'count by (alertstate) (ALERTS{alertname="CannularyBacteraemia"})' 'alertstate=firing 2'
check "load: and a second one" lift 6
check "load: and the last one" lift 7
check "prometheus: no bacteraemia is left" until_is 30 'ALERTS{alertname="CannularyBacteraemia"}' ""
check "alertmanager: nothing is left to tell" told 30 --active ""

kill "${started[0]}" && wait "${started[0]}"
check "prometheus: a service that is gone is pending at once" until_is 20 'count by (alertname, alertstate) (ALERTS{alertname="CannularyUnreachable"})' 'alertname=CannularyUnreachable,alertstate=pending 1'
lifted() { sleep 5 && until_is 1 'ALERTS{alertname="CannularyBacteraemia"}' ""; }
check "prometheus: what was lifted before the service went does not ring again" lifted
exit $((failed > 0))

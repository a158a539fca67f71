#!/usr/bin/env bash
# The units of deploy/ as systemd reads them. Prints one line a check. Called by run, which brings systemd. No unit is
# started here: that needs a machine that systemd runs.
set -uo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/cannulary-units.XXXXXX")
trap 'rm -rf "$work"' EXIT

# verify wants the programs where a unit names them.
for unit in "$root"/deploy/systemd/*.service "$root"/deploy/systemd/*.timer; do
  sed "s#/usr/local/bin/#$root/bin/#; s#^ExecStart=/usr/bin/lp #ExecStart=/usr/bin/true #" "$unit" >"$work/${unit##*/}"
done
units=("$work"/*)
[[ ${#units[@]} -ge 5 ]] || echo "FAIL  systemd: there are ${#units[@]} units, not 5"
for unit in "${units[@]}"; do
  name=${unit##*/}
  said=$(systemd-analyze verify --man=no "$unit" 2>&1) && [[ -z $said ]] || { echo "FAIL  systemd: $name: $said"; continue; }
  echo "ok    systemd: $name is sound"
  [[ $name == *.service ]] || continue
  # The most that deploy/hardening.md states, in tenths.
  most=15
  [[ $name != cannulary-pack.service ]] || most=38
  if said=$(systemd-analyze security --offline=true --no-pager --threshold=$most "$unit" 2>&1); then
    echo "ok    systemd: $name: exposure at most $((most / 10)).$((most % 10))"
  else
    echo "FAIL  systemd: $name: $(tail -n 1 <<<"$said"), at most $((most / 10)).$((most % 10))"
  fi
done
# The checks tell a unit that is not sound, and one that is exposed.
printf '[Service]\nExecStart=/usr/bin/true\nProtectSystem=stric\n' >"$work/wrong.service"
if said=$(systemd-analyze verify --man=no "$work/wrong.service" 2>&1) && [[ -z $said ]]; then
  echo "FAIL  systemd: verify passes a misspelt value"
elif systemd-analyze security --offline=true --no-pager --threshold=38 "$work/wrong.service" >/dev/null 2>&1; then
  echo "FAIL  systemd: security passes a unit without any protection"
else
  echo "ok    systemd: a wrong unit is told"
fi

# Old packs are removed, the folder stays; new ones are kept. The age of a file cannot be set back: 0 stands for "old".
mkdir -p "$work/packs/2026-01-01"
echo names >"$work/packs/2026-01-01/print.html"
packs() { sed "s#/var/lib/cannulary-packs#$work/packs#; s#root root 3d#$(id -un) $(id -gn) $1#" "$root/deploy/tmpfiles/cannulary.conf" >"$work/packs.conf" &&
  systemd-tmpfiles --clean "$work/packs.conf"; }
if packs 3d && [[ -s $work/packs/2026-01-01/print.html ]] && packs 0 && [[ -d $work/packs && ! -e $work/packs/2026-01-01 ]]; then
  echo "ok    systemd: packs of more than three days are removed"
else
  echo "FAIL  systemd: packs of more than three days are removed: $(find "$work/packs")"
fi

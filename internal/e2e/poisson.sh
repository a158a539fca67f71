#!/usr/bin/env bash
# R works out the committed grid of limits, tails, ratios and run lengths anew, and it must be
# the same to six digits. Needs Rscript (Debian: r-base-core). Says on failure why.
set -uo pipefail
cd "$(dirname "$0")"
committed=../surveil/incidence/testdata/poisson.tsv
command -v Rscript >/dev/null || { echo "Rscript is needed (Debian: r-base-core)"; exit 1; }
fresh=$(mktemp "${TMPDIR:-/tmp}/cannulary-poisson.XXXXXX")
trap 'rm -f "$fresh"' EXIT
Rscript --vanilla poisson.R >"$fresh" || { echo "poisson.R failed"; exit 1; }
# Field by field, so that another version of R may differ in the last of nine digits.
paste -d '\n' "$committed" "$fresh" | awk -F '\t' '
  NR % 2 { split($0, want, "\t"); n = NF; text = $0; next }
  { bad = NF != n
    for (i = 1; i <= n && !bad; i++) {
      if (want[i] == $i) continue
      d = want[i] - $i; if (d < 0) d = -d
      w = want[i] < 0 ? -want[i] : want[i] + 0
      bad = want[i] !~ /^[0-9.e+-]+$/ || $i !~ /^[0-9.e+-]+$/ || d > 1e-6 * w
    }
    if (bad) { print "committed: " text "; R now: " $0; wrong++ }
  }
  END { lines = NR / 2; if (lines < 500) { print "only " lines " lines"; wrong++ }; exit wrong > 0 }'

// Package deploycheck has no code of its own: its tests hold what deploy/ ships for
// monitoring (rules, dashboards, runbooks, the page of metrics) against a running service
// and against each other. Whether the expressions parse and what they mean is tested by
// internal/tools/promcheck and by promtool in internal/e2e.
package deploycheck

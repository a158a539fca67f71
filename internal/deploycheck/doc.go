// Package deploycheck contains only tests. They hold what deploy/ ships for monitoring (rules,
// dashboards, runbooks, the page of metrics) against a running service and against each other.
// internal/tools/promcheck, and promtool in internal/e2e, test whether the expressions parse and
// what they mean.
package deploycheck

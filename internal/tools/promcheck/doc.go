// Package promcheck has no code of its own: its test reads the rules and dashboards that
// deploy/ ships with Prometheus' own parser. It is a module of its own so that the parser
// stays out of the product's dependencies.
package promcheck

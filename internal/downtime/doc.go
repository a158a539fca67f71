// Package downtime makes the pack for a day without the service: every patient's card as a
// file of its own, to be printed before or shown without a server, an index of them, and
// all cards as JSON. It is pure but for Write, which puts the pack into a folder.
package downtime

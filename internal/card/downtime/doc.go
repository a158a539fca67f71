// Package downtime makes the pack for a day without the service: one file for each patient's
// card, to be printed before that day or read without a server, an index of them, and all cards
// as JSON. Only Write touches the disk.
package downtime

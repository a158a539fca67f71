// Package projector carries the log into the view: every event once, in order, each with
// everything that follows from it and the checkpoint in one transaction.
//
// What it writes is a function of the log alone. It reads no clock, no random number and
// no file of the host; lastUpdated is the log's time. It never changes what an event
// says, it decides what has to be rendered again because of it.
package projector

// Package projector carries the log into the view: every event once, in order, each with
// everything that follows from it and the checkpoint in one transaction.
//
// What it writes is a function of the log alone. It reads no clock, no random number and
// no file of the host; lastUpdated is the log's time. It never changes what an event
// says. It decides what has to be rendered again because of it.
//
// An event goes through these stages, each in a file of its own (their tests: effects and plan in
// plan_test.go, ahead in ahead_test.go, treatments in surveil_test.go, the rest in stages_test.go):
//
//	batch    projector.go  one transaction; sets aside what cannot be understood
//	index    index.go      stores the event and the topics by which it is found again
//	effects  effects.go    reads from the facts what they change; asks nothing (pure)
//	follow   follow.go     brings the state in memory up to date: merges, zones, protocols, days
//	plan     plan.go       lists what is to be rendered and judged again
//	ahead    ahead.go      has workers render and judge a plain event while the next are planned
//	apply    event.go      carries the plan out, in this order:
//	  registrations  render.go   facilities, as FHIR resources
//	  reach       reach.go       corrections and voids that change nothing
//	  render      render.go      sessions and what topics describe, as FHIR resources
//	  judge       judge.go       tracks, findings and holds of the patients
//	  survey      surveil.go     exposure, infections and charts of the facilities, and with them
//	                             the monthly reports (restate, month.go)
//	  worklists   worklist.go    who is due where, and how each patient is needled
//	  provenance  provenance.go  where the new versions come from
package projector

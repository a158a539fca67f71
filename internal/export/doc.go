// Package export runs bulk exports: jobs that write resources into files, one for each
// type, a resource a line. It knows neither HTTP nor where the resources come from; whoever
// opens it gives a Reader.
//
// A job is written down before Begin returns, so that it survives a crash: a job that did
// not end begins anew, from the beginning, with the next Run. One job runs at a time, the
// others wait. What a job wrote is kept for some time after its end and then removed.
//
// Each job has a folder, which only this user can read, with
//
//	request.json      what was asked for; a folder without it is no job, and is removed
//	<Type>.ndjson     the resources
//	result.json       written last: that it ended, and how
package export

// Package dossier gathers what is known of one patient, or one facility, at a moment. It reads the
// view's copy of the events and decides with package record what of them stands. The projector, the
// card, the report and the hooks all ask here, so that they look at the same facts.
//
// It judges nothing: package track does that from a patient's dossier, package surveil from a
// facility's.
package dossier

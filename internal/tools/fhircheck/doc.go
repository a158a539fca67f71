// Package fhircheck has no code of its own: its test holds every kind of resource that the
// FHIR mapping renders against an independent reader of FHIR R4; the command read does the
// same with what a service answered. It is a module of its own so that the reader stays out of the product's dependencies.
package fhircheck

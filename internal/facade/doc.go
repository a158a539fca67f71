// Package facade answers an EHR that pulls FHIR R4 resources over HTTP. It reads the
// view's stored bytes and takes no FHIR writes.
//
// One table (Types) says which resource types, interactions and search parameters there
// are; routing, the CapabilityStatement and the tests read it. Every error, a panic too,
// is answered with an OperationOutcome.
//
// How to pull without loss: search with _lastUpdated=ge and the Bundle.meta.lastUpdated
// of the search before, follow the next links to their end, and keep versions by
// (type, id, versionId). Only resources of the boundary millisecond may come again, with
// the same versionId.
package facade
